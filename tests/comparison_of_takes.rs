//! What a comparison does with takes: blocks, bounds, refusals, verdicts, budgets, sentences.

mod takes;

use gainsay::channels::ChannelId;
use gainsay::compare::{Averaging, Basis, Comparison, Options, Verdict, compare};
use gainsay::reading::{Health, NoiseSource, Take};
use jiff::SignedDuration;
use proptest::prelude::*;
use takes::{NOISE, RELATIVE_ERROR, ratio, reading, take, trial};

fn compared(a: &[Take], b: &[Take]) -> Comparison {
    compare(a, b, &Options::default()).expect("comparable")
}

/// The difference in the only channel.
fn difference(order: &str, cn_db: impl Fn(char, f64) -> f64) -> f64 {
    let (a, b) = trial(order, 1, |antenna, minute, _| cn_db(antenna, minute));
    compared(&a, &b).channels[0]
        .difference_db
        .expect("a difference")
}

#[track_caller]
fn close(got: f64, expected: f64, tolerance: f64) {
    assert!(
        (got - expected).abs() <= tolerance,
        "got {got}, expected {expected}"
    );
}

/// A 3 dB above B, under a drift that is a polynomial in time (handbook, counterbalancing, R).
fn under(drift: impl Fn(f64) -> f64) -> impl Fn(char, f64) -> f64 {
    move |antenna, t| 20.0 + drift(t) + if antenna == 'A' { 3.0 } else { 0.0 }
}

#[test]
fn linear_drift_cancels_in_a_block_and_a_bend_in_a_pair_of_blocks() {
    close(difference("ABBA", under(|t| 0.7 * t)), 3.0, 1e-9);
    close(difference("BAAB", under(|t| 0.7 * t)), 3.0, 1e-9);
    // (0 − 1 − 4 + 9)·c/2 = 2c stays in one block, −2c in its mirror.
    close(difference("ABBA", under(|t| 0.1 * t * t)), 3.0 + 0.2, 1e-9);
    close(difference("BAAB", under(|t| 0.1 * t * t)), 3.0 - 0.2, 1e-9);
    close(
        difference("ABBABAAB", under(|t| 0.7 * t + 0.1 * t * t)),
        3.0,
        1e-9,
    );
    // Cubes don't go: Σt³ is 368 over A's takes, 416 over B's.
    close(
        difference("ABBABAAB", under(|t| 0.01 * t.powi(3))),
        3.0 + 0.01 * (368.0 - 416.0) / 4.0,
        1e-9,
    );
    // A A B B leaves −2 steps of drift.
    close(difference("AABB", under(|t| 0.7 * t)), 3.0 - 1.4, 1e-9);
}

#[test]
fn the_order_of_takes_decides_how_they_stand_against_each_other() {
    for (order, basis, blocks) in [
        ("AB", Basis::Single, 0),
        ("ABBA", Basis::Blocks, 1),
        ("ABBABAAB", Basis::Blocks, 2),
        ("ABBAABBA", Basis::Blocks, 2),
        ("AABBAB", Basis::Blocks, 1),
        ("ABABAB", Basis::Pairs, 3),
        ("BABA", Basis::Pairs, 2),
        ("AAABBB", Basis::Unpaired, 0),
        ("ABBAA", Basis::Blocks, 1),
        // One block would hold 4 of 14 takes, seven pairs hold all.
        ("ABBAABABABABAB", Basis::Pairs, 7),
    ] {
        let (a, b) = trial(order, 1, |_, _, _| 20.0);
        let comparison = compared(&a, &b);
        assert_eq!(
            (comparison.basis, comparison.blocks),
            (basis, blocks),
            "{order}"
        );
    }
    // Without an order in time there are no pairs, and the order of the slices means nothing.
    let (mut a, mut b) = trial("ABBA", 1, |_, _, _| 20.0);
    for take in a.iter_mut().chain(&mut b) {
        take.taken_at = jiff::Timestamp::UNIX_EPOCH;
    }
    assert_eq!(compared(&a, &b).basis, Basis::Unpaired);
    let (mut a, b) = trial("ABBABAAB", 1, |_, _, _| 20.0);
    a.reverse();
    assert_eq!(compared(&a, &b).basis, Basis::Blocks);
}

/// Block differences 2.8, 3.0, 3.1, 3.1 dB: mean 3, s = √(0.06/3) = 0.141 42, s/√4 = 0.070 71; with 0.1 dB of mating,
/// u = 0.122 47, ν = 0.122 47⁴/(0.070 71⁴/3) = 27 (worked by hand from JCGM 100:2008, 5.1.2 and G.2b).
#[test]
fn the_budget_of_four_blocks_adds_up_as_by_hand() {
    let by_block = [2.8, 3.0, 3.1, 3.1];
    let (a, b) = trial("ABBABAABABBABAAB", 1, |antenna, minute, _| {
        if antenna == 'A' {
            25.0 + by_block[minute as usize / 4]
        } else {
            25.0
        }
    });
    let options = Options {
        mating_db: 0.1,
        ..Options::default()
    };
    let comparison = compare(&a, &b, &options).expect("comparable");
    let one = &comparison.channels[0];
    close(one.difference_db.expect("difference"), 3.0, 1e-9);
    let noise: f64 = one
        .budget
        .iter()
        .filter(|row| row.source.contains("noise"))
        .map(|r| r.contribution_db())
        .sum();
    assert!(
        noise < 1e-4,
        "25 dB above the noise its error is nothing: {noise}"
    );
    close(one.standard_uncertainty_db.expect("u"), 0.122_474, 1e-5);
    assert_eq!(one.degrees_of_freedom, Some(27.0));
    close(one.budget.iter().map(|row| row.share).sum(), 1.0, 1e-12);
    assert!(
        one.budget[0].source.contains("mating"),
        "largest share first: {:?}",
        one.budget[0]
    );
    close(one.budget[0].share, 2.0 / 3.0, 1e-4);
    assert_eq!(
        comparison.explain(&ChannelId::Number(20)).map(<[_]>::len),
        Some(one.budget.len())
    );
    assert_eq!(comparison.explain(&ChannelId::Number(99)), None);
}

/// An error of the one noise figure that both share moves the difference by N/S_B − N/S_A dB a dB of noise.
#[test]
fn shared_noise_counts_only_as_far_as_signals_are_unequal() {
    let pair = |cn_a: f64, cn_b: f64, shared: bool| {
        let make = |antenna: &str, minute, cn: f64| {
            take(
                antenna,
                minute,
                vec![reading(20, NOISE * (1.0 + ratio(cn)), NOISE, 0.01 * NOISE)],
            )
        };
        let (a, mut b) = (make("A", 0.0, cn_a), make("B", 1.0, cn_b));
        if !shared {
            b.terminated = Some("another".to_string());
        }
        let comparison = compared(&[a], &[b]);
        let rows = comparison.channels[0].budget.clone();
        let type_b = |row: &&gainsay::compare::BudgetRow| row.source.contains("other errors");
        rows.iter()
            .filter(type_b)
            .map(|row| row.contribution_db().powi(2))
            .sum::<f64>()
            .sqrt()
    };
    let one_percent_db = 10.0 / std::f64::consts::LN_10 * 0.01;
    close(pair(3.0, 3.0, true), 0.0, 1e-12);
    close(
        pair(6.0, 0.0, true),
        one_percent_db * (1.0 - ratio(-6.0)),
        1e-9,
    );
    close(
        pair(6.0, 0.0, false),
        one_percent_db * 1f64.hypot(ratio(-6.0)),
        1e-9,
    );
}

#[test]
fn a_signal_that_only_a_shows_gives_a_lower_end_and_a_verdict() {
    let (a, b) = trial(
        "ABBA",
        1,
        |antenna, _, _| if antenna == 'A' { 10.0 } else { -60.0 },
    );
    let comparison = compared(&a, &b);
    let one = &comparison.channels[0];
    assert_eq!(
        (one.difference_db, one.high_db, one.verdict),
        (None, None, Verdict::A)
    );
    assert_eq!(one.averaging, Some(Averaging::Linear));
    // B is below about 2·√2·0.0029 of the noise (two takes each, power and shared noise in error); A is 10 times it.
    let low_db = one.low_db.expect("a lower end");
    let limit_db = 10.0 - 10.0 * (1.96 * RELATIVE_ERROR * 1.5f64.sqrt()).log10();
    close(low_db, limit_db, 0.3);
    let reason = one.reason.clone().expect("a reason");
    assert!(
        reason.starts_with("B shows nothing: A gains at least"),
        "{reason}"
    );
    assert_eq!(comparison.summary.only_a, [ChannelId::Number(20)]);
    assert!(
        comparison.meaning[0].contains("rabbit ears shows nothing: tape loop gains at least"),
        "{:?}",
        comparison.meaning
    );

    let mirrored = compared(&b, &a);
    let other = &mirrored.channels[0];
    assert_eq!(
        (other.difference_db, other.low_db, other.verdict),
        (None, None, Verdict::B)
    );
    close(other.high_db.expect("an upper end"), -low_db, 1e-5);
}

#[test]
fn what_cannot_be_compared_says_why() {
    let base = || trial("ABBABAAB", 3, |_, _, _| 20.0);

    let (mut a, mut b) = base();
    for take in a.iter_mut().chain(&mut b) {
        take.readings[0] = reading(20, NOISE, NOISE, 0.0);
    }
    let comparison = compared(&a, &b);
    assert_eq!(comparison.channels[0].verdict, Verdict::NotComparable);
    assert_eq!(
        comparison.channels[0].reason.as_deref(),
        Some("nothing found with either antenna")
    );
    assert_eq!(comparison.channels[0].p_adjusted, None);
    assert!(
        comparison
            .meaning
            .iter()
            .any(|s| s == "Neither antenna shows a signal on channel 20.")
    );

    // Clipped in one take: its block goes, the other stays. Clipped in all of B's: nothing is left.
    let clip = |take: &mut Take| {
        take.readings[1].health.push(Health::Clipped {
            tuning_mhz: 513.0,
            fraction: 0.1,
        });
        (take.readings[1].power, take.readings[1].signal) = (None, None);
    };
    let (a, mut b) = base();
    clip(&mut b[0]);
    let one = &compared(&a, &b).channels[1];
    assert_eq!((one.blocks, one.verdict), (1, Verdict::Undecided));
    assert_eq!(
        one.reason.as_deref(),
        Some("1 of 2 blocks have this channel")
    );
    b.iter_mut().for_each(clip);
    let one = &compared(&a, &b).channels[1];
    assert_eq!(one.verdict, Verdict::NotComparable);
    assert_eq!(
        one.reason.as_deref(),
        Some("B: clipped in minute-1 (\"rabbit ears\")")
    );
    assert_eq!(
        (one.difference_db, one.low_db, one.b.takes),
        (None, None, 0)
    );

    let (mut a, b) = base();
    for take in &mut a {
        take.readings[2].covered = 0.5;
        take.readings[2].parts[0].high_hz -= 3e6;
    }
    let one = &compared(&a, &b).channels[2];
    let reason = one.reason.clone().expect("a reason");
    assert_eq!(
        reason,
        "covered stretches differ: 518.00–521.00 MHz in one take, 518.00–524.00 MHz in another"
    );
    let (mut a, b) = base();
    for take in &mut a {
        take.readings[2].covered = 0.0;
        take.readings[2].parts.clear();
        take.readings[2].power = None;
    }
    let reason = compared(&a, &b).channels[2]
        .reason
        .clone()
        .expect("a reason");
    assert_eq!(reason, "A: nothing covered in minute-0 (\"tape loop\")");
    for take in &mut a {
        take.readings.truncate(2);
    }
    let reason = compared(&a, &b).channels[2]
        .reason
        .clone()
        .expect("a reason");
    assert_eq!(reason, "A: the channel is not in minute-0 (\"tape loop\")");
}

#[test]
fn unlike_takes_are_refused_by_name_value_and_cure() {
    let refusal = |change: fn(&mut Take)| {
        let (a, mut b) = trial("AB", 1, |_, _, _| 20.0);
        b[0].id = Some(7);
        change(&mut b[0]);
        compare(&a, &b, &Options::default())
            .expect_err("refused")
            .to_string()
    };
    for (change, expected) in [
        (
            (|take| take.spot = "attic".to_string()) as fn(&mut Take),
            "the spot differs: minute-0 (\"tape loop\") has \"north window\", take 7 (\"rabbit ears\") has \"attic\"; \
             compare takes at one spot",
        ),
        (
            |take| take.settings.plan = "japan".to_string(),
            "the channel plan differs: minute-0 (\"tape loop\") has \"us\", take 7 (\"rabbit ears\") has \"japan\"; compare \
             takes made with one channel plan",
        ),
        (
            |take| take.settings.sample_rate_hz = 2.048e6,
            "the sample rate differs: minute-0 (\"tape loop\") has 2400000 S/s, take 7 (\"rabbit ears\") has 2048000 S/s; \
             take both at one rate",
        ),
        (
            |take| take.settings.dwell_s = 0.023,
            "the dwell differs: minute-0 (\"tape loop\") has 20.0 ms, take 7 (\"rabbit ears\") has 23.0 ms; take both with \
             one dwell",
        ),
    ] {
        assert_eq!(refusal(change), expected);
    }
    let (a, mut b) = trial("AB", 1, |_, _, _| 20.0);
    b[0].settings.dwell_s = 0.0215;
    assert!(
        compare(&a, &b, &Options::default()).is_ok(),
        "7 % of dwell is allowed"
    );
    let none = compare(&[], &b, &Options::default())
        .expect_err("refused")
        .to_string();
    assert!(none.starts_with("no take of antenna A"), "{none}");
    let mixed = compare(&[a[0].clone(), b[0].clone()], &b, &Options::default())
        .expect_err("refused")
        .to_string();
    assert!(mixed.contains("two antennas on side A"), "{mixed}");
    let options = Options {
        mating_db: -0.1,
        ..Options::default()
    };
    let wrong = compare(&a, &b, &options).expect_err("refused").to_string();
    assert_eq!(
        wrong,
        "the mating uncertainty is -0.1: it must be 0 dB or more"
    );
}

#[test]
fn takes_too_far_apart_are_refused() {
    let (a, b) = trial("ABBABAAB", 1, |_, _, _| 20.0);
    let asked = |minutes| Options {
        max_apart: Some(SignedDuration::from_mins(minutes)),
        ..Options::default()
    };
    // A block spans three minutes, the trial seven.
    assert!(compare(&a, &b, &asked(3)).is_ok());
    let message = compare(&a, &b, &asked(2)).expect_err("refused").to_string();
    assert!(
        message.contains("minute-0") && message.contains("minute-3") && message.contains("3m"),
        "{message}"
    );
}

#[test]
fn unequal_gains_are_refused_or_corrected_with_their_uncertainty() {
    let (a, mut b) = trial(
        "AB",
        1,
        |antenna, _, _| if antenna == 'A' { 23.0 } else { 20.0 },
    );
    let mut a = a;
    a[0].settings.gains_db = vec![(509e6, 40.2)];
    b[0].settings.gains_db = vec![(509e6, 37.2)];
    let message = compare(&a, &b, &Options::default())
        .expect_err("refused")
        .to_string();
    assert!(
        message.contains("40.2 dB at 509.000 MHz") && message.contains("37.2 dB"),
        "{message}"
    );
    let options = Options {
        gain_step_db: Some(0.5),
        ..Options::default()
    };
    let one = &compare(&a, &b, &options).expect("comparable").channels[0];
    // B's gain was 3 dB lower, so its signal is 3 dB stronger than it reads.
    close(one.difference_db.expect("difference"), 0.0, 1e-9);
    let row = one
        .budget
        .iter()
        .find(|row| row.source == "gain step")
        .expect("a row");
    close(row.contribution_db(), 0.5, 1e-12);
}

#[test]
fn more_noise_with_more_signal_is_no_better() {
    let make = |antenna: &str, minute, cn: f64, noise: f64| {
        let mut made = take(
            antenna,
            minute,
            vec![reading(20, noise * (1.0 + ratio(cn)), noise, 0.0)],
        );
        made.readings[0].noise_source = Some(NoiseSource::VacantChannels);
        made
    };
    // A: 3 dB more signal, 5 dB more noise.
    let order: Vec<char> = "ABBABAABABBABAAB".chars().collect();
    let of = |wanted: char, cn: f64, noise: f64| -> Vec<Take> {
        let wobble = [0.05, -0.05, 0.03, -0.03];
        (order
            .iter()
            .enumerate()
            .filter(|(_, antenna)| **antenna == wanted))
        .map(|(at, _)| make(&wanted.to_string(), at as f64, cn + wobble[at % 4], noise))
        .collect()
    };
    let comparison = compared(&of('A', 18.0, NOISE * ratio(5.0)), &of('B', 20.0, NOISE));
    let one = &comparison.channels[0];
    close(one.difference_db.expect("difference"), 3.0, 0.05);
    close(one.cn_difference_db.expect("C/N difference"), -2.0, 0.05);
    assert_eq!(one.verdict, Verdict::A);
    let expected = "On channel 20 A picks up more signal, but so much more noise that B's carrier-to-noise ratio is 2.0 dB better.";
    assert!(
        comparison.meaning.iter().any(|s| s == expected),
        "{:?}",
        comparison.meaning
    );
}

/// Channels: A far better across the cliff; B better; equal with next to no spread; 0.5 dB apart with some spread.
fn four_channels() -> Comparison {
    let wobble = [0.4, -0.4, 0.3, -0.3];
    let (a, b) = trial("ABBABAABABBABAAB", 4, |antenna, minute, channel| {
        let is_a = antenna == 'A';
        let wobble = if is_a {
            wobble[minute as usize / 4]
        } else {
            0.0
        };
        match channel {
            20 => 12.0 + if is_a { 8.0 + wobble * 0.1 } else { 0.0 },
            21 => 22.0 - if is_a { 4.0 + wobble * 0.1 } else { 0.0 },
            22 => 25.0 + if is_a { 0.1 + wobble * 0.01 } else { 0.0 },
            _ => 25.0 + if is_a { 0.5 + wobble } else { 0.0 },
        }
    });
    compared(&a, &b)
}

#[test]
fn what_only_a_hundred_blocks_would_decide_is_left_at_its_interval() {
    // Half a decibel apart where blocks differ by one: some hundred blocks decide, from the spread alone.
    let (a, b) = trial("ABBABAABABBABAAB", 1, |antenna, minute, _| {
        let wobble = if (minute as u32 / 4).is_multiple_of(2) {
            1.0
        } else {
            -1.0
        };
        30.0 + if antenna == 'A' { 0.3 + wobble } else { 0.0 }
    });
    let comparison = compared(&a, &b);
    let one = &comparison.channels[0];
    assert!(
        one.further_blocks.expect("a number of blocks") > 40,
        "{one:?}"
    );
    let end = one
        .low_db
        .expect("an end")
        .abs()
        .max(one.high_db.expect("an end").abs());
    let said = format!("whichever is better, it is by less than {end:.1} dB.");
    assert!(
        comparison
            .meaning
            .iter()
            .any(|sentence| sentence.starts_with("Leave channel 20 at that")
                && sentence.ends_with(&said)),
        "{said} {:?}",
        comparison.meaning
    );
}

#[test]
fn takes_months_apart_are_not_comparable_instead_of_undecided_by_thousands_of_decibels() {
    let half_a_year = 183.0 * 24.0 * 60.0;
    let level = |antenna, minute| {
        take(
            antenna,
            minute,
            vec![reading(20, NOISE * ratio(30.0 + minute % 0.7), NOISE, 0.0)],
        )
    };
    let a: Vec<Take> = (0..8).map(|n| level("loop", f64::from(n) * 1.3)).collect();
    let b = vec![level("ears", half_a_year)];
    let comparison = compared(&a, &b);
    let one = &comparison.channels[0];
    assert_eq!(one.verdict, Verdict::NotComparable);
    let reason = one.reason.as_deref().expect("a reason");
    assert!(reason.contains("far apart in time"), "{reason}");
    assert_eq!((one.difference_db, one.low_db, one.p), (None, None, None));
}

#[test]
fn sentences_say_what_the_numbers_say() {
    let comparison = four_channels();
    let verdicts: Vec<Verdict> = comparison.channels.iter().map(|one| one.verdict).collect();
    assert_eq!(
        verdicts,
        [
            Verdict::A,
            Verdict::B,
            Verdict::Undecided,
            Verdict::Undecided
        ]
    );
    assert!(comparison.channels[2].beyond_repeats);
    let further = comparison.channels[3]
        .further_blocks
        .expect("a number of blocks");
    let expected = [
        "tape loop is better than rabbit ears on 1 of 4 channels: channel 20, by 8.0 dB (7.8 dB to 8.2 dB).".to_string(),
        "rabbit ears is better than tape loop on 1 of 4 channels: channel 21, by 4.0 dB (3.8 dB to 4.2 dB).".to_string(),
        "Channel 20 crosses the cliff: with tape loop it is 4.8 dB above the threshold, with rabbit ears 3.2 dB below."
            .to_string(),
        "rabbit ears lifts channel 21 from the brink to firm.".to_string(),
        "Undecided: channels 22 and 23.".to_string(),
        format!("About {further} more blocks would decide channel 23, if what is seen so far stays."),
        "More rounds won't decide channel 22: its difference is no larger than what repeats can't reduce (above all: mating \
         of connectors, the same each time)."
            .to_string(),
    ];
    assert_eq!(comparison.meaning, expected);
}

/// The number of further blocks is what it takes: with that many more of the same the channel is decided, with half of
/// them it isn't.
#[test]
fn the_estimated_number_of_further_blocks_would_decide() {
    let wobble = [0.4, -0.4, 0.3, -0.3];
    let with_blocks = |blocks: usize| {
        let order = "ABBABAAB".repeat(blocks.div_ceil(2))[..blocks * 4].to_string();
        let (a, b) = trial(&order, 1, |antenna, minute, _| {
            if antenna == 'A' {
                25.5 + wobble[minute as usize / 4 % 4]
            } else {
                25.0
            }
        });
        compared(&a, &b).channels.remove(0)
    };
    let now = with_blocks(4);
    assert_eq!(now.verdict, Verdict::Undecided);
    let further = now.further_blocks.expect("a number");
    assert!(further >= 2, "{further}");
    assert_eq!(
        with_blocks(4 + further.next_multiple_of(4)).verdict,
        Verdict::A
    );
    assert_eq!(with_blocks(4 + further / 2 - 1).verdict, Verdict::Undecided);
}

#[test]
fn one_pair_is_said_to_be_weak_and_promises_no_number_of_rounds() {
    let (a, b) = trial(
        "AB",
        1,
        |antenna, _, _| if antenna == 'A' { 25.6 } else { 25.0 },
    );
    let comparison = compared(&a, &b);
    assert!(
        comparison.remarks[0].starts_with("weak: one take each"),
        "{:?}",
        comparison.remarks
    );
    let one = &comparison.channels[0];
    assert_eq!(
        (one.verdict, one.further_blocks, one.beyond_repeats),
        (Verdict::Undecided, None, false)
    );
    assert!(
        comparison
            .meaning
            .iter()
            .any(|s| s.starts_with("Without repeats nothing says")),
        "{:?}",
        comparison.meaning
    );
}

#[test]
fn json_has_the_promised_names() {
    let json = serde_json::to_value(four_channels()).expect("JSON");
    assert_eq!(json["a"], "tape loop");
    assert_eq!(json["confidence"], 0.95);
    assert_eq!(json["basis"], "blocks");
    let channel = &json["channels"][0];
    assert_eq!(channel["channel"], 20);
    assert_eq!(channel["verdict"], "a");
    for name in ["difference_db", "low_db", "high_db", "reason", "budget"] {
        assert!(channel.get(name).is_some(), "{name}");
    }
    for name in [
        "source",
        "value_db",
        "standard_uncertainty_db",
        "type",
        "degrees_of_freedom",
        "sensitivity",
        "share",
    ] {
        assert!(channel["budget"][0].get(name).is_some(), "{name}");
    }
    assert_eq!(json["summary"]["a_better"], 1);
    assert!(json["meaning"].is_array());
}

/// Levels of nine channels in the four takes of one block, in dB above the noise, made up.
const ONE_BLOCK: [[f64; 4]; 9] = [
    [20.1, 17.2, 17.0, 20.4],
    [25.0, 25.3, 24.6, 25.2],
    [22.4, 20.0, 20.5, 22.3],
    [30.2, 29.0, 29.1, 30.9],
    [18.0, 18.2, 18.9, 17.1],
    [21.0, 24.1, 24.0, 21.4],
    [26.3, 26.1, 26.4, 26.5],
    [19.5, 19.9, 19.3, 20.6],
    [23.7, 23.0, 23.2, 23.9],
];

/// That block 20 dB higher, where statistics are nothing, with all channels of the second take moved by so much.
fn one_block(channels: u16, moved_db: f64) -> Comparison {
    let (a, b) = trial("ABBA", channels, |_, minute, channel| {
        let moved_db = if minute == 1.0 { moved_db } else { 0.0 };
        20.0 + ONE_BLOCK[usize::from(channel - 20)][minute as usize] + moved_db
    });
    compared(&a, &b)
}

fn share_of<'c>(
    comparison: &'c Comparison,
    channel: usize,
    words: &str,
) -> &'c gainsay::compare::BudgetRow {
    let rows = &comparison.channels[channel].budget;
    (rows.iter().find(|row| row.source.contains(words)))
        .unwrap_or_else(|| panic!("{words}: {rows:?}"))
}

/// Source: numpy and scipy 1.17.1, from the same levels by the method of `compare/shown.rs`: outer and inner differences less
/// the median of the other channels', Smyth's moderation by `polygamma` and `brentq`, the interval by `quad` over the
/// convolution of t and normal. Two of the rows are 0.1 dB of mating, anew and fixed.
#[test]
fn one_block_is_told_by_its_repeats_over_all_channels() {
    let comparison = one_block(9, 0.0);
    let uncertainties = [
        0.33230705, 0.33727959, 0.33433016, 0.33332014, 0.34622062, 0.33205329, 0.33196867,
        0.34263121, 0.3315452,
    ];
    for (place, expected) in uncertainties.into_iter().enumerate() {
        let row = share_of(
            &comparison,
            place,
            "in one channel, by the block's repeats in 9 channels",
        );
        close(row.standard_uncertainty_db, expected, 1e-6);
        close(row.degrees_of_freedom, 10.94268783337248, 1e-6);
    }
    for (place, difference_db, half_db) in [(0, 3.15, 0.788641533), (4, -1.0, 0.817787036)] {
        let one = &comparison.channels[place];
        close(
            one.difference_db.expect("a difference"),
            difference_db,
            1e-9,
        );
        let half = (one.high_db.expect("an end") - one.low_db.expect("an end")) / 2.0;
        // Noise that is subtracted adds some 1e-6.
        close(half, half_db, 1e-5);
    }
    assert!(
        comparison.remarks[0]
            .contains("the repeats in it, over 9 channels and on what is foreseen for matings"),
        "{:?}",
        comparison.remarks
    );
}

/// As above: 1.5 dB more in all channels of one take is no drift, and more than matings of 0.1 dB make: what is left has one
/// degree of freedom. Four channels are few: their repeats are pooled.
#[test]
fn what_all_channels_of_a_block_do_alike_is_believed_over_what_is_foreseen() {
    let comparison = one_block(9, 1.5);
    let row = share_of(&comparison, 0, "in all channels alike");
    close(row.standard_uncertainty_db, 1.0956733089748933, 1e-9);
    assert_eq!(row.degrees_of_freedom, 1.0);
    let one = &comparison.channels[0];
    let half = (one.high_db.expect("an end") - one.low_db.expect("an end")) / 2.0;
    close(half, 14.54874924, 1e-3);

    let comparison = one_block(4, 0.0);
    let row = share_of(
        &comparison,
        0,
        "in one channel, by the block's repeats in 4 channels",
    );
    close(row.standard_uncertainty_db, 0.28559149, 1e-6);
    assert_eq!(row.degrees_of_freedom, 6.0);

    // One channel alone has nothing to be told from drift by: what is foreseen stands.
    let comparison = one_block(1, 0.0);
    let row = share_of(
        &comparison,
        0,
        "unsteadiness between takes, not seen in repeats",
    );
    close(row.contribution_db(), 0.25, 1e-12);
}

/// Takes of A at −1 and +1 about their mean, then B's: s = 1.1547 dB a take. What wandered from the ones to the others is
/// charged in full, √2·s, since no number of takes in that order would show it; s/√4 of each side stands beside it.
#[test]
fn what_wanders_between_two_runs_of_takes_is_charged_in_full() {
    let (a, b) = trial("AAAABBBB", 1, |_, minute, _| {
        40.0 + if (minute as u32).is_multiple_of(2) {
            1.0
        } else {
            -1.0
        }
    });
    let comparison = compared(&a, &b);
    let row = share_of(
        &comparison,
        0,
        "from one antenna's takes to the other's, as single takes vary",
    );
    close(row.contribution_db(), (2.0 * 4.0 / 3.0f64).sqrt(), 1e-4);
    assert_eq!(row.degrees_of_freedom, 6.0);
    assert!(
        comparison.meaning.iter().any(|said| said
            == "More takes in the same order would not show what wandered between the antennas on channel 20: take A B B A."),
        "{:?}",
        comparison.meaning
    );
}

/// A difference of nothing, known to ±2 dB, may be one: to say that no rounds would decide it, it must be known better.
#[test]
fn a_small_difference_that_is_known_badly_is_not_said_to_be_out_of_reach() {
    let wobble = [0.0, 1.5, -1.5, 0.2];
    let (a, b) = trial("ABBABAABABBABAAB", 1, |antenna, minute, _| {
        30.0 + if antenna == 'A' {
            wobble[minute as usize / 4]
        } else {
            0.0
        }
    });
    let comparison = compared(&a, &b);
    let one = &comparison.channels[0];
    assert_eq!((one.beyond_repeats, one.further_blocks), (false, None));
    let farthest = one
        .low_db
        .expect("an end")
        .abs()
        .max(one.high_db.expect("an end"));
    // With repeats without end only the fixed mating is left: 1.96 times 0.1 dB.
    let said = format!(
        "On channel 20 the difference may still be up to {farthest:.1} dB: more rounds would narrow that, and decide if it is \
         more than about 0.2 dB."
    );
    assert!(
        comparison.meaning.contains(&said),
        "{said} {:?}",
        comparison.meaning
    );
}

#[test]
fn a_channel_at_the_threshold_itself_only_may_cross_the_cliff() {
    // 0.02 dB below the threshold with the one, 2.2 dB above with the other, steady to a tenth of a decibel.
    let (a, b) = trial("ABBABAABABBABAAB", 1, |antenna, _, _| {
        takes::THRESHOLD_DB + if antenna == 'A' { 2.2 } else { -0.02 }
    });
    let expected = "Channel 20 may cross the cliff: with tape loop it is 2.2 dB above the threshold, with rabbit ears 0.02 dB \
                    below, too near for the figures to say.";
    let meaning = compared(&a, &b).meaning;
    assert!(meaning.iter().any(|said| said == expected), "{meaning:?}");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(60))]

    /// Swapping the antennas flips every sign and nothing else, strong or faint, however the takes lie in time.
    #[test]
    fn swapping_the_antennas_flips_every_sign(
        order in prop::collection::vec(any::<bool>(), 2..12),
        levels in prop::collection::vec(-22.0..30.0f64, 5 * 12),
        noise_type_b in 0.0..0.01f64,
    ) {
        let mut order = order;
        (order[0], order[1]) = (true, false);
        let (mut a, mut b) = (Vec::new(), Vec::new());
        for (minute, is_a) in order.into_iter().enumerate() {
            let readings = (0..5u16)
                .map(|channel| {
                    // Channels differ by antenna, takes a little.
                    let base = levels[usize::from(channel) * 12 + usize::from(is_a)];
                    let cn = base + levels[usize::from(channel) * 12 + minute] * 0.02;
                    reading(20 + channel, NOISE * (1.0 + ratio(cn)), NOISE, noise_type_b * NOISE)
                })
                .collect();
            let side = if is_a { &mut a } else { &mut b };
            side.push(take(if is_a { "one" } else { "other" }, minute as f64, readings));
        }
        let (there, back) = (compared(&a, &b), compared(&b, &a));
        let near = |x: Option<f64>, y: Option<f64>| match (x, y) {
            (Some(x), Some(y)) => (x - y).abs() < 1e-5 * (1.0 + x.abs()),
            (None, None) => true,
            _ => false,
        };
        let minus = |x: Option<f64>| x.map(|x| -x);
        prop_assert_eq!(there.basis, back.basis);
        prop_assert_eq!(&there.summary.only_a, &back.summary.only_b);
        prop_assert!(near(there.summary.median_difference_db, minus(back.summary.median_difference_db)));
        for (x, y) in there.channels.iter().zip(&back.channels) {
            prop_assert!(near(x.difference_db, minus(y.difference_db)), "{:?} {:?}", x, y);
            prop_assert!(near(x.low_db, minus(y.high_db)), "{:?} {:?}", x, y);
            prop_assert!(near(x.high_db, minus(y.low_db)), "{:?} {:?}", x, y);
            prop_assert!(near(x.cn_difference_db, minus(y.cn_difference_db)));
            prop_assert!(near(x.standard_uncertainty_db, y.standard_uncertainty_db));
            prop_assert!(near(x.p_adjusted, y.p_adjusted), "{:?} {:?}", x, y);
            let flipped = match x.verdict {
                Verdict::A => Verdict::B,
                Verdict::B => Verdict::A,
                other => other,
            };
            prop_assert_eq!(flipped, y.verdict);
            prop_assert_eq!(&x.a, &y.b);
        }
    }

    /// Whatever is asked, a difference lies within its interval, and probabilities are probabilities.
    #[test]
    fn a_difference_lies_in_its_interval(
        levels in prop::collection::vec(-30.0..40.0f64, 8),
        confidence in 0.6..0.999f64,
    ) {
        let (a, b) = trial("ABBABAAB", 1, |_, minute, _| levels[minute as usize]);
        let options = Options { confidence, ..Options::default() };
        let one = compare(&a, &b, &options).expect("comparable").channels.remove(0);
        if let Some(difference) = one.difference_db {
            prop_assert!(one.low_db.is_some_and(|low| low <= difference), "{:?}", one);
            prop_assert!(one.high_db.is_some_and(|high| difference <= high), "{:?}", one);
        }
        prop_assert!(one.p.is_none_or(|p| (0.0..=1.0).contains(&p)));
        if one.verdict == Verdict::A { prop_assert!(one.low_db.is_some_and(|low| low > 0.0)); }
        if one.verdict == Verdict::B { prop_assert!(one.high_db.is_some_and(|high| high < 0.0)); }
    }
}

/// Work grows with the number of takes, not with its square: 2500 blocks with a terminated take each.
#[test]
fn thousands_of_takes_with_a_noise_figure_each_are_compared_at_once() {
    let order = "ABBABAAB".repeat(1250);
    let (mut a, mut b) = trial(&order, 4, |antenna, minute, _| {
        20.0 + (minute * 0.7).sin() + if antenna == 'A' { 1.0 } else { 0.0 }
    });
    for (number, take) in a.iter_mut().chain(&mut b).enumerate() {
        take.terminated = Some(format!("terminator {number}"));
    }
    let started = std::time::Instant::now();
    let comparison = compared(&a, &b);
    assert_eq!((comparison.blocks, comparison.summary.a_better), (2500, 4));
    assert!(
        comparison.channels[0].budget.len() < 6,
        "{:?}",
        comparison.channels[0].budget
    );
    // Well under a second on an idle machine; work by the square would take minutes.
    assert!(started.elapsed().as_secs() < 10, "{:?}", started.elapsed());
}
