//! A against B: trials, paired differences, intervals and verdicts.

mod types;

pub use types::{Basis, ChannelComparison, Comparison, Side, StateCounts, Summary, Verdict};
