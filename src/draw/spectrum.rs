//! The stitched spectrum, A over B, with channel edges.
//!
//! Channels follow each other at one scale of px to MHz; where the channels leave a stretch of frequencies out, the axis
//! is broken. More than eight channels are split into rows.

use super::canvas::{Align, BLUE, Canvas, GREY, GRID, INK, MUTED, VERMILION, figure};
use super::font::{Style, clean};
use super::legend::{self, Item, Sign};
use super::scale::{Scale, mhz, tick_label};
use super::{DrawError, Svg};
use crate::reading::Trace;

const TITLE: Style = Style::bold(54.0);
const HEADING: Style = Style::bold(34.0);
const LEGEND: Style = Style::regular(32.0);
const TICK: Style = Style::regular(30.0);
const CHANNEL: Style = Style::bold(34.0);
const MHZ: Style = Style::regular(28.0);

const LEFT_PX: f64 = 40.0;
const RIGHT_PX: f64 = 1550.0;
const PLOT_LEFT_PX: f64 = 140.0;
/// Most channels in a row.
const ROW: usize = 8;
/// White between two stretches that do not touch in frequency.
const BREAK_PX: f64 = 84.0;
/// Px of a broken line: so many drawn, so many left out.
const DASH_PX: (f64, f64) = (15.0, 6.0);
/// What lies further under the highest value is not shown.
const DEPTH_DB: f64 = 90.0;

/// A channel's place in the spectrum.
#[derive(Debug, Clone, PartialEq)]
pub struct Band {
    /// The channel's name.
    pub label: String,
    /// Lower edge in hertz.
    pub low_hz: f64,
    /// Upper edge in hertz.
    pub high_hz: f64,
}

/// One antenna's spectrum.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Line<'a> {
    /// The antenna's name.
    pub name: &'a str,
    /// Its spectrum.
    pub trace: &'a Trace,
}

/// Channels that touch, and where they stand in their row.
#[derive(Debug, Clone, PartialEq)]
struct Stretch {
    low_hz: f64,
    high_hz: f64,
    bands: Vec<Band>,
}

impl Stretch {
    fn width_hz(&self) -> f64 {
        self.high_hz - self.low_hz
    }
}

/// Draws the spectrum of A, and over it B's (dashed) and the terminated one's (grey), in dBFS in one megahertz.
///
/// Channels with edges that are not finite or not ascending are left out; without any, all of A's trace is one stretch.
/// `None` in a trace breaks its line.
///
/// # Errors
/// [`DrawError::Render`] only: no input is refused. Where no channel has a value, the figure says so.
pub fn spectrum(
    a: Line,
    b: Option<Line>,
    terminated: Option<&Trace>,
    channels: &[Band],
) -> Result<Svg, DrawError> {
    let name = |line: Line| {
        let name = clean(line.name);
        if name.is_empty() {
            "(no name)".to_owned()
        } else {
            name
        }
    };
    let (name_a, name_b) = (name(a), b.map(name));
    let title = match &name_b {
        Some(b) => format!("Spectrum: {name_a} and {b}"),
        None => format!("Spectrum: {name_a}"),
    };
    let stretches = stretches(channels, a.trace);
    let mut lines = Vec::new();
    if let Some(trace) = terminated {
        lines.push((trace, GREY, false, "terminated".to_owned()));
    }
    lines.push((
        a.trace,
        BLUE,
        false,
        name_b
            .as_ref()
            .map_or(name_a.clone(), |_| format!("A: {name_a}")),
    ));
    if let (Some(line), Some(name)) = (b, name_b) {
        lines.push((line.trace, VERMILION, true, format!("B: {name}")));
    }
    figure(&title, |canvas| {
        let height = draw(canvas, &title, &lines, rows(&stretches))?;
        Ok((height, description(&title, &lines, &stretches)))
    })
}

/// Trace, colour, dashed or not, name.
type Drawn<'a> = (&'a Trace, plotters::style::RGBColor, bool, String);

fn draw(
    canvas: &mut Canvas,
    title: &str,
    lines: &[Drawn],
    rows: Vec<Vec<Stretch>>,
) -> Result<f64, DrawError> {
    let width = RIGHT_PX - LEFT_PX;
    let mut y = canvas.lines(&TITLE.wrap(title, width, 3), TITLE, INK, LEFT_PX, 34.0)?;
    canvas.heading_ends(y);
    let Some((low, high)) = range(lines, &rows) else {
        let said = "Nothing to draw: no channel has a value.";
        return Ok(canvas.lines(&[said.into()], HEADING, INK, LEFT_PX, y + 60.0)? + 80.0);
    };
    let sign = |line: &Drawn| {
        if line.2 {
            Sign::Dashes(line.1)
        } else {
            Sign::Solid(line.1)
        }
    };
    let mut items: Vec<_> = lines
        .iter()
        .map(|line| Item::new(sign(line), line.3.clone()))
        .collect();
    items.rotate_left(usize::from(lines.len() > 1 && lines[0].1 == GREY));
    if lines.len() == 1 {
        items.clear(); // the title has its name
    }
    y = legend::draw(canvas, &items, LEGEND, (LEFT_PX, RIGHT_PX), y + 10.0)?;
    y = canvas.lines(
        &["Power density, dBFS in 1 MHz".into()],
        HEADING,
        INK,
        LEFT_PX,
        y + 24.0,
    )?;

    let available =
        |row: &Vec<Stretch>| RIGHT_PX - PLOT_LEFT_PX - BREAK_PX * (row.len() as f64 - 1.0);
    let px_per_hz = rows
        .iter()
        .map(|row| available(row) / row.iter().map(Stretch::width_hz).sum::<f64>())
        .fold(f64::INFINITY, f64::min);
    let panel = if rows.len() > 1 { 380.0 } else { 600.0 };
    for row in &rows {
        let (top, bottom) = (y + 66.0, y + 66.0 + panel);
        let scale = Scale::new((low, high), (bottom - 16.0, top + 24.0));
        let mut left = PLOT_LEFT_PX;
        let mut free = f64::MIN;
        for (n, stretch) in row.iter().enumerate() {
            let right = left + stretch.width_hz() * px_per_hz;
            let across = Scale::new((stretch.low_hz, stretch.high_hz), (left, right));
            grid(canvas, scale, (top, bottom), (left, right), n == 0)?;
            free = edges(canvas, stretch, across, (top, bottom), free)?;
            for (trace, colour, dashed, _) in lines {
                for piece in pieces(trace, stretch, across, scale, (top, bottom)) {
                    if *dashed {
                        dashed_path(canvas, &piece, *colour)?
                    } else {
                        canvas.path(&piece, *colour, 3)?
                    }
                }
            }
            canvas.line((left, bottom), (right, bottom), INK, 2)?;
            if n > 0 {
                // Two strokes on the axis say that frequencies are left out.
                for x in [left - BREAK_PX / 2.0 - 6.0, left - BREAK_PX / 2.0 + 6.0] {
                    canvas.line((x - 5.0, bottom + 12.0), (x + 5.0, bottom - 12.0), MUTED, 3)?;
                }
            }
            left = right + BREAK_PX;
        }
        let first = row.first().map_or(0.0, |s| MHZ.width_px(&mhz(s.low_hz)));
        let unit = PLOT_LEFT_PX - first / 2.0 - 14.0;
        canvas.text("MHz", MHZ, MUTED, Align::Right, (unit, bottom + 42.0))?;
        y = bottom + 60.0;
    }
    Ok(y + 20.0)
}

/// Channels sorted and joined where they touch.
fn stretches(channels: &[Band], trace: &Trace) -> Vec<Stretch> {
    let mut bands: Vec<Band> = channels
        .iter()
        .filter(|band| {
            band.low_hz.is_finite() && band.high_hz.is_finite() && band.low_hz < band.high_hz
        })
        .cloned()
        .collect();
    bands.sort_by(|x, y| x.low_hz.total_cmp(&y.low_hz));
    if bands.is_empty() {
        let high_hz = trace.first_hz + trace.step_hz * trace.dbfs_per_mhz.len() as f64;
        let sound = trace.first_hz.is_finite() && high_hz.is_finite() && trace.first_hz < high_hz;
        return if sound {
            vec![Stretch {
                low_hz: trace.first_hz,
                high_hz,
                bands,
            }]
        } else {
            Vec::new()
        };
    }
    let mut stretches: Vec<Stretch> = Vec::new();
    for band in bands {
        match stretches.last_mut() {
            // 1 kHz: far less than any gap between channels, far more than rounding.
            Some(last) if band.low_hz <= last.high_hz + 1e3 => {
                last.high_hz = last.high_hz.max(band.high_hz);
                last.bands.push(band);
            }
            _ => stretches.push(Stretch {
                low_hz: band.low_hz,
                high_hz: band.high_hz,
                bands: vec![band],
            }),
        }
    }
    stretches
}

/// Rows of about the same number of channels; a stretch is cut where a row is full.
fn rows(stretches: &[Stretch]) -> Vec<Vec<Stretch>> {
    let channels: usize = stretches.iter().map(|s| s.bands.len()).sum();
    let length = channels.div_ceil(channels.div_ceil(ROW).max(1)).max(1);
    let mut rows: Vec<Vec<Stretch>> = vec![Vec::new()];
    let mut filled = 0;
    for stretch in stretches {
        if stretch.bands.is_empty() {
            rows[0].push(stretch.clone());
        }
        let mut rest = &stretch.bands[..];
        while !rest.is_empty() {
            if filled == length {
                rows.push(Vec::new());
                filled = 0;
            }
            let (now, later) = rest.split_at(rest.len().min(length - filled));
            let high_hz = now.iter().map(|band| band.high_hz).fold(f64::MIN, f64::max);
            if let Some(row) = rows.last_mut() {
                row.push(Stretch {
                    low_hz: now[0].low_hz,
                    high_hz,
                    bands: now.to_vec(),
                });
            }
            filled += now.len();
            rest = later;
        }
    }
    rows
}

/// The bins of `trace` from `low_hz` to `high_hz`: middle in hertz, and value where there is one that can be drawn.
fn bins(trace: &Trace, low_hz: f64, high_hz: f64) -> impl Iterator<Item = (f64, Option<f64>)> + '_ {
    let sound = trace.first_hz.is_finite() && trace.step_hz.is_finite() && trace.step_hz > 0.0;
    let index = |hz: f64| {
        ((hz - trace.first_hz) / trace.step_hz).clamp(0.0, trace.dbfs_per_mhz.len() as f64)
    };
    let (from, to) = if sound {
        (
            index(low_hz).ceil() as usize,
            (index(high_hz).floor() as usize).saturating_add(1),
        )
    } else {
        (0, 0)
    };
    let to = to.min(trace.dbfs_per_mhz.len());
    let (first, step) = (trace.first_hz, trace.step_hz);
    trace
        .dbfs_per_mhz
        .get(from..to)
        .unwrap_or_default()
        .iter()
        .enumerate()
        .map(move |(n, value)| {
            let value = value
                .map(f64::from)
                .filter(|v| v.is_finite() && v.abs() < 1000.0);
            (first + step * (from + n) as f64, value)
        })
}

/// Least and greatest value, the least no further down than [`DEPTH_DB`].
fn range(lines: &[Drawn], rows: &[Vec<Stretch>]) -> Option<(f64, f64)> {
    let mut range: Option<(f64, f64)> = None;
    for (trace, ..) in lines {
        for stretch in rows.iter().flatten() {
            for value in bins(trace, stretch.low_hz, stretch.high_hz).filter_map(|(_, value)| value)
            {
                let (low, high) = range.unwrap_or((value, value));
                range = Some((low.min(value), high.max(value)));
            }
        }
    }
    range.map(|(low, high)| (low.max(high - DEPTH_DB).min(high - 10.0), high))
}

/// The lines of `trace` over one stretch, one for each run without gaps; where several bins fall on one px, the line
/// goes through the least and the greatest.
fn pieces(
    trace: &Trace,
    stretch: &Stretch,
    across: Scale,
    scale: Scale,
    (top, bottom): (f64, f64),
) -> Vec<Vec<(f64, f64)>> {
    let mut pieces: Vec<Vec<(f64, f64)>> = Vec::new();
    let mut open = false;
    let mut column: Option<(f64, f64, f64)> = None;
    let close = |column: &mut Option<(f64, f64, f64)>, pieces: &mut Vec<Vec<(f64, f64)>>| {
        if let (Some((x, least, greatest)), Some(piece)) = (column.take(), pieces.last_mut()) {
            // From the end nearer to the last point to the other.
            let near_greatest = piece
                .last()
                .is_some_and(|(_, y)| (y - greatest).abs() < (y - least).abs());
            let ends = if near_greatest {
                [greatest, least]
            } else {
                [least, greatest]
            };
            piece.push((x, ends[0]));
            if (ends[0] - ends[1]).abs() >= 1.0 {
                piece.push((x, ends[1]));
            }
        }
    };
    for (hz, value) in bins(trace, stretch.low_hz, stretch.high_hz) {
        let Some(value) = value else {
            close(&mut column, &mut pieces);
            open = false;
            continue;
        };
        if !open {
            pieces.push(Vec::new());
            open = true;
        }
        let (x, y) = (across.px(hz).round(), scale.px(value).clamp(top, bottom));
        column = match column {
            Some((at, least, greatest)) if at == x => Some((x, least.min(y), greatest.max(y))),
            _ => {
                close(&mut column, &mut pieces);
                Some((x, y, y))
            }
        };
    }
    close(&mut column, &mut pieces);
    pieces
}

/// A path cut into dashes by its x.
fn dashed_path(
    canvas: &mut Canvas,
    points: &[(f64, f64)],
    colour: plotters::style::RGBColor,
) -> Result<(), DrawError> {
    let Some(&(start, _)) = points.first() else {
        return Ok(());
    };
    let (dash, gap) = DASH_PX;
    let of = |x: f64| ((x - start) / (dash + gap)).floor();
    let drawn = |x: f64| (x - start) - of(x) * (dash + gap) <= dash;
    let same_dash = |x: &(f64, f64), y: &(f64, f64)| drawn(x.0) == drawn(y.0) && of(x.0) == of(y.0);
    for piece in points.chunk_by(same_dash).filter(|piece| drawn(piece[0].0)) {
        canvas.path(piece, colour, 4)?;
    }
    Ok(())
}

fn grid(
    canvas: &mut Canvas,
    scale: Scale,
    (top, bottom): (f64, f64),
    (left, right): (f64, f64),
    labelled: bool,
) -> Result<(), DrawError> {
    let ticks = scale.ticks((bottom, top), ((bottom - top) / 62.0) as usize);
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
    Ok(())
}

/// Channel edges with their MHz beneath, as far as they have room from `free` on, and channel names on top. Gives the
/// place from which the row's next label has room.
fn edges(
    canvas: &mut Canvas,
    stretch: &Stretch,
    across: Scale,
    (top, bottom): (f64, f64),
    mut free: f64,
) -> Result<f64, DrawError> {
    let mut edges: Vec<f64> = stretch
        .bands
        .iter()
        .flat_map(|band| [band.low_hz, band.high_hz])
        .collect();
    if edges.is_empty() {
        edges = vec![stretch.low_hz, stretch.high_hz];
    }
    edges.sort_by(f64::total_cmp);
    edges.dedup_by(|later, earlier| (*later - *earlier).abs() <= 1e3);
    for hz in edges {
        let x = across.px(hz);
        canvas.line((x, top - 6.0), (x, bottom + 8.0), GREY, 2)?;
        let label = mhz(hz);
        let half = MHZ.width_px(&label) / 2.0;
        if x - half > free {
            canvas.text(&label, MHZ, MUTED, Align::Centre, (x, bottom + 42.0))?;
            free = x + half + 14.0;
        }
    }
    for band in &stretch.bands {
        let (left, right) = (across.px(band.low_hz), across.px(band.high_hz));
        let name = CHANNEL.shorten(&clean(&band.label), right - left - 6.0);
        canvas.text(
            &name,
            CHANNEL,
            INK,
            Align::Centre,
            ((left + right) / 2.0, top - 16.0),
        )?;
    }
    Ok(free)
}

/// The text alternative: each line's strongest density in each channel.
fn description(title: &str, lines: &[Drawn], stretches: &[Stretch]) -> String {
    let mut said = vec![format!("{title}, in dBFS in 1 MHz.")];
    for band in stretches.iter().flat_map(|stretch| &stretch.bands) {
        let peaks: Vec<_> = lines
            .iter()
            .filter_map(|(trace, _, _, name)| {
                let peak = bins(trace, band.low_hz, band.high_hz)
                    .filter_map(|(_, v)| v)
                    .reduce(f64::max)?;
                Some(format!("{name} up to {}", super::scale::number(peak, 1)))
            })
            .collect();
        let peaks = if peaks.is_empty() {
            "not covered".to_owned()
        } else {
            peaks.join(", ")
        };
        said.push(format!(
            "Channel {}, {} to {} MHz: {peaks}.",
            band.label,
            mhz(band.low_hz),
            mhz(band.high_hz)
        ));
    }
    said.join(" ")
}

#[cfg(test)]
mod tests;
