//! The order of takes: A B B A, B A A B, and so on; with two receivers, which antenna is on which.

use crate::compare::Antenna;

/// What is connected for one step, receiver by receiver: one antenna, or one each on two receivers.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Step {
    /// The block that it belongs to, from 0.
    pub block: usize,
    /// The antenna on each receiver.
    pub connected: Vec<Antenna>,
}

/// The steps of a trial.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Plan {
    /// The steps, in order.
    pub steps: Vec<Step>,
    /// Number of blocks, of four takes each.
    pub blocks: usize,
    /// Number of receivers: 1 or 2.
    pub receivers: usize,
}

/// The other antenna.
pub fn other(antenna: Antenna) -> Antenna {
    match antenna {
        Antenna::A => Antenna::B,
        Antenna::B => Antenna::A,
    }
}

impl Plan {
    /// One receiver: blocks A B B A and B A A B in turn, so that a steady drift cancels within a block and a bend within
    /// a pair of blocks.
    pub fn of_one(blocks: usize) -> Plan {
        let steps = (0..blocks).flat_map(|block| {
            let (first, second) = first_and_second(block);
            [first, second, second, first].map(|antenna| Step {
                block,
                connected: vec![antenna],
            })
        });
        Plan {
            steps: steps.collect(),
            blocks,
            receivers: 1,
        }
    }

    /// Two receivers at once: in each block A and B both ways round, the next block beginning as the last one ended, so
    /// that the plugs are swapped once a block and a steady drift of the receivers' difference cancels within two blocks.
    pub fn of_two(blocks: usize) -> Plan {
        let steps = (0..blocks).flat_map(|block| {
            let (first, second) = first_and_second(block);
            [vec![first, second], vec![second, first]].map(|connected| Step { block, connected })
        });
        Plan {
            steps: steps.collect(),
            blocks,
            receivers: 2,
        }
    }

    /// The number of blocks that are whole once this many steps are done.
    pub fn whole_blocks(&self, done: usize) -> usize {
        done * self.blocks / self.steps.len().max(1)
    }

    /// The number of takes in all.
    pub fn takes(&self) -> usize {
        self.steps.len() * self.receivers
    }
}

fn first_and_second(block: usize) -> (Antenna, Antenna) {
    if block.is_multiple_of(2) {
        (Antenna::A, Antenna::B)
    } else {
        (Antenna::B, Antenna::A)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn letters(plan: &Plan) -> String {
        let letter = |antenna: &Antenna| if *antenna == Antenna::A { 'A' } else { 'B' };
        (plan.steps.iter())
            .flat_map(|step| step.connected.iter().map(letter))
            .collect()
    }

    #[test]
    fn one_receiver_takes_blocks_of_either_kind_in_turn() {
        assert_eq!(letters(&Plan::of_one(4)), "ABBABAABABBABAAB");
    }

    #[test]
    fn two_receivers_swap_once_a_block_and_have_each_antenna_on_either() {
        let plan = Plan::of_two(3);
        assert_eq!(letters(&plan), "ABBABAABABBA");
        assert_eq!(plan.steps.len(), 6);
        for block in plan.steps.chunks(2) {
            assert_eq!(block[0].connected[0], other(block[1].connected[0]));
        }
        assert_eq!(plan.steps[1].connected, plan.steps[2].connected);
    }

    #[test]
    fn blocks_count_when_they_are_whole() {
        let one = Plan::of_one(2);
        assert_eq!(
            [3, 4, 7, 8].map(|done| one.whole_blocks(done)),
            [0, 1, 1, 2]
        );
        let two = Plan::of_two(2);
        assert_eq!(
            [1, 2, 3, 4].map(|done| two.whole_blocks(done)),
            [0, 1, 1, 2]
        );
    }
}
