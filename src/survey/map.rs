//! A smooth map of a level over a floor, from the places where it was measured, and where to try next.
//!
//! The level is a constant plus a Gaussian process: C. E. Rasmussen and C. K. I. Williams, Gaussian Processes for Machine
//! Learning (2006), algorithm 2.1, with the constant by generalized least squares (their section 2.7).
//! - *Covariance*: Matérn with ν = 3/2, σ²·(1 + √3·r/ℓ)·exp(−√3·r/ℓ) (their equation 4.17). What a room's walls, doors and
//!   furniture do to a level changes within a step but without jumps: shadowing is commonly taken to fall off as exp(−r/ℓ)
//!   (Gudmundson, Electronics Letters 27, 1991, from memory), which is rougher, and the squared exponential is smoother than
//!   any room.
//! - *Noise*: each spot's own variance, plus a nugget. Waves half a wavelength apart (30 cm at 500 MHz) are closer together than
//!   spots, so that they are noise to the map, which shows the slow part alone.
//! - σ, ℓ and the nugget are those of the largest marginal likelihood (their equation 2.45) on a bounded grid, refined by a
//!   pattern search: the same points always give the same map. Beyond [`FITTED_ON`] points, these three come from so many of
//!   them, spread out; the map itself always rests on all.

use std::f64::consts::{PI, SQRT_2};

use nalgebra::{Cholesky, DMatrix, DVector, Dyn};
use serde::Serialize;

use super::spots::db;
use crate::statistics::{Moments, normal_upper_tail};

/// So many distinct places are needed at least.
pub const LEAST_PLACES: usize = 6;
/// On so many points at most the three parameters are fitted.
pub const FITTED_ON: usize = 60;
/// Places closer than this are one place.
const SAME_PLACE_M: f64 = 0.01;
/// Nearer to a measured place than this nothing is proposed: half a wavelength at 500 MHz.
const TOO_NEAR_M: f64 = 0.3;
/// Least standard uncertainty of a point, in dB: no spot is known better, and the matrix stays well conditioned.
const LEAST_UNCERTAINTY_DB: f64 = 0.05;

/// A normal value lies within so many standard deviations with 95 %.
const NORMAL_95: f64 = 1.96;

/// A level measured at a place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// Metres to the right.
    pub x_m: f64,
    /// Metres up.
    pub y_m: f64,
    /// The level in dB.
    pub value_db: f64,
    /// Its standard uncertainty in dB.
    pub standard_uncertainty_db: f64,
}

/// Why there is no map.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum MapError {
    /// Too few places.
    #[error(
        "a map needs {LEAST_PLACES} spots at different positions with a figure, and there are {places}"
    )]
    TooFew {
        /// Distinct places with a figure.
        places: usize,
    },
    /// A figure or a position that is not finite, or a negative uncertainty.
    #[error("a point of the map at {x_m}, {y_m} m has {what} {value}: it can't be drawn up")]
    BadPoint {
        /// Metres to the right.
        x_m: f64,
        /// Metres up.
        y_m: f64,
        /// What is wrong.
        what: &'static str,
        /// Its value.
        value: f64,
    },
    /// The covariance can't be inverted.
    #[error(
        "the map's equations can't be solved: positions or uncertainties differ too widely in size"
    )]
    Singular,
}

/// What is fitted.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Parameters {
    /// Standard deviation, in dB, of the level over the floor.
    pub deviation_db: f64,
    /// Length ℓ, in metres, over which the level stays alike.
    pub length_m: f64,
    /// Standard deviation, in dB, of what is no smooth part of the map and not in the spots' uncertainties.
    pub nugget_db: f64,
}

/// The level at a place.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Prediction {
    /// Expected level in dB.
    pub mean_db: f64,
    /// Its standard deviation in dB, that of the constant included; without the nugget.
    pub standard_deviation_db: f64,
}

/// A place to try next.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct NextPlace {
    /// Metres to the right.
    pub x_m: f64,
    /// Metres up.
    pub y_m: f64,
    /// Expected level in dB.
    pub mean_db: f64,
    /// Its standard deviation in dB.
    pub standard_deviation_db: f64,
    /// By how much it is expected to beat the best measured place, counting 0 where it doesn't, in dB.
    pub expected_improvement_db: f64,
    /// Probability that it beats the best measured place.
    pub chance: f64,
    /// Distance in metres to the nearest measured place.
    pub nearest_m: f64,
    /// Why, in words.
    pub reason: String,
}

/// A map.
#[derive(Debug, Clone)]
pub struct Map {
    points: Vec<Point>,
    parameters: Parameters,
    solved: Solved,
}

/// The equations of a map, solved: K = LLᵀ is the covariance of the points with their noise, H a column of ones.
#[derive(Debug, Clone)]
struct Solved {
    factor: Cholesky<f64, Dyn>,
    mean_db: f64,
    /// A = HᵀK⁻¹H.
    weight: f64,
    /// K⁻¹H.
    ones: DVector<f64>,
    /// K⁻¹(y − H·mean).
    weights: DVector<f64>,
    log_likelihood: f64,
}

fn distance(one: (f64, f64), other: (f64, f64)) -> f64 {
    (one.0 - other.0).hypot(one.1 - other.1)
}

impl Point {
    fn place(&self) -> (f64, f64) {
        (self.x_m, self.y_m)
    }
}

impl Parameters {
    /// Covariance at a distance. Source: Rasmussen & Williams, equation 4.17.
    fn covariance(&self, distance_m: f64) -> f64 {
        let scaled = 3f64.sqrt() * distance_m / self.length_m;
        self.deviation_db * self.deviation_db * (1.0 + scaled) * (-scaled).exp()
    }
}

impl Solved {
    /// Algorithm 2.1 and equations 2.42 and 2.45 of Rasmussen & Williams, with H a column of ones; `None` where K is not
    /// positive definite.
    fn of(points: &[Point], parameters: &Parameters) -> Option<Solved> {
        let count = points.len();
        let covariance = DMatrix::from_fn(count, count, |row, column| {
            let apart = distance(points[row].place(), points[column].place());
            let noise = if row == column {
                points[row].standard_uncertainty_db.powi(2) + parameters.nugget_db.powi(2)
            } else {
                0.0
            };
            parameters.covariance(apart) + noise
        });
        let factor = covariance.cholesky()?;
        let values = DVector::from_iterator(count, points.iter().map(|point| point.value_db));
        let ones = factor.solve(&DVector::repeat(count, 1.0));
        let weight = ones.sum();
        let mean_db = ones.dot(&values) / weight;
        let residuals = values.add_scalar(-mean_db);
        let weights = factor.solve(&residuals);
        let half_determinant: f64 = factor.l_dirty().diagonal().iter().map(|d| d.ln()).sum();
        // (y − Hβ)ᵀK⁻¹(y − Hβ) is yᵀK⁻¹y − yᵀCy.
        let log_likelihood = -0.5 * residuals.dot(&weights)
            - half_determinant
            - 0.5 * weight.ln()
            - 0.5 * (count as f64 - 1.0) * (2.0 * PI).ln();
        let sound = log_likelihood.is_finite() && weight > 0.0;
        sound.then_some(Solved {
            factor,
            mean_db,
            weight,
            ones,
            weights,
            log_likelihood,
        })
    }
}

impl Map {
    /// The map of these points, its parameters fitted.
    ///
    /// # Errors
    /// [`MapError`].
    pub fn fit(points: &[Point]) -> Result<Map, MapError> {
        let points = checked(points)?;
        let parameters = fitted(&spread_out(&points)).ok_or(MapError::Singular)?;
        Map::solve(points, parameters)
    }

    /// The map of these points with given parameters.
    ///
    /// # Errors
    /// [`MapError`].
    pub fn with(points: &[Point], parameters: Parameters) -> Result<Map, MapError> {
        Map::solve(checked(points)?, parameters)
    }

    fn solve(points: Vec<Point>, parameters: Parameters) -> Result<Map, MapError> {
        let solved = Solved::of(&points, &parameters).ok_or(MapError::Singular)?;
        Ok(Map {
            points,
            parameters,
            solved,
        })
    }

    /// What was fitted.
    pub fn parameters(&self) -> Parameters {
        self.parameters
    }

    /// The constant that the level goes back to far from all points, in dB.
    pub fn mean_db(&self) -> f64 {
        self.solved.mean_db
    }

    /// Natural logarithm of the marginal likelihood, the constant's prior vague.
    pub fn log_marginal_likelihood(&self) -> f64 {
        self.solved.log_likelihood
    }

    /// The level at places (metres right and up), in their order.
    ///
    /// Source: Rasmussen & Williams, equations 2.25, 2.26 and, for the constant, 2.42.
    pub fn at(&self, places: &[(f64, f64)]) -> Vec<Prediction> {
        let solved = &self.solved;
        let cross = DMatrix::from_fn(self.points.len(), places.len(), |row, column| {
            let apart = distance(self.points[row].place(), places[column]);
            self.parameters.covariance(apart)
        });
        let mut known = cross.clone();
        // L is regular: the factorisation succeeded.
        solved
            .factor
            .l_dirty()
            .solve_lower_triangular_mut(&mut known);
        let prediction = |(cross, known): (_, nalgebra::DVectorView<f64>)| {
            let cross: nalgebra::DVectorView<f64> = cross;
            let rest = 1.0 - solved.ones.dot(&cross);
            let variance = self.parameters.covariance(0.0) - known.norm_squared()
                + rest * rest / solved.weight;
            Prediction {
                mean_db: solved.mean_db + solved.weights.dot(&cross),
                standard_deviation_db: variance.max(0.0).sqrt(),
            }
        };
        cross
            .column_iter()
            .zip(known.column_iter())
            .map(prediction)
            .collect()
    }

    /// The most promising of these places: that of the largest expected improvement over the best measured place; `None`
    /// where all lie next to measured ones.
    ///
    /// EI = (μ − b)·Φ(z) + σ·φ(z), z = (μ − b)/σ; b is the largest expected level of the map at a measured place, so that a
    /// lucky take is not what has to be beaten. Source: D. R. Jones, M. Schonlau and W. J. Welch, Journal of Global
    /// Optimization 13 (1998), equation 15, from memory.
    pub fn next_place(&self, places: &[(f64, f64)]) -> Option<NextPlace> {
        let measured: Vec<(f64, f64)> = self.points.iter().map(Point::place).collect();
        let best_db = self
            .at(&measured)
            .iter()
            .map(|one| one.mean_db)
            .reduce(f64::max)?;
        let nearest = |place: (f64, f64)| {
            let apart = measured.iter().map(|&there| distance(place, there));
            apart.fold(f64::INFINITY, f64::min)
        };
        let free: Vec<(f64, f64)> = places
            .iter()
            .copied()
            .filter(|&place| nearest(place) >= TOO_NEAR_M)
            .collect();
        let gains = self.at(&free).into_iter().map(|one| {
            let gap = one.mean_db - best_db;
            (expected_improvement(gap, one.standard_deviation_db), one)
        });
        let ((gain, one), place) = gains
            .zip(free)
            .reduce(|best, other| if other.0.0 > best.0.0 { other } else { best })?;
        let chance = normal_upper_tail((best_db - one.mean_db) / one.standard_deviation_db);
        let nearest_m = nearest(place);
        Some(NextPlace {
            x_m: place.0,
            y_m: place.1,
            mean_db: one.mean_db,
            standard_deviation_db: one.standard_deviation_db,
            expected_improvement_db: gain,
            chance,
            nearest_m,
            reason: self.reason(&one, best_db, chance, nearest_m),
        })
    }

    fn reason(&self, one: &Prediction, best_db: f64, chance: f64, nearest_m: f64) -> String {
        let half = NORMAL_95 * one.standard_deviation_db;
        let expected = format!(
            "{} to {} is expected there (95 %), and the best measured place has {}: a chance of {:.0} % to beat it",
            db(one.mean_db - half),
            db(one.mean_db + half),
            db(best_db),
            100.0 * chance
        );
        if one.mean_db >= best_db {
            format!("{expected}; the level rises that way")
        } else {
            format!("{expected}; nothing is measured within {nearest_m:.1} m")
        }
    }
}

/// Expected improvement by a normal level whose mean lies `gap` above the best.
fn expected_improvement(gap: f64, deviation: f64) -> f64 {
    if deviation <= 0.0 {
        return gap.max(0.0);
    }
    let z = gap / deviation;
    let density = (-z * z / 2.0).exp() / (SQRT_2 * PI.sqrt());
    gap * normal_upper_tail(-z) + deviation * density
}

/// The points, their uncertainties no less than the least.
fn checked(points: &[Point]) -> Result<Vec<Point>, MapError> {
    for point in points {
        let Point { x_m, y_m, .. } = *point;
        let bad = |what, value| MapError::BadPoint {
            x_m,
            y_m,
            what,
            value,
        };
        for (what, value) in [("x", x_m), ("y", y_m), ("the level", point.value_db)] {
            if !value.is_finite() {
                return Err(bad(what, value));
            }
        }
        let uncertainty = point.standard_uncertainty_db;
        if !(0.0..f64::INFINITY).contains(&uncertainty) {
            return Err(bad("the uncertainty", uncertainty));
        }
    }
    let mut places: Vec<(f64, f64)> = Vec::new();
    for point in points {
        if places
            .iter()
            .all(|&there| distance(there, point.place()) > SAME_PLACE_M)
        {
            places.push(point.place());
        }
    }
    if places.len() < LEAST_PLACES {
        return Err(MapError::TooFew {
            places: places.len(),
        });
    }
    let least = |point: &Point| Point {
        standard_uncertainty_db: point.standard_uncertainty_db.max(LEAST_UNCERTAINTY_DB),
        ..*point
    };
    Ok(points.iter().map(least).collect())
}

/// At most [`FITTED_ON`] of the points: the first, and each next one the farthest from those chosen.
fn spread_out(points: &[Point]) -> Vec<Point> {
    let mut apart = vec![f64::INFINITY; points.len()];
    let mut chosen = Vec::new();
    let mut next = 0;
    while chosen.len() < FITTED_ON.min(points.len()) {
        chosen.push(points[next]);
        apart[next] = -1.0;
        for (apart, point) in apart.iter_mut().zip(points) {
            *apart = apart.min(distance(points[next].place(), point.place()));
        }
        next = (0..points.len()).fold(0, |far, n| if apart[n] > apart[far] { n } else { far });
    }
    chosen
}

/// The parameters of the largest marginal likelihood within bounds: lengths from half the usual distance of neighbours to
/// twice the whole, deviations from 0.1 dB to three times that of the values, nuggets up to that of the values.
fn fitted(points: &[Point]) -> Option<Parameters> {
    let values: Vec<f64> = points.iter().map(|point| point.value_db).collect();
    let deviation = Moments::of(&values)?.standard_deviation.max(0.1);
    let apart = |one: &Point| -> Vec<f64> {
        let others = points
            .iter()
            .map(|other| distance(one.place(), other.place()));
        others.filter(|&apart| apart > SAME_PLACE_M).collect()
    };
    let nearest = |one| apart(one).into_iter().reduce(f64::min);
    let neighbours: Vec<f64> = points.iter().filter_map(nearest).collect();
    let across = points.iter().flat_map(apart).fold(0.0, f64::max);
    let near = crate::statistics::median(&neighbours)?;
    let bounds = [
        (0.1, 3.0 * deviation),
        (near / 2.0, 2.0 * across),
        (0.02, deviation),
    ];
    // In logarithms; the ends of a range may coincide, never cross.
    let bounds = bounds.map(|(low, high): (f64, f64)| (low.ln(), high.max(low).ln()));
    let parameters = |at: [f64; 3]| Parameters {
        deviation_db: at[0].exp(),
        length_m: at[1].exp(),
        nugget_db: at[2].exp(),
    };
    let likelihood = |at: [f64; 3]| {
        Solved::of(points, &parameters(at)).map_or(f64::NEG_INFINITY, |one| one.log_likelihood)
    };
    let (mut best, mut highest) = (bounds.map(|(low, _)| low), f64::NEG_INFINITY);
    let counts = [5, 6, 4];
    let node = |axis: usize, n: usize| {
        let (low, high) = bounds[axis];
        low + (high - low) * n as f64 / (counts[axis] - 1) as f64
    };
    for a in 0..counts[0] {
        for b in 0..counts[1] {
            for c in 0..counts[2] {
                let at = [node(0, a), node(1, b), node(2, c)];
                let height = likelihood(at);
                if height > highest {
                    (best, highest) = (at, height);
                }
            }
        }
    }
    let mut step = 0.5;
    let mut tries = 0;
    while step > 0.01 && tries < 60 {
        tries += 1;
        let mut risen = false;
        for axis in 0..3 {
            for way in [-step, step] {
                let mut at = best;
                at[axis] = (at[axis] + way).clamp(bounds[axis].0, bounds[axis].1);
                let height = likelihood(at);
                if height > highest {
                    (best, highest, risen) = (at, height, true);
                }
            }
        }
        if !risen {
            step /= 2.0;
        }
    }
    highest.is_finite().then(|| parameters(best))
}

/// The floor that a map is drawn over.
#[derive(Debug, Clone, PartialEq)]
pub struct Area {
    /// Left, lower, right and upper end in metres.
    pub ends_m: [f64; 4],
    /// Closed outlines; a place is on the floor where it is inside an odd number of them. None: everywhere.
    pub outlines: Vec<Vec<(f64, f64)>>,
}

impl Area {
    /// Whether a place is on the floor.
    pub fn holds(&self, place: (f64, f64)) -> bool {
        let [left, lower, right, upper] = self.ends_m;
        let within = (left..=right).contains(&place.0) && (lower..=upper).contains(&place.1);
        let crossed = |outline: &&Vec<(f64, f64)>| inside(outline, place);
        let odd = self.outlines.iter().filter(crossed).count() % 2 == 1;
        within && (self.outlines.is_empty() || odd)
    }

    /// The middles of cells that cover the floor, about so many over the whole rectangle, and their width and height in metres:
    /// as nearly square as fits into it.
    pub fn cells(&self, about: usize) -> (Vec<(f64, f64)>, (f64, f64)) {
        let [left, lower, right, upper] = self.ends_m;
        let (width, height) = ((right - left).max(1e-3), (upper - lower).max(1e-3));
        let step = (width * height / about.max(1) as f64).sqrt();
        // Of a long thin floor, at least one row.
        let [columns, rows] =
            [width, height].map(|length| (length / step).round().max(1.0) as usize);
        let (wide, high) = (width / columns as f64, height / rows as f64);
        let middle = |start: f64, n: usize, step: f64| start + (n as f64 + 0.5) * step;
        let places = (0..rows)
            .flat_map(|row| (0..columns).map(move |column| (column, row)))
            .map(|(column, row)| (middle(left, column, wide), middle(lower, row, high)))
            .filter(|&place| self.holds(place))
            .collect();
        (places, (wide, high))
    }
}

/// Whether a ray to the right crosses the outline an odd number of times (even–odd rule, common practice).
fn inside(outline: &[(f64, f64)], (x, y): (f64, f64)) -> bool {
    let edges = outline.iter().zip(outline.iter().cycle().skip(1));
    let crossings = edges.filter(|((x1, y1), (x2, y2))| {
        (*y1 > y) != (*y2 > y) && x < x1 + (y - y1) / (y2 - y1) * (x2 - x1)
    });
    crossings.count() % 2 == 1
}
