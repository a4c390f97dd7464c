//! What lies beneath the marks of a floor: scale, map, plan, picture; and the colours of the map.

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use plotters::style::RGBColor;

use super::super::DrawError;
use super::super::canvas::{Align, Canvas, INK, MUTED, WHITE};
use super::super::font::{Style, clean};
use super::super::scale::{Scale, number, tick_label};
use super::file::{FloorImage, FloorPlan, Place};
use super::labels::{Box4, Taken};

const LABEL: Style = Style::regular(28.0);

/// A map fades out where its 95 % interval is as wide as this on either side, in dB.
pub(super) const FADED_OUT_DB: f64 = 8.0;
/// Uncertainties that the colour scale shows, in dB on either side.
const SHOWN_DB: [f64; 3] = [0.5, 3.0, 6.0];
/// Columns of the colour scale.
const COLUMNS: usize = 40;

/// From metres to px, the same in both directions.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct View {
    /// Left, lower, right, upper end in metres.
    ends_m: [f64; 4],
    left_px: f64,
    top_px: f64,
    px_per_m: f64,
}

impl View {
    /// Fits what lies between `ends_m` into a width, centred, at most so high, below `top_px`.
    pub(super) fn fit(
        ends_m: [f64; 4],
        (left, right): (f64, f64),
        top_px: f64,
        most_px: f64,
    ) -> View {
        let (width, height) = (ends_m[2] - ends_m[0], ends_m[3] - ends_m[1]);
        let px_per_m = ((right - left) / width).min(most_px / height);
        View {
            ends_m,
            left_px: (left + right - width * px_per_m) / 2.0,
            top_px,
            px_per_m,
        }
    }

    pub(super) fn px(&self, (x, y): Place) -> (f64, f64) {
        (
            self.left_px + (x - self.ends_m[0]) * self.px_per_m,
            self.top_px + (self.ends_m[3] - y) * self.px_per_m,
        )
    }

    /// Left, top, right and bottom in px.
    pub(super) fn frame(&self) -> Box4 {
        let [l, b, r, t] = self.ends_m;
        let ((left, top), (right, bottom)) = (self.px((l, t)), self.px((r, b)));
        [left, top, right, bottom]
    }
}

/// What a floor shows from end to end: the plan and these places, with some room around, never so thin that it can't be
/// drawn.
pub(super) fn ends(plan: &FloorPlan, places: impl Iterator<Item = Place>) -> [f64; 4] {
    let of_plan = plan.ends_m();
    let room = if of_plan.is_some() { 0.03 } else { 0.12 };
    let ends = places.fold(of_plan, |ends, (x, y)| {
        let [l, b, r, t] = ends.unwrap_or([x, y, x, y]);
        Some([l.min(x), b.min(y), r.max(x), t.max(y)])
    });
    let [l, b, r, t] = ends.unwrap_or([0.0, 0.0, 1.0, 1.0]);
    let longer = (r - l).max(t - b).max(3.0);
    let pad = |low: f64, high: f64, least: f64| {
        let more = (room * longer).max((least - (high - low)) / 2.0);
        (low - more, high + more)
    };
    let ((l, r), (b, t)) = (pad(l, r, longer / 3.0), pad(b, t, longer / 4.0));
    [l, b, r, t]
}

/// The colour of a value from 0 (least) to 1, and of how sure it is from 0 (paper) to 1.
///
/// Indigo to amber, straight through Oklab: lightness rises evenly with the value, and blue against yellow is what all common
/// kinds of colour blindness keep apart. Source of the space: B. Ottosson, "A perceptual color space for image processing"
/// (2020), from memory; its inverse is held against the reference points in the tests.
pub(super) fn colour(value: f64, sure: f64) -> RGBColor {
    const LEAST: [f64; 3] = [0.36, 0.012, -0.125];
    const MOST: [f64; 3] = [0.83, 0.045, 0.155];
    const PAPER: [f64; 3] = [1.0, 0.0, 0.0];
    let (value, sure) = (value.clamp(0.0, 1.0), sure.clamp(0.0, 1.0));
    rgb(std::array::from_fn(|n| {
        let full = LEAST[n] + value * (MOST[n] - LEAST[n]);
        PAPER[n] + sure * (full - PAPER[n])
    }))
}

/// How sure a value with a 95 % interval of ± so many dB is.
pub(super) fn sureness(half_db: f64) -> f64 {
    (1.0 - half_db / FADED_OUT_DB).clamp(0.0, 1.0)
}

/// From Oklab to sRGB. Source: Ottosson, as above; transfer function of IEC 61966-2-1.
fn rgb([l, a, b]: [f64; 3]) -> RGBColor {
    let long = (l + 0.396_337_777_4 * a + 0.215_803_757_3 * b).powi(3);
    let medium = (l - 0.105_561_345_8 * a - 0.063_854_172_8 * b).powi(3);
    let short = (l - 0.089_484_177_5 * a - 1.291_485_548 * b).powi(3);
    let byte = |linear: f64| {
        let linear = linear.clamp(0.0, 1.0);
        let coded = if linear <= 0.003_130_8 {
            12.92 * linear
        } else {
            1.055 * linear.powf(1.0 / 2.4) - 0.055
        };
        (255.0 * coded).round() as u8
    };
    RGBColor(
        byte(4.076_741_662_1 * long - 3.307_711_591_3 * medium + 0.230_969_929_2 * short),
        byte(-1.268_438_004_6 * long + 2.609_757_401_1 * medium - 0.341_319_396_5 * short),
        byte(-0.004_196_086_3 * long - 0.703_418_614_7 * medium + 1.707_614_701 * short),
    )
}

/// A value, in dB, in the middle of a cell of the map.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FloorCell {
    /// The cell's middle.
    pub at: Place,
    /// The value in dB.
    pub value_db: f64,
    /// Half the width of its 95 % interval in dB.
    pub half_db: f64,
}

/// A map in cells.
#[derive(Debug, Clone, PartialEq)]
pub struct FloorMap {
    /// The cells.
    pub cells: Vec<FloorCell>,
    /// Their width and height in metres.
    pub cell_m: (f64, f64),
}

impl FloorMap {
    /// Least and greatest value, at least 3 dB apart.
    pub(super) fn range(&self) -> (f64, f64) {
        let values = || {
            self.cells
                .iter()
                .map(|cell| cell.value_db)
                .filter(|v| v.is_finite())
        };
        let (low, high) = (
            values().fold(f64::INFINITY, f64::min),
            values().fold(f64::NEG_INFINITY, f64::max),
        );
        if low > high {
            return (0.0, 3.0);
        }
        let more = ((3.0 - (high - low)) / 2.0).max(0.0);
        (low - more, high + more)
    }

    pub(super) fn draw(&self, canvas: &mut Canvas, view: &View) -> Result<(), DrawError> {
        let (low, high) = self.range();
        let (half_wide, half_high) = (self.cell_m.0 / 2.0, self.cell_m.1 / 2.0);
        let [left, top, right, bottom] = view.frame();
        for cell in &self.cells {
            let sure = sureness(cell.half_db);
            if !(cell.value_db.is_finite() && sure > 0.0) {
                continue;
            }
            let from = view.px((cell.at.0 - half_wide, cell.at.1 + half_high));
            let to = view.px((cell.at.0 + half_wide, cell.at.1 - half_high));
            canvas.rectangle(
                (from.0.max(left), from.1.max(top)),
                (to.0.min(right), to.1.min(bottom)),
                colour((cell.value_db - low) / (high - low), sure),
            )?;
        }
        Ok(())
    }

    /// The scale of colours: values from left to right, uncertainty from top to bottom. Gives the place below.
    pub(super) fn scale(
        &self,
        canvas: &mut Canvas,
        words: &str,
        left: f64,
        top: f64,
    ) -> Result<f64, DrawError> {
        const ROW_PX: f64 = 38.0;
        const WIDTH_PX: f64 = 900.0;
        let y = canvas.lines(&[words.to_owned()], LABEL, INK, left, top)? + 8.0;
        for (row, half) in SHOWN_DB.into_iter().enumerate() {
            let top = y + row as f64 * ROW_PX;
            for column in 0..COLUMNS {
                let from = left + WIDTH_PX * column as f64 / COLUMNS as f64;
                let to = left + WIDTH_PX * (column + 1) as f64 / COLUMNS as f64;
                let value = column as f64 / (COLUMNS - 1) as f64;
                canvas.rectangle(
                    (from, top),
                    (to, top + ROW_PX),
                    colour(value, sureness(half)),
                )?;
            }
            let words = match row {
                0 => format!("known to ± {} dB", number(half, 1)),
                _ => format!("± {} dB", number(half, 0)),
            };
            let place = (left + WIDTH_PX + 16.0, top + ROW_PX / 2.0);
            canvas.text_centred(&words, LABEL, INK, Align::Left, place)?;
        }
        let bottom = y + SHOWN_DB.len() as f64 * ROW_PX;
        let scale = Scale::new(self.range(), (left, left + WIDTH_PX));
        let ticks = scale.ticks((left, left + WIDTH_PX), 8);
        for &tick in &ticks {
            let x = scale.px(tick);
            canvas.line((x, bottom), (x, bottom + 8.0), INK, 2)?;
            let place = (x.max(left + 20.0), bottom + 38.0);
            canvas.text(&tick_label(tick, &ticks), LABEL, INK, Align::Centre, place)?;
        }
        let place = (left + WIDTH_PX + 16.0, bottom + 38.0);
        canvas.text("dB", LABEL, INK, Align::Left, place)?;
        Ok(bottom + 56.0)
    }
}

/// Draws the plan's lines, with a light rim that parts them from the map.
pub(super) fn lines(
    canvas: &mut Canvas,
    plan: &FloorPlan,
    view: &View,
    width_px: u32,
) -> Result<(), DrawError> {
    let points =
        |line: &[Place]| -> Vec<(f64, f64)> { line.iter().map(|&place| view.px(place)).collect() };
    for (colour, width_px) in [(WHITE, width_px + 4), (MUTED, width_px)] {
        for closed in plan.holes.iter().chain([&plan.outline]) {
            if closed.len() > 2 {
                canvas.outline(&points(closed), colour, width_px + 1)?;
            }
        }
        for wall in &plan.walls {
            canvas.path(&points(wall), colour, width_px)?;
        }
    }
    Ok(())
}

/// Writes the plan's words where they are free.
pub(super) fn words(
    canvas: &mut Canvas,
    plan: &FloorPlan,
    view: &View,
    taken: &mut Taken,
) -> Result<(), DrawError> {
    for (text, place) in &plan.labels {
        let text = LABEL.shorten(&clean(text), 360.0);
        let size = (LABEL.width_px(&text) + 8.0, 36.0);
        if let Some(there) = taken.beside(view.px(*place), -8.0, size) {
            plate(canvas, &there)?;
            let middle = ((there[0] + there[2]) / 2.0, (there[1] + there[3]) / 2.0);
            canvas.text_centred(&text, LABEL, MUTED, Align::Centre, middle)?;
        }
    }
    Ok(())
}

/// A white ground for words.
pub(super) fn plate(canvas: &mut Canvas, there: &Box4) -> Result<(), DrawError> {
    canvas.rectangle((there[0], there[1]), (there[2], there[3]), WHITE)
}

/// A bar of a round length with its length in words, its left end at the place. Gives the place below.
pub(super) fn scale_bar(
    canvas: &mut Canvas,
    view: &View,
    left: f64,
    top: f64,
) -> Result<f64, DrawError> {
    let rough = 300.0 / view.px_per_m;
    let decade = 10f64.powf(rough.log10().floor());
    let length = [5.0, 2.0, 1.0]
        .into_iter()
        .map(|n| n * decade)
        .find(|&length| length <= rough)
        .unwrap_or(decade);
    let (y, right) = (top + 20.0, left + length * view.px_per_m);
    canvas.line((left, y), (right, y), INK, 5)?;
    for x in [left, right] {
        canvas.line((x, y - 10.0), (x, y + 10.0), INK, 3)?;
    }
    let words = if length < 0.995 {
        format!("{:.0} cm", length * 100.0)
    } else {
        format!("{length:.0} m")
    };
    canvas.text_centred(&words, LABEL, INK, Align::Left, (right + 16.0, y))?;
    Ok(top + 48.0)
}

/// A colour that no figure has: it marks the place of the picture in the order of drawing.
const PLACEHOLDER: RGBColor = RGBColor(1, 2, 3);

/// Keeps the picture's place in the order of what is drawn.
pub(super) fn keep_place(canvas: &mut Canvas) -> Result<(), DrawError> {
    canvas.rectangle((0.0, 0.0), (0.0, 0.0), PLACEHOLDER)
}

/// Puts the picture into its place: over the map, multiplied with it, so that dark lines on white show on any colour.
pub(super) fn put_picture(document: &str, image: Option<&FloorImage>, view: &View) -> String {
    let picture = image.map(|image| {
        let (x, y) = view.px((image.at.0, image.at.1 + image.size_m.1));
        format!(
            "<image x=\"{x:.1}\" y=\"{y:.1}\" width=\"{:.1}\" height=\"{:.1}\" preserveAspectRatio=\"none\" \
             style=\"mix-blend-mode:multiply\" href=\"data:{};base64,{}\"/>",
            image.size_m.0 * view.px_per_m,
            image.size_m.1 * view.px_per_m,
            image.media_type,
            STANDARD.encode(&image.bytes)
        )
    });
    let mut lines: Vec<&str> = document.lines().collect();
    let place = lines
        .iter()
        .position(|line| line.contains("fill=\"#010203\""));
    if let Some(place) = place {
        lines[place] = picture.as_deref().unwrap_or("");
    }
    lines.join("\n") + "\n"
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Relative luminance, WCAG 2.1.
    fn luminance(colour: RGBColor) -> f64 {
        let linear = |byte: u8| {
            let coded = f64::from(byte) / 255.0;
            if coded <= 0.04045 {
                coded / 12.92
            } else {
                ((coded + 0.055) / 1.055).powf(2.4)
            }
        };
        0.2126 * linear(colour.0) + 0.7152 * linear(colour.1) + 0.0722 * linear(colour.2)
    }

    #[test]
    fn the_space_s_reference_points_come_out() {
        // sRGB's white, red and blue in Oklab (Ottosson 2020, from memory).
        assert_eq!(rgb([1.0, 0.0, 0.0]), RGBColor(255, 255, 255));
        assert_eq!(rgb([0.627_955, 0.224_863, 0.125_846]), RGBColor(255, 0, 0));
        assert_eq!(
            rgb([0.452_014, -0.032_457, -0.311_528]),
            RGBColor(0, 0, 255)
        );
    }

    #[test]
    fn colours_get_lighter_with_the_value_and_fade_to_paper() {
        let steps: Vec<f64> = (0..=20)
            .map(|n| luminance(colour(f64::from(n) / 20.0, 1.0)))
            .collect();
        assert!(
            steps.windows(2).all(|pair| pair[1] > pair[0] * 1.03),
            "{steps:?}"
        );
        for value in [0.0, 0.5, 1.0] {
            assert_eq!(colour(value, 0.0), WHITE);
            let half = luminance(colour(value, 0.5));
            assert!(half > luminance(colour(value, 1.0)) && half < 1.0);
        }
        assert_eq!(sureness(FADED_OUT_DB + 1.0), 0.0);
    }

    #[test]
    fn both_directions_have_one_scale_and_up_is_up() {
        let view = View::fit([-2.0, -1.0, 8.0, 4.0], (100.0, 1100.0), 50.0, 400.0);
        let (a, b, c) = (
            view.px((0.0, 0.0)),
            view.px((1.0, 0.0)),
            view.px((0.0, 1.0)),
        );
        assert!(
            (b.0 - a.0 - 80.0).abs() < 1e-9 && (a.1 - c.1 - 80.0).abs() < 1e-9,
            "{a:?} {b:?} {c:?}"
        );
        // 800 px of the 1000 are used, in the middle.
        assert_eq!(view.frame(), [200.0, 50.0, 1000.0, 450.0]);
    }
}
