//! By power or by pilot: which of the two tells more of a channel, and how far a pilot stands for its channel.
//!
//! # Which of the two
//!
//! Power is limited by the noise that is subtracted from it: at a C/N of −12 dB, 1 % of noise is 16 % of signal.
//! The pilot of the same channel stands 22 dB above the noise in its own few hundred hertz, but it is one
//! frequency, and fades by itself. So the two are compared by the standard uncertainty that is *foreseen* for the
//! difference: from their errors and the level at which the pilot says that the channel is, never by which of them
//! gives the larger difference. Taking that level from the power instead would make the choice hang on the power's
//! own errors: it would be believed where chance had lifted it. For the same reason it is the mean of both
//! antennas' levels, and a difference of up to 6 dB between them is taken for none: power would otherwise be given
//! up just where fading made the weaker antenna's pilot seem weaker still (measured: 1.6 dB too much in the mean,
//! at the C/N at which both methods are as good). Whether levels are strong, as statistics go, doesn't decide here:
//! without a terminated take a power may be fifteen standard errors above zero and still rest on a noise that
//! nobody measured. The noise's type B part counts in full for each antenna, though one terminated take served
//! both: the receiver drifts between that and each of theirs.
//!
//! A pilot that the channel's own power contradicts is not used: it is in a notch, or something else stands on it. Both
//! must fail to meet within three standard uncertainties each, so that this is no second choice by outcome.
//!
//! # How far it stands for the channel
//!
//! [`Options::selective_fading_db`](super::Options::selective_fading_db) is assumed. Channels that are well known
//! by power and by pilot show what it is at this spot with these antennas: the pilots' difference less the powers',
//! which should be nothing. With at least [`ENOUGH`] of them their rms counts where it is larger than the
//! assumption. It is not believed where it is smaller: weaker stations come by worse paths.
//!
//! With linear powers it can't stand beside the other rows as if it were small: 1 dB is a quarter of a level, and to first
//! order it makes an interval of ±2 dB one of ±2.7 dB, and one of ±4.4 dB open. There the hypothesis is tested at the most
//! likely fading, [`SelectiveFading::most_likely`].

use std::f64::consts::LN_10;

use super::blocks::Antenna;
use super::budget::{BudgetRow, Evaluation};
use super::levels::{Design, Level};
use crate::reading::pilot::PILOT_OVER_TOTAL_DB;
use crate::statistics::{normal_upper_quantile, normal_upper_tail};

/// Fewer channels than these say too little of selective fading.
const ENOUGH: usize = 5;
/// Levels are well known within this share of themselves, 0.2 dB.
const WELL_KNOWN: f64 = 0.05;
/// Pilot and power contradict each other where they don't meet within so many standard uncertainties of each.
const APART: f64 = 3.0;
/// Antennas whose pilots differ by less than this, 6 dB, are taken for equally strong when methods are compared.
const ALIKE: f64 = 4.0;
/// Fadings are tried up to so many standard uncertainties, in so many steps on either side.
const FARTHEST: f64 = 6.0;
const STEPS: i32 = 12;
/// Smaller probabilities are all the same: 37 standard deviations.
const LEAST_PROBABILITY: f64 = 1e-300;
/// How the row of selective fading begins.
pub(super) const STANDS_FOR_CHANNEL: &str = "pilot stands for the channel";

/// How far the difference of two pilots may be off that of their channels.
#[derive(Debug, Clone, Copy)]
pub(super) struct SelectiveFading {
    /// Standard uncertainty in dB.
    pub db: f64,
    /// How many channels show it; 0 where it is assumed.
    channels: usize,
}

impl SelectiveFading {
    /// What is assumed, or more where these channels, each by power and by pilot, show more. They must be [`well_known`] by
    /// both, and every level above zero.
    pub fn pool<'d, 't: 'd>(
        assumed_db: f64,
        known: impl IntoIterator<Item = (&'d Design<'t>, &'d Design<'t>)>,
    ) -> SelectiveFading {
        let squares: Vec<f64> = known
            .into_iter()
            .map(|(power, pilot)| (pilot.difference_db() - power.difference_db()).powi(2))
            .collect();
        let assumed = SelectiveFading {
            db: assumed_db,
            channels: 0,
        };
        if squares.len() < ENOUGH {
            return assumed;
        }
        // The next error is Student t by this rms with n degrees of freedom; its variance is n/(n − 2) times the rms².
        let freedom = squares.len() as f64;
        let db = (squares.iter().sum::<f64>() / (freedom - 2.0)).sqrt();
        if db > assumed_db {
            SelectiveFading {
                db,
                channels: squares.len(),
            }
        } else {
            assumed
        }
    }

    /// The two-sided probability of what was seen, at the fading that explains it best: the square of its normal deviate is
    /// the least sum of that of a fading and that of the levels, `probability`, if the pilots' difference were by so many
    /// dB larger than the channels' (the profile of a likelihood). Where either is alone, that is its own probability.
    pub fn most_likely(&self, probability: impl Fn(f64) -> f64) -> f64 {
        if self.db <= 0.0 {
            return probability(0.0);
        }
        let deviate = |db: f64| normal_upper_quantile(probability(db).max(LEAST_PROBABILITY) / 2.0);
        let square = |fading: f64| fading.powi(2) + deviate(fading * self.db).powi(2);
        let coarse = |step: i32| f64::from(step) * FARTHEST / f64::from(STEPS);
        let squares: Vec<f64> = (-STEPS..=STEPS).map(|step| square(coarse(step))).collect();
        let lowest = (-STEPS..=STEPS)
            .zip(&squares)
            .min_by(|one, two| one.1.total_cmp(two.1))
            .map_or(0, |one| one.0);
        let least = golden_section(square, coarse(lowest - 1), coarse(lowest + 1));
        2.0 * normal_upper_tail(least.sqrt())
    }

    pub fn row(&self) -> BudgetRow {
        let by = if self.channels > 0 {
            format!(", as {} stronger channels show", self.channels)
        } else {
            ", assumed".to_string()
        };
        let source = format!("{STANDS_FOR_CHANNEL} (selective fading{by})");
        BudgetRow::new(source, Evaluation::B, self.db, f64::INFINITY, 1.0)
    }
}

/// The least value of a function between two ends, by golden section to 1e-9 of the stretch.
fn golden_section(of: impl Fn(f64) -> f64, mut low: f64, mut high: f64) -> f64 {
    let share = (5f64.sqrt() - 1.0) / 2.0;
    let (mut left, mut right) = (high - share * (high - low), low + share * (high - low));
    let (mut at_left, mut at_right) = (of(left), of(right));
    for _ in 0..43 {
        if at_left < at_right {
            (high, right, at_right) = (right, left, at_left);
            left = high - share * (high - low);
            at_left = of(left);
        } else {
            (low, left, at_left) = (left, right, at_right);
            right = low + share * (high - low);
            at_right = of(right);
        }
    }
    at_left.min(at_right)
}

/// Power of the whole channel over its pilot's, for the covered part.
fn channel_over_pilot(design: &Design, antenna: Antenna) -> f64 {
    10f64.powf(-PILOT_OVER_TOTAL_DB / 10.0) * design.mean(antenna, |level| level.reading.covered)
}

/// Standard uncertainty of an antenna's mean level, linear: statistics, and the noise that was subtracted.
fn error(design: &Design, antenna: Antenna) -> f64 {
    let statistics: f64 = (design.weighted())
        .filter(|one| one.0 == antenna)
        .map(|(_, weight, level)| (weight * level.signal_error()).powi(2))
        .sum();
    statistics
        .sqrt()
        .hypot(design.mean(antenna, Level::subtracted_type_b))
}

/// Whether both antennas' levels are known so well that power and pilot can be held against each other.
pub(super) fn well_known(design: &Design) -> bool {
    [Antenna::A, Antenna::B].into_iter().all(|antenna| {
        error(design, antenna) <= WELL_KNOWN * design.mean(antenna, |level| level.signal)
    })
}

/// Whether the difference is foreseen to be better known by pilot than by power.
pub(super) fn tells_more(power: &Design, pilot: &Design, selective: SelectiveFading) -> bool {
    let expected = expected_pilots(pilot);
    let foreseen_db = |design: &Design, over_pilot: fn(&Design, Antenna) -> f64| {
        let relative = |(antenna, level): (Antenna, f64)| {
            error(design, antenna) / (over_pilot(design, antenna) * level)
        };
        let [a, b] = expected.map(relative);
        10.0 / LN_10 * a.hypot(b)
    };
    let by_pilot_db = foreseen_db(pilot, |_, _| 1.0).hypot(selective.db);
    by_pilot_db < foreseen_db(power, channel_over_pilot)
}

/// The pilots' levels at which methods are compared: their geometric mean, and of their ratio only what exceeds
/// [`ALIKE`]. Where one is not above zero, the other's for both.
fn expected_pilots(pilot: &Design) -> [(Antenna, f64); 2] {
    let [a, b] = [Antenna::A, Antenna::B].map(|x| pilot.mean(x, |level| level.signal));
    let (a, b) = if a > 0.0 && b > 0.0 {
        let ratio = a / b;
        let beyond = (ratio / ratio.clamp(1.0 / ALIKE, ALIKE)).sqrt();
        let mean = (a * b).sqrt();
        (mean * beyond, mean / beyond)
    } else {
        let larger = a.max(b).max(f64::MIN_POSITIVE);
        (larger, larger)
    };
    [(Antenna::A, a), (Antenna::B, b)]
}

/// Whether power and pilot surely don't belong together, with either antenna.
pub(super) fn contradicts(power: &Design, pilot: &Design, selective: SelectiveFading) -> bool {
    [Antenna::A, Antenna::B].into_iter().any(|antenna| {
        let signal = power.mean(antenna, |level| level.signal);
        let signal_reach = APART * error(power, antenna);
        let whole = channel_over_pilot(power, antenna);
        let expected = whole * pilot.mean(antenna, |level| level.signal);
        let reach = APART * whole * error(pilot, antenna);
        let fading = 10f64.powf(APART * selective.db / 10.0);
        (expected + reach) * fading < signal - signal_reach
            || (expected - reach) / fading > signal + signal_reach
    })
}
