//! One dial: rings, spokes, and curves with their points.

use plotters::style::RGBColor;

use super::super::DrawError;
use super::super::canvas::{Align, Canvas, GREY, GRID, INK, MUTED, WHITE};
use super::super::font::Style;
use super::super::mark::{self, Fill, Look};
use crate::survey::turn::{CurvePoint, Figures, Point};

const RING: Style = Style::regular(28.0);
const DIRECTION: Style = Style::bold(32.0);
/// From here on a dial is large: heavier lines, more rings.
const LARGE_FROM_PX: f64 = 300.0;
/// What lies above 0 dB is drawn so far outside the rim at most.
const BEYOND: f64 = 1.04;
/// Half the power, in dB.
const HALF_DB: f64 = -3.0103;

/// One antenna's curve in a dial.
pub(super) struct Layer<'l> {
    pub(super) points: &'l [Point],
    pub(super) curve: &'l [CurvePoint],
    pub(super) figures: &'l Figures,
    /// What is added to its levels.
    pub(super) shift_db: f64,
    pub(super) look: Look,
}

/// Where a dial stands and how far down it reaches.
pub(super) struct Dial {
    pub(super) centre: (f64, f64),
    pub(super) radius_px: f64,
    pub(super) depth_db: f64,
}

/// A colour with so much white in it that lines and marks stand out from it.
fn tint(colour: RGBColor) -> RGBColor {
    let light = |part: u8| (f64::from(part) * 0.24 + 255.0 * 0.76).round() as u8;
    RGBColor(light(colour.0), light(colour.1), light(colour.2))
}

impl Dial {
    fn is_large(&self) -> bool {
        self.radius_px >= LARGE_FROM_PX
    }

    fn at(&self, bearing_deg: f64, radius_px: f64) -> (f64, f64) {
        let (sin, cos) = bearing_deg.to_radians().sin_cos();
        (
            self.centre.0 + radius_px * sin,
            self.centre.1 - radius_px * cos,
        )
    }

    fn radius_of(&self, level_db: f64) -> f64 {
        let share = 1.0 + level_db / self.depth_db;
        if share.is_finite() {
            self.radius_px * share.clamp(0.0, BEYOND)
        } else {
            0.0
        }
    }

    /// Everything but the labels.
    pub(super) fn draw(&self, canvas: &mut Canvas, layers: &[Layer]) -> Result<(), DrawError> {
        for layer in layers {
            self.interval(canvas, layer)?;
        }
        self.grid(canvas)?;
        for (n, layer) in layers.iter().enumerate() {
            self.extent(canvas, layer, n)?;
        }
        for layer in layers {
            self.curve(canvas, layer)?;
        }
        for layer in layers {
            for point in layer.points {
                self.point(canvas, point, layer)?;
            }
        }
        Ok(())
    }

    fn ring_step_db(&self) -> f64 {
        if self.is_large() && self.depth_db <= 20.0 {
            5.0
        } else {
            10.0
        }
    }

    fn rings(&self) -> impl Iterator<Item = f64> + '_ {
        let count = (self.depth_db / self.ring_step_db()).round() as usize;
        (1..count).map(|n| -(n as f64) * self.ring_step_db())
    }

    fn grid(&self, canvas: &mut Canvas) -> Result<(), DrawError> {
        for spoke in 0..12 {
            let outer = self.at(f64::from(spoke) * 30.0, self.radius_px);
            canvas.line(self.centre, outer, GRID, 1)?;
        }
        for ring in self.rings() {
            canvas.circle(self.centre, self.radius_of(ring), GRID, 2)?;
        }
        canvas.circle(self.centre, self.radius_px, GREY, 2)?;
        // 0° is up.
        let tick = if self.is_large() { 16.0 } else { 10.0 };
        canvas.line(
            self.at(0.0, self.radius_px),
            self.at(0.0, self.radius_px + tick),
            INK,
            4,
        )
    }

    /// The curve's interval: one outline out along its upper end and back along its lower.
    fn interval(&self, canvas: &mut Canvas, layer: &Layer) -> Result<(), DrawError> {
        let closed = || layer.curve.iter().chain(layer.curve.first());
        let radius =
            |level: Option<f64>| level.map_or(0.0, |db| self.radius_of(db + layer.shift_db));
        let out = closed().map(|p| self.at(p.bearing_deg, radius(Some(p.high_db))));
        let back: Vec<_> = closed()
            .map(|p| self.at(p.bearing_deg, radius(p.low_db)))
            .collect();
        let outline: Vec<_> = out.chain(back.into_iter().rev()).collect();
        canvas.polygon(&outline, tint(layer.look.colour))
    }

    fn curve(&self, canvas: &mut Canvas, layer: &Layer) -> Result<(), DrawError> {
        let path: Vec<_> = (layer.curve.iter())
            .map(|p| self.at(p.bearing_deg, self.radius_of(p.level_db + layer.shift_db)))
            .collect();
        canvas.outline(
            &path,
            layer.look.colour,
            if self.is_large() { 5 } else { 3 },
        )
    }

    /// The best bearing, and outside the rim how far round it the curve stays within 3 dB.
    fn extent(&self, canvas: &mut Canvas, layer: &Layer, n: usize) -> Result<(), DrawError> {
        let Some(best) = layer.figures.best_bearing_deg.value else {
            return Ok(());
        };
        let colour = layer.look.colour;
        let thick = if self.is_large() { 3 } else { 2 };
        canvas.line(self.centre, self.at(best, self.radius_px), colour, thick)?;
        let Some((before, after)) = half_power(layer.curve, best) else {
            return Ok(());
        };
        let outside = if self.is_large() { 14.0 } else { 9.0 };
        let radius = self.radius_px + outside * (n as f64 + 0.7);
        let steps = ((before + after) / 2.0).ceil().max(1.0);
        let arc: Vec<_> = (0..=steps as usize)
            .map(|step| best - before + (before + after) * step as f64 / steps)
            .map(|bearing| self.at(bearing, radius))
            .collect();
        canvas.path(&arc, colour, if self.is_large() { 7 } else { 5 })
    }

    fn point(&self, canvas: &mut Canvas, point: &Point, layer: &Layer) -> Result<(), DrawError> {
        let Look { colour, .. } = layer.look;
        let (bar, mark_px) = match (self.is_large(), layer.points.len() > 40) {
            (true, false) => (3, 9.0),
            (true, true) => (2, 6.0),
            (false, false) => (2, 5.0),
            (false, true) => (1, 3.0),
        };
        let radius = |db: f64| self.radius_of(db + layer.shift_db);
        let high = point.high_db.map_or(0.0, radius);
        match point.level_db {
            Some(level_db) => {
                let low = point.low_db.map_or(0.0, radius);
                canvas.line(
                    self.at(point.bearing_deg, low),
                    self.at(point.bearing_deg, high),
                    colour,
                    bar,
                )?;
                let place = self.at(point.bearing_deg, radius(level_db));
                mark::draw(canvas, place, mark_px, layer.look, Fill::Full)
            }
            // At most this: a bar across, and a line inwards.
            None => {
                let end = self.at(point.bearing_deg, high);
                let inwards = self.at(point.bearing_deg, (high - 3.0 * mark_px).max(0.0));
                let (sin, cos) = point.bearing_deg.to_radians().sin_cos();
                let across = (mark_px * cos, mark_px * sin);
                canvas.line(end, inwards, colour, bar)?;
                canvas.line(
                    (end.0 - across.0, end.1 - across.1),
                    (end.0 + across.0, end.1 + across.1),
                    colour,
                    bar + 1,
                )
            }
        }
    }

    /// Labels of rings and directions, and the arrow that says which way bearings go.
    pub(super) fn label(&self, canvas: &mut Canvas, zero: &str) -> Result<(), DrawError> {
        for ring in self.rings() {
            let text = super::super::scale::number(ring, 0);
            let place = self.at(105.0, self.radius_of(ring));
            let half = RING.width_px(&text) / 2.0 + 4.0;
            canvas.rectangle(
                (place.0 - half, place.1 - 17.0),
                (place.0 + half, place.1 + 17.0),
                WHITE,
            )?;
            canvas.text_centred(&text, RING, MUTED, Align::Centre, place)?;
        }
        // Clear of two antennas' arcs.
        let beyond = self.radius_px + 46.0;
        let zero = DIRECTION.shorten(zero, 1.2 * self.radius_px);
        canvas.text(
            &zero,
            DIRECTION,
            INK,
            Align::Centre,
            (self.centre.0, self.centre.1 - beyond),
        )?;
        let (right, left) = (self.at(90.0, beyond), self.at(270.0, beyond));
        canvas.text_centred("90°", RING, INK, Align::Left, (right.0 - 6.0, right.1))?;
        canvas.text_centred("270°", RING, INK, Align::Right, (left.0 + 6.0, left.1))?;
        canvas.text_centred(
            "180°",
            RING,
            INK,
            Align::Centre,
            self.at(180.0, beyond + 6.0),
        )?;
        self.sense(canvas)
    }

    /// `clockwise`, with an arrow that goes that way round.
    fn sense(&self, canvas: &mut Canvas) -> Result<(), DrawError> {
        let radius = self.radius_px + 44.0;
        let arc: Vec<_> = (0..=14)
            .map(|n| self.at(38.0 + f64::from(n), radius))
            .collect();
        canvas.path(&arc, MUTED, 4)?;
        let (tip, back) = (57.0, 52.0);
        canvas.polygon(
            &[
                self.at(tip, radius),
                self.at(back, radius - 11.0),
                self.at(back, radius + 11.0),
            ],
            MUTED,
        )?;
        let place = self.at(36.0, radius + 6.0);
        canvas.text(
            "clockwise",
            RING,
            MUTED,
            Align::Left,
            (place.0 - 10.0, place.1 - 14.0),
        )
    }
}

/// How far before and after the best bearing the curve falls to half its maximum, in degrees.
fn half_power(curve: &[CurvePoint], best_deg: f64) -> Option<(f64, f64)> {
    let count = curve.len();
    let step = 360.0 / count as f64;
    let start = (best_deg / step).round() as usize;
    let side = |sign: i64| {
        (1..count as i64).find_map(|n| {
            let at = |n: i64| {
                curve[(start as i64 + sign * n).rem_euclid(count as i64) as usize].level_db
            };
            let (before, here) = (at(n - 1), at(n));
            (here < HALF_DB && before >= HALF_DB).then(|| {
                let part = (before - HALF_DB) / (before - here);
                let bearing = start as f64 + sign as f64 * (n as f64 - 1.0 + part);
                sign as f64 * (bearing * step - best_deg)
            })
        })
    };
    Some((side(-1)?, side(1)?))
}
