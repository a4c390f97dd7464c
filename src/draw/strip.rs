//! A difference with its interval in one row of a table: all rows on one scale, as wide as their column.
//!
//! A strip has no text: the numbers stand beside it in the row. Lengths across are in per cent, so that marks keep their
//! size and shape whatever the width.

use super::canvas::{BLUE, GREY, GRID, INK, VERMILION, WHITE};
use super::inline::hex;
use super::scale::{Scale, tick_label};
use crate::compare::{ChannelComparison, Verdict};

/// Height of a row in px.
const HEIGHT_PX: f64 = 36.0;
/// Per cent of the width left free at both ends, for marks and labels.
const MARGIN: f64 = 7.0;
/// Most ticks.
const TICKS: usize = 4;

/// What one row shows: a difference with its interval, or a bound.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shown {
    /// The difference in dB.
    pub difference_db: Option<f64>,
    /// Lower end of its interval in dB, or alone a lower bound.
    pub low_db: Option<f64>,
    /// Upper end of its interval in dB, or alone an upper bound.
    pub high_db: Option<f64>,
    /// Which it favours.
    pub verdict: Verdict,
}

impl From<&ChannelComparison> for Shown {
    fn from(one: &ChannelComparison) -> Shown {
        Shown {
            difference_db: one.difference_db,
            low_db: one.low_db,
            high_db: one.high_db,
            verdict: one.verdict,
        }
    }
}

/// The scale that all strips of a table share.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Strip {
    scale: Scale,
}

impl Strip {
    /// A scale that holds zero and every difference. An interval or a bound may widen it to twice what these need, no
    /// further; what reaches beyond ends in an arrow at the edge.
    pub fn of(rows: &[Shown]) -> Strip {
        let finite = |value: Option<f64>| value.filter(|db| db.is_finite() && db.abs() < 1000.0);
        let values = rows.iter().filter_map(|one| finite(one.difference_db));
        let (mut low, mut high) = values.fold((0.0f64, 0.0f64), |(low, high), db| {
            (low.min(db), high.max(db))
        });
        let room = (high - low).max(3.0) / 2.0;
        let (least, most) = (low - room, high + room);
        let ends = rows.iter().flat_map(|one| [one.low_db, one.high_db]);
        for db in ends.filter_map(finite) {
            low = low.min(db.max(least));
            high = high.max(db.min(most));
        }
        Strip {
            scale: Scale::new((low, high), (MARGIN, 100.0 - MARGIN)),
        }
    }

    /// The labels of the scale for the head of the column, with zero among them.
    pub fn axis(&self) -> String {
        let labels: String = (self.ticks().iter())
            .map(|&tick| {
                let (at, label) = (self.at(tick), tick_label(tick, &self.ticks()));
                format!(
                    "<text x=\"{at}%\" y=\"13\" text-anchor=\"middle\" font-size=\"12\" fill=\"{}\">{label}</text>",
                    hex(INK)
                )
            })
            .collect();
        element(16.0, &labels)
    }

    /// One row's strip: a ring for A, a diamond for B, a hollow square for what is undecided, its interval a line; a
    /// bound is an arrow. Without anything to draw it shows the scale alone.
    pub fn row(&self, channel: &Shown) -> String {
        let mut drawn: String = (self.ticks().iter())
            .map(|&tick| {
                let (colour, width) = if tick == 0.0 { (INK, 1.5) } else { (GRID, 1.0) };
                self.upright(tick, (0.0, HEIGHT_PX), &hex(colour), width)
            })
            .collect();
        let colour = hex(match channel.verdict {
            Verdict::A => BLUE,
            Verdict::B => VERMILION,
            Verdict::Undecided | Verdict::NotComparable => GREY,
        });
        match (channel.difference_db, channel.low_db, channel.high_db) {
            (Some(db), Some(low), Some(high)) => {
                drawn += &self.level((low, high), &colour);
                drawn += &self.end(low, &colour);
                drawn += &self.end(high, &colour);
                drawn += &self.mark(db, channel.verdict, &colour);
            }
            (Some(db), _, _) => drawn += &self.mark(db, channel.verdict, &colour),
            (None, Some(low), _) => {
                drawn += &self.bound(low, 1.0, &colour);
            }
            (None, None, Some(high)) => {
                drawn += &self.bound(high, -1.0, &colour);
            }
            (None, None, None) => {}
        }
        element(HEIGHT_PX, &drawn)
    }

    fn ticks(&self) -> Vec<f64> {
        self.scale.ticks((MARGIN, 100.0 - MARGIN), TICKS)
    }

    /// Where a value stands, in per cent of the width, to a hundredth, kept within the strip.
    fn at(&self, db: f64) -> f64 {
        (self.scale.px(db).clamp(2.0, 98.0) * 100.0).round() / 100.0
    }

    fn inside(&self, db: f64) -> bool {
        (2.0..=98.0).contains(&self.scale.px(db))
    }

    fn upright(&self, db: f64, (top, bottom): (f64, f64), colour: &str, width: f64) -> String {
        let at = self.at(db);
        format!(
            "<line x1=\"{at}%\" x2=\"{at}%\" y1=\"{top}\" y2=\"{bottom}\" stroke=\"{colour}\" stroke-width=\"{width}\"/>"
        )
    }

    fn level(&self, (low, high): (f64, f64), colour: &str) -> String {
        let y = HEIGHT_PX / 2.0;
        format!(
            "<line x1=\"{}%\" x2=\"{}%\" y1=\"{y}\" y2=\"{y}\" stroke=\"{colour}\" stroke-width=\"2.5\"/>",
            self.at(low),
            self.at(high)
        )
    }

    /// A bound and the way (1 right, −1 left) to where the value lies. One beyond the strip begins nearer to zero, without
    /// its cap: what its arrow says still holds there.
    fn bound(&self, db: f64, way: f64, colour: &str) -> String {
        let far = f64::INFINITY * way;
        let shown = if self.inside(db) {
            db
        } else {
            self.scale.value(50.0 + 36.0 * way)
        };
        let mut drawn = self.level((shown, far), colour) + &self.arrow(way, colour);
        if self.inside(db) {
            drawn += &self.cap(db, colour);
        }
        drawn
    }

    fn cap(&self, db: f64, colour: &str) -> String {
        let y = HEIGHT_PX / 2.0;
        self.upright(db, (y - 6.0, y + 6.0), colour, 2.5)
    }

    /// The end of an interval: a cap, or an arrow where it lies beyond the strip.
    fn end(&self, db: f64, colour: &str) -> String {
        if self.inside(db) {
            self.cap(db, colour)
        } else {
            self.arrow(if self.scale.px(db) > 50.0 { 1.0 } else { -1.0 }, colour)
        }
    }

    /// An arrow's head at the right (1) or left (−1) edge.
    fn arrow(&self, way: f64, colour: &str) -> String {
        let (edge, back) = (50.0 + 48.0 * way, -9.0 * way);
        placed(
            edge,
            &format!("<path d=\"M0 0L{back} -6L{back} 6Z\" fill=\"{colour}\" stroke=\"none\"/>"),
        )
    }

    fn mark(&self, db: f64, verdict: Verdict, colour: &str) -> String {
        let white = hex(WHITE);
        let shape = match verdict {
            Verdict::A => format!("<circle r=\"6.5\" fill=\"{colour}\" stroke=\"{white}\"/>"),
            Verdict::B => {
                format!("<path d=\"M8 0L0 8L-8 0L0 -8Z\" fill=\"{colour}\" stroke=\"{white}\"/>")
            }
            Verdict::Undecided | Verdict::NotComparable => format!(
                "<path d=\"M5 5L-5 5L-5 -5L5 -5Z\" fill=\"{white}\" stroke=\"{colour}\" stroke-width=\"2.5\"/>"
            ),
        };
        placed(self.at(db), &shape)
    }
}

/// A shape around the middle of the row, `at` per cent of the width.
fn placed(at: f64, shape: &str) -> String {
    format!(
        "<svg x=\"{at}%\" y=\"{}\" overflow=\"visible\">{shape}</svg>",
        HEIGHT_PX / 2.0
    )
}

fn element(height: f64, drawn: &str) -> String {
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" aria-hidden=\"true\" focusable=\"false\" width=\"100%\" \
         height=\"{height}\">{drawn}</svg>"
    )
}

#[cfg(test)]
mod tests {
    use super::super::samples::{channel, four, of};
    use super::*;
    use crate::compare::Comparison;

    fn rows(comparison: &Comparison) -> Vec<Shown> {
        comparison.channels.iter().map(Shown::from).collect()
    }

    /// x in per cent of the first part of this kind.
    fn first(row: &str, part: &str) -> f64 {
        let (_, after) = row.split_once(part).expect(part);
        after.split('%').next().unwrap().parse().unwrap()
    }

    #[test]
    fn a_mark_stands_between_its_ticks_as_its_value_does() {
        let shown = rows(&four());
        let strip = Strip::of(&shown);
        let axis = strip.axis();
        let (zero, five) = (strip.at(0.0), strip.at(5.0));
        assert!(
            axis.contains(&format!("x=\"{zero}%\"")) && axis.contains(">0<"),
            "{axis}"
        );
        // Channel 20: A 26.2, B 21.0.
        let row = strip.row(&shown[0]);
        let mark = first(&row, "<svg x=\"");
        assert!(
            (mark - (zero + (five - zero) * 5.2 / 5.0)).abs() < 0.05,
            "{mark}"
        );
        assert!(row.contains("<circle") && row.contains("#0072B2"));
        // Channel 23: B ahead.
        let row = strip.row(&shown[3]);
        assert!(first(&row, "<svg x=\"") < zero && row.contains("#D55E00"));
        // Channel 22: nothing to compare, so no mark.
        assert!(!strip.row(&shown[2]).contains("overflow"));
    }

    #[test]
    fn a_wild_interval_ends_in_arrows_and_leaves_the_scale_to_the_others() {
        let narrow = of("a", "b", vec![channel(20, Some(20.0), Some(15.0), 0.5)]);
        let wild = of(
            "a",
            "b",
            vec![
                channel(20, Some(20.0), Some(15.0), 0.5),
                channel(21, Some(20.0), Some(19.0), 300.0),
            ],
        );
        let (narrow, strip) = (Strip::of(&rows(&narrow)), Strip::of(&rows(&wild)));
        assert!(strip.at(5.0) - strip.at(0.0) > 0.4 * (narrow.at(5.0) - narrow.at(0.0)));
        assert_eq!(
            strip.row(&rows(&wild)[1]).matches("overflow").count(),
            3,
            "two arrows, one mark"
        );
        assert_eq!(
            strip.row(&rows(&wild)[0]).matches("overflow").count(),
            1,
            "one mark"
        );
    }

    #[test]
    fn a_bound_points_to_where_the_value_lies() {
        let bounds = of(
            "a",
            "b",
            vec![
                channel(20, Some(20.0), None, 0.0),
                channel(21, None, Some(20.0), 0.0),
            ],
        );
        let bounds = rows(&bounds);
        let strip = Strip::of(&bounds);
        assert_eq!(first(&strip.row(&bounds[0]), "<svg x=\""), 98.0);
        assert_eq!(first(&strip.row(&bounds[1]), "<svg x=\""), 2.0);
    }
}
