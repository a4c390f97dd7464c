//! Antennas of different days, tied by one that was taken on both: coverage with known truth, bounds, sessions, refusals.

mod takes;

use gainsay::compare::{
    CompareError, Comparison, ErrorLaw, Options, OverTime, TieError, TieOptions, TiedComparison,
    Verdict, compare, compare_over_time,
};
use gainsay::reading::Take;
use jiff::SignedDuration;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use takes::world::normal;
use takes::{NOISE, RELATIVE_ERROR, ratio, reading, take};

const DAY: f64 = 24.0 * 60.0;
const BLOCKS: &str = "ABBABAABABBABAAB";

/// An antenna (`A` in the order) and the tie (`B`) in turn from a minute on: their takes.
///
/// `cn_db(is_tie, minute, channel)`; channels are 20, 21 …
fn session(
    antenna: &str,
    order: &str,
    begins: f64,
    channels: u16,
    mut cn_db: impl FnMut(bool, f64, u16) -> f64,
) -> [Vec<Take>; 2] {
    let mut made = [Vec::new(), Vec::new()];
    for (place, which) in order.chars().enumerate() {
        let (minute, is_tie) = (begins + place as f64, which == 'B');
        let readings = (20..20 + channels)
            .map(|channel| {
                let power = NOISE * (1.0 + ratio(cn_db(is_tie, minute, channel)));
                reading(channel, power, NOISE, 0.0)
            })
            .collect();
        let name = if is_tie { "rabbit ears" } else { antenna };
        made[usize::from(is_tie)].push(take(name, minute, readings));
    }
    made
}

fn over_time(a: &[Take], b: &[Take], tie: &[Take]) -> Result<OverTime, TieError> {
    compare_over_time(a, b, tie, &Options::default(), &TieOptions::default())
}

fn tied(a: &[Take], b: &[Take], tie: &[Take]) -> TiedComparison {
    match over_time(a, b, tie).expect("comparable") {
        OverTime::Tied(tied) => *tied,
        OverTime::Direct(_) => panic!("compared directly"),
    }
}

fn wobble(minute: f64, channel: u16) -> f64 {
    0.05 * (12.9898 * minute + 78.233 * f64::from(channel)).sin()
}

/// The old loop on day 0, the new one a week later, when the receiver's gain is 6 dB less and channel 21 has 4 dB more power.
fn two_weeks(old_db: f64, new_db: f64) -> ([Vec<Take>; 2], [Vec<Take>; 2]) {
    let then = session("old loop", BLOCKS, 0.0, 3, |tie, minute, channel| {
        25.0 + if tie { 0.0 } else { old_db } + wobble(minute, channel)
    });
    let mut now = session("new loop", BLOCKS, 7.0 * DAY, 3, |tie, minute, channel| {
        let station_db = if channel == 21 { 4.0 } else { 0.0 };
        19.0 + station_db + if tie { 0.0 } else { new_db } + wobble(minute, channel)
    });
    for take in now.iter_mut().flatten() {
        take.settings.gains_db = vec![(473e6, 20.0)];
        take.settings.sample_rate_hz = 2.0e6;
        take.settings.dwell_s = 0.05;
    }
    (then, now)
}

#[test]
fn what_changed_between_the_days_cancels_and_settings_may_differ() {
    let ([old, tie_then], [new, tie_now]) = two_weeks(1.0, 4.0);
    let tie = [tie_then, tie_now].concat();
    let result = tied(&new, &old, &tie);
    let [first, second] = &result.halves;
    for one in &result.comparison.channels {
        let difference = one.difference_db.expect("a difference");
        assert!((difference - 3.0).abs() < 0.1, "{difference}");
        assert_eq!(one.verdict, Verdict::A);
        // The difference is that of both halves; the squares of the budget add up (JCGM 100:2008, 5.1.2).
        let half = |of: &Comparison| {
            let there = of
                .channels
                .iter()
                .find(|other| other.channel == one.channel);
            there
                .expect("the channel")
                .difference_db
                .expect("a difference")
        };
        assert!((half(first) - half(second) - difference).abs() < 1e-12);
        let squares: f64 = one
            .budget
            .iter()
            .map(|row| row.contribution_db().powi(2))
            .sum();
        assert!((squares.sqrt() - one.standard_uncertainty_db.expect("one")).abs() < 1e-12);
        let tie_row = one
            .budget
            .iter()
            .find(|row| row.source.starts_with("tie rabbit ears the same"));
        assert_eq!(tie_row.expect("the tie's row").standard_uncertainty_db, 0.5);
    }
    // The other way round it is the same with the other sign.
    let back = tied(&old, &new, &tie);
    for (one, other) in result
        .comparison
        .channels
        .iter()
        .zip(&back.comparison.channels)
    {
        let sum = one.difference_db.expect("one") + other.difference_db.expect("one");
        assert!(sum.abs() < 1e-12);
        assert!((one.low_db.expect("one") + other.high_db.expect("one")).abs() < 1e-9);
        assert!((one.p.expect("one") - other.p.expect("one")).abs() < 1e-12);
    }
    // Straight against each other the change between the days would pass for a difference; here it is refused for the gain.
    let straight = compare(&new, &old, &Options::default());
    assert!(
        matches!(straight, Err(CompareError::Differs { .. })),
        "{straight:?}"
    );
}

/// Source: Monte Carlo by JCGM 101:2008: sums of 400 000 draws of two t variables and a normal one. Standard error of a
/// probability of 0.05: 0.00034; a 95 % half width is then known to about 0.5 %.
#[test]
fn the_interval_is_that_of_the_sum_of_both_laws_and_the_ties() {
    let ([old, tie_then], [new, tie_now]) = two_weeks(1.0, 4.0);
    let result = tied(&new, &old, &[tie_then, tie_now].concat());
    let mut rng = ChaCha8Rng::seed_from_u64(3);
    let one = &result.comparison.channels[0];
    let t = |freedom: f64, rng: &mut ChaCha8Rng| {
        let squares: f64 = (0..freedom as usize).map(|_| normal(rng).powi(2)).sum();
        normal(rng) / (squares / freedom).sqrt()
    };
    let mut draws: Vec<f64> = (0..400_000)
        .map(|_| {
            (one.budget.iter())
                .map(|row| {
                    let size = row.contribution_db();
                    if row.source.contains("spread of") {
                        size * t(row.degrees_of_freedom, &mut rng)
                    } else {
                        size * normal(&mut rng)
                    }
                })
                .sum::<f64>()
                .abs()
        })
        .collect();
    draws.sort_by(f64::total_cmp);
    let wanted = draws[(0.95 * draws.len() as f64) as usize];
    let half = (one.high_db.expect("an end") - one.low_db.expect("an end")) / 2.0;
    assert!((half / wanted - 1.0).abs() < 0.01, "{half} for {wanted}");
    let naive = ErrorLaw::new(0.0, f64::INFINITY, 0.5).half_width(0.95);
    assert!(half > naive, "{half}: no less than the tie's own");
}

#[test]
fn a_half_that_is_a_bound_makes_a_bound_and_one_that_is_nothing_says_why() {
    // Channel 20: the tie shows nothing on A's day. Channel 21: A shows nothing. Channel 22: nothing at all on A's day.
    let [new, tie_now] = session(
        "new loop",
        BLOCKS,
        7.0 * DAY,
        3,
        |tie, minute, channel| match (channel, tie) {
            (20, true) | (21, false) | (22, _) => -60.0,
            _ => 20.0 + wobble(minute, channel),
        },
    );
    let [old, tie_then] = session("old loop", BLOCKS, 0.0, 3, |tie, minute, channel| {
        20.0 + if tie { 1.0 } else { 0.0 } + wobble(minute, channel)
    });
    let result = tied(&new, &old, &[tie_then, tie_now].concat());
    let [at_least, at_most, none] = result.comparison.channels.as_slice() else {
        panic!("three channels");
    };
    assert!(at_least.difference_db.is_none() && at_least.high_db.is_none());
    let low = at_least.low_db.expect("a bound");
    // The half says so much alone: the bound of the sum is no sharper, and no more than 2 dB blunter.
    let half = result.halves[0].channels[0].low_db.expect("a bound") + 1.0;
    assert!(low < half && low > half - 2.0, "{low} for {half}");
    assert_eq!(at_least.verdict, Verdict::A);
    assert!(at_most.low_db.is_none() && at_most.high_db.is_some_and(|high| high < -10.0));
    assert_eq!(at_most.verdict, Verdict::B);
    assert_eq!(none.verdict, Verdict::NotComparable);
    let reason = none.reason.as_deref().expect("a reason");
    assert!(
        reason.contains("2024-05-08") && reason.contains("nothing found"),
        "{reason}"
    );
}

#[test]
fn antennas_of_one_session_are_compared_directly() {
    let ([old, tie_then], [mut new, _]) = two_weeks(1.0, 4.0);
    let [again, _] = session("new loop", "AAAA", 30.0, 3, |_, minute, channel| {
        27.0 + wobble(minute, channel)
    });
    new.extend(again);
    let OverTime::Direct(comparison) = over_time(&new, &old, &tie_then).expect("comparable") else {
        panic!("tied");
    };
    assert_eq!((comparison.takes_a, comparison.takes_b), (4, 8));
    let said = &comparison.remarks[0];
    assert!(
        said.contains("one session (2024-05-01)") && said.contains("8 take(s)"),
        "{said}"
    );
    // With shorter sessions they are none.
    let short = TieOptions {
        session: SignedDuration::from_mins(10),
        ..TieOptions::default()
    };
    let refused = compare_over_time(&new[8..], &old, &tie_then, &Options::default(), &short);
    assert!(
        matches!(refused, Err(TieError::NoTie { .. })),
        "{refused:?}"
    );
}

#[test]
fn the_latest_session_with_the_tie_counts_and_the_rest_is_named() {
    let ([old, tie_then], [new, tie_now]) = two_weeks(1.0, 4.0);
    // The new loop was taken earlier with the tie, 2 dB worse, and later without it.
    let [earlier, tie_earlier] =
        session("new loop", BLOCKS, 3.0 * DAY, 3, |tie, minute, channel| {
            25.0 + if tie { 0.0 } else { 2.0 } + wobble(minute, channel)
        });
    let [later, _] = session("new loop", "AA", 9.0 * DAY, 3, |_, _, _| 25.0);
    let all_new = [earlier, new, later].concat();
    let tie = [tie_then, tie_earlier, tie_now].concat();
    let result = tied(&all_new, &old, &tie);
    let difference = result.comparison.channels[0]
        .difference_db
        .expect("a difference");
    assert!((difference - 3.0).abs() < 0.1, "{difference}");
    assert!(
        (result.comparison.remarks.iter()).any(|said| said.contains("latest session")
            && said.contains("10 take(s)")
            && said.contains("2024-05-08")),
        "{:?}",
        result.comparison.remarks
    );
    // One antenna at two times: named by its days.
    let same = tied(&all_new[8..16], &all_new[..8], &tie);
    assert_eq!(same.comparison.a, "new loop of 2024-05-08");
    assert_eq!(same.comparison.b, "new loop of 2024-05-04");
}

#[test]
fn what_cannot_be_tied_says_what_to_do() {
    let ([old, tie_then], [new, mut tie_now]) = two_weeks(1.0, 4.0);
    let message = |result: Result<OverTime, TieError>| result.expect_err("refused").to_string();
    let said = message(over_time(&new, &old, &tie_then));
    for words in [
        "rabbit ears",
        "new loop",
        "2024-05-08",
        "2024-05-01",
        "take it on the day",
    ] {
        assert!(said.contains(words), "{words}: {said}");
    }
    let both = [tie_then.clone(), tie_now.clone()].concat();
    assert!(message(over_time(&new, &tie_then, &both)).contains("is one of the antennas"));
    assert!(message(over_time(&new, &[], &both)).contains("no take of antenna B"));
    for take in &mut tie_now {
        take.settings.dwell_s = 0.5;
    }
    let within = message(over_time(&new, &old, &[tie_then.clone(), tie_now].concat()));
    assert!(within.contains("the dwell differs"), "{within}");
    let mut elsewhere = both.clone();
    elsewhere[0].spot = "roof".to_owned();
    assert!(message(over_time(&new, &old, &elsewhere)).contains("the spot differs"));
    let mut planned = both.clone();
    planned[0].settings.plan = "europe".to_owned();
    assert!(message(over_time(&new, &old, &planned)).contains("the channel plan differs"));
    let wrong = TieOptions {
        steadiness_db: f64::NAN,
        ..TieOptions::default()
    };
    let result = compare_over_time(&new, &old, &both, &Options::default(), &wrong);
    assert!(message(result).contains("tie's steadiness"));
}

/// C/N of the tie by channel, four channels a class.
const CLASSES_DB: [f64; 3] = [25.0, 8.0, 0.0];

struct Measured {
    /// Share of intervals that hold the truth, by class.
    coverage: [f64; 3],
    /// Share of families with a wrong verdict.
    wrong: f64,
    /// Share of differences of 3 dB that get a verdict.
    found: f64,
}

/// Two days with every error that the model names; receiver and stations change by several dB between them.
fn simulate(order: &str, trials: usize, nothing: bool, seed: u64) -> Measured {
    const CHANNELS: usize = 12;
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let (mut held, mut intervals) = ([0usize; 3], [0usize; 3]);
    let (mut wrong, mut found, mut large) = (0usize, 0usize, 0usize);
    for _ in 0..trials {
        let truth: Vec<f64> = (0..CHANNELS)
            .map(|_| {
                if nothing {
                    0.0
                } else {
                    [0.0, 1.0, -1.0, 3.0][rng.random_range(0..4)]
                }
            })
            .collect();
        let tie_changed: Vec<f64> = (0..CHANNELS).map(|_| 0.5 * normal(&mut rng)).collect();
        let base: Vec<f64> = (0..CHANNELS).map(|_| 2.0 * normal(&mut rng)).collect();
        let mut day = |antenna: &str, begins: f64, is_a: bool| {
            let fixed = 0.1 * normal(&mut rng);
            let receiver = 3.0 * normal(&mut rng);
            let station: Vec<f64> = (0..CHANNELS).map(|_| 2.0 * normal(&mut rng)).collect();
            let drift = 0.03 * normal(&mut rng);
            let (mut mated, mut at) = (0.0, f64::NAN);
            session(
                antenna,
                order,
                begins,
                CHANNELS as u16,
                |tie, minute, channel| {
                    if minute != at {
                        (mated, at) = (0.1 * normal(&mut rng), minute);
                    }
                    let channel = usize::from(channel - 20);
                    let class = CLASSES_DB[channel / 4];
                    // Receiver and stations change what is there; classes stay what they are within half of it.
                    let common =
                        class + (receiver + station[channel]) / 2.0 + drift * (minute - begins);
                    let own = match (tie, is_a) {
                        (true, true) => tie_changed[channel],
                        (true, false) => 0.0,
                        (false, true) => base[channel] / 4.0 + truth[channel] + fixed,
                        (false, false) => base[channel] / 4.0 + fixed,
                    };
                    let statistics = 10.0 * (1.0 + RELATIVE_ERROR * normal(&mut rng)).log10();
                    common + own + mated + 0.2 * normal(&mut rng) + statistics
                },
            )
        };
        let [b, tie_then] = day("B", 0.0, false);
        let [a, tie_now] = day("A", 30.0 * DAY, true);
        let result = tied(&a, &b, &[tie_then, tie_now].concat());
        let mut family_wrong = false;
        for (place, (one, &truth)) in result.comparison.channels.iter().zip(&truth).enumerate() {
            if let (Some(low), Some(high)) = (one.low_db, one.high_db) {
                intervals[place / 4] += 1;
                held[place / 4] += usize::from(low <= truth && truth <= high);
            }
            family_wrong |= match one.verdict {
                Verdict::A => truth <= 0.0,
                Verdict::B => truth >= 0.0,
                _ => false,
            };
            if truth > 2.0 {
                large += 1;
                found += usize::from(one.verdict == Verdict::A);
            }
        }
        wrong += usize::from(family_wrong);
    }
    let share = |part: usize, of: usize| part as f64 / of.max(1) as f64;
    Measured {
        coverage: [0, 1, 2].map(|class| share(held[class], intervals[class])),
        wrong: share(wrong, trials),
        found: share(found, large),
    }
}

/// 60 trials of four channels a class: 240 intervals, a share of 0.95 of them known to 0.014, were they independent. A tie
/// that changes is in the four of them by itself each.
#[test]
fn tied_intervals_hold_the_truth_about_as_often_as_they_say() {
    let measured = simulate(BLOCKS, 60, false, 5);
    for coverage in measured.coverage {
        assert!((0.89..=1.0).contains(&coverage), "{:?}", measured.coverage);
    }
    assert!(measured.wrong <= 0.05 + 4.0 * 0.028, "{}", measured.wrong);
    // Not by saying nothing.
    assert!(measured.found > 0.5, "{}", measured.found);
}

#[test]
#[ignore = "some minutes: prints coverage and wrong verdicts over time"]
fn coverage_over_time_is_what_is_promised() {
    println!(
        "| takes a day | 25 dB | 8 dB | 0 dB | wrong families | with no difference | 3 dB found |"
    );
    for (name, order) in [("two blocks", "ABBABAAB"), ("four blocks", BLOCKS)] {
        let mixed = simulate(order, 400, false, 6);
        let none = simulate(order, 400, true, 7);
        println!(
            "| {name} | {} | {:.1} % | {:.1} % | {:.0} % |",
            mixed
                .coverage
                .map(|share| format!("{:.1} %", 100.0 * share))
                .join(" | "),
            100.0 * mixed.wrong,
            100.0 * none.wrong,
            100.0 * mixed.found
        );
        assert!(
            mixed.wrong <= 0.05 && none.wrong <= 0.05,
            "{} {}",
            mixed.wrong,
            none.wrong
        );
        for coverage in mixed.coverage {
            // Two blocks a day have one degree of freedom a half, and err far to the wide side.
            let most = if name == "two blocks" { 1.0 } else { 0.985 };
            assert!((0.93..=most).contains(&coverage), "{:?}", mixed.coverage);
        }
    }
}
