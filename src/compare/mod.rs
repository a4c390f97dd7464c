//! A against B: trials, paired differences, intervals and verdicts.
//!
//! [`compare`] takes the takes of two antennas at one spot and gives a [`Comparison`]: per channel the difference in dB
//! with its interval, its uncertainty budget and a verdict; over all channels a summary, and what it means in words.
//!
//! # The model
//! The level of antenna X in take i is `S_X + drift(tᵢ) + fading + mating_X + mating_i + statistics`, in dB, and the
//! noise of the receiver is subtracted from the power before. What is asked for is `S_A − S_B`.
//! - Takes are put against each other in blocks A B B A / B A A B where their order allows it ([`arrange`]): a drift that
//!   is linear in time cancels within a block, a bend within a pair of blocks of either kind.
//! - What varies from take to take shows in the spread of the block differences, and enters by it (type A).
//! - What is the same in all takes doesn't show and enters as type B: `mating_X` ([`Options::mating_db`], on the
//!   difference), the noise that was subtracted, a gain step.
//! - Where no blocks can be formed, neighbours make pairs, else all of A stand against all of B: the drift that this
//!   leaves is estimated and allowed for. In the last case what one antenna's takes show to vary is also charged once in
//!   full between the antennas, since nothing shows how far it wandered from the ones to the others.
//! - A single block has no spread of differences, but repeats in it: what a channel does by itself is told by these, over all
//!   channels; what all channels share (matings, gain) enters as foreseen, unless the block contradicts it.
//! - Without repeats, what varies enters as foreseen: the statistics of each power, a mating a take, and
//!   [`Options::unsteadiness_db`] a take. Such a comparison is weak, and says so.
//! - A channel goes by its pilot, at one frequency, where the pilot tells more than the power in the channel can
//!   ([`Method`]); that it may fade by itself enters as type B ([`Options::selective_fading_db`]).
//! - More than two antennas ([`compare_many`]) are compared pair by pair, with one step-down over all of it.
//! - Antennas of different days are compared by one that was taken on both ([`compare_over_time`]).
//! - Intervals come from the distribution of that sum ([`ErrorLaw`]), verdicts from its probabilities by Holm's
//!   step-down over the channels, so that the chance of any wrong verdict in one comparison stays at 1 − confidence.

mod blocks;
mod budget;
mod channel;
mod comparison;
mod difference;
mod law;
mod levels;
mod many;
mod meaning;
mod merit;
mod pilot;
mod prospect;
mod refusal;
mod scan;
mod shown;
mod sources;
mod tie;
mod tie_channel;
mod tie_curve;
mod tie_law;
mod tie_session;
mod twins;
mod types;
mod verdicts;

pub use blocks::{Antenna, Arrangement, Unit, arrange};
pub use budget::{BudgetRow, Combined, Evaluation, combine};
pub use comparison::compare;
pub use law::ErrorLaw;
pub use many::{Against, ManyComparison, RefusedPair, compare_many};
pub use merit::{Merit, Standing, Weakest};
pub use refusal::{CompareError, Options};
pub use scan::{ScanComparison, compare_scans};
pub use tie::{Occasion, OverTime, TieError, TieOptions, TiedComparison, compare_over_time};
pub use twins::leave_out_twins;
pub use types::{
    Averaging, Basis, ChannelComparison, Comparison, Method, Side, StateCounts, Summary, Verdict,
};
