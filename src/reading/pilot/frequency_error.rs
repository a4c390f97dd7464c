//! The receiver's frequency error from the pilots of several stations, in parts per million.
//!
//! Sign: a receiver that listens at its nominal frequency times (1 + 41·10⁻⁶) shows every carrier lower in baseband,
//! and its error is +41 ppm. The sample clock is taken to come from the same crystal, as it does in a dongle.
//!
//! Most stations keep their pilot within a few hertz, none need to, and some are set off deliberately by tens of
//! kilohertz. At 500 MHz an error of ±100 ppm is ±50 kHz, so one pilot alone can't tell a deliberate offset from the
//! receiver's error; with three or more the majority decides.
//!
//! Sources: deliberate offsets: ATSC A/64B §5.1.6.1 and former 47 CFR 73.622(g), and for the last ATSC A/64 (from
//! memory); "usually a few hertz, expect within ±1 kHz" is trade practice without a tolerance in the rules. Median and
//! median absolute deviation: P. J. Huber, *Robust Statistics*; 1.4826 and √(π/2) make them agree with the standard
//! deviation and the error of a mean for normal values.

use serde::{Deserialize, Serialize};
use statrs::distribution::{ContinuousCDF, Normal, StudentsT};

/// A pilot seen by the receiver.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PilotOffset {
    /// Where it should stand, in hertz at radio frequency.
    pub nominal_hz: f64,
    /// How far above that it seemed to stand, in hertz.
    pub offset_hz: f64,
    /// Standard error of that, in hertz.
    pub standard_error_hz: f64,
    /// How far above the tuning's centre it seemed to stand, in hertz.
    ///
    /// This part of its frequency is counted by the clock of the samples. In a dongle the crystal that tunes makes that, too,
    /// and is off by the same ppm; in another receiver, or in a recording that was resampled, it need not be off at all. Zero where
    /// it is known to be that crystal.
    pub baseband_hz: f64,
}

/// Why a station's pilot may be away from its nominal place on purpose.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DeliberateOffset {
    /// Offset in hertz.
    pub offset_hz: f64,
    /// How near to it a pilot must be to be called so, in hertz, the receiver's error taken off.
    pub tolerance_hz: f64,
    /// What it is for.
    pub purpose: &'static str,
}

/// Deliberate offsets in use.
///
/// The standards' tolerances (±10 Hz, ±3 Hz) are for the transmitter; here it must cover the error of the ppm as well.
pub const DELIBERATE_OFFSETS: [DeliberateOffset; 4] = [
    DeliberateOffset {
        offset_hz: 19_403.07,
        tolerance_hz: 200.0,
        purpose: "kept apart from a co-channel station",
    },
    DeliberateOffset {
        offset_hz: -19_403.07,
        tolerance_hz: 200.0,
        purpose: "kept apart from a co-channel station",
    },
    DeliberateOffset {
        offset_hz: 22_697.0,
        tolerance_hz: 200.0,
        purpose: "above a lower-adjacent analogue station",
    },
    DeliberateOffset {
        offset_hz: 28_615.0,
        tolerance_hz: 200.0,
        purpose: "beside a co-channel analogue station",
    },
];

/// A pilot that was not averaged in.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OutlyingPilot {
    /// Which of the pilots handed in.
    pub index: usize,
    /// How far it stands above its nominal place once the receiver's error is taken off, in hertz.
    pub residual_hz: f64,
    /// The deliberate offset that this is, if one fits.
    pub deliberate: Option<DeliberateOffset>,
}

/// How the pilots agreed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Agreement {
    /// It rests on one pilot: if its station is set off deliberately, the error is off by as much.
    Single,
    /// The pilots agreed, but for some that are less likely than the others to be at their places.
    Majority,
    /// Different groups of pilots are as likely to be at their places: the interval covers all of them.
    Contested,
}

/// The receiver's frequency error.
#[derive(Debug, Clone, PartialEq)]
pub struct FrequencyError {
    /// Error in parts per million; positive where the receiver listens too high and carriers seem low.
    pub ppm: f64,
    /// Lower end of the 95 % interval in ppm.
    pub low_ppm: f64,
    /// Upper end of the 95 % interval in ppm.
    pub high_ppm: f64,
    /// How many pilots it rests on.
    pub pilots: usize,
    /// How they agreed.
    pub agreement: Agreement,
    /// Pilots left out.
    pub outliers: Vec<OutlyingPilot>,
}

/// How much a pilot at a deliberate offset counts against a group …
const DELIBERATE: f64 = 1.0;

/// … one that nothing explains …
const UNEXPLAINED: f64 = 2.5;

/// … and an error that no dongle has, more than [`LARGEST_PPM`].
const UNBELIEVABLE: f64 = 3.0;

/// A group is decided for where every other has to explain so much more: one station on purpose elsewhere. Few stations are,
/// so that two that are, alike, with a third that is not, are the rarer case by far.
const DECISIVE: f64 = 1.0;

/// The largest error of a dongle that is reckoned with, in ppm, 120 (handbook: 20–100 without compensation, P), and some of a
/// station's.
const LARGEST_PPM: f64 = 125.0;

impl FrequencyError {
    /// How much is left to be explained.
    fn strain(&self) -> f64 {
        let outliers = self.outliers.iter().map(|outlier| match outlier {
            OutlyingPilot {
                deliberate: Some(_),
                ..
            } => DELIBERATE,
            // An ordinary station, only less exact than the others.
            OutlyingPilot { residual_hz, .. } if residual_hz.abs() <= STATION_LIMIT_HZ => 0.0,
            _ => UNEXPLAINED,
        });
        let beyond = if self.ppm.abs() > LARGEST_PPM {
            UNBELIEVABLE
        } else {
            0.0
        };
        outliers.sum::<f64>() + beyond
    }
}

/// Pilots whose errors lie within what ±1 kHz makes of them belong together.
const STATION_LIMIT_HZ: f64 = 1e3;

/// Standard deviation of ordinary stations' pilots in hertz, assumed at least ("usually a few hertz").
const STATION_SPREAD_HZ: f64 = 5.0;

/// A pilot this many robust standard deviations from the centre is left out.
const OUTLYING: f64 = 6.0;

/// The receiver's frequency error from one or more pilots; `None` from none, or where a value is not finite.
///
/// Of the groups of pilots within ±1 kHz of one another the one is taken that leaves least to be explained: a pilot outside
/// it counts once where it is at one of the [`DELIBERATE_OFFSETS`], more where nothing explains it. Within the group the
/// median counts. The interval is that of the median by Student's t, with the spread of the stations never taken as less than
/// 5 Hz; from a single pilot it is ±1 kHz and the measurement's own error. Added to it is that the samples need not be
/// clocked by the crystal that tunes (see [`PilotOffset::baseband_hz`]).
pub fn frequency_error(pilots: &[PilotOffset]) -> Option<FrequencyError> {
    let sensible = |p: &PilotOffset| {
        p.nominal_hz > 0.0
            && p.nominal_hz.is_finite()
            && p.offset_hz.abs() < p.nominal_hz
            && p.standard_error_hz >= 0.0
            && p.baseband_hz.is_finite()
            && p.standard_error_hz.is_finite()
    };
    if pilots.is_empty() || !pilots.iter().all(sensible) {
        return None;
    }
    let mut contenders: Vec<FrequencyError> = groups(pilots)
        .iter()
        .map(|group| centre(pilots, group))
        .collect();
    contenders.sort_by(|a, b| {
        (a.strain().total_cmp(&b.strain())).then(a.ppm.abs().total_cmp(&b.ppm.abs()))
    });
    let least = contenders.first()?.strain();
    contenders.retain(|contender| contender.strain() < least + DECISIVE);
    let low_ppm = contenders
        .iter()
        .map(|c| c.low_ppm)
        .fold(f64::INFINITY, f64::min);
    let high_ppm = contenders
        .iter()
        .map(|c| c.high_ppm)
        .fold(f64::NEG_INFINITY, f64::max);
    let contested = contenders.len() > 1;
    let best = contenders.swap_remove(0);
    let agreement = match (contested, best.pilots) {
        (true, _) => Agreement::Contested,
        (false, 1) => Agreement::Single,
        (false, _) => Agreement::Majority,
    };
    Some(FrequencyError {
        low_ppm,
        high_ppm,
        agreement,
        ..best
    })
}

/// nominal·(1 + e)⁻¹ is where the pilot seems to stand, since the receiver counts with its own crystal.
fn ppm(pilot: &PilotOffset) -> f64 {
    -pilot.offset_hz / (pilot.nominal_hz + pilot.offset_hz) * 1e6
}

/// Maximal runs of pilots, sorted by error, whose ends are within the stations' limit.
fn groups(pilots: &[PilotOffset]) -> Vec<Vec<usize>> {
    let mut order: Vec<usize> = (0..pilots.len()).collect();
    order.sort_by(|&a, &b| ppm(&pilots[a]).total_cmp(&ppm(&pilots[b])));
    let limit = |i: usize| {
        (STATION_LIMIT_HZ + 2.0 * pilots[i].standard_error_hz) / pilots[i].nominal_hz * 1e6
    };
    let mut groups: Vec<Vec<usize>> = Vec::new();
    let mut end = 0;
    for start in 0..order.len() {
        let first = order[start];
        let before = end;
        while end < order.len()
            && ppm(&pilots[order[end]]) - ppm(&pilots[first]) <= limit(first) + limit(order[end])
        {
            end += 1;
        }
        // A run that ends where the last one did is part of it.
        if start == 0 || end > before {
            groups.push(order[start..end].to_vec());
        }
    }
    groups
}

fn centre(pilots: &[PilotOffset], group: &[usize]) -> FrequencyError {
    let values: Vec<f64> = group.iter().map(|&i| ppm(&pilots[i])).collect();
    let about = median(&values);
    let deviations: Vec<f64> = values.iter().map(|v| (v - about).abs()).collect();
    let own = |i: usize| {
        pilots[i].standard_error_hz.hypot(STATION_SPREAD_HZ) / pilots[i].nominal_hz * 1e6
    };
    let spread = 1.4826 * median(&deviations);
    let inside: Vec<usize> = group
        .iter()
        .copied()
        .filter(|&i| {
            group.len() < 3 || (ppm(&pilots[i]) - about).abs() <= OUTLYING * spread.max(own(i))
        })
        .collect();
    let values: Vec<f64> = inside.iter().map(|&i| ppm(&pilots[i])).collect();
    let ppm_error = median(&values);
    let clock_ppm = normal_quantile() * clock(pilots, &inside, ppm_error);
    let half_width_ppm = half_width(pilots, &inside, &values).hypot(clock_ppm);
    let outliers = (0..pilots.len())
        .filter(|i| !inside.contains(i))
        .map(|index| {
            let p = &pilots[index];
            let residual_hz =
                (p.nominal_hz + p.offset_hz) * (1.0 + ppm_error * 1e-6) - p.nominal_hz;
            let fits = |d: &&DeliberateOffset| (residual_hz - d.offset_hz).abs() <= d.tolerance_hz;
            OutlyingPilot {
                index,
                residual_hz,
                deliberate: DELIBERATE_OFFSETS.iter().find(fits).copied(),
            }
        })
        .collect();
    FrequencyError {
        ppm: ppm_error,
        low_ppm: ppm_error - half_width_ppm,
        high_ppm: ppm_error + half_width_ppm,
        pilots: inside.len(),
        agreement: Agreement::Majority,
        outliers,
    }
}

fn normal_quantile() -> f64 {
    Normal::standard().inverse_cdf(0.975)
}

/// Standard uncertainty, in ppm, from not knowing whether the samples' clock is off by the same error: between both cases all
/// is as likely (GUM 4.3.7).
fn clock(pilots: &[PilotOffset], inside: &[usize], ppm_error: f64) -> f64 {
    let share = |i: &usize| pilots[*i].baseband_hz / pilots[*i].nominal_hz;
    let shares: Vec<f64> = inside.iter().map(share).collect();
    (median(&shares) * ppm_error).abs() / 3f64.sqrt()
}

fn half_width(pilots: &[PilotOffset], inside: &[usize], values: &[f64]) -> f64 {
    let n = values.len() as f64;
    let normal = normal_quantile();
    let to_ppm = |i: usize, hz: f64| hz / pilots[i].nominal_hz * 1e6;
    if let [only] = inside {
        return to_ppm(
            *only,
            STATION_LIMIT_HZ + normal * pilots[*only].standard_error_hz,
        );
    }
    // The larger of what the spread shows (with its few degrees of freedom) and what is known beforehand.
    let mean = values.iter().sum::<f64>() / n;
    let shown = (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt();
    let student = StudentsT::new(0.0, 1.0, n - 1.0).map_or(normal, |t| t.inverse_cdf(0.975));
    let known_squares: f64 = inside
        .iter()
        .map(|&i| to_ppm(i, pilots[i].standard_error_hz.hypot(STATION_SPREAD_HZ)).powi(2))
        .sum();
    let known = (known_squares / n).sqrt();
    let median_over_mean = if values.len() > 2 {
        std::f64::consts::FRAC_PI_2.sqrt()
    } else {
        1.0
    };
    (student * shown).max(normal * known) * median_over_mean / n.sqrt()
}

fn median(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let middle = sorted.len() / 2;
    if sorted.len() % 2 == 1 {
        sorted[middle]
    } else {
        (sorted[middle - 1] + sorted[middle]) / 2.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A station set off by `set_off_hz`, seen by a receiver that is `ppm` off.
    fn seen(nominal_hz: f64, set_off_hz: f64, ppm: f64) -> PilotOffset {
        let offset_hz = (nominal_hz + set_off_hz) / (1.0 + ppm * 1e-6) - nominal_hz;
        PilotOffset {
            nominal_hz,
            offset_hz,
            standard_error_hz: 1.0,
            baseband_hz: 0.0,
        }
    }

    fn holds(error: &FrequencyError, ppm: f64) -> bool {
        error.low_ppm <= ppm && ppm <= error.high_ppm
    }

    #[test]
    fn carriers_that_seem_low_mean_a_positive_error() {
        let error =
            frequency_error(&[seen(506.309e6, 0.0, 41.0), seen(524.309e6, 2.0, 41.0)]).unwrap();
        assert!((error.ppm - 41.0).abs() < 0.01, "{error:?}");
        assert_eq!((error.pilots, error.agreement), (2, Agreement::Majority));
        assert!(holds(&error, 41.0));
    }

    #[test]
    fn one_pilot_says_that_it_is_alone_and_doubts_the_station() {
        let error = frequency_error(&[seen(500e6, 900.0, -30.0)]).unwrap();
        assert_eq!((error.pilots, error.agreement), (1, Agreement::Single));
        assert!(holds(&error, -30.0), "{error:?}");
    }

    #[test]
    fn stations_set_off_deliberately_are_listed_and_not_averaged_in() {
        for ppm in [-95.0, 0.0, 41.0, 100.0] {
            let pilots = [
                seen(482.3e6, 19_403.07, ppm),
                seen(500.3e6, 3.0, ppm),
                seen(530.3e6, 22_697.0, ppm),
                seen(590.3e6, -4.0, ppm),
                seen(560.3e6, 28_615.0, ppm),
                seen(578.3e6, 700.0, ppm),
                seen(572.3e6, 1.0, ppm),
            ];
            let error = frequency_error(&pilots).unwrap();
            assert!((error.ppm - ppm).abs() < 0.02, "{error:?}");
            let listed: Vec<_> = error
                .outliers
                .iter()
                .map(|o| (o.index, o.deliberate.map(|d| d.offset_hz)))
                .collect();
            assert_eq!(
                listed,
                [
                    (0, Some(19_403.07)),
                    (2, Some(22_697.0)),
                    (4, Some(28_615.0)),
                    (5, None)
                ]
            );
            assert!((error.outliers[3].residual_hz - 700.0).abs() < 10.0);
            assert!(
                holds(&error, ppm) && error.high_ppm - error.low_ppm < 0.2,
                "{error:?}"
            );
        }
    }

    #[test]
    fn a_majority_set_off_alike_does_not_outvote_what_explains_it() {
        // Offsets out of ATSC A/64 (handbook, section 2): whichever station is taken to be at its place, the others must be
        // at one of them. Two that stand +28.6 kHz off, alike, would make the third stand −28.6 kHz off, which none does;
        // four of ten at +19.4 kHz would leave two stations unexplained; and the last error but one would be −137 ppm.
        let cases: [(f64, &[(f64, f64)]); 3] = [
            (
                0.0,
                &[(476.3e6, 0.0), (590.3e6, 28_614.0), (596.3e6, 28_615.0)],
            ),
            (
                -100.0,
                &[(82.3e6, 3.0), (530.3e6, 19_407.0), (590.3e6, 22_694.0)],
            ),
            (
                97.0,
                &[
                    (76.3e6, 6.0),
                    (476.3e6, 0.0),
                    (500.3e6, 19_408.0),
                    (506.3e6, 19_397.0),
                    (518.3e6, 19_406.0),
                    (524.3e6, -3.0),
                    (542.3e6, 19_404.0),
                    (548.3e6, -4.0),
                    (560.3e6, 28_615.0),
                    (578.3e6, 22_698.0),
                ],
            ),
        ];
        for (ppm, stations) in cases {
            let pilots: Vec<PilotOffset> = stations
                .iter()
                .map(|&(nominal_hz, set_off_hz)| seen(nominal_hz, set_off_hz, ppm))
                .collect();
            let error = frequency_error(&pilots).unwrap();
            assert!((error.ppm - ppm).abs() < 0.3, "{error:?}");
            assert!(holds(&error, ppm), "{error:?}");
            let off = stations
                .iter()
                .filter(|(_, set_off_hz)| set_off_hz.abs() > 1e3)
                .count();
            assert_eq!(error.outliers.len(), off);
        }
    }

    #[test]
    fn two_pilots_that_disagree_are_contested_and_the_interval_covers_both() {
        // 5 kHz is no offset in use: either may be at its place.
        let error = frequency_error(&[seen(500e6, 5_000.0, 10.0), seen(530e6, 0.0, 10.0)]).unwrap();
        assert_eq!(error.agreement, Agreement::Contested);
        assert!(
            holds(&error, 10.0) && error.high_ppm - error.low_ppm > 10.0,
            "{error:?}"
        );
    }

    #[test]
    fn of_two_pilots_the_one_that_explains_the_other_is_at_its_place() {
        // Were the first at its place, the second would stand 530/500 · 19.4 kHz = 20.6 kHz low, which no station does.
        let error =
            frequency_error(&[seen(500e6, 19_403.07, 10.0), seen(530e6, 0.0, 10.0)]).unwrap();
        assert_eq!((error.pilots, error.agreement), (1, Agreement::Single));
        assert!(
            (error.ppm - 10.0).abs() < 0.1 && holds(&error, 10.0),
            "{error:?}"
        );
        let [outlier] = error.outliers[..] else {
            panic!("{error:?}");
        };
        assert_eq!(
            outlier.deliberate.map(|offset| offset.offset_hz),
            Some(19_403.07)
        );
    }

    #[test]
    fn an_interval_from_a_few_ordinary_stations_is_neither_blind_nor_boundless() {
        // Offsets of 1000 seeded families of 2 to 6 stations, normal with 8 Hz: the truth is inside in 95 % or more.
        use rand::SeedableRng;
        use rand_distr::{Distribution, Normal as NormalValues};
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(7);
        let station = NormalValues::new(0.0, 8.0).unwrap();
        for n in 2..=6u32 {
            let inside = (0..1000)
                .filter(|_| {
                    let pilots: Vec<_> = (0..n)
                        .map(|k| seen(480e6 + 12e6 * f64::from(k), station.sample(&mut rng), 25.0))
                        .collect();
                    holds(&frequency_error(&pilots).unwrap(), 25.0)
                })
                .count();
            // 3 standard deviations of a count of 1000 at 95 % are 21; six pilots' outlier rule costs a little.
            assert!(inside >= 925, "{n} pilots: {inside} of 1000");
        }
    }

    #[test]
    fn nothing_comes_of_no_pilots_or_of_nonsense() {
        assert_eq!(frequency_error(&[]), None);
        let p = PilotOffset {
            nominal_hz: 500e6,
            offset_hz: f64::NAN,
            standard_error_hz: 1.0,
            baseband_hz: 0.0,
        };
        assert_eq!(frequency_error(&[p]), None);
    }
}
