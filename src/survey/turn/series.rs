//! A Fourier series in bearing, and the places of a closed curve: its maxima, its minimum, where it falls to a half.
//!
//! Bearings are in degrees, clockwise.

use serde::Serialize;

/// Distance of the grid on which curves are looked at, in degrees.
pub(super) const STEP_DEG: f64 = 2.0;
/// Places of that grid.
pub(super) const GRID: usize = 180;

/// a₀ + Σ (aₖ cos kβ + bₖ sin kβ), k = 1 …, as a₀, a₁, b₁, a₂, b₂ …
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
#[serde(transparent)]
pub struct Series(pub Vec<f64>);

/// 1, cos β, sin β, cos 2β, … up to `order`, at a bearing in degrees.
pub(super) fn terms(bearing_deg: f64, order: usize) -> impl Iterator<Item = f64> {
    let (sin, cos) = bearing_deg.to_radians().sin_cos();
    let mut now = (1.0, 0.0);
    std::iter::once(1.0).chain((0..order).flat_map(move |_| {
        now = (now.0 * cos - now.1 * sin, now.0 * sin + now.1 * cos);
        [now.0, now.1]
    }))
}

/// The terms at every place of the grid, for many curves.
pub(super) struct Grid(Vec<Vec<f64>>);

impl Grid {
    pub(super) fn new(order: usize) -> Grid {
        let place = |n: usize| terms(n as f64 * STEP_DEG, order).collect();
        Grid((0..GRID).map(place).collect())
    }

    /// The curve at every place of the grid; the series' order is at most the grid's.
    pub(super) fn curve(&self, series: &Series) -> Vec<f64> {
        let sum = |terms: &Vec<f64>| terms.iter().zip(&series.0).map(|(t, c)| t * c).sum();
        self.0.iter().map(sum).collect()
    }
}

impl Series {
    /// Its order.
    pub fn order(&self) -> usize {
        self.0.len() / 2
    }

    /// Its mean round the circle.
    pub fn mean(&self) -> f64 {
        self.0.first().copied().unwrap_or(0.0)
    }

    /// Its value at a bearing in degrees.
    pub fn at(&self, bearing_deg: f64) -> f64 {
        (terms(bearing_deg, self.order()).zip(&self.0))
            .map(|(term, coefficient)| term * coefficient)
            .sum()
    }

    /// The top near a place of the grid that is a local maximum of `curve`, in degrees: by golden-section search.
    pub(super) fn top_near(&self, place: usize) -> f64 {
        let middle = place as f64 * STEP_DEG;
        let ratio = (5f64.sqrt() - 1.0) / 2.0;
        let (mut low, mut high) = (middle - STEP_DEG, middle + STEP_DEG);
        for _ in 0..24 {
            let (first, second) = (high - ratio * (high - low), low + ratio * (high - low));
            if self.at(first) < self.at(second) {
                low = first
            } else {
                high = second
            }
        }
        wrapped((low + high) / 2.0)
    }

    /// How far it is from a top at `top_deg` to where it has fallen to half of that, on both sides together, in degrees;
    /// `None` where it doesn't fall so far.
    pub(super) fn half_power_width(&self, curve: &[f64], top_deg: f64) -> Option<f64> {
        let half = self.at(top_deg) / 2.0;
        let start = (top_deg / STEP_DEG).round() as usize;
        let side = |sign: i64| {
            let value =
                |steps: i64| curve[(start as i64 + sign * steps).rem_euclid(GRID as i64) as usize];
            let steps = (1..=GRID as i64).find(|&steps| value(steps) < half)?;
            // Between this place and the one before, by bisection.
            let bearing = |steps: f64| (start as f64 + sign as f64 * steps) * STEP_DEG;
            let (mut above, mut below) = (steps as f64 - 1.0, steps as f64);
            for _ in 0..24 {
                let middle = (above + below) / 2.0;
                if self.at(bearing(middle)) < half {
                    below = middle
                } else {
                    above = middle
                }
            }
            Some((bearing(below) - top_deg).abs())
        };
        // The start is rounded to the grid, at most half a step from the top.
        Some(side(1)? + side(-1)?)
    }
}

/// A bearing within 0 to under 360 degrees.
pub fn wrapped(degrees: f64) -> f64 {
    let wrapped = degrees.rem_euclid(360.0);
    // rem_euclid of a tiny negative number gives 360.
    if wrapped >= 360.0 { 0.0 } else { wrapped }
}

/// The way from one bearing to another, clockwise positive, −180 to under 180 degrees.
pub fn turn_between(from_deg: f64, to_deg: f64) -> f64 {
    (to_deg - from_deg + 180.0).rem_euclid(360.0) - 180.0
}

/// Index of the greatest value.
pub(super) fn highest(curve: &[f64]) -> usize {
    let better = |best: usize, n: usize| if curve[n] > curve[best] { n } else { best };
    (0..curve.len()).fold(0, better)
}

/// Index of the least value.
pub(super) fn lowest(curve: &[f64]) -> usize {
    let better = |best: usize, n: usize| if curve[n] < curve[best] { n } else { best };
    (0..curve.len()).fold(0, better)
}

/// The local maximum that climbing from `place` leads to.
pub(super) fn climb(curve: &[f64], place: usize) -> usize {
    let length = curve.len();
    let mut now = place;
    // A closed curve of so many places has been climbed after as many steps.
    for _ in 0..length {
        let (before, after) = (
            curve[(now + length - 1) % length],
            curve[(now + 1) % length],
        );
        if after > curve[now] && after >= before {
            now = (now + 1) % length
        } else if before > curve[now] {
            now = (now + length - 1) % length
        } else {
            break;
        }
    }
    now
}

/// Local maxima of a closed curve, the highest first.
pub(super) fn tops(curve: &[f64]) -> Vec<usize> {
    let length = curve.len();
    let mut found: Vec<usize> = (0..length)
        .filter(|&n| {
            curve[n] > curve[(n + length - 1) % length] && curve[n] >= curve[(n + 1) % length]
        })
        .collect();
    found.sort_by(|&a, &b| curve[b].total_cmp(&curve[a]));
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_series_is_the_sum_of_its_harmonics() {
        let series = Series(vec![1.0, 0.3, -0.2, 0.05, 0.4]);
        for degrees in [0.0, 17.0, 123.4, 359.0] {
            let (one, two) = (f64::to_radians(degrees), f64::to_radians(2.0 * degrees));
            let slow = 1.0 + 0.3 * one.cos() - 0.2 * one.sin() + 0.05 * two.cos() + 0.4 * two.sin();
            assert!((series.at(degrees) - slow).abs() < 1e-12);
        }
        let curve = Grid::new(2).curve(&series);
        assert!((curve[7] - series.at(14.0)).abs() < 1e-12);
    }

    /// 1 + cos(β − 359.3°) has its top there and falls to a half at 90° on either side.
    #[test]
    fn tops_and_half_power_points_are_found_across_north() {
        let turned = f64::to_radians(359.3);
        let series = Series(vec![1.0, turned.cos(), turned.sin()]);
        let curve = Grid::new(1).curve(&series);
        let top = series.top_near(climb(&curve, 60));
        assert!(turn_between(359.3, top).abs() < 1e-3, "{top}");
        let width = series.half_power_width(&curve, top).unwrap();
        assert!((width - 180.0).abs() < 1e-3, "{width}");
        assert_eq!(
            Series(vec![1.0, 0.2, 0.0]).half_power_width(&[1.0; GRID], 0.0),
            None
        );
    }

    #[test]
    fn bearings_are_wrapped_and_differ_by_the_shorter_way() {
        assert_eq!(
            (wrapped(-30.0), wrapped(360.0), wrapped(-1e-20)),
            (330.0, 0.0, 0.0)
        );
        assert_eq!(turn_between(350.0, 10.0), 20.0);
        assert_eq!(turn_between(10.0, 350.0), -20.0);
    }
}
