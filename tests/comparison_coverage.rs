//! Whether nominal 95 % intervals hold the truth in 95 of 100 comparisons, and verdicts are wrong in no more than 5 of
//! 100 families: takes simulated with every error that the model names, true differences known.
//!
//! The long runs are ignored by default: `cargo test --test comparison_coverage -- --ignored --nocapture` prints the
//! tables of DEVELOPERS.md.

mod takes;

use gainsay::compare::{ErrorLaw, Options, Verdict, compare};
use gainsay::statistics;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{ChiSquared, Distribution};
use takes::world::{
    BAD_TAKE, CALM, CHANNELS_A_CLASS, CLASSES, RESTLESS, STEP, UNEVEN, WORLD, World, normal,
    simulate,
};

#[derive(Debug, Default, Clone, Copy)]
struct Tally {
    intervals: usize,
    held: usize,
    width_db: f64,
    bounds: usize,
    bounds_held: usize,
}

impl Tally {
    fn coverage(&self) -> f64 {
        self.held as f64 / self.intervals as f64
    }
}

struct Outcome {
    classes: [Tally; CLASSES.len()],
    families_wrong: f64,
    decided: f64,
}

/// `nothing`: all true differences are zero; else zero or up to 3 dB either way.
fn run(order: &str, world: &World, trials: usize, nothing: bool, seed: u64) -> Outcome {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let channels = CLASSES.len() * usize::from(CHANNELS_A_CLASS);
    let mut classes = [Tally::default(); CLASSES.len()];
    let (mut wrong, mut decided, mut decidable) = (0, 0, 0);
    for _ in 0..trials {
        let steps = [0.0, 0.3, -0.3, 1.0, -1.0, 3.0];
        let truth_db: Vec<f64> = (0..channels)
            .map(|_| {
                if nothing {
                    0.0
                } else {
                    steps[rng.random_range(0..steps.len())]
                }
            })
            .collect();
        let (a, b) = simulate(order, world, &truth_db, &mut rng);
        let comparison = compare(&a, &b, &Options::default()).expect("comparable");
        let mut family_wrong = false;
        for (index, (one, &truth)) in comparison.channels.iter().zip(&truth_db).enumerate() {
            let tally = &mut classes[index / usize::from(CHANNELS_A_CLASS)];
            match (one.difference_db, one.low_db, one.high_db) {
                (Some(_), Some(low), Some(high)) => {
                    tally.intervals += 1;
                    tally.held += usize::from(low <= truth && truth <= high);
                    tally.width_db += (high - low) / 2.0;
                }
                (None, low, high) if low.is_some() || high.is_some() => {
                    tally.bounds += 1;
                    tally.bounds_held += usize::from(
                        low.is_none_or(|low| low <= truth) && high.is_none_or(|high| truth <= high),
                    );
                }
                _ => {}
            }
            family_wrong |= match one.verdict {
                Verdict::A => truth <= 0.0,
                Verdict::B => truth >= 0.0,
                _ => false,
            };
            if truth.abs() > 0.5 {
                decidable += 1;
                decided += usize::from(matches!(one.verdict, Verdict::A | Verdict::B));
            }
        }
        wrong += usize::from(family_wrong);
    }
    Outcome {
        classes,
        families_wrong: wrong as f64 / trials as f64,
        decided: decided as f64 / f64::from(decidable.max(1)),
    }
}

/// 300 trials: a share of 0.95 of them has a standard deviation of √(0.95·0.05/300) = 0.0126, were the three channels of
/// a class wholly alike; four of these, either way, make 0.90 to 1. The law errs to the wide side by up to 0.02, so the
/// limit above is one that only intervals far too wide would break. Wrong families: 0.05 + 4·0.0126.
#[test]
fn intervals_of_four_blocks_hold_the_truth_about_as_often_as_they_say() {
    let result = run("ABBABAABABBABAAB", &WORLD, 300, false, 7);
    for ((name, _), tally) in CLASSES.iter().zip(result.classes).take(4) {
        assert_eq!(tally.intervals, 900, "{name}");
        let coverage = tally.coverage();
        assert!((0.90..=0.99).contains(&coverage), "{name}: {coverage}");
    }
    assert!(result.families_wrong <= 0.10, "{}", result.families_wrong);
    // Not by saying nothing: differences of 1 and 3 dB are found.
    assert!(result.decided > 0.5, "{}", result.decided);
}

/// 300 trials, limits as above. What is foreseen without a look at the block's repeats holds the truth in half of them there.
#[test]
fn intervals_of_one_block_hold_the_truth_where_people_walk_about() {
    for nothing in [false, true] {
        let result = run("ABBA", &RESTLESS, 300, nothing, 7);
        for ((name, _), tally) in CLASSES.iter().zip(result.classes).take(4) {
            let coverage = tally.coverage();
            assert!((0.90..=0.99).contains(&coverage), "{name}: {coverage}");
        }
        assert!(result.families_wrong <= 0.10, "{}", result.families_wrong);
    }
    // Not by saying nothing: in a quiet room differences of 1 and 3 dB are found by one block.
    let quiet = run("ABBA", &CALM, 100, false, 8);
    assert!(quiet.decided > 0.5, "{}", quiet.decided);
}

#[test]
#[ignore = "some minutes: prints the coverage table"]
fn coverage_lies_between_93_and_97_percent_in_each_class() {
    let designs = [
        ("one pair", "AB"),
        ("one block", "ABBA"),
        ("two blocks", "ABBABAAB"),
        ("four blocks", "ABBABAABABBABAAB"),
        ("six pairs A B", "ABABABABABAB"),
        ("4 A, then 4 B", "AAAABBBB"),
    ];
    let worlds = [
        ("ordinary", WORLD),
        ("calm", CALM),
        ("restless", RESTLESS),
        ("uneven", UNEVEN),
        ("bad take", BAD_TAKE),
        ("step", STEP),
    ];
    for (world_name, world) in worlds {
        println!("\n{world_name}: {world:?}");
        println!(
            "| takes | {} | wrong families | with no difference | found |",
            CLASSES.map(|c| c.0).join(" | ")
        );
        for (name, order) in designs {
            let result = run(order, &world, 2500, false, 11);
            let none = run(order, &world, 2500, true, 12);
            // What is promised: repeats in an ordinary room, one block and four in any that is only more or less steady. What
            // happens once, or in some channels only, makes intervals wider than they need be, or shows in the table.
            let steady = ["ordinary", "calm", "restless"].contains(&world_name);
            let promised = world_name == "ordinary" && name != "4 A, then 4 B";
            if promised || (steady && ["one block", "four blocks"].contains(&name)) {
                for tally in &result.classes[..4] {
                    let coverage = tally.coverage();
                    assert!(
                        (0.93..0.975).contains(&coverage),
                        "{world_name}, {name}: {coverage}"
                    );
                }
                assert!(
                    result.families_wrong <= 0.05,
                    "{world_name}, {name}: {}",
                    result.families_wrong
                );
                assert!(
                    none.families_wrong <= 0.05,
                    "{world_name}, {name}: {}",
                    none.families_wrong
                );
            }
            let cell = |tally: &Tally| {
                let bounds = if tally.bounds * 20 > tally.intervals {
                    format!(
                        "; {} bounds {:.1} %",
                        tally.bounds,
                        100.0 * tally.bounds_held as f64 / tally.bounds as f64
                    )
                } else {
                    String::new()
                };
                format!(
                    "{:.1} % (±{:.2} dB{bounds})",
                    100.0 * tally.coverage(),
                    tally.width_db / tally.intervals as f64
                )
            };
            println!(
                "| {name} | {} | {:.1} % | {:.1} % | {:.0} % |",
                result
                    .classes
                    .iter()
                    .map(cell)
                    .collect::<Vec<_>>()
                    .join(" | "),
                100.0 * result.families_wrong,
                100.0 * none.families_wrong,
                100.0 * result.decided
            );
        }
    }
}

/// The figures in the docs of `compare/law.rs`: a mean of n blocks whose true standard deviation is `ratio` times the
/// type B part, over both ways of making its interval.
#[test]
#[ignore = "prints the table that the choice of the error's law rests on"]
fn the_sum_of_laws_covers_where_effective_degrees_of_freedom_fail() {
    let mut rng = ChaCha8Rng::seed_from_u64(5);
    let trials = 20_000;
    println!(
        "| blocks | true spread of the mean ÷ type B | effective dof: covers | 0.005 is | sum: covers | 0.005 is |"
    );
    for blocks in [2.0, 3.0, 4.0, 6.0] {
        let freedom = blocks - 1.0;
        for ratio in [0.5, 1.0, 2.0, 3.0, 5.0, 10.0] {
            let (mut effective, mut sum) = ([0usize; 2], [0usize; 2]);
            for _ in 0..trials {
                let error = normal(&mut rng) + ratio * normal(&mut rng);
                let squares: f64 = ChiSquared::new(freedom).expect("freedom").sample(&mut rng);
                let spread = ratio * (squares / freedom).sqrt();
                let effective_freedom = statistics::truncated(statistics::welch_satterthwaite([
                    (spread, freedom),
                    (1.0, f64::INFINITY),
                ]));
                let by_effective = 2.0
                    * statistics::student_upper_tail(
                        error.abs() / spread.hypot(1.0),
                        effective_freedom,
                    );
                let by_sum = ErrorLaw::new(spread, freedom, 1.0).two_sided(error);
                for (counts, p) in [(&mut effective, by_effective), (&mut sum, by_sum)] {
                    counts[0] += usize::from(p > 0.05);
                    counts[1] += usize::from(p <= 0.005);
                }
            }
            let share = |count: usize| count as f64 / trials as f64;
            println!(
                "| {blocks} | {ratio} | {:.1} % | {:.4} | {:.1} % | {:.4} |",
                100.0 * share(effective[0]),
                share(effective[1]),
                100.0 * share(sum[0]),
                share(sum[1])
            );
            assert!(
                share(sum[0]) > 0.945 && share(sum[1]) < 0.0065,
                "{blocks} blocks, {ratio}"
            );
        }
    }
}
