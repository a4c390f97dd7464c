//! A small spectrum for each channel of a take, all on the same scale of level.

use super::canvas::{Align, BLUE, Canvas, GREY, GRID, INK, MUTED, figure};
use super::font::{Style, clean};
use super::mark::{self, Arrow, Fill, Look, Shape, Way};
use super::scale::{Scale, mhz, number, tick_label};
use super::{DrawError, Svg};
use crate::reading::State;

const TITLE: Style = Style::bold(54.0);
const HEADING: Style = Style::bold(34.0);
const LABEL: Style = Style::bold(36.0);
const STATE: Style = Style::regular(32.0);
const NOTE: Style = Style::regular(28.0);
const TICK: Style = Style::regular(28.0);

const LEFT_PX: f64 = 40.0;
const RIGHT_PX: f64 = 1560.0;
/// Room for tick labels left of the first panel.
const AXIS_PX: f64 = 84.0;
const GAP_PX: f64 = 44.0;
const PANEL_PX: f64 = 240.0;
/// Most lines of one note.
const NOTE_LINES: usize = 2;
/// What lies further under the highest value is not shown.
const DEPTH_DB: f64 = 90.0;

/// One channel of a take.
#[derive(Debug, Clone, PartialEq)]
pub struct Panel {
    /// The channel's name.
    pub label: String,
    /// Its state; `None` where nothing was measured.
    pub state: Option<State>,
    /// Lower edge in hertz.
    pub low_hz: f64,
    /// Upper edge in hertz.
    pub high_hz: f64,
    /// Frequency in hertz and density in dBFS in one megahertz, ascending; a value that is not finite breaks the line.
    pub trace: Vec<(f64, f64)>,
    /// Remarks, drawn beneath, each in at most two lines.
    pub notes: Vec<String>,
}

impl Panel {
    fn is_sound(&self) -> bool {
        self.low_hz.is_finite() && self.high_hz.is_finite() && self.low_hz < self.high_hz
    }

    /// What can be drawn of the trace: points within the channel, `None` for a break.
    fn points(&self) -> impl Iterator<Item = (f64, Option<f64>)> + '_ {
        self.trace
            .iter()
            .filter(|(hz, _)| self.is_sound() && (self.low_hz..=self.high_hz).contains(hz))
            .map(|&(hz, level)| {
                (
                    hz,
                    Some(level).filter(|v| v.is_finite() && v.abs() < 1000.0),
                )
            })
    }

    fn peak(&self) -> Option<f64> {
        self.points()
            .filter_map(|(_, level)| level)
            .reduce(f64::max)
    }
}

/// Draws a grid of small spectra, in the order given.
///
/// # Errors
/// [`DrawError::Render`] only: no input is refused. Without panels, the figure says so.
pub fn panels(title: &str, panels: &[Panel]) -> Result<Svg, DrawError> {
    let title = clean(title);
    figure(&title, |canvas| {
        Ok((draw(canvas, &title, panels)?, description(&title, panels)))
    })
}

fn draw(canvas: &mut Canvas, title: &str, panels: &[Panel]) -> Result<f64, DrawError> {
    let width = RIGHT_PX - LEFT_PX;
    let mut y = canvas.lines(&TITLE.wrap(title, width, 3), TITLE, INK, LEFT_PX, 34.0)?;
    if panels.is_empty() {
        let said = "Nothing to draw: the take has no channels.";
        return Ok(canvas.lines(&[said.into()], HEADING, INK, LEFT_PX, y + 60.0)? + 80.0);
    }
    y = canvas.lines(
        &["Power density, dBFS in 1 MHz".into()],
        HEADING,
        INK,
        LEFT_PX,
        y + 14.0,
    )?;
    let columns = match panels.len() {
        1 => 1,
        2..=4 => 2,
        _ => 3,
    };
    let column_px = (width - AXIS_PX - GAP_PX * (columns as f64 - 1.0)) / columns as f64;
    let range = range(panels);
    for row in panels.chunks(columns) {
        let (top, bottom) = (y + 76.0, y + 76.0 + PANEL_PX);
        let scale = Scale::new(range, (bottom - 12.0, top + 16.0));
        let mut lowest = bottom;
        for (n, panel) in row.iter().enumerate() {
            let left = LEFT_PX + AXIS_PX + n as f64 * (column_px + GAP_PX);
            let across = (left, left + column_px);
            head(canvas, panel, across, top)?;
            plot(canvas, panel, across, (top, bottom), scale, n == 0)?;
            lowest = lowest.max(foot(canvas, panel, across, bottom)?);
        }
        y = lowest + 14.0;
    }
    Ok(y + 24.0)
}

/// Least and greatest value of all panels, at least 10 dB apart.
fn range(panels: &[Panel]) -> (f64, f64) {
    let values = || {
        panels
            .iter()
            .flat_map(Panel::points)
            .filter_map(|(_, level)| level)
    };
    match (values().reduce(f64::min), values().reduce(f64::max)) {
        (Some(low), Some(high)) => (low.max(high - DEPTH_DB).min(high - 10.0), high),
        _ => (-10.0, 0.0),
    }
}

/// The channel's name, and its state by mark and word.
fn head(
    canvas: &mut Canvas,
    panel: &Panel,
    (left, right): (f64, f64),
    top: f64,
) -> Result<(), DrawError> {
    let y = top - 34.0;
    let word = panel.state.map_or("not measured", State::word);
    let word_px = STATE.width_px(word) + 46.0;
    let label = LABEL.shorten(&clean(&panel.label), right - left - word_px - 16.0);
    canvas.text_centred(&label, LABEL, INK, Align::Left, (left, y))?;
    canvas.text_centred(word, STATE, INK, Align::Right, (right, y))?;
    let look = Look {
        shape: Shape::Circle,
        colour: BLUE,
    };
    let centre = (right - word_px + 16.0, y);
    match panel.state {
        Some(State::Vacant) => mark::bound(
            canvas,
            (centre.0, y - 16.0),
            12.0,
            Arrow::new(Way::Down, 32.0),
            BLUE,
        ),
        Some(state) => mark::draw(canvas, centre, 14.0, look, Fill::of(Some(state))),
        None => canvas.line((centre.0 - 12.0, y), (centre.0 + 12.0, y), GREY, 5),
    }
}

fn plot(
    canvas: &mut Canvas,
    panel: &Panel,
    (left, right): (f64, f64),
    (top, bottom): (f64, f64),
    scale: Scale,
    labelled: bool,
) -> Result<(), DrawError> {
    let ticks = scale.ticks((bottom, top), 5);
    for &tick in &ticks {
        let y = scale.px(tick);
        canvas.line((left, y), (right, y), GRID, 2)?;
        if labelled {
            canvas.text_centred(
                &tick_label(tick, &ticks),
                TICK,
                MUTED,
                Align::Right,
                (left - 14.0, y),
            )?;
        }
    }
    for x in [left, right] {
        canvas.line((x, top), (x, bottom), GREY, 2)?;
    }
    canvas.line((left, bottom), (right, bottom), INK, 2)?;
    if panel.peak().is_none() {
        return canvas.text_centred(
            "no spectrum",
            NOTE,
            MUTED,
            Align::Centre,
            ((left + right) / 2.0, (top + bottom) / 2.0),
        );
    }
    let across = Scale::new((panel.low_hz, panel.high_hz), (left, right));
    let points: Vec<_> = panel.points().collect();
    for run in points
        .split(|(_, level)| level.is_none())
        .filter(|run| !run.is_empty())
    {
        let run: Vec<_> = run
            .iter()
            .filter_map(|&(hz, level)| Some((across.px(hz), scale.px(level?).clamp(top, bottom))))
            .collect();
        canvas.path(&run, BLUE, 3)?;
    }
    Ok(())
}

/// Edges in MHz and the notes. Gives the place below.
fn foot(
    canvas: &mut Canvas,
    panel: &Panel,
    (left, right): (f64, f64),
    bottom: f64,
) -> Result<f64, DrawError> {
    if panel.is_sound() {
        canvas.text(
            &mhz(panel.low_hz),
            TICK,
            MUTED,
            Align::Left,
            (left, bottom + 34.0),
        )?;
        let high = format!("{} MHz", mhz(panel.high_hz));
        canvas.text(&high, TICK, MUTED, Align::Right, (right, bottom + 34.0))?;
    }
    let mut y = bottom + 46.0;
    for note in &panel.notes {
        y = canvas.lines(
            &NOTE.wrap(&clean(note), right - left, NOTE_LINES),
            NOTE,
            INK,
            left,
            y,
        )?;
    }
    Ok(y)
}

fn description(title: &str, panels: &[Panel]) -> String {
    let mut said = vec![format!("{title}.")];
    for panel in panels {
        let edges = if panel.is_sound() {
            format!(", {} to {} MHz", mhz(panel.low_hz), mhz(panel.high_hz))
        } else {
            String::new()
        };
        let state = panel.state.map_or("not measured", State::word);
        let peak = panel.peak().map_or("no spectrum".into(), |p| {
            format!("up to {} dBFS in 1 MHz", number(p, 1))
        });
        said.push(format!("{}{edges}: {state}, {peak}.", panel.label));
        said.extend(panel.notes.iter().map(|note| format!("{note}.")));
    }
    said.join(" ")
}

#[cfg(test)]
mod tests;
