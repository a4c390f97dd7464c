//! How far away each difference is from what was measured, as a table: for differences whose errors follow no simple law.
//!
//! Two such differences are put together by the most likely pair: the square of the normal deviate of `x − y = δ` is the
//! least sum of both squares over all pairs (x, y) that make δ (the profile of a likelihood, as
//! [`SelectiveFading::most_likely`](super::pilot::SelectiveFading::most_likely) has it). For two normal laws that is their
//! sum exactly.

use super::difference::Known;
use crate::statistics::{normal_upper_quantile, normal_upper_tail};

/// Smaller probabilities are all the same: 37 standard deviations.
const LEAST_PROBABILITY: f64 = 1e-300;

/// Normal deviates of the differences on an even grid in dB.
#[derive(Debug, Clone)]
pub(super) struct Curve {
    first_db: f64,
    step_db: f64,
    deviates: Vec<f64>,
    /// Standard uncertainty in dB that comes on top, normal.
    pub fading_db: f64,
}

impl Curve {
    /// From the two-sided probability of what was seen if the difference were so many dB, `reach_db` to either side of a
    /// centre.
    pub fn of(
        (centre_db, reach_db, step_db): (f64, f64, f64),
        fading_db: f64,
        probability: impl Fn(f64) -> f64,
    ) -> Curve {
        let half = (reach_db / step_db).ceil() as usize;
        let first_db = centre_db - half as f64 * step_db;
        let deviates = (0..=2 * half)
            .map(|place| deviate(probability(first_db + place as f64 * step_db)))
            .collect();
        Curve {
            first_db,
            step_db,
            deviates,
            fading_db,
        }
    }

    /// A curve of what is known, whichever way.
    pub fn from(known: &Known) -> Curve {
        match known {
            Known::Curve(curve) => curve.clone(),
            Known::Law { difference_db, law } => {
                let size_db = law.standard_uncertainty().max(1e-6);
                Curve::of((*difference_db, 20.0 * size_db, size_db / 8.0), 0.0, |db| {
                    law.two_sided(db - difference_db)
                })
            }
        }
    }

    /// The deviate at a difference, by straight lines; beyond the table its last one goes on.
    fn at(&self, db: f64) -> f64 {
        let place = (db - self.first_db) / self.step_db;
        let first = (place.floor().max(0.0) as usize).min(self.deviates.len() - 2);
        let [one, two] = [self.deviates[first], self.deviates[first + 1]];
        (one + (two - one) * (place - first as f64)).max(0.0)
    }

    fn grid(&self) -> impl Iterator<Item = f64> {
        (0..self.deviates.len()).map(|place| self.first_db + place as f64 * self.step_db)
    }

    /// The same with a normal error of this standard uncertainty on top.
    fn widened(&self, by_db: f64) -> Curve {
        const STEPS: i32 = 60;
        if by_db <= 0.0 {
            return self.clone();
        }
        let least = |db: f64| {
            (-STEPS..=STEPS)
                .map(|step| f64::from(step) / 10.0)
                .map(|error: f64| self.at(db + error * by_db).powi(2) + error.powi(2))
                .fold(f64::INFINITY, f64::min)
                .sqrt()
        };
        Curve {
            deviates: self.grid().map(least).collect(),
            ..self.clone()
        }
    }
}

fn deviate(probability: f64) -> f64 {
    normal_upper_quantile(probability.clamp(LEAST_PROBABILITY, 1.0) / 2.0)
}

/// The difference of two differences, with a normal error on top.
pub(super) struct Both {
    one: Curve,
    two: Curve,
}

impl Both {
    pub fn new(one: &Known, two: &Known, error_db: f64) -> Both {
        let (one, two) = (Curve::from(one), Curve::from(two));
        let on_top_db = error_db.hypot(one.fading_db).hypot(two.fading_db);
        // What comes on top goes to the coarser of both tables.
        if one.step_db > two.step_db {
            let one = one.widened(on_top_db);
            Both { one, two }
        } else {
            let two = two.widened(on_top_db);
            Both { one, two }
        }
    }

    /// The normal deviate of a difference of so many dB.
    fn deviate(&self, db: f64) -> f64 {
        let square = |x: f64| self.one.at(x).powi(2) + self.two.at(x - db).powi(2);
        let places = self.one.grid().chain(self.two.grid().map(|y| y + db));
        places.map(square).fold(f64::INFINITY, f64::min).sqrt()
    }

    /// The two-sided probability of what was seen if there were no difference.
    pub fn p(&self) -> f64 {
        2.0 * normal_upper_tail(self.deviate(0.0))
    }

    /// The ends of the interval in dB, `None` where there is none within the reach; `best_db` where one is known.
    pub fn interval(&self, best_db: Option<f64>, confidence: f64) -> [Option<f64>; 2] {
        const FAR_DB: f64 = 120.0;
        const COARSE_DB: f64 = 3.0;
        let inside = normal_upper_quantile((1.0 - confidence) / 2.0);
        let best_db = best_db.unwrap_or_else(|| {
            let places = (-30..=30).map(|step| f64::from(step) * COARSE_DB);
            let with = places.map(|db| (db, self.deviate(db)));
            with.min_by(|p, q| p.1.total_cmp(&q.1))
                .map_or(0.0, |best| best.0)
        });
        [-FAR_DB, FAR_DB].map(|far| {
            let (mut within, mut outside) = (best_db, best_db + far);
            if self.deviate(outside) <= inside || self.deviate(within) > inside {
                return None;
            }
            while (outside - within).abs() > 1e-3 {
                let middle = (within + outside) / 2.0;
                if self.deviate(middle) > inside {
                    outside = middle;
                } else {
                    within = middle;
                }
            }
            Some((within + outside) / 2.0)
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::compare::law::ErrorLaw;

    /// Two normal laws and a normal error make a normal law: closed form.
    #[test]
    fn of_two_normal_laws_it_is_their_sum() {
        let law = |difference_db, size_db| Known::Law {
            difference_db,
            law: ErrorLaw::new(0.0, f64::INFINITY, size_db),
        };
        let curve = |db: f64, size: f64| {
            let law = ErrorLaw::new(0.0, f64::INFINITY, size);
            Known::Curve(Curve::of((db, 80.0, 0.1), 0.0, |x| law.two_sided(x - db)))
        };
        let size = 0.2f64.hypot(0.6).hypot(0.5);
        for (one, two) in [
            (law(3.0, 0.2), curve(1.0, 0.6)),
            (curve(3.0, 0.6), law(1.0, 0.2)),
            (curve(3.0, 0.6), curve(1.0, 0.2)),
        ] {
            let both = Both::new(&one, &two, 0.5);
            let wanted = ErrorLaw::new(0.0, f64::INFINITY, size);
            let p = wanted.two_sided(2.0);
            assert!((both.p() / p - 1.0).abs() < 0.05, "{} for {p}", both.p());
            let half = wanted.half_width(0.95);
            for (end, wanted) in both
                .interval(Some(2.0), 0.95)
                .into_iter()
                .zip([2.0 - half, 2.0 + half])
            {
                let end = end.expect("an end");
                assert!((end - wanted).abs() < 0.03, "{end} for {wanted}");
            }
        }
    }
}
