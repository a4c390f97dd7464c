//! Several channels together: the band's pattern, and where to aim for the weakest of them.

use super::Shape;
use super::figures::{Curves, rivals, rivals_in_words};
use super::series::{GRID, STEP_DEG, Series, highest, turn_between, wrapped};
use super::types::{Aim, Band, BearingFigure, Figure, Fit, Point};
use crate::channels::ChannelId;
use crate::units::{db_to_ratio, ratio_to_db};

/// The mean of the channels' patterns, each relative to its own mean round the circle; `None` where there are none.
pub(super) fn band(shapes: &[&Shape], bearings_deg: &[f64], confidence: f64) -> Option<Band> {
    let draws = shapes.first()?.fitted.draws.len();
    let mean = average(shapes.iter().map(|shape| &shape.fitted.mean));
    let drawn: Vec<Series> = (0..draws)
        .map(|n| average(shapes.iter().map(|shape| &shape.fitted.draws[n])))
        .collect();
    let curves = Curves::new(&mean, &drawn, confidence);
    // Uneven as soon as one channel surely is, all of them counted (Bonferroni).
    let round_p = (shapes.iter())
        .map(|shape| shape.round_p * shapes.len() as f64)
        .fold(1.0, f64::min);
    let top = curves.top().1;
    let points = bearings_deg
        .iter()
        .filter_map(|&bearing| point(shapes, bearing, top, confidence))
        .collect();
    let orders = shapes.iter().map(|shape| shape.fitted.order);
    let worth = |shape: &&Shape| shape.fitted.effective_parameters;
    Some(Band {
        channels: shapes.iter().map(|s| s.channel.clone()).collect(),
        points,
        figures: curves.figures(round_p),
        fit: Fit {
            curve: curves.points(),
            order: orders.max().unwrap_or(1),
            effective_parameters: shapes.iter().map(worth).fold(0.0, f64::max),
            residual_rms_db: crate::statistics::median(
                &(shapes.iter())
                    .filter_map(|s| s.residual_rms_db)
                    .collect::<Vec<_>>(),
            ),
            inflation: (shapes.iter())
                .map(|s| s.fitted.inflation)
                .fold(1.0, f64::max),
            maximum_db: ratio_to_db(top),
            mean_db: ratio_to_db(mean.mean()),
            series: mean.clone(),
        },
    })
}

/// Mean of series, each divided by its own mean.
fn average<'s>(series: impl ExactSizeIterator<Item = &'s Series> + Clone) -> Series {
    let count = series.len() as f64;
    let length = series.clone().map(|s| s.0.len()).max().unwrap_or(1);
    let mut sum = vec![0.0; length];
    for one in series {
        let mean = one.mean().max(f64::MIN_POSITIVE);
        for (place, value) in sum.iter_mut().zip(&one.0) {
            *place += value / mean / count;
        }
    }
    Series(sum)
}

/// The mean over the channels at one bearing, with the spread of that mean as foreseen; relative to `top`.
fn point(shapes: &[&Shape], bearing_deg: f64, top: f64, confidence: f64) -> Option<Point> {
    let (mut sum, mut variance, mut count, mut takes) = (0.0, 0.0, 0.0, 0);
    for shape in shapes {
        let scale = shape.fitted.mean.mean();
        if let Some(mean) = shape.mean_at(bearing_deg) {
            sum += mean.value / scale;
            variance += (mean.deviation / scale).powi(2);
            count += 1.0;
            takes = takes.max(mean.takes);
        }
    }
    if count == 0.0 {
        return None;
    }
    let factor = crate::statistics::coverage_factor(confidence, f64::INFINITY);
    let (value, half) = (sum / count / top, factor * variance.sqrt() / count / top);
    let level = |ratio: f64| (ratio > 0.0).then(|| ratio_to_db(ratio));
    Some(Point {
        bearing_deg,
        takes,
        level_db: level(value).filter(|_| value > half),
        low_db: level(value - half),
        high_db: level(value.max(0.0) + half),
    })
}

/// The noise and the threshold that make a margin of a level.
#[derive(Debug, Clone, Copy)]
pub(super) struct Needed {
    /// Mean noise in the channel, linear.
    pub(super) noise: f64,
    /// Threshold in dB.
    pub(super) threshold_db: f64,
}

impl Needed {
    fn power(self) -> f64 {
        self.noise * db_to_ratio(self.threshold_db)
    }
}

/// The channels that an aim is worth choosing for: those asked for, else those that reach their threshold at some bearing,
/// else all: a channel that is out of reach everywhere would decide for all others.
pub(super) fn worth_aiming(
    shapes: Vec<(&Shape, Needed)>,
    asked_for: bool,
) -> Vec<(&Shape, Needed)> {
    let reaches = |(shape, needed): &&(&Shape, Needed)| {
        let mean = &shape.fitted.mean;
        (0..GRID).any(|n| mean.at(n as f64 * STEP_DEG) >= needed.power())
    };
    if asked_for || !shapes.iter().any(|one| reaches(&one)) {
        return shapes;
    }
    shapes.into_iter().filter(|one| reaches(&one)).collect()
}

/// The bearing at which the weakest channel has the largest margin.
pub(super) fn aim(
    shapes: &[(&Shape, Needed)],
    left_out: Vec<ChannelId>,
    confidence: f64,
) -> Option<Aim> {
    let draws = shapes.first()?.0.fitted.draws.len();
    let all: Vec<(Curves, f64)> = (shapes.iter())
        .map(|(shape, needed)| {
            let fitted = &shape.fitted;
            (
                Curves::new(&fitted.mean, &fitted.draws, confidence),
                needed.power(),
            )
        })
        .collect();
    let weakest = |curve_of: &dyn Fn(&Curves) -> Vec<f64>| -> Vec<f64> {
        let mut least = vec![f64::INFINITY; GRID];
        for (curves, needed) in &all {
            for (place, value) in least.iter_mut().zip(curve_of(curves)) {
                *place = place.min(value / needed);
            }
        }
        least
    };
    let mean = weakest(&|curves| curves.curve.clone());
    let drawn: Vec<Vec<f64>> = (0..draws)
        .map(|n| weakest(&|curves| curves.drawn[n].clone()))
        .collect();
    let best = highest(&mean);
    let (channel, _) = (shapes.iter().zip(&all))
        .min_by(|(_, a), (_, b)| (a.0.curve[best] / a.1).total_cmp(&(b.0.curve[best] / b.1)))
        .map(|((shape, _), _)| (shape.channel.clone(), ()))?;
    let rivals = rivals(&mean, drawn.iter().map(|curve| highest(curve)));
    let best_deg = best as f64 * STEP_DEG;
    // Draws whose maximum is in a rival's lobe don't widen the interval: the rival is named.
    let offsets: Vec<f64> = (drawn.iter())
        .map(|curve| turn_between(best_deg, highest(curve) as f64 * STEP_DEG))
        .filter(|offset| {
            let bearing = best_deg + offset;
            (rivals.iter()).all(|rival| turn_between(*rival, bearing).abs() >= offset.abs())
        })
        .collect();
    let first = &all[0].0;
    let (low, high) = first.interval(offsets);
    let (least, most) = first.interval(drawn.iter().map(|curve| curve[best]));
    let level = |ratio: f64| (ratio > 0.0).then(|| ratio_to_db(ratio));
    Some(Aim {
        bearing_deg: BearingFigure {
            value: Some(best_deg),
            low: Some(wrapped(best_deg + low)),
            high: Some(wrapped(best_deg + high)),
            remark: rivals_in_words(&rivals),
            rivals,
        },
        weakest: channel,
        margin_db: Figure {
            value: level(mean[best]),
            low: level(least),
            high: level(most),
            remark: None,
        },
        channels: shapes.iter().map(|(s, _)| s.channel.clone()).collect(),
        left_out,
    })
}
