//! The result of a comparison, as plain data: what is printed, drawn and written as JSON.

use std::fmt;

use serde::Serialize;

use super::budget::BudgetRow;
use crate::channels::{ChannelId, PathClass, Standard};
use crate::reading::{Identity, State};

/// Which antenna a channel favours.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Verdict {
    /// A is better.
    A,
    /// B is better.
    B,
    /// The figures don't decide.
    Undecided,
    /// There is nothing to compare; the reason says why.
    #[serde(rename = "not comparable")]
    NotComparable,
}

impl fmt::Display for Verdict {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Verdict::A => "a",
            Verdict::B => "b",
            Verdict::Undecided => "undecided",
            Verdict::NotComparable => "not comparable",
        })
    }
}

/// How the takes were put against each other.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Basis {
    /// Blocks A B B A or B A A B: linear drift cancels.
    Blocks,
    /// Pairs of neighbours A B or B A: drift within a pair stays.
    Pairs,
    /// All of A against all of B: the order of the takes allows no pairing.
    Unpaired,
    /// One take each: no repeats.
    Single,
}

/// By what a channel was compared.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Method {
    /// By its power, noise subtracted.
    Power,
    /// By its 8-VSB pilot, where that is better known: the level at one frequency stands for the channel's.
    Pilot,
}

impl fmt::Display for Method {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Method::Power => "power",
            Method::Pilot => "pilot",
        })
    }
}

/// In which unit levels were averaged.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Averaging {
    /// In decibels: every level far above its own error.
    Decibels,
    /// In linear power, noise subtracted: signals near or below what a take can find.
    Linear,
}

/// One antenna in one channel, over its takes.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Side {
    /// Takes with a figure for this channel.
    pub takes: usize,
    /// Covered share of the channel, 0 to 1.
    pub covered: f64,
    /// Signal in dBFS, mean over takes; `None` where no signal was found.
    pub signal_dbfs: Option<f64>,
    /// Upper bound of the signal in dBFS where none was found.
    pub signal_upper_dbfs: Option<f64>,
    /// The pilot in dBFS, mean over takes; `None` where not every take has one, or none was found.
    pub pilot_dbfs: Option<f64>,
    /// What the signal is, by the first take that tells.
    pub identity: Option<Identity>,
    /// Standard that the threshold belongs to, by the last take that has one.
    pub standard: Option<Standard>,
    /// The threshold in dB that the margin rests on: the median over takes.
    pub threshold_db: Option<f64>,
    /// What the threshold assumes, in words, by the last take.
    pub threshold_assumes: Option<&'static str>,
    /// The class of path that the last take's threshold is for.
    pub path: Option<PathClass>,
    /// σ_sp in dB, median over the takes that have it.
    pub sigma_sp_db: Option<f64>,
    /// Noise in the channel in dBFS.
    pub noise_dbfs: Option<f64>,
    /// C/N in dB.
    pub cn_db: Option<f64>,
    /// C/N above the threshold in dB.
    pub margin_db: Option<f64>,
    /// State; `None` where nothing was measured. A pilot without a signal that power could find is a `trace`.
    pub state: Option<State>,
}

/// One channel, A against B.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ChannelComparison {
    /// The channel.
    pub channel: ChannelId,
    /// Lower edge in hertz.
    pub low_hz: f64,
    /// Upper edge in hertz.
    pub high_hz: f64,
    /// A's side.
    pub a: Side,
    /// B's side.
    pub b: Side,
    /// How this channel's takes were put against each other.
    pub basis: Basis,
    /// Blocks or pairs in which this channel could be used; 0 where there are none.
    pub blocks: usize,
    /// By what the channel was compared; `None` where nothing was.
    pub method: Option<Method>,
    /// In which unit levels were averaged; `None` where nothing was compared.
    pub averaging: Option<Averaging>,
    /// A less B in dB. Where it is given, both ends of the interval are.
    pub difference_db: Option<f64>,
    /// Lower end of the interval in dB; given alone (no difference) where B shows no signal, or one too weak for an upper
    /// end: A gains at least this.
    pub low_db: Option<f64>,
    /// Upper end of the interval in dB; given alone where A shows no signal, or one too weak for a lower end: A gains at
    /// most this.
    pub high_db: Option<f64>,
    /// Combined standard uncertainty of the difference in dB.
    pub standard_uncertainty_db: Option<f64>,
    /// Its effective degrees of freedom, a whole number or infinite (`null` in JSON).
    pub degrees_of_freedom: Option<f64>,
    /// Probability of a difference at least so large if there were none, two-sided.
    pub p: Option<f64>,
    /// The same, adjusted over the channels by Holm's step-down.
    pub p_adjusted: Option<f64>,
    /// A less B in dB of the carrier-to-noise ratio: what counts where one antenna picks up more noise as well. By pilot,
    /// the difference of the pilots less that of the noise in the channel.
    pub cn_difference_db: Option<f64>,
    /// Probability of such a difference in carrier-to-noise ratio if there were none, two-sided.
    pub cn_p: Option<f64>,
    /// Estimated number of further blocks (pairs, takes of each) that would decide an undecided channel if its
    /// difference stays what it is; `None` where no spread says so.
    pub further_blocks: Option<usize>,
    /// Whether no number of repeats would decide: what they don't reduce is too large for this difference.
    pub beyond_repeats: bool,
    /// The verdict.
    pub verdict: Verdict,
    /// Why there is no verdict, or what limits it.
    pub reason: Option<String>,
    /// The uncertainty budget of the difference, largest share first; empty where nothing was compared.
    pub budget: Vec<BudgetRow>,
}

/// Channels in each state.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
pub struct StateCounts {
    /// Nothing found.
    pub vacant: usize,
    /// Below the threshold.
    pub trace: usize,
    /// On the cliff.
    pub brink: usize,
    /// Good.
    pub firm: usize,
}

/// All channels together.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Summary {
    /// Median difference over the channels that have one, in dB.
    pub median_difference_db: Option<f64>,
    /// Channels on which A is better.
    pub a_better: usize,
    /// Channels on which B is better.
    pub b_better: usize,
    /// Channels undecided.
    pub undecided: usize,
    /// Channels that can't be compared.
    pub not_comparable: usize,
    /// A's channels by state.
    pub states_a: StateCounts,
    /// B's channels by state.
    pub states_b: StateCounts,
    /// Channels in which only A shows a signal.
    pub only_a: Vec<ChannelId>,
    /// Channels in which only B shows a signal.
    pub only_b: Vec<ChannelId>,
}

/// A against B, whole.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Comparison {
    /// A's name.
    pub a: String,
    /// B's name.
    pub b: String,
    /// The spot, where it is known.
    pub spot: Option<String>,
    /// The channel plan's name.
    pub plan: String,
    /// Level of the intervals, 0.95.
    pub confidence: f64,
    /// Level of the verdicts over all channels together: 0.05, or less at a look at takes that are still being made.
    pub verdict_level: f64,
    /// How the takes were paired.
    pub basis: Basis,
    /// Takes of A.
    pub takes_a: usize,
    /// Takes of B.
    pub takes_b: usize,
    /// Blocks or pairs, where there are any.
    pub blocks: usize,
    /// What to bear in mind: sentences.
    pub remarks: Vec<String>,
    /// The channels, ascending.
    pub channels: Vec<ChannelComparison>,
    /// All channels together.
    pub summary: Summary,
    /// What it means: sentences made from the numbers.
    pub meaning: Vec<String>,
}

impl Comparison {
    /// The uncertainty budget of a channel, largest share first: empty where nothing was compared, `None` where the
    /// channel isn't among those compared.
    pub fn explain(&self, channel: &ChannelId) -> Option<&[BudgetRow]> {
        self.channels
            .iter()
            .find(|one| one.channel == *channel)
            .map(|one| one.budget.as_slice())
    }
}
