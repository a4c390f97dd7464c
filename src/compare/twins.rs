//! Takes that are there twice are no repeats.

use crate::reading::{Reading, Take};

/// Leaves one of each set of twins (same time, same source, same readings) in `takes`, the first, and returns how many it
/// took out. Twins would pass for repeats without any spread.
///
/// Readings are the same where their powers are: what a later version gets out of the same samples besides makes no
/// repeat of them.
///
/// `takes` must be in the order of time, as a logbook loads them.
pub fn leave_out_twins(takes: &mut Vec<Take>) -> usize {
    let before = takes.len();
    let mut kept: Vec<Take> = Vec::with_capacity(before);
    for take in takes.drain(..) {
        // In the order of time twins are neighbours.
        let mut same_time = kept
            .iter()
            .rev()
            .take_while(|other| other.taken_at == take.taken_at);
        if !same_time.any(|other| same(other, &take)) {
            kept.push(take);
        }
    }
    *takes = kept;
    before - takes.len()
}

fn same(one: &Take, other: &Take) -> bool {
    let powers = |take: &Take| -> Vec<_> {
        let of = |reading: &Reading| {
            (
                reading.channel.clone(),
                reading.power,
                reading.noise,
                reading.signal,
            )
        };
        take.readings.iter().map(of).collect()
    };
    one.source == other.source && powers(one) == powers(other)
}
