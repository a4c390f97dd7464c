//! Comparison by pilot: when it is used, what it gives, what it says. Takes made up, without samples.

mod takes;

use gainsay::channels::ChannelId;
use gainsay::compare::{
    Averaging, ChannelComparison, Comparison, Method, Options, Verdict, compare,
};
use gainsay::reading::pilot::PILOT_OVER_TOTAL_DB;
use gainsay::reading::{NoiseSource, PilotReading, State, Take};
use takes::{NOISE, pilot, ratio, reading, take};

/// Four blocks.
const BLOCKS: &str = "ABBABAABABBABAAB";
/// Relative type B uncertainty of an estimated noise, 0.2 dB.
const ESTIMATED: f64 = 0.05;

/// Takes in this order, their noise estimated: `channels(antenna, minute)` gives C/N and pilot of channels 20, 21 …
fn trial(
    order: &str,
    channels: impl Fn(char, usize) -> Vec<(f64, Option<PilotReading>)>,
) -> [Vec<Take>; 2] {
    let mut takes = [Vec::new(), Vec::new()];
    for (minute, antenna) in order.chars().enumerate() {
        let readings = (20..)
            .zip(channels(antenna, minute))
            .map(|(channel, (cn_db, pilot))| {
                let power = NOISE * (1.0 + ratio(cn_db));
                let mut reading = reading(channel, power, NOISE, ESTIMATED * NOISE);
                reading.noise_source = Some(NoiseSource::VacantChannels);
                reading.pilot = pilot;
                reading
            })
            .collect();
        let name = if antenna == 'A' {
            "tape loop"
        } else {
            "rabbit ears"
        };
        takes[usize::from(antenna == 'B')].push(take(name, minute as f64, readings));
    }
    takes
}

/// One channel at a C/N of −12 dB with B, 3 dB more with A.
fn weak(antenna: char) -> f64 {
    if antenna == 'A' { -9.0 } else { -12.0 }
}

fn weak_channel(antenna: char) -> (f64, Option<PilotReading>) {
    (weak(antenna), Some(pilot(weak(antenna), 0.04)))
}

/// Selective fading of 1 dB: a round number for the figures expected here.
fn options() -> Options {
    Options {
        selective_fading_db: 1.0,
        ..Options::default()
    }
}

fn compared([a, b]: &[Vec<Take>; 2]) -> Comparison {
    compare(a, b, &options()).expect("comparable")
}

fn first(takes: &[Vec<Take>; 2]) -> ChannelComparison {
    compared(takes).channels.remove(0)
}

fn says(one: &ChannelComparison, words: &str) -> bool {
    one.reason
        .as_ref()
        .is_some_and(|reason| reason.contains(words))
}

#[track_caller]
fn close(got: Option<f64>, expected: f64, tolerance: f64) {
    let got = got.expect("a number");
    assert!(
        (got - expected).abs() <= tolerance,
        "got {got}, expected {expected}"
    );
}

/// u = √(1² + 0.1²) = 1.004 99 dB: selective fading and mating, nothing else, since all blocks agree. By power nothing is
/// found: at −12 dB the noise's 5 % are four fifths of the signal.
#[test]
fn a_channel_too_weak_for_power_is_compared_by_its_pilot() {
    let takes = trial(BLOCKS, |antenna, _| vec![weak_channel(antenna)]);
    let comparison = compared(&takes);
    let one = &comparison.channels[0];
    assert_eq!(one.method, Some(Method::Pilot));
    close(one.difference_db, 3.0, 1e-9);
    close(one.standard_uncertainty_db, 1.004_99, 1e-5);
    close(one.low_db, 3.0 - 1.959_96 * 1.004_99, 1e-3);
    close(one.high_db, 3.0 + 1.959_96 * 1.004_99, 1e-3);
    close(one.cn_difference_db, 3.0, 1e-9);
    assert_eq!(one.verdict, Verdict::A);
    let row = &one.budget[0];
    assert_eq!(
        row.source,
        "pilot stands for the channel (selective fading, assumed)"
    );
    assert!((row.share - 1.0 / 1.01).abs() < 1e-9, "{row:?}");
    assert!(
        !one.budget.iter().any(|row| row.source.contains("noise")),
        "{:?}",
        one.budget
    );
    assert!(says(one, "by pilot, at one frequency"), "{:?}", one.reason);
    assert!(!says(one, "noise estimated"), "{:?}", one.reason);
    // The sides: what power says, and the pilot; a pilot is a trace of a signal.
    for (side, cn_db) in [(&one.a, -9.0), (&one.b, -12.0)] {
        assert_eq!((side.signal_dbfs, side.state), (None, Some(State::Trace)));
        assert!(side.signal_upper_dbfs.is_some());
        let level_db = 10.0 * NOISE.log10() + cn_db + PILOT_OVER_TOTAL_DB;
        close(side.pilot_dbfs, level_db, 1e-9);
    }
    assert_eq!(
        comparison.meaning,
        [
            "tape loop is better than rabbit ears on 1 of 1 channel: channel 20, by 3.0 dB (1.0 dB to 5.0 dB).",
            "The pilot speaks on 1 of 1 channel, channel 20, where it tells more than the power can: one frequency, which may \
             fade by itself, so that a standard uncertainty of 1.0 dB is allowed for."
        ]
    );
    let json = serde_json::to_value(&comparison).expect("JSON");
    assert_eq!(json["channels"][0]["method"], "pilot");
    assert!(json["channels"][0]["a"]["pilot_dbfs"].is_number());
}

/// Where power is the better known its figures stay what they were, whatever the pilots say.
#[test]
fn a_channel_that_power_knows_better_is_untouched_by_its_pilot() {
    let with_pilots = |pilots: bool| {
        trial(BLOCKS, |antenna, minute| {
            let gain_db = if antenna == 'A' {
                3.0 + minute as f64 * 0.01
            } else {
                0.0
            };
            [25.0, 8.0, 0.0]
                .map(|cn_db| {
                    let cn_db = cn_db + gain_db;
                    let pilot = pilots.then(|| pilot(cn_db + gain_db * 0.3, 0.01));
                    (cn_db, pilot)
                })
                .to_vec()
        })
    };
    let mut comparison = compared(&with_pilots(true));
    for one in &mut comparison.channels {
        assert_eq!(one.method, Some(Method::Power));
        assert!(one.a.pilot_dbfs.take().is_some() && one.b.pilot_dbfs.take().is_some());
    }
    assert_eq!(comparison, compared(&with_pilots(false)));
}

#[test]
fn pilots_count_only_where_every_take_has_the_same_one() {
    // One take of sixteen without: the others' may be there by chance.
    let takes = trial(BLOCKS, |antenna, minute| {
        let (cn_db, pilot) = weak_channel(antenna);
        vec![(cn_db, pilot.filter(|_| minute != 5))]
    });
    let one = first(&takes);
    assert_eq!((one.method, one.verdict), (None, Verdict::NotComparable));
    assert!(
        says(&one, "not every take shows the same pilot"),
        "{:?}",
        one.reason
    );
    // One that stands 30 kHz away is another line.
    let takes = trial(BLOCKS, |antenna, minute| {
        let (cn_db, mut pilot) = weak_channel(antenna);
        if let Some(pilot) = pilot.as_mut().filter(|_| minute == 5) {
            pilot.offset_hz = 30e3;
        }
        vec![(cn_db, pilot)]
    });
    assert_eq!(first(&takes).method, None);
    // None found anywhere is nothing.
    let takes = trial("AB", |_, _| {
        let mut unseen = pilot(-60.0, 50.0);
        unseen.found = false;
        vec![(-60.0, Some(unseen))]
    });
    assert!(says(&first(&takes), "nothing found with either antenna"));
}

/// A pilot in a notch 12 dB deep, in a channel whose power is as strong as the noise: 5 % of error by power. Believed, it
/// would give 12 dB of difference too much.
#[test]
fn a_pilot_that_the_channels_power_contradicts_is_left_out() {
    let takes = trial(BLOCKS, |antenna, _| {
        let notch_db = if antenna == 'B' { -12.0 } else { 0.0 };
        vec![(0.0, Some(pilot(notch_db, 0.02)))]
    });
    let one = first(&takes);
    assert_eq!(one.method, Some(Method::Power));
    close(one.difference_db, 0.0, 1e-6);
    assert!(says(&one, "out of proportion"), "{:?}", one.reason);
    // A line far too strong for a channel in which power finds nothing is no pilot of it either.
    let takes = trial("AB", |_, _| vec![(-20.0, Some(pilot(0.0, 0.02)))]);
    let one = first(&takes);
    assert_eq!(one.method, None);
    assert_eq!(
        one.reason.as_deref(),
        Some(
            "too weak for a comparison by power; the pilot is out of proportion to the channel's power, and left out"
        )
    );
}

#[test]
fn a_pilot_with_one_antenna_alone_gives_a_bound_where_the_other_was_measured() {
    let pair = |b: Option<PilotReading>| {
        trial("AB", |antenna, _| {
            if antenna == 'A' {
                vec![weak_channel('A')]
            } else {
                vec![(-40.0, b)]
            }
        })
    };
    // Nothing there, known to a hundredth of A's pilot: 20 dB less at least 1.645 standard errors down.
    let mut nothing = pilot(-9.0, 0.01);
    nothing.power.value = 0.0;
    nothing.found = false;
    let comparison = compared(&pair(Some(nothing)));
    let one = &comparison.channels[0];
    assert_eq!(
        (one.method, one.verdict),
        (Some(Method::Pilot), Verdict::A),
        "{one:?}"
    );
    assert_eq!((one.difference_db, one.high_db), (None, None));
    let low_db = one.low_db.expect("a bound");
    assert!((10.0..20.0).contains(&low_db), "{low_db}");
    assert!(
        says(one, "B shows no pilot: A gains at least"),
        "{:?}",
        one.reason
    );
    assert_eq!(
        (one.a.state, one.b.state),
        (Some(State::Trace), Some(State::Vacant))
    );
    assert_eq!(comparison.summary.only_a, [ChannelId::Number(20)]);
    assert!(
        comparison.meaning[0].starts_with("On channel 20 rabbit ears shows no pilot"),
        "{:?}",
        comparison.meaning
    );
    // Nobody measured: no bound that wouldn't be a guess.
    assert_eq!(first(&pair(None)).method, None);
}

/// Pilots 2 dB off their channels' difference, either way: √(6·2²/(6 − 2)) = 2.449 dB, by six channels; four are too few.
#[test]
fn stronger_channels_show_how_far_a_pilot_stands_for_its_channel() {
    let with_strong = |strong: usize, cn_db: f64, off_db: f64| {
        let takes = trial(BLOCKS, |antenna, _| {
            let gain_db = if antenna == 'A' { 3.0 } else { 0.0 };
            let mut channels: Vec<_> = (0..strong)
                .map(|channel| {
                    let side = if channel % 2 == 0 { 1.0 } else { -1.0 };
                    let own_db = if antenna == 'A' { side * off_db } else { 0.0 };
                    (cn_db + gain_db, Some(pilot(cn_db + gain_db + own_db, 0.01)))
                })
                .collect();
            channels.push(weak_channel(antenna));
            channels
        });
        let one = compared(&takes).channels.pop().expect("the weak channel");
        assert_eq!(one.method, Some(Method::Pilot));
        one.budget[0].clone()
    };
    let row = with_strong(6, 20.0, 2.0);
    assert!(
        (row.standard_uncertainty_db - 6f64.sqrt()).abs() < 1e-9,
        "{row:?}"
    );
    assert!(
        row.source.contains("as 6 stronger channels show"),
        "{row:?}"
    );
    // Too few; no more than is assumed; known too badly by power to tell.
    for row in [
        with_strong(4, 20.0, 2.0),
        with_strong(6, 20.0, 0.1),
        with_strong(6, -4.0, 2.0),
    ] {
        assert!((row.standard_uncertainty_db - 1.0).abs() < 1e-9, "{row:?}");
        assert!(row.source.contains("assumed"), "{row:?}");
    }
}

/// The less of it is allowed for, the sooner the pilot speaks; what makes no sense is refused.
#[test]
fn selective_fading_is_the_users_to_say() {
    let takes = trial(BLOCKS, |antenna, _| vec![weak_channel(antenna)]);
    let with = |selective_fading_db| {
        let options = Options {
            selective_fading_db,
            ..options()
        };
        compare(&takes[0], &takes[1], &options)
    };
    let half = with(0.5).expect("comparable").channels.remove(0);
    close(half.standard_uncertainty_db, 0.5f64.hypot(0.1), 1e-5);
    assert_eq!(
        with(-1.0).expect_err("refused").to_string(),
        "the selective fading is -1: it must be 0 dB or more"
    );
}

/// A's gain is 6 dB higher, and so are its figures; its channel also holds 2 dB more noise.
#[test]
fn gains_and_noise_count_for_pilots_as_for_power() {
    let mut takes = trial(BLOCKS, |antenna, _| vec![weak_channel(antenna)]);
    let options = Options {
        gain_step_db: Some(0.3),
        ..options()
    };
    for (takes, gain_db, noise_db) in takes
        .iter_mut()
        .zip([6.0, 0.0])
        .map(|(t, g)| (t, g, g / 3.0))
    {
        for take in takes {
            take.settings.gains_db = vec![(507e6, 20.0 + gain_db)];
            let reading = &mut take.readings[0];
            for estimate in [&mut reading.power, &mut reading.noise, &mut reading.signal]
                .into_iter()
                .flatten()
            {
                estimate.value *= ratio(gain_db);
                estimate.standard_error *= ratio(gain_db);
            }
            reading.noise_type_b *= ratio(gain_db + noise_db);
            if let Some(pilot) = &mut reading.pilot {
                pilot.power.value *= ratio(gain_db);
                pilot.power.standard_error *= ratio(gain_db);
            }
            if let Some(noise) = &mut reading.noise {
                noise.value *= ratio(noise_db);
            }
        }
    }
    let comparison = compare(&takes[0], &takes[1], &options).expect("comparable");
    let one = &comparison.channels[0];
    assert_eq!(one.method, Some(Method::Pilot));
    close(one.difference_db, 3.0, 1e-9);
    close(one.cn_difference_db, 1.0, 1e-9);
    // By power 0.2 dB of noise each stand in the C/N as well: √(1 + 0.1² + 0.3² + 2·0.217²) = 1.093, and 1 dB of it is p = 0.360.
    close(one.cn_p, 0.3602, 0.001);
    close(
        one.standard_uncertainty_db,
        (1.0f64 + 0.01 + 0.09).sqrt(),
        1e-5,
    );
    assert!(one.budget.iter().any(|row| row.source == "gain step"));
}

/// Faint pilots that differ from take to take: linear powers, repeats against what is foreseen; either way round.
#[test]
fn swapping_the_antennas_flips_a_faint_pilots_signs() {
    let takes = trial("ABBABAAB", |antenna, minute| {
        let level_db = weak(antenna) - 10.0 + ((minute * 7) % 5) as f64 * 0.4;
        vec![(weak(antenna) - 10.0, Some(pilot(level_db, 0.2)))]
    });
    let [a, b] = &takes;
    let there = first(&takes);
    let back = compare(b, a, &options())
        .expect("comparable")
        .channels
        .remove(0);
    assert_eq!(
        (there.method, back.method),
        (Some(Method::Pilot), Some(Method::Pilot))
    );
    close(
        there.difference_db,
        -back.difference_db.expect("a difference"),
        1e-9,
    );
    close(there.low_db, -back.high_db.expect("an end"), 1e-5);
    close(there.high_db, -back.low_db.expect("an end"), 1e-5);
    close(there.p, back.p.expect("a probability"), 1e-9);
    let row = |words: &str| there.budget.iter().any(|row| row.source.contains(words));
    assert!(row("pilot stands for the channel"), "{:?}", there.budget);
}

/// A faint pair known to 12 % each, fading by 3 dB: to first order √(3² + 2·0.52² + 0.1² + 2·0.27²) = 3.12 dB, twice 6.1. In
/// linear powers 6 dB is no small part of a level, and must not open the interval.
#[test]
fn large_selective_fading_widens_a_faint_pilots_interval_in_decibels() {
    let takes = trial("AB", |antenna, _| {
        let cn_db = weak(antenna) - 10.0;
        vec![(cn_db, Some(pilot(cn_db, 0.12)))]
    });
    let options = Options {
        selective_fading_db: 3.0,
        ..options()
    };
    let one = &compare(&takes[0], &takes[1], &options)
        .expect("comparable")
        .channels[0];
    assert_eq!(one.averaging, Some(Averaging::Linear));
    close(one.low_db, 3.0 - 6.1, 0.2);
    close(one.high_db, 3.0 + 6.1, 0.2);
    // p by the same reckoning: 3 dB of 3.12 is 0.34.
    close(one.p, 0.34, 0.02);
}
