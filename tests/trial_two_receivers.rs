//! Two receivers at once: whatever they differ by cancels, and is reported.

mod takes;

use gainsay::compare::{Antenna, Options};
use gainsay::reading::Take;
use gainsay::reading::pilot::Agreement;
use gainsay::reading::{FrequencyReading, Reading};
use gainsay::trial::Plan;
use gainsay::trial::look;
use gainsay::trial::receivers::{Block, ReceiversError, Round, difference, side_by_side};
use takes::{NOISE, pilot, ratio, reading, take};

const CHANNELS: u16 = 6;
/// True difference of the antennas by channel, in dB.
const ANTENNAS_DB: [f64; 6] = [3.0, -1.0, 0.0, 2.5, 0.4, -4.0];
/// What each receiver adds by channel, in dB: an offset, and a passband of its own.
const RECEIVERS_DB: [[f64; 6]; 2] = [
    [0.0, 0.1, -0.2, 0.4, -0.3, 0.2],
    [-2.0, -1.1, -3.2, -2.4, -1.3, -2.7],
];
/// What all levels gain from round to round, in dB: fading that both antennas share.
const ROUNDS_DB: [f64; 8] = [0.0, 1.3, -0.8, 2.2, 0.4, -1.7, 0.9, -0.2];

/// A reading of exactly this signal, in noise of its receiver.
fn exact(channel: u16, signal_db: f64) -> Reading {
    reading(20 + channel, NOISE * (1.0 + ratio(signal_db)), NOISE, 0.0)
}

fn one(antenna: Antenna, receiver: usize, round: usize) -> Take {
    let level = |channel: u16| {
        let index = usize::from(channel);
        let antenna_db = if antenna == Antenna::A {
            ANTENNAS_DB[index]
        } else {
            0.0
        };
        25.0 + antenna_db + RECEIVERS_DB[receiver][index] + ROUNDS_DB[round]
    };
    let name = if antenna == Antenna::A {
        "tape loop"
    } else {
        "rabbit ears"
    };
    let readings = (0..CHANNELS)
        .map(|channel| exact(channel, level(channel)))
        .collect();
    let mut take = take(name, round as f64, readings);
    take.terminated = Some(format!("terminator on receiver {receiver}"));
    take.settings.gains_db = vec![(507e6, 30.0 + 7.0 * receiver as f64)];
    take
}

fn blocks(count: usize) -> Vec<Block> {
    let rounds: Vec<Round> = (Plan::of_two(count).steps.iter().enumerate())
        .map(|(index, step)| Round {
            connected: [step.connected[0], step.connected[1]],
            takes: [0, 1].map(|receiver| one(step.connected[receiver], receiver, index)),
        })
        .collect();
    (rounds.chunks_exact(2))
        .map(|two| [two[0].clone(), two[1].clone()])
        .collect()
}

#[test]
fn offset_and_passband_of_the_receivers_and_shared_fading_cancel_exactly() {
    let (a, b) = side_by_side(&blocks(4)).expect("swapped");
    let look = look(&a, &b, 4, 4, &Options::default()).expect("comparable");
    assert_eq!(look.comparison.blocks, 4);
    for (channel, truth) in look.comparison.channels.iter().zip(ANTENNAS_DB) {
        let found = channel.difference_db.expect("a difference");
        assert!(
            (found - truth).abs() < 1e-9,
            "{}: {found} for {truth}",
            channel.channel
        );
        // Nothing is left that varies: the interval is that of the mating alone, 0.1 dB × 1.96.
        let half = (channel.high_db.expect("an end") - channel.low_db.expect("an end")) / 2.0;
        assert!((half - 0.196).abs() < 0.01, "{half}");
    }
}

#[test]
fn without_the_swap_the_receivers_difference_would_stay() {
    // What the test above would find if the arithmetic left the receivers in: the first rounds alone.
    let blocks = blocks(1);
    let level = |take: &Take| take.readings[0].signal_dbfs().expect("found");
    let [one, two] = &blocks[0][0].takes;
    let found = level(one) - level(two);
    assert!((found - (ANTENNAS_DB[0] + 2.0)).abs() < 1e-9, "{found}");
}

#[test]
fn the_receivers_difference_is_reported_by_channel_with_its_median() {
    let found = difference(&blocks(3));
    let truth: Vec<f64> = (0..6)
        .map(|c| RECEIVERS_DB[0][c] - RECEIVERS_DB[1][c])
        .collect();
    for (channel, truth) in found.channels.iter().zip(&truth) {
        assert!(
            (channel.difference_db - truth).abs() < 1e-9,
            "{channel:?} for {truth}"
        );
        assert_eq!(channel.blocks, 3);
        assert!(channel.standard_error_db.expect("several blocks") < 1e-9);
    }
    // 2.0, 1.2, 3.0, 2.8, 1.0, 2.9: the middle two are 2.0 and 2.8.
    assert!((found.median_db.expect("channels") - 2.4).abs() < 1e-9);
}

#[test]
fn antennas_that_were_not_swapped_are_refused() {
    let mut blocks = blocks(2);
    blocks[1][1] = blocks[1][0].clone();
    assert_eq!(
        side_by_side(&blocks).unwrap_err(),
        ReceiversError::NotSwapped { block: 2 }
    );
}

#[test]
fn a_gain_that_changed_on_one_receiver_is_refused_and_names_it() {
    let mut blocks = blocks(2);
    blocks[1][0].takes[1].settings.gains_db[0].1 = 33.0;
    let error = side_by_side(&blocks).unwrap_err();
    let text = error.to_string();
    assert!(
        text.starts_with("receiver 2: gain 37 dB at 507 MHz"),
        "{text}"
    );
}

/// A receiver that listens 27 ppm too high shows a pilot at 506.3 MHz some 13.7 kHz low, another 14 ppm too low one 7.1 kHz
/// high: further apart than one pilot may be found in two takes of one receiver.
#[test]
fn a_station_has_one_pilot_whatever_the_receivers_frequency_errors() {
    let mut blocks = blocks(2);
    for round in blocks.iter_mut().flatten() {
        for (take, ppm) in round.takes.iter_mut().zip([27.0, -14.0]) {
            let mut weak = exact(0, -20.0);
            let mut found = pilot(-20.0, 0.05);
            found.offset_hz = -ppm * 1e-6 * (weak.low_hz + 309_441.0);
            weak.pilot = Some(found);
            take.readings[0] = weak;
            take.frequency_error = Some(FrequencyReading {
                ppm,
                low_ppm: ppm - 0.1,
                high_ppm: ppm + 0.1,
                pilots: 5,
                agreement: Agreement::Majority,
                outlying: Vec::new(),
            });
        }
    }
    let (a, b) = side_by_side(&blocks).expect("swapped");
    for take in a.iter().chain(&b) {
        let offset_hz = take.readings[0].pilot.expect("a pilot").offset_hz;
        assert!(offset_hz.abs() < 20.0, "{offset_hz}");
    }
}
