//! How much of the chance of a wrong verdict each look may spend.
//!
//! Whoever looks after every block and stops at the first win gets several chances of a false one. So the whole chance α
//! is spent bit by bit: by the share t of the planned blocks, α·f(t) is spent, and a look's verdicts stand at the level
//! that was added since the look before. The chance of any wrong verdict at any look is then at most the sum of the
//! levels, α, whatever the dependence between the looks (Bonferroni's inequality); each level is shared out over the
//! channels by Holm's step-down. Source: Lan and DeMets, Biometrika 70 (1983), 659–663, from memory, for the spending
//! function. They work the levels out from the joint normal distribution of the looks, which spends less than the sum; with the
//! three degrees of freedom of four blocks and a family of channels there is no such distribution at hand.
//!
//! f(t) = t² spends little early: with two or three blocks the spread is known so badly that hardly anything can be
//! decided, and what is spent there is missing at the end. t³ finds a little more at the end and less before it; what either
//! does is measured in `tests/trial_looks.rs`.

/// The fewest blocks at which verdicts are given: a single one shows nothing of what changes from block to block.
pub const FEWEST_BLOCKS: usize = 2;

/// The share of α that is spent by the share `t` of the planned blocks, 0 to 1.
pub fn spent(t: f64) -> f64 {
    t.clamp(0.0, 1.0).powi(2)
}

/// The level of the verdicts at the look after `blocks` of `planned` blocks, where there is a look after every block from
/// the second on; `alpha` is the chance over all looks. 0 after the first of several.
pub fn level(alpha: f64, blocks: usize, planned: usize) -> f64 {
    if planned < FEWEST_BLOCKS {
        return if blocks >= planned { alpha } else { 0.0 };
    }
    if blocks < FEWEST_BLOCKS {
        return 0.0;
    }
    let share = |blocks: usize| match blocks {
        blocks if blocks < FEWEST_BLOCKS => 0.0,
        blocks => spent(blocks as f64 / planned as f64),
    };
    alpha * (share(blocks) - share(blocks - 1))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn all_looks_together_spend_what_there_is_and_no_more() {
        for planned in 1..=20 {
            let sum: f64 = (1..=planned).map(|k| level(0.05, k, planned)).sum();
            assert!((sum - 0.05).abs() < 1e-15, "{planned}: {sum}");
        }
    }

    #[test]
    fn levels_of_four_blocks() {
        // 0.05·(4/16, 5/16, 7/16): what the squares of 2, 3 and 4 add, over 16; nothing after the first block.
        let levels = [1, 2, 3, 4].map(|k| level(0.05, k, 4));
        for (level, wanted) in levels.iter().zip([0.0, 0.0125, 0.015625, 0.021875]) {
            assert!((level - wanted).abs() < 1e-15, "{levels:?}");
        }
    }

    #[test]
    fn a_trial_of_one_block_has_one_look_with_everything() {
        assert_eq!(level(0.05, 1, 1), 0.05);
        assert_eq!(level(0.05, 1, 2), 0.0);
    }
}
