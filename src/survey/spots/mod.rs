//! Spots ranked by what can be received there.
//!
//! [`rank`] takes the takes of one antenna at many spots and gives a [`Ranking`]: the spots in order of their weakest wanted
//! channel, each with its figures and their intervals, and in words what that means and what it doesn't.
//!
//! # The figures
//! Indoors the field stands in waves about half a wavelength apart, so that one take is luck: a spot is several takes a few
//! centimetres apart.
//! - A channel's figure at a spot is the median of its margins over the takes there (C/N above the threshold, by the power in
//!   the whole channel). Source for a median of five readings: 47 CFR 73.686, from memory.
//! - Its standard error is that of a median of n normal values: 1, 1, 1.160, 1.092, 1.198 … 1.253 times s/√n for n = 1, 2, 3,
//!   4, 5 … ∞.
//! - s is pooled for each channel over all spots with several takes: √(Σ(nᵢ−1)sᵢ²/Σ(nᵢ−1)). A spot whose own spread is far
//!   larger goes by its own and leaves the pool: where F = sᵢ²/s² against the pool of the others is less likely than 1 % among
//!   all spots (1 %/number of spots, Bonferroni). Source: pooled variance and F test, NIST/SEMATECH e-Handbook 1.3.5.9, 7.3.1.
//! - As long as the repeats of a channel give fewer than [`FEW_DEGREES_OF_FREEDOM`] degrees of freedom, an assumed spread
//!   ([`Options::spread_db`]) stands in if it is the larger, and the spots are marked as weak.
//! - What changes between visits (people, doors, drift) is added as type B ([`Options::unsteadiness_db`]), and so is what is
//!   not known of the noise. Intervals come from the distribution of that sum ([`crate::compare::ErrorLaw`]).
//! - A take that found nothing gives an upper bound; a median that depends on one is an upper bound itself.
//!
//! The interval of the weakest margin goes from the least of the channels' lower ends, each at 97.5 %, which holds without
//! correction since one of the channels *is* the weakest, to the least of the upper ends at 1 − 2.5 %/K, K channels
//! (Bonferroni).
//!
//! # Telling spots apart
//! Spot s is better than t where every wanted channel of s lies above one channel of t: then the weakest of s lies above the
//! weakest of t, whichever these are.
//! - The channel of t is the one with the lowest upper end. That it was chosen costs a factor K (Bonferroni).
//! - That *every* channel of s lies above is an intersection–union test: the largest of the one-sided probabilities. Source:
//!   R. L. Berger, Technometrics 24 (1982), 295–300, from memory.
//! - Over all ordered pairs of spots Holm's step-down is used ([`crate::statistics::holm`]), at half of 1 − confidence.
//! - Of spots that this doesn't tell apart, and to which equally many are superior so far, one is better where surely more of
//!   its channels are firm than possibly are at the other, by intervals that hold all together with the other half of
//!   1 − confidence (Bonferroni over all spots and channels).
//! - What follows from these (s better than t, t better than u) counts as well.
//!
//! A spot's rank is 1 + the number of spots better than it; spots that can't be told apart are listed with each, and a spot's
//! rank may be anything from 1 + the number of better ones to the number of all − the number of worse ones. The chance of any
//! false "weaker channel" or "fewer firm" in a ranking is at most 1 − confidence.
//!
//! What was not measured (not covered, clipped, no threshold) is never evidence for a spot.

mod cell;
mod meaning;
mod order;
mod remarks;
mod table;

use serde::Serialize;

pub(crate) use meaning::db;

use crate::channels::ChannelId;
use crate::compare::StateCounts;
use crate::reading::{Position, State, Take};

/// Below so many degrees of freedom a pooled spread is not yet believed where an assumed one is larger.
pub const FEW_DEGREES_OF_FREEDOM: f64 = 4.0;

/// What is asked of a ranking, and what is known beforehand.
#[derive(Debug, Clone, PartialEq)]
pub struct Options {
    /// Probability that an interval holds the true value; the chance of any spot falsely called better is at most what is
    /// left to 1.
    pub confidence: f64,
    /// Standard deviation, in dB, of a channel's power over places a few centimetres apart, where repeats don't show it.
    ///
    /// 2 dB is an assumption for a whole channel of 6 to 8 MHz indoors, no standard's figure: a single frequency in a room
    /// without line of sight spreads by 5.6 dB (Rayleigh), and a channel wider than the room's coherence bandwidth by less.
    pub spread_db: f64,
    /// Standard uncertainty, in dB, of what changes at a spot from visit to visit: the same assumption as
    /// [`crate::compare::Options::unsteadiness_db`].
    pub unsteadiness_db: f64,
}

impl Default for Options {
    fn default() -> Self {
        let compared = crate::compare::Options::default();
        Options {
            confidence: compared.confidence,
            spread_db: 2.0,
            unsteadiness_db: compared.unsteadiness_db,
        }
    }
}

/// Why takes can't be ranked.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum SpotsError {
    /// Nothing to rank.
    #[error("no takes to rank: make some at several spots with `gainsay take`")]
    NoTakes,
    /// Takes that are no repeats of each other.
    #[error(
        "the takes are of more than one {what} ({first:?} and {second:?}): spots are ranked for one"
    )]
    Differ {
        /// `antenna` or `channel plan`.
        what: &'static str,
        /// One.
        first: String,
        /// The other.
        second: String,
    },
    /// No wanted channel with a figure at any spot.
    #[error("{what}: {why}")]
    NothingWanted {
        /// The channels asked for.
        what: String,
        /// Why none has a figure.
        why: String,
    },
    /// An option that makes no sense.
    #[error("{option} is {value}: it must be {must}")]
    Option {
        /// Its name.
        option: &'static str,
        /// The value given.
        value: f64,
        /// What it must be.
        must: &'static str,
    },
}

/// Where a spread came from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum SpreadBasis {
    /// From repeats, over all spots that have some.
    Pooled,
    /// Assumed, for want of repeats.
    Assumed,
}

/// How takes of a channel a few centimetres apart spread.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ChannelSpread {
    /// The channel.
    pub channel: ChannelId,
    /// Standard deviation in dB.
    pub spread_db: f64,
    /// Its degrees of freedom; `None` where it is assumed.
    pub degrees_of_freedom: Option<f64>,
    /// Where it came from.
    pub basis: SpreadBasis,
}

/// A channel that was wanted and is not ranked by.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LeftOut {
    /// The channel.
    pub channel: ChannelId,
    /// Why.
    pub reason: String,
}

/// One wanted channel at one spot.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SpotChannel {
    /// The channel.
    pub channel: ChannelId,
    /// Takes with a figure.
    pub takes: usize,
    /// Median margin in dB; where [`SpotChannel::is_bound`], what it is at most.
    pub margin_db: Option<f64>,
    /// Whether the margin is only an upper bound, the channel vacant in too many takes.
    pub is_bound: bool,
    /// Lower end of the interval in dB; `None` for a bound.
    pub low_db: Option<f64>,
    /// Upper end of the interval in dB.
    pub high_db: Option<f64>,
    /// Standard uncertainty of the margin in dB.
    pub standard_uncertainty_db: Option<f64>,
    /// Standard deviation over the takes in dB; `None` with one take.
    pub spread_db: Option<f64>,
    /// Whether the spot goes by its own spread, which is far above the other spots'.
    pub own_spread: bool,
    /// The channel's state by its median margin.
    pub state: Option<State>,
    /// Why there is no figure.
    pub reason: Option<String>,
}

/// The weakest wanted channel of a spot.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Weakest {
    /// The channel with the least margin.
    pub channel: ChannelId,
    /// Its margin in dB; where [`Weakest::is_bound`], what it is at most.
    pub margin_db: f64,
    /// Whether the margin is only an upper bound.
    pub is_bound: bool,
    /// Lower end, in dB, of the interval of the weakest margin, whichever channel it is; `None` where a wanted channel is
    /// vacant or has no figure.
    pub low_db: Option<f64>,
    /// Upper end of that interval in dB.
    pub high_db: f64,
    /// Standard deviation, in dB, over the takes of that channel here; `None` with one take.
    pub spread_db: Option<f64>,
}

/// One spot.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Spot {
    /// Its name.
    pub name: String,
    /// 1 + the number of spots that are surely better.
    pub rank: usize,
    /// The last rank that it may truly have; the first is [`Spot::rank`].
    pub worst_rank: usize,
    /// Takes made here.
    pub takes: usize,
    /// Mean position of the takes that have one.
    pub position: Option<Position>,
    /// The weakest wanted channel; `None` where no wanted channel has a figure.
    pub weakest: Option<Weakest>,
    /// Wanted channels in each state.
    pub states: StateCounts,
    /// Wanted channels without a figure.
    pub not_measured: usize,
    /// Wanted channels that are surely firm, over all spots and channels together.
    pub surely_firm: usize,
    /// Wanted channels that may be firm, those without a figure counted in.
    pub possibly_firm: usize,
    /// Whether an assumed spread stands behind its figures.
    pub weak: bool,
    /// Other spots that it can't be told apart from, in the order of the ranking.
    pub tied_with: Vec<String>,
    /// The wanted channels, ascending.
    pub channels: Vec<SpotChannel>,
    /// What to know of this spot.
    pub remarks: Vec<String>,
}

impl Spot {
    /// The figures of a channel.
    pub fn channel(&self, channel: &ChannelId) -> Option<&SpotChannel> {
        self.channels
            .iter()
            .find(|one| one.channel.matches(channel))
    }
}

/// The spots, best first.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Ranking {
    /// The antenna's name.
    pub antenna: String,
    /// The channel plan's name.
    pub plan: String,
    /// Probability that an interval holds the true value.
    pub confidence: f64,
    /// All takes.
    pub takes: usize,
    /// The channels ranked by, ascending.
    pub wanted: Vec<ChannelId>,
    /// Wanted channels without a figure at any spot.
    pub left_out: Vec<LeftOut>,
    /// How takes a few centimetres apart spread, channel by channel.
    pub spreads: Vec<ChannelSpread>,
    /// The spots; within a rank by the number of firm channels, then by the margin.
    pub spots: Vec<Spot>,
    /// What it means, the most important first.
    pub meaning: Vec<String>,
    /// What to bear in mind.
    pub remarks: Vec<String>,
}

/// Ranks the spots of `takes`: of one antenna by one channel plan, none of a rotation.
///
/// `wanted` are the channels to be received; `None` for all in which any take found a signal.
///
/// # Errors
/// [`SpotsError`].
pub fn rank(
    takes: &[Take],
    wanted: Option<&[ChannelId]>,
    options: &Options,
) -> Result<Ranking, SpotsError> {
    check(takes, options)?;
    let table = table::Table::of(takes, wanted, options)?;
    let order = order::Order::of(&table, options);
    let mut ranking = Ranking {
        antenna: takes[0].antenna.clone(),
        plan: takes[0].settings.plan.clone(),
        confidence: options.confidence,
        takes: takes.len(),
        wanted: table.wanted.clone(),
        left_out: table.left_out.clone(),
        spreads: table.spreads.clone(),
        spots: order.spots(&table),
        meaning: Vec::new(),
        remarks: Vec::new(),
    };
    ranking.meaning = meaning::sentences(&ranking, &table, &order, options);
    ranking.remarks = remarks::of(&ranking, takes, options);
    for spot in &mut ranking.spots {
        spot.remarks = remarks::of_spot(spot);
    }
    Ok(ranking)
}

fn check(takes: &[Take], options: &Options) -> Result<(), SpotsError> {
    let within = |option, value: f64, fits: bool, must| match fits {
        true => Ok(()),
        false => Err(SpotsError::Option {
            option,
            value,
            must,
        }),
    };
    let confidence = options.confidence;
    within(
        "confidence",
        confidence,
        (0.5..=0.9999).contains(&confidence),
        "from 0.5 to 0.9999",
    )?;
    for (option, value) in [
        ("spread", options.spread_db),
        ("unsteadiness", options.unsteadiness_db),
    ] {
        let fits = (0.0..100.0).contains(&value);
        within(option, value, fits, "from 0 to under 100 dB")?;
    }
    let first = takes.first().ok_or(SpotsError::NoTakes)?;
    for take in takes {
        let pairs = [
            ("antenna", &first.antenna, &take.antenna),
            ("channel plan", &first.settings.plan, &take.settings.plan),
        ];
        for (what, first, second) in pairs {
            if first != second {
                return Err(SpotsError::Differ {
                    what,
                    first: first.clone(),
                    second: second.clone(),
                });
            }
        }
    }
    Ok(())
}
