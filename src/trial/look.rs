//! A look at the takes so far: the comparison at this look's own level, and whether it is worth going on.

use super::spending::{FEWEST_BLOCKS, level};
use crate::compare::{ChannelComparison, CompareError, Comparison, Options, Verdict, compare};
use crate::reading::Take;

/// What the takes say after so many blocks.
#[derive(Debug, Clone, PartialEq)]
pub struct Look {
    /// Blocks taken.
    pub blocks: usize,
    /// Blocks planned.
    pub planned: usize,
    /// The comparison: its intervals are those of any comparison; its verdicts stand at this look's own level.
    pub comparison: Comparison,
    /// What to do.
    pub advice: Advice,
}

/// Whether to go on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Advice {
    /// More blocks may decide more.
    GoOn,
    /// Every channel that can be compared is decided.
    AllDecided,
    /// Nothing that is undecided can be expected to be decided by the blocks that are left.
    WontHelp,
    /// The planned blocks are taken.
    Done,
}

/// Looks at the takes of `blocks` blocks out of `planned`. The chance of any wrong verdict at any look is
/// [`Options::level`] over all looks together.
///
/// # Errors
/// As [`compare`].
pub fn look(
    a: &[Take],
    b: &[Take],
    blocks: usize,
    planned: usize,
    options: &Options,
) -> Result<Look, CompareError> {
    let alpha = options.level();
    let own = level(alpha, blocks, planned);
    let options = Options {
        verdict_level: Some(own),
        ..options.clone()
    };
    let mut comparison = compare(a, b, &options)?;
    if planned >= FEWEST_BLOCKS {
        comparison
            .remarks
            .push(remark(own, alpha, options.confidence, blocks, planned));
    }
    Ok(Look {
        blocks,
        planned,
        advice: advice(&comparison.channels, blocks, planned),
        comparison,
    })
}

fn remark(own: f64, alpha: f64, confidence: f64, blocks: usize, planned: usize) -> String {
    if own <= 0.0 {
        return "no verdicts after a single block: it shows nothing of what changes from block to block.".into();
    }
    format!(
        "verdicts after block {blocks} of {planned} stand at a level of {:.1} %, so that looking after every block leaves the \
         chance of any wrong one at {:.0} %; intervals are {:.0} % as ever.",
        own * 100.0,
        alpha * 100.0,
        confidence * 100.0
    )
}

fn advice(channels: &[ChannelComparison], blocks: usize, planned: usize) -> Advice {
    if blocks >= planned {
        return Advice::Done;
    }
    if blocks < FEWEST_BLOCKS {
        return Advice::GoOn;
    }
    let with = |verdict| channels.iter().filter(move |one| one.verdict == verdict);
    if with(Verdict::Undecided).next().is_none() {
        let decided = with(Verdict::A).chain(with(Verdict::B)).count();
        return if decided > 0 {
            Advice::AllDecided
        } else {
            Advice::WontHelp
        };
    }
    let left = planned - blocks;
    let out_of_reach = |one: &ChannelComparison| {
        one.beyond_repeats || one.further_blocks.is_some_and(|further| further > left)
    };
    if with(Verdict::Undecided).all(out_of_reach) {
        Advice::WontHelp
    } else {
        Advice::GoOn
    }
}
