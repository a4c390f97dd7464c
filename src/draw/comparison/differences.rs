//! The bottom panel: A − B in each channel with its interval.

use plotters::style::RGBColor;

use super::super::DrawError;
use super::super::canvas::{Align, Canvas, GREY, INK};
use super::super::font::Style;
use super::super::legend::{Item, Sign};
use super::super::mark::{self, A, Arrow, B, Fill, Look, UNDECIDED, Way};
use super::super::scale::{Scale, number, signed};
use super::{Row, drawable, grid, words};
use crate::compare::{ChannelComparison, Comparison, Verdict};

const VALUE: Style = Style::bold(30.0);
const BOUND: Style = Style::bold(28.0);
const DOUBT: Style = Style::regular(28.0);
/// Length of a bound's arrow.
const ARROW_PX: f64 = 50.0;
/// Room above and below the values, for labels and arrows.
const ROOM_PX: f64 = 92.0;

/// A channel as drawn.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Drawn {
    Value {
        db: f64,
        interval: Option<(f64, f64)>,
    },
    AtLeast(f64),
    AtMost(f64),
    NotComparable,
    /// A verdict without a number: nothing to draw.
    Nothing,
}

/// The bottom panel of all rows.
pub(super) struct Differences {
    range: (f64, f64),
    empty: bool,
}

impl Drawn {
    fn of(channel: &ChannelComparison) -> Self {
        // An end that lies beyond all bounds is drawn as far as the panel goes.
        let end = |value: Option<f64>| {
            value
                .filter(|v| !v.is_nan())
                .map(|v| v.clamp(-1000.0, 1000.0))
        };
        if channel.verdict == Verdict::NotComparable {
            return Drawn::NotComparable;
        }
        match (
            drawable(channel.difference_db),
            channel.low_db,
            channel.high_db,
        ) {
            (Some(db), low, high) => Drawn::Value {
                db,
                interval: end(low).zip(end(high)),
            },
            (None, low, _) if drawable(low).is_some() => Drawn::AtLeast(low.unwrap_or_default()),
            (None, _, high) if drawable(high).is_some() => Drawn::AtMost(high.unwrap_or_default()),
            _ => Drawn::Nothing,
        }
    }
}

/// Mark of a verdict that has one.
fn look(verdict: Verdict) -> Look {
    match verdict {
        Verdict::A => A,
        Verdict::B => B,
        Verdict::Undecided | Verdict::NotComparable => UNDECIDED,
    }
}

fn fill(verdict: Verdict) -> Fill {
    match verdict {
        Verdict::A | Verdict::B => Fill::Full,
        Verdict::Undecided | Verdict::NotComparable => Fill::Hollow,
    }
}

impl Differences {
    pub(super) fn of(comparison: &Comparison) -> Self {
        let drawn: Vec<_> = comparison.channels.iter().map(Drawn::of).collect();
        let (mut low, mut high) = (0.0f64, 0.0f64);
        for channel in &drawn {
            match *channel {
                Drawn::Value { db, .. } => (low, high) = (low.min(db), high.max(db)),
                // A weak bound has its place, so that its arrow says nothing untrue.
                Drawn::AtLeast(bound) => low = low.min(bound),
                Drawn::AtMost(bound) => high = high.max(bound),
                Drawn::NotComparable | Drawn::Nothing => {}
            }
        }
        // Intervals and strong bounds may widen the range to three and two times what the values need, no further: a
        // wild one must not flatten all the rest. A whisker then ends in an arrow, and a bound stands nearer to zero,
        // without its bar: what its arrow says still holds there.
        let span = (high - low).max(3.0);
        let (least, most) = (low - span, high + span);
        let only_bounds = !drawn.iter().any(|c| matches!(c, Drawn::Value { .. }));
        let room = if only_bounds {
            f64::INFINITY
        } else {
            span / 2.0
        };
        let (weakest, strongest) = (low - room, high + room);
        for channel in &drawn {
            match *channel {
                Drawn::Value {
                    interval: Some(ends),
                    ..
                } => (low, high) = (low.min(ends.0.max(least)), high.max(ends.1.min(most))),
                Drawn::AtLeast(bound) => high = high.max(bound.min(strongest)),
                Drawn::AtMost(bound) => low = low.min(bound.max(weakest)),
                _ => {}
            }
        }
        // At least 2 dB from end to end.
        let spare = ((2.0 - (high - low)) / 2.0).max(0.0);
        let empty = drawn
            .iter()
            .all(|c| matches!(c, Drawn::Nothing | Drawn::NotComparable));
        Differences {
            range: (low - spare, high + spare),
            empty,
        }
    }

    pub(super) fn is_empty(&self) -> bool {
        self.empty
    }

    pub(super) fn heading(&self, comparison: &Comparison) -> String {
        format!(
            "A − B, dB · above zero A is better · whiskers: {} interval",
            words::confidence(comparison)
        )
    }

    /// The verdicts that occur, and bounds.
    pub(super) fn legend(&self, comparison: &Comparison) -> Vec<Item> {
        let channels = &comparison.channels;
        let valued = |verdict| {
            channels
                .iter()
                .any(|c| c.verdict == verdict && matches!(Drawn::of(c), Drawn::Value { .. }))
        };
        let mut items = Vec::new();
        for (verdict, words) in [
            (Verdict::A, "A better"),
            (Verdict::B, "B better"),
            (Verdict::Undecided, "undecided"),
        ] {
            if valued(verdict) {
                items.push(Item::new(Sign::Mark(look(verdict), fill(verdict)), words));
            }
        }
        if channels
            .iter()
            .any(|c| matches!(Drawn::of(c), Drawn::AtLeast(_)))
        {
            items.push(Item::new(
                Sign::Bound(Way::Up, GREY),
                "at least (no signal from B)",
            ));
        }
        if channels
            .iter()
            .any(|c| matches!(Drawn::of(c), Drawn::AtMost(_)))
        {
            items.push(Item::new(
                Sign::Bound(Way::Down, GREY),
                "at most (no signal from A)",
            ));
        }
        let beyond = channels.iter().find_map(|c| match Drawn::of(c) {
            Drawn::AtLeast(bound) if bound > self.range.1 => Some(Way::Up),
            Drawn::AtMost(bound) if bound < self.range.0 => Some(Way::Down),
            _ => None,
        });
        if let Some(way) = beyond {
            items.push(Item::new(Sign::Beyond(way), "off the scale"));
        }
        if channels
            .iter()
            .any(|c| Drawn::of(c) == Drawn::NotComparable)
        {
            items.push(Item::new(Sign::Nothing, "n/c: not comparable"));
        }
        items
    }

    /// Draws one row's panel.
    pub(super) fn draw(
        &self,
        canvas: &mut Canvas,
        row: &Row,
        (top, bottom): (f64, f64),
    ) -> Result<(), DrawError> {
        let scale = Scale::new(self.range, (bottom - ROOM_PX, top + ROOM_PX));
        row.shade(canvas, top, bottom)?;
        grid(canvas, scale, (top, bottom))?;
        canvas.line(
            (super::PLOT_LEFT_PX, bottom),
            (super::RIGHT_PX, bottom),
            INK,
            2,
        )?;
        let zero = scale.px(0.0);
        canvas.line((super::PLOT_LEFT_PX, zero), (super::RIGHT_PX, zero), INK, 4)?;

        let labels = Labels::fitting(row);
        // A little smaller than above: the caps of a narrow interval must show on both sides.
        let radius = (0.85 * row.mark_px()).round();
        for (x, channel) in row.places() {
            let colour = look(channel.verdict).colour;
            match Drawn::of(channel) {
                Drawn::Value { db, interval } => {
                    let y = scale.px(db);
                    let (reach, cap_px) = (1.25 * radius, 1.25 * radius + 9.0);
                    let mut placed = Placed {
                        x,
                        y,
                        upper: y - reach,
                        lower: y + reach,
                        cap_px,
                        db,
                        interval,
                    };
                    if let Some((low, high)) = interval {
                        let mut whisker = |end| {
                            let panel = (top + 12.0, bottom - 12.0);
                            whisker(canvas, (x, y), scale.px(end), panel, cap_px, colour)
                        };
                        placed.upper = placed.upper.min(whisker(high)?);
                        placed.lower = placed.lower.max(whisker(low)?);
                    }
                    let (look, fill) = (look(channel.verdict), fill(channel.verdict));
                    mark::draw(canvas, (x, y), radius, look, fill)?;
                    labels.draw(canvas, &placed, (top, bottom), colour)?;
                }
                Drawn::AtLeast(bound) => {
                    let place = (x, scale.px(bound.min(self.range.1)));
                    let arrow = Arrow::new(Way::Up, ARROW_PX).beyond(bound > self.range.1);
                    mark::bound(canvas, place, radius, arrow, colour)?;
                    if let Some(digits) = labels.bound_digits {
                        let text = at_least(bound, digits);
                        let below = (x, place.1 + 38.0);
                        canvas.text(&text, BOUND, colour, Align::Centre, below)?;
                    }
                }
                Drawn::AtMost(bound) => {
                    let place = (x, scale.px(bound.max(self.range.0)));
                    let arrow = Arrow::new(Way::Down, ARROW_PX).beyond(bound < self.range.0);
                    mark::bound(canvas, place, radius, arrow, colour)?;
                    if let Some(digits) = labels.bound_digits {
                        let text = at_most(bound, digits);
                        let above = (x, place.1 - 16.0);
                        canvas.text(&text, BOUND, colour, Align::Centre, above)?;
                    }
                }
                Drawn::Nothing => {}
                Drawn::NotComparable => {
                    canvas.line((x - 14.0, zero), (x + 14.0, zero), GREY, 8)?;
                    canvas.text("n/c", DOUBT, GREY, Align::Centre, (x, zero - 16.0))?;
                }
            }
        }
        Ok(())
    }
}

/// Draws a whisker from `y` to `end`, capped; one that runs out of the panel ends in an arrow. Gives its end.
fn whisker(
    canvas: &mut Canvas,
    (x, y): (f64, f64),
    end: f64,
    (top, bottom): (f64, f64),
    cap_px: f64,
    colour: RGBColor,
) -> Result<f64, DrawError> {
    if (top..=bottom).contains(&end) {
        canvas.line((x, y), (x, end), colour, 4)?;
        canvas.line((x - cap_px, end), (x + cap_px, end), colour, 4)?;
        return Ok(end);
    }
    let (edge, back) = if end < top {
        (top, 12.0)
    } else {
        (bottom, -12.0)
    };
    canvas.line((x, y), (x, edge), colour, 4)?;
    canvas.path(
        &[
            (x - cap_px, edge + back),
            (x, edge),
            (x + cap_px, edge + back),
        ],
        colour,
        4,
    )?;
    Ok(edge)
}

/// A difference where it is drawn: the mark's place, the ends of all that belongs to it, and half its width.
struct Placed {
    x: f64,
    y: f64,
    upper: f64,
    lower: f64,
    cap_px: f64,
    db: f64,
    interval: Option<(f64, f64)>,
}

/// Which labels have room within a channel's place, and its width.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Labels {
    slot_px: f64,
    value: bool,
    doubt: bool,
    /// Decimals of bounds; `None` where they have no room.
    bound_digits: Option<usize>,
}

/// `≥17.6`, rounded downwards.
pub(super) fn at_least(bound: f64, digits: usize) -> String {
    let unit = 10f64.powi(digits as i32);
    format!("≥{}", number((bound * unit + 1e-6).floor() / unit, digits))
}

/// `≤−9.3`, rounded upwards.
pub(super) fn at_most(bound: f64, digits: usize) -> String {
    let unit = 10f64.powi(digits as i32);
    format!("≤{}", number((bound * unit - 1e-6).ceil() / unit, digits))
}

/// `+5.2` and `±0.2`; one more decimal where the doubt is under 0.1 dB; no doubt where the interval is lopsided.
fn value_and_doubt(db: f64, interval: Option<(f64, f64)>) -> (String, Option<String>) {
    let half = interval.map(|(low, high)| (high - low) / 2.0);
    let digits = if half.is_some_and(|h| h < 0.095) {
        2
    } else {
        1
    };
    let step = 10f64.powi(-digits);
    let even = interval.is_some_and(|(low, high)| ((high - db) - (db - low)).abs() < step);
    let doubt = half
        .filter(|h| even && *h < 100.0)
        .map(|h| format!("±{h:.*}", digits as usize));
    (signed(db, digits as usize), doubt)
}

impl Labels {
    fn fitting(row: &Row) -> Self {
        let (mut value, mut doubt) = (0.0f64, 0.0f64);
        let mut bounds = [0.0f64; 2];
        for channel in row.channels {
            match Drawn::of(channel) {
                Drawn::Value { db, interval } => {
                    let (v, d) = value_and_doubt(db, interval);
                    value = value.max(VALUE.width_px(&v));
                    doubt = doubt.max(d.map_or(0.0, |d| DOUBT.width_px(&d)));
                }
                Drawn::AtLeast(bound) => {
                    for (digits, widest) in bounds.iter_mut().enumerate() {
                        *widest = widest.max(BOUND.width_px(&at_least(bound, digits)));
                    }
                }
                Drawn::AtMost(bound) => {
                    for (digits, widest) in bounds.iter_mut().enumerate() {
                        *widest = widest.max(BOUND.width_px(&at_most(bound, digits)));
                    }
                }
                Drawn::NotComparable | Drawn::Nothing => {}
            }
        }
        let fits = |width: f64| width + 6.0 <= row.slot_px;
        Labels {
            slot_px: row.slot_px,
            value: fits(value),
            doubt: fits(value) && fits(doubt),
            bound_digits: [1, 0].into_iter().find(|&digits| fits(bounds[digits])),
        }
    }

    /// The value, and its doubt, above a mark whose value is not below zero, else below it; on the other side where
    /// the panel ends, beside the mark where it ends on both, and nowhere if there is no room beside it either.
    fn draw(
        self,
        canvas: &mut Canvas,
        mark: &Placed,
        (top, bottom): (f64, f64),
        colour: RGBColor,
    ) -> Result<(), DrawError> {
        if !self.value {
            return Ok(());
        }
        let (value, doubt) = value_and_doubt(mark.db, mark.interval);
        let doubt = doubt.filter(|_| self.doubt);
        let height = if doubt.is_some() { 72.0 } else { 40.0 };
        let above = (mark.upper - height >= top).then_some(mark.upper - height + 28.0);
        let below = (mark.lower + height <= bottom).then_some(mark.lower + 38.0);
        let wanted = if mark.db >= 0.0 {
            above.or(below)
        } else {
            below.or(above)
        };
        let beside = mark.cap_px + 12.0;
        let (x, first, align) = match wanted {
            Some(first) => (mark.x, first, Align::Centre),
            None if beside + VALUE.width_px(&value) <= self.slot_px / 2.0 => {
                (mark.x + beside, mark.y - 8.0, Align::Left)
            }
            None => return Ok(()),
        };
        canvas.text(&value, VALUE, colour, align, (x, first))?;
        match doubt {
            Some(doubt) => canvas.text(&doubt, DOUBT, colour, align, (x, first + 32.0)),
            None => Ok(()),
        }
    }
}
