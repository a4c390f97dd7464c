//! Figures of a curve, each with an interval from draws of the curve.
//!
//! Ratios are drawn in linear power and only their quantiles put into decibels, so that a null, whose draws lie on both
//! sides of zero, gives a bound instead of nonsense. A draw is looked at near the curve's own best bearing, so that two
//! equal maxima don't throw the interval from one to the other: they are named instead.

use statrs::distribution::{ContinuousCDF, FisherSnedecor};

use super::fit::{Fitted, Observation};
use super::series::{
    GRID, Grid, STEP_DEG, Series, climb, highest, lowest, tops, turn_between, wrapped,
};
use super::types::{BearingFigure, CurvePoint, Figure, Figures};
use crate::statistics::median;
use crate::units::ratio_to_db;

/// No curve is drawn, and no bound claimed, further down than this: 40 dB.
const FLOOR: f64 = 1e-4;
/// Another lobe is named where more than this share of draws have their maximum there.
const RIVAL_SHARE: f64 = 0.025;
/// A top nearer than this to the best bearing belongs to its lobe.
const RIVAL_FROM_DEG: f64 = 30.0;

/// A curve and draws of it on the grid.
pub(super) struct Curves<'f> {
    pub(super) mean: &'f Series,
    pub(super) curve: Vec<f64>,
    pub(super) draws: &'f [Series],
    pub(super) drawn: Vec<Vec<f64>>,
    confidence: f64,
}

impl<'f> Curves<'f> {
    pub(super) fn new(mean: &'f Series, draws: &'f [Series], confidence: f64) -> Curves<'f> {
        let order = draws
            .iter()
            .map(Series::order)
            .fold(mean.order(), usize::max);
        let grid = Grid::new(order);
        Curves {
            mean,
            curve: grid.curve(mean),
            draws,
            drawn: draws.iter().map(|draw| grid.curve(draw)).collect(),
            confidence,
        }
    }

    /// The maximum: its bearing in degrees and its linear power.
    pub(super) fn top(&self) -> (f64, f64) {
        let bearing = self.mean.top_near(highest(&self.curve));
        (bearing, self.mean.at(bearing))
    }

    /// Both ends of the interval of values drawn.
    pub(super) fn interval(&self, values: impl IntoIterator<Item = f64>) -> (f64, f64) {
        interval(values.into_iter().collect(), self.confidence)
    }

    /// The curve with its band, relative to its maximum.
    pub(super) fn points(&self) -> Vec<CurvePoint> {
        let top = self.top().1;
        (0..GRID)
            .map(|n| {
                let (low, high) = self.interval(self.drawn.iter().map(|curve| curve[n] / top));
                CurvePoint {
                    bearing_deg: n as f64 * STEP_DEG,
                    level_db: ratio_to_db((self.curve[n] / top).max(FLOOR)),
                    low_db: (low > FLOOR).then(|| ratio_to_db(low)),
                    high_db: ratio_to_db(high.max(FLOOR)),
                }
            })
            .collect()
    }

    /// All figures; `round_p` is the probability that an all-round antenna looks as uneven.
    pub(super) fn figures(&self, round_p: f64) -> Figures {
        let start = highest(&self.curve);
        let (best, top) = self.top();
        let near: Vec<f64> = (self.draws.iter().zip(&self.drawn))
            .map(|(draw, curve)| draw.top_near(climb(curve, start)))
            .collect();
        // One-sided, as the lower end of a two-sided interval is.
        let round = round_p > (1.0 - self.confidence) / 2.0;
        let behind =
            |series: &Series, bearing: f64| series.at(bearing + 180.0) / series.at(bearing);
        let back = (self.draws.iter().zip(&near)).map(|(draw, &bearing)| behind(draw, bearing));
        let weakest = (self.drawn.iter()).map(|c| c[lowest(c)] / c[highest(c)]);
        Figures {
            best_bearing_deg: if round {
                BearingFigure {
                    remark: Some("all-round as far as can be told".into()),
                    ..BearingFigure::default()
                }
            } else {
                self.best_bearing(best, &near)
            },
            half_power_beamwidth_deg: self.beamwidth(best, &near),
            front_to_back_db: self.ratio(behind(self.mean, best), back, round),
            roundness_db: self.ratio(self.curve[lowest(&self.curve)] / top, weakest, round),
            round_p,
        }
    }

    fn best_bearing(&self, best: f64, near: &[f64]) -> BearingFigure {
        let (low, high) = self.interval(near.iter().map(|&bearing| turn_between(best, bearing)));
        let rivals = rivals(&self.curve, self.drawn.iter().map(|curve| highest(curve)));
        BearingFigure {
            value: Some(best),
            low: Some(wrapped(best + low)),
            high: Some(wrapped(best + high)),
            remark: rivals_in_words(&rivals),
            rivals,
        }
    }

    fn beamwidth(&self, best: f64, near: &[f64]) -> Figure {
        let width = self.mean.half_power_width(&self.curve, best);
        let drawn = (self.draws.iter().zip(&self.drawn)).zip(near);
        let widths = drawn.map(|((draw, curve), &top)| {
            draw.half_power_width(curve, top).unwrap_or(f64::INFINITY)
        });
        let (low, high) = self.interval(widths);
        Figure {
            value: width,
            low: low.is_finite().then_some(low),
            high: high.is_finite().then_some(high.min(360.0)),
            remark: match (width, high.is_finite()) {
                (None, _) => Some("never falls 3 dB".into()),
                (Some(_), false) => Some("perhaps never falls 3 dB".into()),
                _ => None,
            },
        }
    }

    /// A ratio weak over strong as decibels strong over weak; `from_zero` where 0 dB can't be ruled out.
    fn ratio(&self, ratio: f64, drawn: impl Iterator<Item = f64>, from_zero: bool) -> Figure {
        let (low, high) = self.interval(drawn);
        // Adding 0 makes a plain zero of −0.
        let decibels = |ratio: f64| 0.0 - ratio_to_db(ratio.clamp(FLOOR, 1.0)) + 0.0;
        let bound = low <= FLOOR || ratio <= FLOOR;
        Figure {
            value: (!bound).then(|| decibels(ratio)),
            low: Some(if from_zero { 0.0 } else { decibels(high) }),
            high: (!bound).then(|| decibels(low)),
            remark: bound.then(|| "the weak side is not surely above nothing".into()),
        }
    }
}

/// Quantiles at (1 ∓ confidence)/2, by linear interpolation between order statistics; infinite values allowed.
pub(super) fn interval(mut values: Vec<f64>, confidence: f64) -> (f64, f64) {
    values.sort_by(f64::total_cmp);
    let quantile = |share: f64| {
        let place = share * (values.len() - 1) as f64;
        let (below, part) = (place.floor() as usize, place.fract());
        match values.get(below + 1) {
            Some(&above) if part > 0.0 && above > values[below] => {
                values[below] + part * (above - values[below])
            }
            _ => values[below],
        }
    };
    if values.is_empty() {
        return (f64::NAN, f64::NAN);
    }
    (
        quantile((1.0 - confidence) / 2.0),
        quantile((1.0 + confidence) / 2.0),
    )
}

/// Bearings of the curve's other tops at which more than a few draws have their maximum.
pub(super) fn rivals(curve: &[f64], maxima: impl Iterator<Item = usize>) -> Vec<f64> {
    let tops = tops(curve);
    let mut counts = vec![0usize; tops.len()];
    let mut all = 0usize;
    let apart = |a: usize, b: usize| turn_between(a as f64 * STEP_DEG, b as f64 * STEP_DEG).abs();
    for maximum in maxima {
        all += 1;
        let nearest = (0..tops.len())
            .min_by(|&a, &b| apart(tops[a], maximum).total_cmp(&apart(tops[b], maximum)));
        if let Some(nearest) = nearest {
            counts[nearest] += 1;
        }
    }
    (tops.iter().zip(counts).skip(1))
        .filter(|(top, count)| {
            *count as f64 > RIVAL_SHARE * all as f64 && apart(**top, tops[0]) > RIVAL_FROM_DEG
        })
        .map(|(&top, _)| top as f64 * STEP_DEG)
        .collect()
}

pub(super) fn rivals_in_words(rivals: &[f64]) -> Option<String> {
    let list: Vec<String> = rivals.iter().map(|b| format!("{b:.0}°")).collect();
    (!list.is_empty()).then(|| format!("{} may be as good", list.join(", ")))
}

/// Probability that an all-round antenna gives observations as uneven as these: F tests of harmonics against a constant, at
/// up to three orders, by Bonferroni; errors as foreseen, or larger where the residuals say so.
///
/// Source: linear hypotheses in regression, NIST/SEMATECH e-Handbook 4.4.4.2 and any textbook (extra sum of squares).
pub(super) fn round_p(observations: &[Observation], unsteadiness: f64, drift: f64) -> f64 {
    let values: Vec<f64> = (observations.iter())
        .map(|o| o.value / (1.0 + drift * o.time))
        .collect();
    let level = median(&values).unwrap_or(0.0).max(0.0);
    let variances: Vec<f64> = (observations.iter())
        .map(|o| o.standard_error.powi(2) + (unsteadiness * level).powi(2))
        .collect();
    // Up to what leaves some residuals: lobes of a higher order than those tested would pass for scatter.
    let most = (observations.len().saturating_sub(3) / 2).clamp(1, 8);
    let mut orders = vec![most.min(2), (most.min(2) + most) / 2, most];
    orders.dedup();
    let tests = orders.len() as f64;
    let p = (orders.iter())
        .map(|&order| uneven_p(observations, &values, &variances, order))
        .fold(1.0, f64::min);
    (tests * p).min(1.0)
}

fn uneven_p(observations: &[Observation], values: &[f64], variances: &[f64], order: usize) -> f64 {
    let squares =
        |order: usize| super::fit::residual_squares(observations, values, variances, order);
    let (flat, wavy) = (squares(0), squares(order));
    let (gained, freedom) = (
        2.0 * order as f64,
        values.len() as f64 - 2.0 * order as f64 - 1.0,
    );
    if freedom < 1.0 {
        return 1.0;
    }
    let scale = wavy / freedom;
    // Foreseen errors are known, so without a larger scatter the law is chi-squared: F with very many degrees of freedom.
    let (scale, freedom) = if scale > 1.0 {
        (scale, freedom)
    } else {
        (1.0, 1e6)
    };
    let ratio = ((flat - wavy) / gained / scale).max(0.0);
    FisherSnedecor::new(gained, freedom).map_or(1.0, |law| law.sf(ratio))
}

/// Spread of the points about the curve in dB: root of the sum of squares over observations less effective parameters.
///
/// Points further than 10 dB under the curve's mean are left out: there a small error is many decibels.
pub(super) fn residual_rms_db(observations: &[Observation], fitted: &Fitted) -> Option<f64> {
    let residuals: Vec<f64> = (observations.iter())
        .filter_map(|o| {
            let drift = fitted.drift.map_or(1.0, |(share, _)| 1.0 + share * o.time);
            let level = fitted.mean.at(o.bearing_deg) * drift;
            let ratio = o.value / level;
            (level > 0.1 * fitted.mean.mean() && ratio > 0.0).then(|| ratio_to_db(ratio))
        })
        .collect();
    let freedom = residuals.len() as f64 - fitted.effective_parameters;
    (freedom >= 1.0).then(|| (residuals.iter().map(|r| r * r).sum::<f64>() / freedom).sqrt())
}
