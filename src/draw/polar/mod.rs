//! Patterns of an antenna turned round, in polar form: the band large, each channel small; one antenna or two over each
//! other.
//!
//! 0° is up and bearings go clockwise, as on a compass. The outer ring is 0 dB: the strongest place of any curve in that
//! dial. All dials reach down equally far.

mod dial;
mod words;

use self::dial::{Dial, Layer};
use super::canvas::{BLUE, Canvas, GREY, INK, MUTED, VERMILION, figure};
use super::font::{Style, clean};
use super::legend::{self, Item, Sign};
use super::mark::{A, B, Fill, Look, Way};
use super::{DrawError, Svg};
use crate::statistics::median;
use crate::survey::turn::{Figures, Fit, Pattern, Point, Rotation};

const TITLE: Style = Style::bold(54.0);
const SUBTITLE: Style = Style::regular(32.0);
const HEADING: Style = Style::bold(34.0);
const LEGEND: Style = Style::regular(32.0);
const BODY: Style = Style::regular(32.0);
const NAME: Style = Style::bold(32.0);
const LABEL: Style = Style::bold(34.0);
const NOTE: Style = Style::regular(28.0);

const LEFT_PX: f64 = 40.0;
const RIGHT_PX: f64 = 1560.0;
/// Radius of the large dial, and room round it for its labels.
const LARGE_PX: f64 = 400.0;
const ROUND_LARGE_PX: f64 = 110.0;
/// Small dials in a row, and room round each.
const COLUMNS: usize = 4;
const ROUND_SMALL_PX: f64 = 28.0;
/// Dials reach down so far at most.
const DEEPEST_DB: f64 = 30.0;

/// One antenna's curve in a dial.
#[derive(Clone, Copy)]
struct Curve<'r> {
    points: &'r [Point],
    fit: &'r Fit,
    figures: &'r Figures,
    /// Level of its maximum in the scale of the dial, in dB.
    maximum_db: f64,
}

impl<'r> Curve<'r> {
    fn of(pattern: &'r Pattern) -> Option<Curve<'r>> {
        let fit = pattern.fit.as_ref()?;
        Some(Curve {
            points: &pattern.points,
            fit,
            figures: pattern.figures.as_ref()?,
            maximum_db: fit.maximum_db,
        })
    }
}

/// What one dial shows: A's curve and B's.
struct Shown<'r> {
    label: String,
    beside: String,
    curves: [Option<Curve<'r>>; 2],
    reason: Option<String>,
}

impl Shown<'_> {
    /// The layers, each shifted so that the stronger antenna's maximum is 0 dB.
    fn layers(&self) -> Vec<Layer<'_>> {
        let top = (self.curves.iter().flatten())
            .map(|curve| curve.maximum_db)
            .fold(f64::NEG_INFINITY, f64::max);
        (self.curves.iter().zip([A, B]))
            .filter_map(|(curve, look)| {
                let curve = curve.as_ref()?;
                Some(Layer {
                    points: curve.points,
                    curve: &curve.fit.curve,
                    figures: curve.figures,
                    shift_db: curve.maximum_db - top,
                    look,
                })
            })
            .collect()
    }

    /// How far down its curves and points go, in dB.
    fn depth_db(&self) -> f64 {
        let deepest = |layer: &Layer| {
            (layer.curve.iter())
                .map(|point| point.level_db + layer.shift_db)
                .fold(0.0, f64::min)
        };
        -self.layers().iter().map(deepest).fold(0.0, f64::min)
    }
}

/// Draws a rotation; `other` is a second antenna's, drawn over it.
///
/// A is blue with round marks, B vermilion with diamonds. With two, both are relative to the stronger one's maximum, so that
/// what one receives more than the other shows.
///
/// # Errors
/// [`DrawError::Render`] only: no input is refused. Where no channel has a curve, the figure says so.
pub fn polar(rotation: &Rotation, other: Option<&Rotation>) -> Result<Svg, DrawError> {
    let title = words::title(rotation, other);
    figure(&title, |canvas| {
        let height = draw(canvas, rotation, other)?;
        Ok((height, words::description(&title, rotation, other)))
    })
}

fn draw(
    canvas: &mut Canvas,
    rotation: &Rotation,
    other: Option<&Rotation>,
) -> Result<f64, DrawError> {
    let width = RIGHT_PX - LEFT_PX;
    let title = words::title(rotation, other);
    let mut y = canvas.lines(&TITLE.wrap(&title, width, 3), TITLE, INK, LEFT_PX, 34.0)?;
    let subtitle = SUBTITLE.wrap(&words::subtitle(rotation), width, 3);
    y = canvas.lines(&subtitle, SUBTITLE, MUTED, LEFT_PX, y + 2.0)?;
    canvas.heading_ends(y);

    let (channels, without): (Vec<Shown>, Vec<Shown>) =
        (channels(rotation, other).into_iter()).partition(|shown| !shown.layers().is_empty());
    if channels.is_empty() {
        let said = "Nothing to draw: no channel has a pattern.";
        return Ok(canvas.lines(&[said.into()], HEADING, INK, LEFT_PX, y + 60.0)? + 80.0);
    }
    let band = if channels.len() == 1 {
        None
    } else {
        band(rotation, other)
    };
    let depth_db = (channels.iter().chain(&band).map(Shown::depth_db)).fold(0.0, f64::max);
    // A curve keeps clear of the middle, as far as that goes.
    let depth_db = ((depth_db + 3.0).min(DEEPEST_DB) / 10.0).ceil() * 10.0;
    y = legend::draw(
        canvas,
        &legend(rotation, other),
        LEGEND,
        (LEFT_PX, RIGHT_PX),
        y + 14.0,
    )?;

    let large = band.as_ref().or(if channels.len() == 1 {
        channels.first()
    } else {
        None
    });
    if let Some(shown) = large {
        y = draw_large(canvas, shown, (rotation, other), depth_db, y + 30.0)?;
    }
    if channels.len() > 1 {
        let heading = format!(
            "Channel by channel: {} is up; rings every 10 dB, the outer one 0 dB, the middle −{depth_db:.0} dB",
            words::name(&rotation.zero)
        );
        let lines = HEADING.wrap(&heading, width, 2);
        y = canvas.lines(&lines, HEADING, INK, LEFT_PX, y + 30.0)?;
        y = draw_small(canvas, &channels, depth_db, y + 10.0)?;
    }
    if !without.is_empty() {
        let lines = BODY.wrap(&words::without(&without), width, 4);
        y = canvas.lines(&lines, BODY, MUTED, LEFT_PX, y + 20.0)?;
    }
    Ok(y + 24.0)
}

/// Each channel of either antenna.
fn channels<'r>(rotation: &'r Rotation, other: Option<&'r Rotation>) -> Vec<Shown<'r>> {
    let named = |rotation: &'r Rotation, pattern: &Pattern| {
        rotation
            .channels
            .iter()
            .find(|p| p.channel == pattern.channel)
    };
    let only_other = (other.iter())
        .flat_map(|other| &other.channels)
        .filter(|pattern| named(rotation, pattern).is_none());
    (rotation.channels.iter().chain(only_other))
        .map(|pattern| {
            let own = named(rotation, pattern).and_then(Curve::of);
            let theirs = other.and_then(|o| named(o, pattern)).and_then(Curve::of);
            let middle = (pattern.low_hz + pattern.high_hz) / 2.0;
            Shown {
                label: clean(&pattern.channel.to_string()),
                beside: format!("{} MHz", super::scale::mhz(middle)),
                reason: pattern.reason.clone(),
                curves: [own, theirs],
            }
        })
        .collect()
}

/// The band of either antenna; B's level over A's is the median over the channels of both.
fn band<'r>(rotation: &'r Rotation, other: Option<&'r Rotation>) -> Option<Shown<'r>> {
    let of = |rotation: &'r Rotation, above_db: f64| {
        rotation.band.as_ref().map(|band| Curve {
            points: &band.points,
            fit: &band.fit,
            figures: &band.figures,
            maximum_db: band.fit.maximum_db + above_db,
        })
    };
    let own = of(rotation, 0.0);
    let theirs = other.and_then(|other| of(other, above(rotation, other)?));
    own.or(theirs)?;
    Some(Shown {
        label: words::band_heading(rotation, other),
        beside: String::new(),
        curves: [own, theirs],
        reason: None,
    })
}

/// By how many dB the round mean of `other` lies above that of `rotation`: the median over their common channels.
fn above(rotation: &Rotation, other: &Rotation) -> Option<f64> {
    let mean_db = |rotation: &Rotation, pattern: &Pattern| {
        let same = rotation
            .channels
            .iter()
            .find(|p| p.channel == pattern.channel)?;
        same.fit.as_ref().map(|fit| fit.mean_db)
    };
    let differences: Vec<f64> = (rotation.channels.iter())
        .filter_map(|pattern| Some(mean_db(other, pattern)? - mean_db(rotation, pattern)?))
        .collect();
    median(&differences)
}

fn legend(rotation: &Rotation, other: Option<&Rotation>) -> Vec<Item> {
    let mut items = vec![Item::new(
        Sign::Mark(A, Fill::Full),
        words::side("A", &rotation.antenna, other.is_some()),
    )];
    if let Some(other) = other {
        items.push(Item::new(
            Sign::Mark(B, Fill::Full),
            words::side("B", &other.antenna, true),
        ));
    }
    let grey = Look { colour: GREY, ..A };
    items.push(Item::new(
        Sign::Mark(grey, Fill::Full),
        "measured, bar: its interval",
    ));
    let bounded = |rotation: &Rotation| {
        (rotation.channels.iter()).any(|p| p.points.iter().any(|point| point.level_db.is_none()))
    };
    if bounded(rotation) || other.is_some_and(bounded) {
        items.push(Item::new(
            Sign::Bound(Way::Down, GREY),
            "nothing found: at most this",
        ));
    }
    items.push(Item::new(
        Sign::Solid(GREY),
        "smooth curve, in its shaded interval; outside the rim: within 3 dB of its best",
    ));
    items
}

/// The large dial with its figures beside it. Gives the place below.
fn draw_large(
    canvas: &mut Canvas,
    shown: &Shown,
    (rotation, other): (&Rotation, Option<&Rotation>),
    depth_db: f64,
    top: f64,
) -> Result<f64, DrawError> {
    let width = RIGHT_PX - LEFT_PX;
    let heading = match shown.beside.as_str() {
        "" => shown.label.clone(),
        beside => format!("Channel {} ({beside}), dB under the strongest", shown.label),
    };
    let y = canvas.lines(
        &HEADING.wrap(&heading, width, 2),
        HEADING,
        INK,
        LEFT_PX,
        top,
    )?;
    let centre = (
        LEFT_PX + ROUND_LARGE_PX + LARGE_PX,
        y + ROUND_LARGE_PX + LARGE_PX,
    );
    let dial = Dial {
        centre,
        radius_px: LARGE_PX,
        depth_db,
    };
    dial.draw(canvas, &shown.layers())?;
    dial.label(canvas, &words::name(&rotation.zero))?;

    let left = centre.0 + LARGE_PX + ROUND_LARGE_PX + 50.0;
    let room = RIGHT_PX - left;
    let mut beside = y + 60.0;
    let antennas = [(Some(rotation), BLUE), (other, VERMILION)];
    for (curve, (of, colour)) in shown.curves.iter().zip(antennas) {
        let (Some(curve), Some(of)) = (curve, of) else {
            continue;
        };
        let name = NAME.wrap(&words::name(&of.antenna), room, 2);
        beside = canvas.lines(&name, NAME, colour, left, beside)?;
        for line in words::large(curve.figures, curve.fit) {
            beside = canvas.lines(&BODY.wrap(&line, room, 3), BODY, INK, left, beside + 6.0)?;
        }
        beside += 40.0;
    }
    Ok((centre.1 + LARGE_PX + ROUND_LARGE_PX).max(beside))
}

/// Rows of small dials. Gives the place below.
fn draw_small(
    canvas: &mut Canvas,
    channels: &[Shown],
    depth_db: f64,
    top: f64,
) -> Result<f64, DrawError> {
    let columns = channels.len().clamp(2, COLUMNS);
    let cell = (RIGHT_PX - LEFT_PX) / columns as f64;
    let radius_px = (cell / 2.0 - ROUND_SMALL_PX - 10.0).min(260.0);
    let mut y = top;
    for row in channels.chunks(columns) {
        let mut lowest = y;
        for (n, shown) in row.iter().enumerate() {
            let (left, right) = (
                LEFT_PX + n as f64 * cell,
                LEFT_PX + (n + 1) as f64 * cell - 20.0,
            );
            let mut below = small_head(canvas, shown, (left, right), y + 16.0)?;
            let centre = ((left + right) / 2.0, below + ROUND_SMALL_PX + radius_px);
            let dial = Dial {
                centre,
                radius_px,
                depth_db,
            };
            dial.draw(canvas, &shown.layers())?;
            below = centre.1 + radius_px + ROUND_SMALL_PX;
            lowest = lowest.max(small_foot(canvas, shown, (left, right), below)?);
        }
        y = lowest + 10.0;
    }
    Ok(y)
}

fn small_head(
    canvas: &mut Canvas,
    shown: &Shown,
    (left, right): (f64, f64),
    top: f64,
) -> Result<f64, DrawError> {
    let beside_px = NOTE.width_px(&shown.beside);
    let label = LABEL.shorten(&shown.label, right - left - beside_px - 20.0);
    let baseline = top + LABEL.size_px;
    canvas.text(
        &label,
        LABEL,
        INK,
        super::canvas::Align::Left,
        (left, baseline),
    )?;
    canvas.text(
        &shown.beside,
        NOTE,
        MUTED,
        super::canvas::Align::Right,
        (right, baseline),
    )?;
    Ok(top + 1.3 * LABEL.size_px)
}

fn small_foot(
    canvas: &mut Canvas,
    shown: &Shown,
    (left, right): (f64, f64),
    top: f64,
) -> Result<f64, DrawError> {
    let mut y = top;
    for (curve, colour) in shown.curves.iter().zip([BLUE, VERMILION]) {
        let Some(curve) = curve else { continue };
        for line in words::small(curve.figures) {
            let line = NOTE.shorten(&line, right - left);
            y = canvas.lines(&[line], NOTE, colour, left, y)?;
        }
    }
    Ok(y)
}

#[cfg(test)]
mod tests;
