//! A against B, channel by channel: what each receives, and beneath it the difference with its interval.
//!
//! The channels stand side by side in their order, not to scale in frequency. More than 20 are split into rows of about
//! the same length, each with both panels, all rows on the same scales.

mod differences;
mod levels;
mod words;

use super::canvas::{Align, Canvas, GRID, INK, MUTED, SHADE, figure};
use super::font::{Style, clean};
use super::legend::{self, Item, Sign};
use super::mark::{A, B, Fill};
use super::scale::{Scale, mhz, tick_label};
use super::{DrawError, Svg};
use crate::compare::{ChannelComparison, Comparison};

const TITLE: Style = Style::bold(54.0);
const SUBTITLE: Style = Style::regular(32.0);
const ANSWER: Style = Style::bold(34.0);
const HEADING: Style = Style::bold(34.0);
const LEGEND: Style = Style::regular(32.0);
const TICK: Style = Style::regular(30.0);
const CHANNEL: Style = Style::bold(34.0);
const MHZ: Style = Style::regular(28.0);

const LEFT_PX: f64 = 40.0;
const RIGHT_PX: f64 = 1570.0;
/// Left edge of the panels: room for tick labels and the words "channel" and "MHz".
const PLOT_LEFT_PX: f64 = 150.0;
/// Most channels in a row.
const ROW: usize = 20;
/// Widest place for one channel.
const SLOT_MOST_PX: f64 = 480.0;

/// A row of channels: where each has its place.
struct Row<'a> {
    channels: &'a [ChannelComparison],
    first_px: f64,
    slot_px: f64,
}

impl<'a> Row<'a> {
    /// The rows of a comparison, of equal length but for the last.
    fn all(channels: &'a [ChannelComparison]) -> Vec<Row<'a>> {
        let rows = channels.len().div_ceil(ROW).max(1);
        let length = channels.len().div_ceil(rows).max(1);
        let slot_px = ((RIGHT_PX - PLOT_LEFT_PX) / length as f64).min(SLOT_MOST_PX);
        let first_px = (PLOT_LEFT_PX + RIGHT_PX - slot_px * length as f64) / 2.0;
        channels
            .chunks(length)
            .map(|channels| Row {
                channels,
                first_px,
                slot_px,
            })
            .collect()
    }

    /// Each channel with the middle of its place.
    fn places(&self) -> impl Iterator<Item = (f64, &'a ChannelComparison)> + '_ {
        self.channels
            .iter()
            .enumerate()
            .map(|(n, c)| (self.first_px + (n as f64 + 0.5) * self.slot_px, c))
    }

    /// Radius of a mark.
    fn mark_px(&self) -> f64 {
        (0.19 * self.slot_px).clamp(10.0, 17.0).round()
    }

    /// How far A's mark stands to the left of the middle, and B's to the right.
    fn offset_px(&self) -> f64 {
        (0.22 * self.slot_px).min(60.0)
    }

    /// Light ground behind every second channel.
    fn shade(&self, canvas: &mut Canvas, top: f64, bottom: f64) -> Result<(), DrawError> {
        for (x, _) in self.places().skip(1).step_by(2) {
            canvas.rectangle(
                (x - self.slot_px / 2.0, top),
                (x + self.slot_px / 2.0, bottom),
                SHADE,
            )?;
        }
        Ok(())
    }

    /// Channel numbers and, beneath, the middles in MHz: as many as there is room for. Gives the place below.
    fn labels(&self, canvas: &mut Canvas, top: f64) -> Result<f64, DrawError> {
        let (number_y, mhz_y) = (top + 42.0, top + 80.0);
        canvas.text(
            "channel",
            MHZ,
            MUTED,
            Align::Right,
            (PLOT_LEFT_PX - 14.0, number_y),
        )?;
        canvas.text(
            "MHz",
            MHZ,
            MUTED,
            Align::Right,
            (PLOT_LEFT_PX - 14.0, mhz_y),
        )?;
        let middles: Vec<_> = self
            .channels
            .iter()
            .map(|c| (c.low_hz + c.high_hz) / 2.0)
            .map(|hz| {
                if hz.is_finite() {
                    mhz(hz)
                } else {
                    String::new()
                }
            })
            .collect();
        let widest = middles
            .iter()
            .map(|text| MHZ.width_px(text))
            .fold(0.0, f64::max);
        let every = ((widest + 12.0) / self.slot_px).ceil().max(1.0) as usize;
        for (n, (x, channel)) in self.places().enumerate() {
            let name = CHANNEL.shorten(&clean(&channel.channel.to_string()), self.slot_px - 4.0);
            canvas.text(&name, CHANNEL, INK, Align::Centre, (x, number_y))?;
            if n % every == 0 && !middles[n].is_empty() {
                canvas.text(&middles[n], MHZ, MUTED, Align::Centre, (x, mhz_y))?;
            }
        }
        Ok(top + 92.0)
    }
}

/// A value that can be drawn.
fn drawable(value: Option<f64>) -> Option<f64> {
    value.filter(|v| v.is_finite() && v.abs() < 1000.0)
}

/// Level lines with their labels, and the panel's outer edges.
fn grid(canvas: &mut Canvas, scale: Scale, (top, bottom): (f64, f64)) -> Result<(), DrawError> {
    let ticks = scale.ticks((bottom, top), ((bottom - top) / 62.0) as usize);
    for &tick in &ticks {
        let y = scale.px(tick);
        canvas.line((PLOT_LEFT_PX, y), (RIGHT_PX, y), GRID, 2)?;
        canvas.text_centred(
            &tick_label(tick, &ticks),
            TICK,
            MUTED,
            Align::Right,
            (PLOT_LEFT_PX - 14.0, y),
        )?;
    }
    Ok(())
}

/// Draws a comparison.
///
/// Top: A (blue, round) and B (vermilion, diamond) in each channel: C/N in dB with the threshold and the brink above
/// it, or the signal in dBFS where noise is lacking somewhere. A mark is full for firm, half for brink, hollow for
/// trace; vacant is an arrow downwards from the bound. Bottom: A − B in dB with its interval and the zero line, the
/// verdict by the mark's shape; a bound without a difference is an arrow.
///
/// # Errors
/// [`DrawError::Render`] only: no input is refused. Where no channel has anything, the figure says so.
pub fn comparison(comparison: &Comparison) -> Result<Svg, DrawError> {
    let title = words::title(comparison);
    figure(&title, |canvas| {
        let height = draw(canvas, comparison)?;
        Ok((height, words::description(comparison)))
    })
}

fn draw(canvas: &mut Canvas, comparison: &Comparison) -> Result<f64, DrawError> {
    let width = RIGHT_PX - LEFT_PX;
    let lines = words::short_title(comparison, |name| TITLE.shorten(name, 0.8 * width));
    let lines = TITLE.wrap(&lines, width, 4);
    let mut y = canvas.lines(&lines, TITLE, INK, LEFT_PX, 34.0)?;
    let subtitle = SUBTITLE.wrap(&words::subtitle(comparison), width, 2);
    y = canvas.lines(&subtitle, SUBTITLE, MUTED, LEFT_PX, y + 2.0)?;

    let levels = levels::Levels::of(comparison);
    let differences = differences::Differences::of(comparison);
    if levels.is_empty() && differences.is_empty() {
        let said = "Nothing to draw: no channel has a signal, a bound or a difference.";
        return Ok(canvas.lines(&[said.into()], ANSWER, INK, LEFT_PX, y + 60.0)? + 80.0);
    }
    // On one line if they fit, else each on its own.
    let mut answer = words::answer(comparison);
    if ANSWER.width_px(&answer.join(" · ")) <= width {
        answer = vec![answer.join(" · ")];
    }
    y = canvas.lines(&answer, ANSWER, INK, LEFT_PX, y + 18.0)?;
    canvas.heading_ends(y);

    let names = [
        Item::new(
            Sign::Mark(A, Fill::Full),
            format!("A: {}", words::name(&comparison.a)),
        ),
        Item::new(
            Sign::Mark(B, Fill::Full),
            format!("B: {}", words::name(&comparison.b)),
        ),
    ];
    y = legend::draw(canvas, &names, LEGEND, (LEFT_PX, RIGHT_PX), y + 14.0)?;

    let rows = Row::all(&comparison.channels);
    let several = rows.len() > 1;
    for (n, row) in rows.iter().enumerate() {
        y = canvas.lines(&[levels.heading().into()], HEADING, INK, LEFT_PX, y + 34.0)?;
        if n == 0 {
            y = legend::draw(
                canvas,
                &levels.legend(),
                LEGEND,
                (LEFT_PX, RIGHT_PX),
                y + 2.0,
            )?;
        }
        let (top, bottom) = (y + 14.0, y + 14.0 + if several { 380.0 } else { 440.0 });
        levels.draw(canvas, row, (top, bottom))?;

        y = canvas.lines(
            &[differences.heading(comparison)],
            HEADING,
            INK,
            LEFT_PX,
            bottom + 34.0,
        )?;
        if n == 0 {
            y = legend::draw(
                canvas,
                &differences.legend(comparison),
                LEGEND,
                (LEFT_PX, RIGHT_PX),
                y + 2.0,
            )?;
        }
        let (top, bottom) = (y + 14.0, y + 14.0 + if several { 360.0 } else { 420.0 });
        differences.draw(canvas, row, (top, bottom))?;
        y = row.labels(canvas, bottom)?;
        if n + 1 < rows.len() {
            y += 30.0;
        }
    }
    Ok(y + 24.0)
}

#[cfg(test)]
mod tests;
