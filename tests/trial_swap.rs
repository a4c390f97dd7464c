//! How often a forgotten swap is seen, and how often one is seen where none was forgotten.
//!
//! The long run is ignored by default: `cargo test --test trial_swap -- --ignored --nocapture` prints the table of
//! DEVELOPERS.md.

mod takes;

use gainsay::compare::Antenna;
use gainsay::reading::Take;
use gainsay::trial::Plan;
use gainsay::trial::order::other;
use gainsay::trial::swap::{Case, Doubt, doubt};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use takes::world::{CALM, CHANNELS_A_CLASS, CLASSES, RESTLESS, WORLD, World, simulate};

const CHANNELS: usize = CLASSES.len() * CHANNELS_A_CLASS as usize;
/// The first take that is asked to be of B, and a later one after a swap of the plug (ABBA BAAB, from 0).
const FIRST_B: usize = 1;
const LATER_B: usize = 4;

/// How two antennas differ.
#[derive(Debug, Clone, Copy)]
enum Differ {
    /// By so many dB in all channels alike.
    Alike(f64),
    /// By so many dB, one way or the other by channel.
    EitherWay(f64),
}

fn truth(differ: Differ, rng: &mut ChaCha8Rng) -> Vec<f64> {
    (0..CHANNELS)
        .map(|_| match differ {
            Differ::Alike(db) => db,
            Differ::EitherWay(db) if rng.random() => db,
            Differ::EitherWay(db) => -db,
        })
        .collect()
}

fn planned() -> Vec<Antenna> {
    Plan::of_one(4)
        .steps
        .iter()
        .map(|step| step.connected[0])
        .collect()
}

/// The takes that come of these antennas really connected, in order.
fn takes_of(
    connected: &[Antenna],
    world: &World,
    truth_db: &[f64],
    rng: &mut ChaCha8Rng,
) -> Vec<Take> {
    let letters: String = connected
        .iter()
        .map(|one| if *one == Antenna::A { 'A' } else { 'B' })
        .collect();
    let (a, b) = simulate(&letters, world, truth_db, rng);
    let mut takes: Vec<Take> = a.into_iter().chain(b).collect();
    takes.sort_by_key(|take| take.taken_at);
    takes
}

/// The doubt about take `index`, where the earlier ones are of the antennas that were asked for.
fn doubt_about(index: usize, takes: &[Take]) -> Option<Doubt> {
    let should = planned();
    let of = |antenna| {
        (takes[..index].iter().zip(&should))
            .filter(|(_, one)| **one == antenna)
            .map(|(take, _)| take)
            .collect()
    };
    doubt(&[Case {
        take: &takes[index],
        same: of(should[index]),
        other: of(other(should[index])),
    }])
}

/// Shares in 0 to 1.
#[derive(Debug, Clone, Copy)]
struct Rates {
    /// Doubted though right: the first take of B.
    wolf_first: f64,
    /// Doubted though right: any later take, by the take.
    wolf_later: f64,
    /// Not doubted though it was A: the first take of B.
    missed_first: f64,
    /// Not doubted though it was A: a later one.
    missed_later: f64,
}

fn rates(differ: Differ, world: &World, trials: usize, seed: u64) -> Rates {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let mut counts = [0usize; 4];
    let mut later = 0;
    for _ in 0..trials {
        let truth = truth(differ, &mut rng);
        let right = takes_of(&planned(), world, &truth, &mut rng);
        counts[0] += usize::from(doubt_about(FIRST_B, &right).is_some());
        for index in FIRST_B + 1..right.len() {
            later += 1;
            counts[1] += usize::from(doubt_about(index, &right).is_some());
        }
        for (count, forgotten) in [(2, FIRST_B), (3, LATER_B)] {
            let mut connected = planned();
            connected[forgotten] = Antenna::A;
            let wrong = takes_of(&connected, world, &truth, &mut rng);
            counts[count] += usize::from(doubt_about(forgotten, &wrong).is_none());
        }
    }
    let of = |count: usize, total: usize| count as f64 / total as f64;
    Rates {
        wolf_first: of(counts[0], trials),
        wolf_later: of(counts[1], later),
        missed_first: of(counts[2], trials),
        missed_later: of(counts[3], trials),
    }
}

/// 200 trials: the limits leave room of some standard deviations about the figures of the long run.
#[test]
fn three_decibels_are_never_taken_for_a_forgotten_swap_and_a_forgotten_one_is_seen() {
    let found = rates(Differ::EitherWay(3.0), &WORLD, 200, 3);
    assert!(
        found.wolf_first < 0.02 && found.wolf_later < 0.002,
        "{found:?}"
    );
    assert!(
        found.missed_first < 0.05 && found.missed_later < 0.01,
        "{found:?}"
    );
}

#[test]
fn antennas_that_are_alike_are_doubted_at_the_first_swap_and_left_alone_later() {
    let found = rates(Differ::Alike(0.0), &WORLD, 200, 4);
    assert!(found.wolf_first > 0.9, "{found:?}");
    assert!(found.wolf_later < 0.05, "{found:?}");
}

#[test]
fn there_is_nothing_to_doubt_without_a_take_of_the_other_antenna_or_a_strong_channel() {
    let mut rng = ChaCha8Rng::seed_from_u64(1);
    let takes = takes_of(&planned(), &CALM, &[0.0; CHANNELS], &mut rng);
    let alone = Case {
        take: &takes[3],
        same: vec![&takes[0]],
        other: Vec::new(),
    };
    assert_eq!(doubt(&[alone]), None);
    let silent: Vec<Take> = takes
        .iter()
        .map(|take| {
            let mut take = take.clone();
            take.readings
                .iter_mut()
                .for_each(|reading| reading.found = false);
            take
        })
        .collect();
    let case = Case {
        take: &silent[1],
        same: Vec::new(),
        other: vec![&silent[0]],
    };
    assert_eq!(doubt(&[case]), None);
}

/// Two receivers that differ by 2 dB, the plugs not swapped: each reads what it read before.
#[test]
fn with_two_receivers_a_forgotten_swap_shows_on_both() {
    let level = |receiver: usize, antenna: char| if antenna == 'A' { 23.0 } else { 20.0 } + 2.0 * receiver as f64;
    let one = |receiver: usize, antenna: char| {
        let (a, b) = takes::trial(&antenna.to_string(), 5, |antenna, _, _| {
            level(receiver, antenna)
        });
        a.into_iter().chain(b).next().expect("a take")
    };
    let first = [one(0, 'A'), one(1, 'B')];
    let about = |second: [Take; 2]| {
        let cases = [0, 1].map(|receiver| Case {
            take: &second[receiver],
            same: Vec::new(),
            other: vec![&first[receiver]],
        });
        doubt(&cases)
    };
    let forgotten = about([one(0, 'A'), one(1, 'B')]).expect("a doubt");
    assert_eq!(forgotten.channels, 10);
    assert!(forgotten.from_other_db < 1e-9);
    assert_eq!(about([one(0, 'B'), one(1, 'A')]), None);
}

#[test]
#[ignore = "a minute: prints the table of doubts"]
fn how_often_it_cries_wolf_and_how_often_it_misses() {
    println!(
        "% of 2000 trials; doubted though right: first B, later takes (each); missed: first B, later B"
    );
    println!(
        "| world | antennas differ by | wolf, first B | wolf, later | missed, first B | missed, later |"
    );
    for (name, world) in [("ordinary", WORLD), ("calm", CALM), ("restless", RESTLESS)] {
        for differ in [
            Differ::Alike(0.0),
            Differ::Alike(0.5),
            Differ::Alike(1.0),
            Differ::Alike(3.0),
            Differ::EitherWay(0.5),
            Differ::EitherWay(1.0),
            Differ::EitherWay(3.0),
        ] {
            let found = rates(differ, &world, 2000, 9);
            let cells = [
                found.wolf_first,
                found.wolf_later,
                found.missed_first,
                found.missed_later,
            ];
            println!(
                "| {name} | {differ:?} | {} |",
                cells
                    .map(|share| format!("{:.1}", 100.0 * share))
                    .join(" | ")
            );
        }
    }
}
