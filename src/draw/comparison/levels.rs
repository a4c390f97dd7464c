//! The top panel: what A and B receive in each channel.

use super::super::DrawError;
use super::super::canvas::{Align, Canvas, GREY, INK, SAND};
use super::super::font::Style;
use super::super::legend::{Item, Sign};
use super::super::mark::{self, A, Arrow, B, Fill, Look, Shape, Way};
use super::super::scale::{Scale, number};
use super::{Row, drawable, grid};
use crate::compare::{Comparison, Side};
use crate::reading::State;

const VALUE: Style = Style::regular(30.0);
/// Length of a bound's arrow.
const ARROW_PX: f64 = 44.0;
/// The brink reaches from the threshold to so much above it.
const BRINK_DB: f64 = 3.0;

/// What is drawn upwards.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Quantity {
    CarrierToNoise,
    Signal,
}

/// A side as drawn.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Drawn {
    Value(f64),
    AtMost(f64),
    /// Vacant, and no bound known.
    Vacant,
    Nothing,
}

/// The top panel of all rows.
pub(super) struct Levels {
    quantity: Quantity,
    range: Option<(f64, f64)>,
    fills: Vec<Fill>,
    vacant: bool,
    beyond: bool,
    thresholds: bool,
}

impl Quantity {
    /// C/N where every side that has a signal or a bound also has noise.
    fn of(comparison: &Comparison) -> Self {
        let lacks_noise = |side: &Side| {
            let signal = drawable(side.signal_dbfs).is_some() && drawable(side.cn_db).is_none();
            let bound =
                drawable(side.signal_upper_dbfs).is_some() && drawable(side.noise_dbfs).is_none();
            signal || bound
        };
        let lacking = comparison
            .channels
            .iter()
            .any(|c| lacks_noise(&c.a) || lacks_noise(&c.b));
        if lacking {
            Quantity::Signal
        } else {
            Quantity::CarrierToNoise
        }
    }

    fn drawn(self, side: &Side) -> Drawn {
        let (value, bound) = match self {
            Quantity::CarrierToNoise => {
                let bound = drawable(side.signal_upper_dbfs)
                    .zip(drawable(side.noise_dbfs))
                    .map(|(s, n)| s - n);
                (drawable(side.cn_db), drawable(bound))
            }
            Quantity::Signal => (drawable(side.signal_dbfs), drawable(side.signal_upper_dbfs)),
        };
        match (value, bound, side.state) {
            (Some(value), _, _) => Drawn::Value(value),
            (None, Some(bound), _) => Drawn::AtMost(bound),
            (None, None, Some(State::Vacant)) => Drawn::Vacant,
            (None, None, _) => Drawn::Nothing,
        }
    }

    /// The threshold, where a margin tells it.
    fn threshold(self, side: &Side) -> Option<f64> {
        match self {
            Quantity::CarrierToNoise => drawable(
                drawable(side.cn_db)
                    .zip(drawable(side.margin_db))
                    .map(|(cn, margin)| cn - margin),
            ),
            Quantity::Signal => None,
        }
    }
}

impl Levels {
    pub(super) fn of(comparison: &Comparison) -> Self {
        let quantity = Quantity::of(comparison);
        let mut levels = Levels {
            quantity,
            range: None,
            fills: Vec::new(),
            vacant: false,
            beyond: false,
            thresholds: false,
        };
        let mut bounds = Vec::new();
        for side in comparison.channels.iter().flat_map(|c| [&c.a, &c.b]) {
            match quantity.drawn(side) {
                Drawn::Value(value) => {
                    levels.reach(value);
                    let fill = Fill::of(side.state);
                    if !levels.fills.contains(&fill) {
                        levels.fills.push(fill);
                    }
                }
                Drawn::AtMost(bound) => {
                    bounds.push(bound);
                }
                Drawn::Vacant => levels.beyond = true,
                Drawn::Nothing => {}
            }
            if let Some(threshold) = quantity.threshold(side) {
                levels.reach(threshold);
                levels.reach(threshold + BRINK_DB);
                levels.thresholds = true;
            }
        }
        // A bound doubles the range at most; one further down stands at its lower end, without its bar: what its arrow
        // says still holds there.
        let (low, high) = levels.range.unwrap_or((f64::NEG_INFINITY, f64::INFINITY));
        let floor = low - (high - low).max(6.0);
        for bound in bounds {
            levels.reach(bound.max(floor));
            if bound < floor {
                levels.beyond = true;
            } else {
                levels.vacant = true;
            }
        }
        levels
    }

    fn reach(&mut self, value: f64) {
        let (low, high) = self.range.unwrap_or((value, value));
        self.range = Some((low.min(value), high.max(value)));
    }

    pub(super) fn is_empty(&self) -> bool {
        self.range.is_none()
    }

    pub(super) fn heading(&self) -> &'static str {
        match self.quantity {
            Quantity::CarrierToNoise => "What arrives: carrier-to-noise ratio C/N, dB",
            Quantity::Signal => "What arrives: signal level, dBFS",
        }
    }

    /// The states that occur, and the threshold.
    pub(super) fn legend(&self) -> Vec<Item> {
        let grey = Look {
            shape: Shape::Circle,
            colour: GREY,
        };
        let words = [
            (Fill::Full, "firm"),
            (Fill::Half, "brink"),
            (Fill::Hollow, "trace"),
            (Fill::Dotted, "a signal, state not known"),
        ];
        let mut items: Vec<_> = words
            .into_iter()
            .filter(|(fill, _)| self.fills.contains(fill))
            .map(|(fill, word)| Item::new(Sign::Mark(grey, fill), word))
            .collect();
        if self.vacant {
            items.push(Item::new(
                Sign::Bound(Way::Down, GREY),
                "vacant: at most this",
            ));
        }
        if self.beyond {
            items.push(Item::new(Sign::Beyond(Way::Down), "vacant, off the scale"));
        }
        if self.thresholds {
            items.push(Item::new(
                Sign::Threshold,
                "threshold, with the brink above it",
            ));
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
        let (low, high) = self.range.unwrap_or((0.0, 1.0));
        // At least 6 dB from end to end, so that small differences are not blown up.
        let spare = ((6.0 - (high - low)) / 2.0).max(0.0);
        let below = if self.vacant || self.beyond {
            ARROW_PX + 14.0
        } else {
            34.0
        };
        let scale = Scale::new((low - spare, high + spare), (bottom - below, top + 62.0));

        row.shade(canvas, top, bottom)?;
        self.brinks(canvas, row, scale)?;
        grid(canvas, scale, (top, bottom))?;
        self.threshold_lines(canvas, row, scale)?;
        canvas.line(
            (super::PLOT_LEFT_PX, bottom),
            (super::RIGHT_PX, bottom),
            INK,
            2,
        )?;

        let (radius, offset) = (row.mark_px(), row.offset_px());
        let valued = self.values_fit(row);
        let arrow = Arrow::new(Way::Down, ARROW_PX);
        for (x, channel) in row.places() {
            for (x, side, look) in [(x - offset, &channel.a, A), (x + offset, &channel.b, B)] {
                match self.quantity.drawn(side) {
                    Drawn::Value(value) => {
                        let y = scale.px(value);
                        mark::draw(canvas, (x, y), radius, look, Fill::of(side.state))?;
                        if valued {
                            let above = (x, y - 1.25 * radius - 10.0);
                            canvas.text(
                                &number(value, 1),
                                VALUE,
                                look.colour,
                                Align::Centre,
                                above,
                            )?;
                        }
                    }
                    Drawn::AtMost(bound) => {
                        let place = (x, scale.px(bound.max(low)));
                        let arrow = arrow.beyond(bound < low);
                        mark::bound(canvas, place, radius, arrow, look.colour)?;
                    }
                    Drawn::Vacant => {
                        let place = (x, bottom - ARROW_PX - 2.0);
                        mark::bound(canvas, place, radius, arrow.beyond(true), look.colour)?;
                    }
                    Drawn::Nothing => {}
                }
            }
        }
        Ok(())
    }

    /// Whether each value has room above its mark.
    fn values_fit(&self, row: &Row) -> bool {
        let widest = row
            .channels
            .iter()
            .flat_map(|c| [&c.a, &c.b])
            .filter_map(|side| match self.quantity.drawn(side) {
                Drawn::Value(value) => Some(VALUE.width_px(&number(value, 1))),
                _ => None,
            })
            .fold(0.0, f64::max);
        widest + 10.0 <= 2.0 * row.offset_px()
    }

    /// Each channel's threshold: A's over the left half of its place, B's over the right; the other's where one lacks.
    fn thresholds(&self, row: &Row) -> Vec<(f64, f64, f64)> {
        let mut pieces: Vec<(f64, f64, f64)> = Vec::new();
        for (x, channel) in row.places() {
            let (a, b) = (
                self.quantity.threshold(&channel.a),
                self.quantity.threshold(&channel.b),
            );
            let half = row.slot_px / 2.0;
            for (from, to, threshold) in [(x - half, x, a.or(b)), (x, x + half, b.or(a))] {
                let Some(threshold) = threshold else { continue };
                match pieces.last_mut() {
                    Some(last)
                        if (last.1 - from).abs() < 0.5 && (last.2 - threshold).abs() < 0.005 =>
                    {
                        last.1 = to
                    }
                    _ => pieces.push((from, to, threshold)),
                }
            }
        }
        pieces
    }

    fn brinks(&self, canvas: &mut Canvas, row: &Row, scale: Scale) -> Result<(), DrawError> {
        for (from, to, threshold) in self.thresholds(row) {
            canvas.rectangle(
                (from, scale.px(threshold + BRINK_DB)),
                (to, scale.px(threshold)),
                SAND,
            )?;
        }
        Ok(())
    }

    fn threshold_lines(
        &self,
        canvas: &mut Canvas,
        row: &Row,
        scale: Scale,
    ) -> Result<(), DrawError> {
        for (from, to, threshold) in self.thresholds(row) {
            canvas.dashes((from, to), scale.px(threshold), INK, 3)?;
        }
        Ok(())
    }
}
