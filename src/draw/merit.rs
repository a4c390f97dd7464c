//! Several antennas against a reference: the mean difference of each, and, where there are few, every channel.

use plotters::style::RGBColor;

use super::canvas::{Align, Canvas, GREY, GRID, INK, MUTED, SHADE, figure};
use super::font::{Style, clean};
use super::legend::{self, Item, Sign};
use super::mark::{self, A, Arrow, B, Fill, Look, UNDECIDED, Way};
use super::scale::{Scale, signed, tick_label};
use super::strips::{self, Strip};
use super::{DrawError, Svg};
use crate::compare::{ManyComparison, Merit, Standing, TiedComparison};

pub(super) const TITLE: Style = Style::bold(54.0);
pub(super) const SUBTITLE: Style = Style::regular(32.0);
pub(super) const HEADING: Style = Style::bold(34.0);
pub(super) const LEGEND: Style = Style::regular(32.0);
pub(super) const TICK: Style = Style::regular(28.0);
const NAME: Style = Style::bold(32.0);
const FIGURE: Style = Style::regular(28.0);

pub(super) const LEFT_PX: f64 = 40.0;
pub(super) const RIGHT_PX: f64 = 1560.0;
/// The dots stand between these: names to the left, figures to the right.
const DOTS_PX: (f64, f64) = (470.0, 1130.0);
const ROW_PX: f64 = 62.0;
/// More antennas than this have no strips of channels.
const MOST_STRIPS: usize = 8;

/// Draws the table of merit: a row an antenna, its mean difference to the reference with its interval; and for up to eight
/// antennas a strip each with the difference of every channel.
///
/// # Errors
/// [`DrawError::Render`] only: no input is refused.
pub fn merit(many: &ManyComparison) -> Result<Svg, DrawError> {
    let at = (many.spot.as_ref()).map_or_else(String::new, |spot| format!(" at {spot}"));
    let title = clean(&format!(
        "{} antennas{at}, against {}",
        many.antennas.len(),
        many.reference
    ));
    figure(&title, |canvas| {
        let how = clean(&format!(
            "{}; verdicts corrected over {} differences",
            if many.all_pairs {
                "all pairs compared".to_owned()
            } else {
                format!("each compared with {} alone", many.reference)
            },
            many.corrected_over
        ));
        let y = heading(canvas, &title, &how)?;
        let mut y = dots(canvas, many, y + 20.0)?;
        let strips: Vec<Strip> = (many.merits.iter())
            .filter_map(|merit| {
                let pair = many.with_reference(&merit.antenna)?;
                Some(Strip {
                    name: &merit.antenna,
                    channels: &pair.channels,
                })
            })
            .collect();
        if strips.len() <= MOST_STRIPS {
            let heading = format!(
                "Difference to {} in dB by channel · whiskers: {:.0} % interval",
                clean(&many.reference),
                100.0 * many.confidence
            );
            y = strips::draw(canvas, &heading, &strips, y + 40.0)?;
        }
        y = legend(canvas, y + 24.0, strips.len() <= MOST_STRIPS)?;
        Ok((y + 30.0, description(many, &title)))
    })
}

/// Title and how it came about. Gives the place below.
fn heading(canvas: &mut Canvas, title: &str, how: &str) -> Result<f64, DrawError> {
    let width = RIGHT_PX - LEFT_PX;
    let y = canvas.lines(&TITLE.wrap(title, width, 3), TITLE, INK, LEFT_PX, 34.0)?;
    let how = SUBTITLE.wrap(how, width, 2);
    let y = canvas.lines(&how, SUBTITLE, MUTED, LEFT_PX, y + 8.0)?;
    canvas.heading_ends(y);
    Ok(y)
}

/// Draws antennas of different days, tied by one that was taken on both: the difference of every channel.
///
/// # Errors
/// [`DrawError::Render`] only: no input is refused.
pub fn tied(tied: &TiedComparison) -> Result<Svg, DrawError> {
    let comparison = &tied.comparison;
    let title = clean(&format!("{} against {}", comparison.a, comparison.b));
    figure(&title, |canvas| {
        let how = clean(&format!(
            "taken on different days, tied by {}; the tie itself is known to {} dB",
            tied.tie, tied.tie_steadiness_db
        ));
        let y = heading(canvas, &title, &how)?;
        let strip = Strip {
            name: "",
            channels: &comparison.channels,
        };
        let heading = format!(
            "Difference in dB by channel · whiskers: {:.0} % interval",
            100.0 * comparison.confidence
        );
        let y = strips::draw(canvas, &heading, &[strip], y + 30.0)?;
        let y = legend(canvas, y + 24.0, true)?;
        let mut said = vec![format!("{title}.")];
        said.extend(comparison.meaning.iter().cloned());
        Ok((y + 30.0, said.join(" ")))
    })
}

fn legend(canvas: &mut Canvas, top: f64, with_channels: bool) -> Result<f64, DrawError> {
    let mut items = vec![
        Item::new(Sign::Mark(A, Fill::Full), "better than the other"),
        Item::new(Sign::Mark(B, Fill::Full), "worse"),
        Item::new(
            Sign::Mark(UNDECIDED, Fill::Hollow),
            "not told apart, or each better somewhere",
        ),
    ];
    if with_channels {
        items.push(Item::new(Sign::Bound(Way::Up, GREY), "at least"));
        items.push(Item::new(Sign::Bound(Way::Down, GREY), "at most"));
        items.push(Item::new(Sign::Nothing, "not comparable"));
    }
    legend::draw(canvas, &items, LEGEND, (LEFT_PX, RIGHT_PX), top)
}

fn look(standing: Standing) -> (Look, Fill) {
    match standing {
        Standing::Better => (A, Fill::Full),
        Standing::Worse => (B, Fill::Full),
        Standing::Reference => (UNDECIDED, Fill::Full),
        Standing::Mixed | Standing::NotToldApart | Standing::NotComparable => {
            (UNDECIDED, Fill::Hollow)
        }
    }
}

/// Least and greatest end of all intervals, zero among them.
fn range(merits: &[Merit]) -> (f64, f64) {
    let ends = merits
        .iter()
        .flat_map(|merit| [merit.mean_low_db, merit.mean_high_db])
        .flatten()
        .filter(|db| db.is_finite());
    let (low, high) = ends.fold((0.0f64, 0.0f64), |(low, high), db| {
        (low.min(db), high.max(db))
    });
    let spare = (0.05 * (high - low)).max(0.5);
    (low - spare, high + spare)
}

fn dots(canvas: &mut Canvas, many: &ManyComparison, top: f64) -> Result<f64, DrawError> {
    let heading = "Mean over the channels, dB · lines: interval, wide rather than narrow";
    let top = canvas.lines(&[heading.into()], HEADING, INK, LEFT_PX, top)? + 16.0;
    let bottom = top + ROW_PX * many.merits.len() as f64;
    let scale = Scale::new(range(&many.merits), DOTS_PX);
    for (n, _) in many.merits.iter().enumerate().skip(1).step_by(2) {
        let y = top + ROW_PX * n as f64;
        canvas.rectangle((LEFT_PX, y), (RIGHT_PX, y + ROW_PX), SHADE)?;
    }
    let ticks = scale.ticks(DOTS_PX, 8);
    for &tick in &ticks {
        let x = scale.px(tick);
        canvas.line((x, top), (x, bottom), GRID, 2)?;
        let label = tick_label(tick, &ticks);
        canvas.text(&label, TICK, MUTED, Align::Centre, (x, bottom + 36.0))?;
    }
    canvas.line((scale.px(0.0), top), (scale.px(0.0), bottom), INK, 4)?;
    for (n, merit) in many.merits.iter().enumerate() {
        row(canvas, merit, scale, top + ROW_PX * (n as f64 + 0.5))?;
    }
    Ok(bottom + 44.0)
}

fn row(canvas: &mut Canvas, merit: &Merit, scale: Scale, y: f64) -> Result<(), DrawError> {
    let rank = format!("{}{}", if merit.shared { "=" } else { "" }, merit.rank);
    canvas.text_centred(&rank, FIGURE, MUTED, Align::Right, (LEFT_PX + 56.0, y))?;
    let name = NAME.shorten(&clean(&merit.antenna), DOTS_PX.0 - LEFT_PX - 92.0);
    canvas.text_centred(&name, NAME, INK, Align::Left, (LEFT_PX + 76.0, y))?;
    let (look, fill) = look(merit.standing);
    let said = match (merit.standing, merit.mean_difference_db) {
        (Standing::Reference, _) => {
            mark::draw(canvas, (scale.px(0.0), y), 11.0, look, fill)?;
            "reference".to_owned()
        }
        (_, Some(mean)) => {
            if let (Some(low), Some(high)) = (merit.mean_low_db, merit.mean_high_db) {
                whisker(canvas, (scale.px(low), scale.px(high)), y, look.colour)?;
            }
            mark::draw(canvas, (scale.px(mean), y), 13.0, look, fill)?;
            format!(
                "{} dB; {} better, {} worse",
                signed(mean, 1),
                merit.better,
                merit.worse
            )
        }
        (Standing::NotComparable, None) => "not comparable".to_owned(),
        (_, None) => format!("bounds; {} better, {} worse", merit.better, merit.worse),
    };
    let said = FIGURE.shorten(&said, RIGHT_PX - DOTS_PX.1 - 24.0);
    canvas.text_centred(&said, FIGURE, INK, Align::Right, (RIGHT_PX - 8.0, y))
}

fn whisker(
    canvas: &mut Canvas,
    (from, to): (f64, f64),
    y: f64,
    colour: RGBColor,
) -> Result<(), DrawError> {
    canvas.line((from, y), (to, y), colour, 5)?;
    for x in [from, to] {
        canvas.line((x, y - 11.0), (x, y + 11.0), colour, 5)?;
    }
    Ok(())
}

fn description(many: &ManyComparison, title: &str) -> String {
    let mut said = vec![format!("{title}.")];
    for merit in &many.merits {
        let shared = if merit.shared { ", shared" } else { "" };
        let figure = match (
            merit.mean_difference_db,
            merit.mean_low_db,
            merit.mean_high_db,
        ) {
            (Some(mean), Some(low), Some(high)) => format!(
                "{} dB ({} to {})",
                signed(mean, 1),
                signed(low, 1),
                signed(high, 1)
            ),
            _ if merit.standing == Standing::Reference => "the reference".to_owned(),
            _ => "no mean".to_owned(),
        };
        said.push(format!(
            "Rank {}{shared}: {}, {figure}.",
            merit.rank, merit.antenna
        ));
    }
    said.join(" ")
}

/// Draws a bound's arrow in the colour of its verdict.
pub(super) fn bound(
    canvas: &mut Canvas,
    place: (f64, f64),
    way: Way,
    radius: f64,
    colour: RGBColor,
) -> Result<(), DrawError> {
    mark::bound(canvas, place, radius, Arrow::new(way, 34.0), colour)
}
