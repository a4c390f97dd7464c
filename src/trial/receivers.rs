//! Two receivers at once: A on one and B on the other, then swapped.
//!
//! Receiver r adds its own gain g_r, whatever its shape over frequency, to the level of the antenna on it. A round with A
//! on the first reads (A + g₁) − (B + g₂), the swapped one (A + g₂) − (B + g₁): half the sum of both is A − B, half the
//! difference g₁ − g₂. Time plays no part in either, since both antennas are heard at the same moment. A block of two
//! such rounds is therefore a block A B B A of a comparison, and is handed on as one.

use jiff::SignedDuration;
use serde::Serialize;

use crate::channels::ChannelId;
use crate::compare::Antenna;
use crate::reading::{Reading, Take};
use crate::statistics::{Moments, median};

/// Two takes made at once, one on each receiver.
#[derive(Debug, Clone, PartialEq)]
pub struct Round {
    /// The antenna on each receiver.
    pub connected: [Antenna; 2],
    /// The take on each receiver.
    pub takes: [Take; 2],
}

/// Two rounds, the antennas swapped between them.
pub type Block = [Round; 2];

/// By how much the first receiver reads more than the second.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ReceiversDifference {
    /// The channels that both antennas show on both receivers, ascending.
    pub channels: Vec<ChannelDifference>,
    /// The median over them, in dB.
    pub median_db: Option<f64>,
}

/// The same in one channel.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ChannelDifference {
    /// The channel.
    pub channel: ChannelId,
    /// First less second receiver in dB, mean over the blocks.
    pub difference_db: f64,
    /// Its standard error from the spread of the blocks; `None` for a single one.
    pub standard_error_db: Option<f64>,
    /// Blocks that it rests on.
    pub blocks: usize,
}

/// Why rounds can't be put against each other.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum ReceiversError {
    /// An antenna was not on both receivers.
    #[error(
        "block {block}: the antennas were not swapped between its two rounds, so the receivers' difference stays"
    )]
    NotSwapped {
        /// Number of the block, from 1.
        block: usize,
    },
    /// A receiver's gain changed on the way.
    #[error(
        "receiver {receiver}: gain {first_db} dB at {mhz} MHz in one take, {second_db} dB in another; keep each receiver's \
         gain the same throughout"
    )]
    Gain {
        /// Number of the receiver, from 1.
        receiver: usize,
        /// The tuning, in MHz.
        mhz: f64,
        /// One gain.
        first_db: f64,
        /// The other.
        second_db: f64,
    },
}

/// Two gains count as equal within this much, in dB.
const GAIN_TOLERANCE_DB: f64 = 0.05;

/// The takes of A and of B as a comparison takes them: every block in the order A B B A.
///
/// These are copies. Their times are the rounds', a nanosecond apart within one, so that order alone is left of them; their
/// gains are left out, because they belong to the receivers and cancel with them; and their pilots' offsets are freed from
/// each receiver's own frequency error, where it is known, so that one station has one pilot on both.
///
/// # Errors
/// [`ReceiversError`].
pub fn side_by_side(blocks: &[Block]) -> Result<(Vec<Take>, Vec<Take>), ReceiversError> {
    check_gains(blocks)?;
    let (mut a, mut b) = (Vec::new(), Vec::new());
    for (index, rounds) in blocks.iter().enumerate() {
        let [first, second] = [0, 1].map(|round: usize| rounds[round].connected);
        if first[0] == first[1] || first != [second[1], second[0]] {
            return Err(ReceiversError::NotSwapped { block: index + 1 });
        }
        for (round, leader) in rounds.iter().zip([Antenna::A, Antenna::B]) {
            let [one, two] = &round.takes;
            let begins = one.taken_at.min(two.taken_at);
            for (take, antenna) in round.takes.iter().zip(round.connected) {
                let mut copy = take.clone();
                let later = i64::from(antenna != leader);
                copy.taken_at = begins + SignedDuration::from_nanos(later);
                copy.settings.gains_db.clear();
                true_offsets(&mut copy);
                match antenna {
                    Antenna::A => a.push(copy),
                    Antenna::B => b.push(copy),
                }
            }
        }
    }
    Ok((a, b))
}

/// Takes the receiver's frequency error off the pilots' offsets. A receiver that listens too high by so many ppm shows a
/// carrier too low by as many.
fn true_offsets(take: &mut Take) {
    let Some(error) = &take.frequency_error else {
        return;
    };
    for reading in &mut take.readings {
        if let Some(pilot) = &mut reading.pilot {
            pilot.offset_hz += error.ppm * 1e-6 * reading.low_hz;
        }
    }
}

fn check_gains(blocks: &[Block]) -> Result<(), ReceiversError> {
    for receiver in 0..2 {
        let mut gains =
            (blocks.iter().flatten()).map(|round| &round.takes[receiver].settings.gains_db);
        let Some(first) = gains.next() else {
            continue;
        };
        for (one, two) in gains.flat_map(|other| first.iter().zip(other)) {
            if one.0 == two.0 && (one.1 - two.1).abs() > GAIN_TOLERANCE_DB {
                return Err(ReceiversError::Gain {
                    receiver: receiver + 1,
                    mhz: one.0 / 1e6,
                    first_db: one.1,
                    second_db: two.1,
                });
            }
        }
    }
    Ok(())
}

/// By how much the first receiver reads more than the second, channel by channel: in each block the mean of the two
/// rounds, in which the antennas' difference cancels.
pub fn difference(blocks: &[Block]) -> ReceiversDifference {
    let channels: Vec<ChannelDifference> = (blocks.first().into_iter())
        .flat_map(|block| &block[0].takes[0].readings)
        .filter_map(|reading| channel_difference(&reading.channel, blocks))
        .collect();
    let differences: Vec<f64> = channels.iter().map(|one| one.difference_db).collect();
    ReceiversDifference {
        median_db: median(&differences),
        channels,
    }
}

fn channel_difference(channel: &ChannelId, blocks: &[Block]) -> Option<ChannelDifference> {
    let level = |take: &Take| -> Option<f64> {
        let is_it = |reading: &&Reading| reading.channel == *channel;
        take.readings.iter().find(is_it)?.signal_dbfs()
    };
    let round = |round: &Round| Some(level(&round.takes[0])? - level(&round.takes[1])?);
    let of_blocks: Vec<f64> = (blocks.iter())
        .filter_map(|[one, two]| Some((round(one)? + round(two)?) / 2.0))
        .collect();
    let moments = Moments::of(&of_blocks)?;
    Some(ChannelDifference {
        channel: channel.clone(),
        difference_db: moments.mean,
        standard_error_db: (moments.count > 1).then(|| moments.standard_error()),
        blocks: moments.count,
    })
}
