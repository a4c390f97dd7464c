//! Looking after every block and stopping at the first win: how often that wins where there is nothing to win.
//!
//! Families of 15 channels without any true difference, simulated with every error that the comparison's model names. The
//! long run is ignored by default: `cargo test --test trial_looks -- --ignored --nocapture` prints the tables of
//! DEVELOPERS.md.

mod takes;

use gainsay::compare::{Options, Verdict, compare};
use gainsay::reading::Take;
use gainsay::trial::look::{Advice, look};
use gainsay::trial::spending;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use takes::world::{CALM, CHANNELS_A_CLASS, CLASSES, RESTLESS, WORLD, World, simulate};

const CHANNELS: usize = CLASSES.len() * CHANNELS_A_CLASS as usize;
const ALPHA: f64 = 0.05;

fn order(blocks: usize) -> String {
    ["ABBA", "BAAB"]
        .iter()
        .cycle()
        .take(blocks)
        .copied()
        .collect()
}

/// The takes of the first `blocks` blocks: two of either antenna in each.
fn so_far(takes: &[Take], blocks: usize) -> &[Take] {
    &takes[..2 * blocks]
}

/// One trial: at each look, from the first block on, the adjusted probability of each channel (1 where there is none).
fn trial(world: &World, planned: usize, truth_db: &[f64], rng: &mut ChaCha8Rng) -> Vec<Vec<f64>> {
    let (a, b) = simulate(&order(planned), world, truth_db, rng);
    (1..=planned)
        .map(|blocks| {
            let comparison = compare(so_far(&a, blocks), so_far(&b, blocks), &Options::default());
            let channels = comparison.expect("comparable").channels;
            channels
                .iter()
                .map(|one| one.p_adjusted.unwrap_or(1.0))
                .collect()
        })
        .collect()
}

/// Whether anything wins at any look, at these levels by look.
fn any_win(looks: &[Vec<f64>], levels: &[f64]) -> bool {
    let wins = |(look, level): (&Vec<f64>, &f64)| look.iter().any(|p| *level > 0.0 && p <= level);
    looks.iter().zip(levels).any(wins)
}

fn levels(planned: usize) -> Vec<f64> {
    (1..=planned)
        .map(|blocks| spending::level(ALPHA, blocks, planned))
        .collect()
}

/// 300 families: 5 % have a standard deviation of 1.26 %; the limit lies two of these above what is promised, and far under
/// the share without correction, which the same takes must show, or the test would show nothing.
#[test]
fn looking_early_makes_no_false_wins_and_without_correction_would() {
    let mut rng = ChaCha8Rng::seed_from_u64(31);
    let (mut corrected, mut plain) = (0, 0);
    let trials = 300;
    for _ in 0..trials {
        let looks = trial(&WORLD, 4, &[0.0; CHANNELS], &mut rng);
        corrected += usize::from(any_win(&looks, &levels(4)));
        plain += usize::from(any_win(&looks, &[ALPHA; 4]));
    }
    let share = |count: usize| count as f64 / f64::from(trials);
    assert!(share(corrected) <= 0.075, "{}", share(corrected));
    assert!(share(plain) > 0.075, "{}", share(plain));
}

#[test]
fn a_look_gives_its_verdicts_at_its_own_level_and_its_intervals_at_the_usual_one() {
    let mut rng = ChaCha8Rng::seed_from_u64(5);
    let truth: Vec<f64> = (0..CHANNELS).map(|c| [0.0, 0.6, 3.0][c % 3]).collect();
    let (a, b) = simulate(&order(4), &CALM, &truth, &mut rng);
    let mut wins = Vec::new();
    for blocks in 1..=4 {
        let (a, b) = (so_far(&a, blocks), so_far(&b, blocks));
        let look = look(a, b, blocks, 4, &Options::default()).expect("comparable");
        let plain = compare(a, b, &Options::default()).expect("comparable");
        let level = spending::level(ALPHA, blocks, 4);
        assert!((look.comparison.verdict_level - level).abs() < 1e-15);
        for (one, usual) in look.comparison.channels.iter().zip(&plain.channels) {
            assert_eq!(
                (one.low_db, one.high_db, one.p_adjusted),
                (usual.low_db, usual.high_db, usual.p_adjusted)
            );
            let won = matches!(one.verdict, Verdict::A | Verdict::B);
            assert_eq!(
                won,
                one.p_adjusted.is_some_and(|p| level > 0.0 && p <= level),
                "{}",
                one.channel
            );
        }
        wins.push(look.comparison.summary.a_better + look.comparison.summary.b_better);
    }
    assert_eq!(wins[0], 0, "{wins:?}");
    assert!(wins[3] >= 5, "{wins:?}");
}

#[test]
fn a_look_says_when_to_stop() {
    // 3 dB in every channel and nothing that varies: decided as soon as verdicts are given.
    let (a, b) = takes::trial(
        "ABBABAAB",
        4,
        |antenna, _, _| if antenna == 'A' { 23.0 } else { 20.0 },
    );
    let advice = |blocks, planned| {
        look(
            so_far(&a, blocks),
            so_far(&b, blocks),
            blocks,
            planned,
            &Options::default(),
        )
        .expect("comparable")
        .advice
    };
    assert_eq!(advice(1, 4), Advice::GoOn);
    assert_eq!(advice(2, 4), Advice::AllDecided);
    assert_eq!(advice(2, 2), Advice::Done);
    // No difference at all: the mating alone is more, however many blocks there are.
    let (a, b) = takes::trial("ABBABAAB", 4, |_, _, _| 20.0);
    let look = look(&a, &b, 2, 4, &Options::default()).expect("comparable");
    assert_eq!(look.advice, Advice::WontHelp);
}

#[test]
#[ignore = "some minutes: prints the tables of false wins and of what is found"]
fn looking_early_makes_no_more_false_wins_than_looking_once_at_the_end() {
    let trials = 2000;
    println!("false wins, % of {trials} families of {CHANNELS} channels without a difference");
    println!(
        "| world | blocks planned | 5 % at every look | the same from block 2 on | corrected | 5 % at the end alone |"
    );
    for (name, world) in [("ordinary", WORLD), ("calm", CALM), ("restless", RESTLESS)] {
        for planned in [4, 6] {
            let mut rng = ChaCha8Rng::seed_from_u64(17);
            let mut from_two = vec![ALPHA; planned];
            from_two[0] = 0.0;
            let mut at_end = vec![0.0; planned];
            at_end[planned - 1] = ALPHA;
            let ways = [vec![ALPHA; planned], from_two, levels(planned), at_end];
            let mut wins = [0usize; 4];
            for _ in 0..trials {
                let looks = trial(&world, planned, &[0.0; CHANNELS], &mut rng);
                for (count, levels) in wins.iter_mut().zip(&ways) {
                    *count += usize::from(any_win(&looks, levels));
                }
            }
            let percent = wins.map(|count| 100.0 * count as f64 / f64::from(trials));
            println!(
                "| {name} | {planned} | {} |",
                percent.map(|p| format!("{p:.1}")).join(" | ")
            );
            // In the restless world the comparison itself is at its limit; a standard deviation is 0.5 %.
            let limit = if name == "restless" {
                percent[3] + 1.0
            } else {
                100.0 * ALPHA
            };
            assert!(percent[2] <= limit, "{name}, {planned}: {percent:?}");
        }
    }
    println!("\nfound, % of channels that differ by 1 or 3 dB (4 blocks planned)");
    println!("| world | after block 2 | 3 | 4 | after block 4, 5 % at the end alone |");
    for (name, world) in [("ordinary", WORLD), ("calm", CALM), ("restless", RESTLESS)] {
        let mut rng = ChaCha8Rng::seed_from_u64(18);
        let (mut found, mut of) = ([0usize; 4], 0);
        for _ in 0..400 {
            let steps = [0.0, 1.0, -1.0, 3.0];
            let truth: Vec<f64> = (0..CHANNELS)
                .map(|_| steps[rng.random_range(0..4)])
                .collect();
            let looks = trial(&world, 4, &truth, &mut rng);
            let levels = levels(4);
            for channel in (0..CHANNELS).filter(|&channel| truth[channel] != 0.0) {
                of += 1;
                let at = |look: usize, level: f64| usize::from(looks[look][channel] <= level);
                let won = [
                    at(1, levels[1]),
                    at(2, levels[2]),
                    at(3, levels[3]),
                    at(3, ALPHA),
                ];
                for (count, one) in found.iter_mut().zip(won) {
                    *count += one;
                }
            }
        }
        let percent = found.map(|count| format!("{:.0}", 100.0 * count as f64 / of as f64));
        println!("| {name} | {} |", percent.join(" | "));
    }
}
