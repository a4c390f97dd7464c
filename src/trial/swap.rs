//! Whether a take looks like the other antenna: a swap forgotten.
//!
//! A take's levels, channel by channel in dB, are held against the means of the earlier takes of either antenna on the
//! same receiver. If the take is of the antenna with mean m over n takes, its residuals x − m are normal: in each channel
//! with variance (u² + s²)·(1 + 1/n), where u is the unsteadiness between takes and s the statistical error, and over all
//! channels together with variance (u² + w²)·(1 + 1/n) more: w is one mating of a connector, and drift moves all channels
//! alike. The covariance is a diagonal plus
//! a constant, so that its inverse and determinant are closed (Sherman and Morrison, Annals of Mathematical Statistics 21,
//! 1950; the matrix determinant lemma). The ratio of the two likelihoods decides: a doubt is raised where the other antenna
//! is [`ODDS`] times as likely (Neyman and Pearson's test).
//!
//! u is [`UNSTEADINESS_DB`], or what the repeats in the earlier takes show where that is more. Within the channels it may
//! also be two or four times as much, each as likely: a likelihood is the mean over the three.
//!
//! Where the antenna has no earlier take, the alternative is an antenna of which nothing is known but that antennas
//! differ by some [`COMMON_SPREAD_DB`] in all channels together and [`CHANNEL_SPREAD_DB`] in each (assumptions, no source),
//! and [`FIRST_ODDS`] are enough. The doubt is then raised where both antennas read the same: two antennas that are alike raise it too.

use crate::reading::{Reading, Take};

/// Standard deviation in dB of one channel's level from take to take; as in [`crate::compare::Options`].
pub const UNSTEADINESS_DB: f64 = 0.25;
/// By what the unsteadiness within the channels may exceed that, each as likely.
const FACTORS: [f64; 3] = [1.0, 2.0, 4.0];
/// Standard deviation in dB of one mating of a connector, all channels alike; as in [`crate::compare::Options`].
pub const MATING_DB: f64 = 0.1;
/// How many times as likely the other antenna must be for a doubt.
pub const ODDS: f64 = 100.0;
/// The same where the antenna has no earlier take: that happens once in a trial, and a question more costs little.
pub const FIRST_ODDS: f64 = 20.0;
/// Standard deviation in dB of the difference between two antennas, all channels alike.
pub const COMMON_SPREAD_DB: f64 = 3.0;
/// Standard deviation in dB of the difference between two antennas in each channel by itself.
pub const CHANNEL_SPREAD_DB: f64 = 2.0;

/// A signal counts where it stands so many standard errors above nothing.
const STRONG: f64 = 10.0;
/// A signal below so many of its standard errors is taken as that level: less is as good as nothing.
const LEAST: f64 = 3.0;
/// The repeats' own spread counts from so many degrees of freedom on.
const ENOUGH: f64 = 8.0;
/// dB for a relative change of 1, to first order: 10/ln 10.
const DB: f64 = 10.0 / std::f64::consts::LN_10;

/// A take, and the earlier ones on the same receiver that it is held against.
#[derive(Debug, Clone)]
pub struct Case<'t> {
    /// The take in question.
    pub take: &'t Take,
    /// Earlier takes of the antenna that it should be of.
    pub same: Vec<&'t Take>,
    /// Earlier takes of the other antenna.
    pub other: Vec<&'t Take>,
}

/// What speaks for a forgotten swap.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Doubt {
    /// Natural logarithm of how many times as likely the other antenna is.
    pub log_odds: f64,
    /// Channels that it rests on, over all receivers.
    pub channels: usize,
    /// Root mean square of the residuals from the other antenna's mean, in dB.
    pub from_other_db: f64,
    /// The same from the antenna's that it should be; `None` where that has no earlier take.
    pub from_same_db: Option<f64>,
}

/// Raises a doubt where these takes, one on each receiver, look like the other antenna; `None` where they don't, or where
/// there is nothing to tell it by.
///
/// With two receivers a forgotten swap shows on both, and the likelihoods are multiplied.
pub fn doubt(cases: &[Case]) -> Option<Doubt> {
    let mut sum = Evidence::default();
    for case in cases {
        sum.add(case);
    }
    let odds = if cases.iter().all(|case| case.same.is_empty()) {
        FIRST_ODDS
    } else {
        ODDS
    };
    let rms = |squares: f64| (squares / sum.channels as f64).sqrt();
    (sum.channels > 0 && sum.log_odds > odds.ln()).then(|| Doubt {
        log_odds: sum.log_odds,
        channels: sum.channels,
        from_other_db: rms(sum.other_squares),
        from_same_db: sum.same_squares.map(rms),
    })
}

#[derive(Default)]
struct Evidence {
    log_odds: f64,
    channels: usize,
    other_squares: f64,
    same_squares: Option<f64>,
}

impl Evidence {
    fn add(&mut self, case: &Case) {
        if case.other.is_empty() {
            return;
        }
        let channels: Vec<Channel> = (case.take.readings.iter())
            .filter_map(|reading| Channel::gather(reading, case))
            .collect();
        if channels.is_empty() {
            return;
        }
        let unsteadiness_db = unsteadiness_db(&channels);
        let of_other =
            |factor: f64| Residuals::new(&channels, unsteadiness_db, factor, |c| &c.other);
        let of_same = |factor: f64| Residuals::new(&channels, unsteadiness_db, factor, |c| &c.same);
        self.channels += channels.len();
        self.other_squares += of_other(1.0).squares();
        self.log_odds += log_likelihood(of_other);
        self.log_odds -= if case.same.is_empty() {
            log_likelihood(|factor| of_other(factor).spread_by(CHANNEL_SPREAD_DB, COMMON_SPREAD_DB))
        } else {
            *self.same_squares.get_or_insert(0.0) += of_same(1.0).squares();
            log_likelihood(of_same)
        };
    }
}

/// Logarithm of the likelihood, its mean taken over how unsteady the channels may be.
fn log_likelihood(residuals: impl Fn(f64) -> Residuals) -> f64 {
    let each = FACTORS.map(|factor| residuals(factor).log_likelihood());
    let most = each.into_iter().fold(f64::NEG_INFINITY, f64::max);
    let mean = each.map(|one| (one - most).exp()).iter().sum::<f64>() / FACTORS.len() as f64;
    most + mean.ln()
}

/// A level and its standard error in dB.
type Level = (f64, f64);

/// One channel: the level in question, and the earlier ones.
struct Channel {
    level: Level,
    same: Vec<Level>,
    other: Vec<Level>,
}

impl Channel {
    /// `None` where a take has no figure for the channel, or where the signal is strong in none.
    fn gather(reading: &Reading, case: &Case) -> Option<Channel> {
        let readings = |takes: &[&Take]| -> Option<Vec<Level>> {
            takes
                .iter()
                .map(|take| beside(take, reading).and_then(level))
                .collect()
        };
        let earlier = case.same.iter().chain(&case.other);
        let strong = is_strong(reading)
            || earlier
                .filter_map(|take| beside(take, reading))
                .any(is_strong);
        strong.then_some(())?;
        Some(Channel {
            level: level(reading)?,
            same: readings(&case.same)?,
            other: readings(&case.other)?,
        })
    }
}

/// The reading of the same channel in another take.
fn beside<'t>(take: &'t Take, reading: &Reading) -> Option<&'t Reading> {
    take.readings
        .iter()
        .find(|other| other.channel == reading.channel)
}

fn is_strong(reading: &Reading) -> bool {
    (reading.signal).is_some_and(|s| reading.found && s.value >= STRONG * s.standard_error)
}

fn level(reading: &Reading) -> Option<Level> {
    let signal = reading.signal?;
    let value = signal.value.max(LEAST * signal.standard_error);
    let level = (10.0 * value.log10(), DB * signal.standard_error / value);
    (level.0.is_finite() && level.1.is_finite()).then_some(level)
}

fn mean(levels: &[Level]) -> f64 {
    levels.iter().map(|level| level.0).sum::<f64>() / levels.len() as f64
}

/// The foreseen unsteadiness, or that of the earlier takes about their means where it is more.
fn unsteadiness_db(channels: &[Channel]) -> f64 {
    let (mut squares, mut freedom) = (0.0, 0.0);
    for levels in channels.iter().flat_map(|c| [&c.same, &c.other]) {
        if levels.len() > 1 {
            let middle = mean(levels);
            squares += levels
                .iter()
                .map(|level| (level.0 - middle).powi(2))
                .sum::<f64>();
            freedom += levels.len() as f64 - 1.0;
        }
    }
    if freedom < ENOUGH {
        return UNSTEADINESS_DB;
    }
    (squares / freedom).sqrt().max(UNSTEADINESS_DB)
}

/// Residuals from an antenna's mean, with their variances.
struct Residuals {
    values: Vec<(f64, f64)>,
    common_variance: f64,
}

impl Residuals {
    fn new(
        channels: &[Channel],
        unsteadiness_db: f64,
        factor: f64,
        earlier: fn(&Channel) -> &Vec<Level>,
    ) -> Residuals {
        let count = |c: &Channel| 1.0 + 1.0 / earlier(c).len() as f64;
        let residual = |c: &Channel| {
            let variance = ((factor * unsteadiness_db).powi(2) + c.level.1.powi(2)) * count(c);
            (c.level.0 - mean(earlier(c)), variance)
        };
        Residuals {
            values: channels.iter().map(residual).collect(),
            common_variance: (unsteadiness_db.powi(2) + MATING_DB.powi(2))
                * channels.first().map_or(1.0, count),
        }
    }

    /// The same if the antenna differed by something unknown besides.
    fn spread_by(&self, each_db: f64, common_db: f64) -> Residuals {
        let wider = |&(residual, variance): &(f64, f64)| (residual, variance + each_db.powi(2));
        Residuals {
            values: self.values.iter().map(wider).collect(),
            common_variance: self.common_variance + common_db.powi(2),
        }
    }

    fn squares(&self) -> f64 {
        self.values
            .iter()
            .map(|(residual, _)| residual * residual)
            .sum()
    }

    /// Logarithm of the likelihood, but for what does not depend on the antenna.
    fn log_likelihood(&self) -> f64 {
        let sum =
            |of: fn(f64, f64) -> f64| -> f64 { self.values.iter().map(|&(r, v)| of(r, v)).sum() };
        let precision = sum(|_, variance| 1.0 / variance);
        let pulled = sum(|residual, variance| residual / variance);
        let determinant = 1.0 + self.common_variance * precision;
        let distance = sum(|residual, variance| residual * residual / variance)
            - self.common_variance * pulled * pulled / determinant;
        -0.5 * (distance + sum(|_, variance| variance.ln()) + determinant.ln())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_closed_likelihood_is_that_of_the_whole_covariance() {
        // Three channels: inverse and determinant of the 3 × 3 covariance by cofactors.
        let residuals = Residuals {
            values: vec![(0.3, 0.1), (-0.4, 0.2), (1.1, 0.5)],
            common_variance: 0.07,
        };
        let c = |i: usize, j: usize| 0.07 + if i == j { residuals.values[i].1 } else { 0.0 };
        let minor = |i: usize, j: usize| {
            let rest = |k: usize| {
                [0, 1, 2]
                    .into_iter()
                    .filter(move |&n| n != k)
                    .collect::<Vec<_>>()
            };
            let (rows, columns) = (rest(i), rest(j));
            c(rows[0], columns[0]) * c(rows[1], columns[1])
                - c(rows[0], columns[1]) * c(rows[1], columns[0])
        };
        let sign = |i: usize, j: usize| if (i + j).is_multiple_of(2) { 1.0 } else { -1.0 };
        let determinant: f64 = (0..3).map(|j| sign(0, j) * c(0, j) * minor(0, j)).sum();
        let mut distance = 0.0;
        for i in 0..3 {
            for j in 0..3 {
                let inverse = sign(i, j) * minor(j, i) / determinant;
                distance += residuals.values[i].0 * inverse * residuals.values[j].0;
            }
        }
        let wanted = -0.5 * (distance + determinant.ln());
        assert!((residuals.log_likelihood() - wanted).abs() < 1e-12);
    }
}
