//! Recordings that cover a channel in part, or not at all.

use serde_json::Value;

use crate::program::{Made, Place, channel, figure, fixture, numbers};

/// 507 and 509 MHz are two thirds of channel 20; 513 to 517 (channel 21) are left out.
const TUNINGS: [usize; 8] = [0, 1, 6, 7, 8, 9, 10, 11];

/// By the figures of 8-VSB (ATSC A/53: data within 309.441 kHz of either edge, pilot 11.3 dB under them), 506 to 510 MHz hold
/// this share of channel 20, in dB.
fn share_db() -> f64 {
    let pilot = 10f64.powf(-11.3 / 10.0);
    let data = (4.0 - 0.309_441) / (6.0 - 2.0 * 0.309_441);
    10.0 * ((data + pilot) / (1.0 + pilot)).log10()
}

fn part_of(place: &Place, name: &str) -> String {
    Made::tunings_of(name, TUNINGS).write(place, &format!("part-of-{name}"))
}

fn take(place: &Place, from: &str, terminated: &str, more: &[&str]) -> Value {
    let arguments = [
        "take",
        "--from",
        from,
        "--antenna",
        "ears",
        "--spot",
        "window",
    ];
    let arguments = arguments
        .into_iter()
        .chain(["--terminated", terminated, "--no-log"]);
    place.json(arguments.chain(more.iter().copied()))
}

#[test]
fn a_part_is_read_as_a_part() {
    let place = Place::new();
    let part = part_of(&place, "vsb-b");
    let plugs = [fixture("vsb-terminated"), part_of(&place, "vsb-terminated")];
    for plug in &plugs {
        let take = take(&place, &part, plug, &[]);
        assert_eq!(numbers(&take), [20, 22, 23], "21 is covered nowhere");
        let twenty = channel(&take, 20);
        assert!(
            (figure(twenty, "covered") - 2.0 / 3.0).abs() < 1e-3,
            "{twenty}"
        );
        let truly = -15.2 + share_db();
        let got = figure(twenty, "signal_dbfs");
        assert!((got - truly).abs() < 0.15, "{got} for {truly}");
        assert!(twenty["margin_db"].is_null(), "{twenty}");
        let health = twenty["health"].as_array().expect("remarks");
        assert!(
            health.iter().any(|remark| remark["kind"] == "partial"),
            "{twenty}"
        );
        for whole in [22, 23] {
            let whole = channel(&take, whole);
            assert_eq!(whole["covered"], 1.0);
            let health = whole["health"].as_array().expect("remarks");
            // Channel 22 holds nothing but noise of 0.9 steps, which is remarked on.
            assert!(
                health.iter().all(|remark| remark["kind"] == "weak-drive"),
                "{whole}"
            );
        }
    }
    let [from, plug] = [&part, &plugs[0]];
    let table = place.text([
        "take",
        "--from",
        from,
        "--antenna",
        "ears",
        "--spot",
        "window",
        "--terminated",
        plug,
        "--no-log",
    ]);
    assert!(
        table.contains("only 67 % of the channel covered"),
        "{table}"
    );
}

#[test]
fn a_channel_asked_for_is_listed_with_nothing_where_nothing_covers_it() {
    let place = Place::new();
    let part = part_of(&place, "vsb-b");
    let plug = fixture("vsb-terminated");
    let take = take(&place, &part, &plug, &["--channels", "20-24"]);
    assert_eq!(numbers(&take), [20, 21, 22, 23, 24]);
    for number in [21, 24] {
        let none = channel(&take, number);
        assert_eq!(none["covered"], 0.0, "{none}");
        for name in [
            "power_dbfs",
            "noise_dbfs",
            "signal_dbfs",
            "signal_upper_dbfs",
            "cn_db",
            "margin_db",
            "state",
        ] {
            assert!(none[name].is_null(), "{name}: {none}");
        }
    }
    let table = place.text([
        "take",
        "--from",
        &part,
        "--antenna",
        "ears",
        "--spot",
        "window",
        "--no-log",
        "--channels",
        "20-24",
    ]);
    assert_eq!(table.matches("not covered").count(), 2, "{table}");
}

#[test]
fn recordings_are_compared_over_what_both_cover() {
    let place = Place::new();
    let [whole, plug] = ["vsb-a", "vsb-terminated"].map(fixture);
    let part = part_of(&place, "vsb-b");
    for (a, b, sign) in [(&whole, &part, 1.0), (&part, &whole, -1.0)] {
        let arguments = ["compare", a, b, "--terminated", &plug];
        let comparison = place.json(arguments);
        assert_eq!(numbers(&comparison), [20, 21, 22, 23]);
        let twenty = channel(&comparison, 20);
        let difference = figure(twenty, "difference_db");
        assert!((difference - 5.2 * sign).abs() < 0.15, "{difference}");
        for side in ["a", "b"] {
            assert!(
                (figure(&twenty[side], "covered") - 2.0 / 3.0).abs() < 1e-3,
                "{twenty}"
            );
            assert!(twenty[side]["margin_db"].is_null(), "{twenty}");
        }
        let reason = twenty["reason"].as_str().expect("a reason");
        assert!(reason.contains("67 %"), "{reason}");

        let alone = channel(&comparison, 21);
        assert_eq!(alone["verdict"], "not comparable");
        for name in ["difference_db", "low_db", "high_db"] {
            assert!(alone[name].is_null(), "{name}: {alone}");
        }
        let reason = alone["reason"].as_str().expect("a reason");
        assert!(reason.contains("the channel is not in"), "{reason}");

        assert_eq!(channel(&comparison, 22)["verdict"], "not comparable");
        let whole = channel(&comparison, 23);
        assert!((figure(whole, "difference_db") + 3.4 * sign).abs() < 0.15);
        assert!(whole["reason"].is_null(), "{whole}");

        let table = place.text(arguments);
        assert!(
            table.contains("only 67 % of the channel covered"),
            "{table}"
        );
        assert!(table.contains("the channel is not in"), "{table}");
    }
}

#[test]
fn kept_takes_of_different_parts_are_not_compared() {
    let place = Place::with_takes();
    let part = part_of(&place, "vsb-b");
    let plug = fixture("vsb-terminated");
    place.text([
        "take",
        "--from",
        &part,
        "--antenna",
        "whip",
        "--spot",
        "window",
        "--terminated",
        &plug,
    ]);
    let comparison = place.json(["compare", "loop", "whip"]);
    let twenty = channel(&comparison, 20);
    assert_eq!(twenty["verdict"], "not comparable", "{twenty}");
    assert!(twenty["difference_db"].is_null(), "{twenty}");
    let reason = twenty["reason"].as_str().expect("a reason");
    assert!(reason.contains("506.00–510.00 MHz"), "{reason}");
    assert_eq!(channel(&comparison, 21)["verdict"], "not comparable");
    assert_eq!(channel(&comparison, 23)["verdict"], "b");
    // Two takes of the same part are.
    let part = part_of(&place, "vsb-a");
    place.text([
        "take",
        "--from",
        &part,
        "--antenna",
        "coat hanger",
        "--spot",
        "window",
        "--terminated",
        &plug,
    ]);
    let comparison = place.json(["compare", "coat hanger", "whip"]);
    let twenty = channel(&comparison, 20);
    assert!(
        (figure(twenty, "difference_db") - 5.2).abs() < 0.15,
        "{twenty}"
    );
    assert!(
        twenty["reason"]
            .as_str()
            .is_some_and(|reason| reason.contains("67 %"))
    );
}

#[test]
fn recordings_that_share_no_channel_have_no_difference() {
    let place = Place::new();
    let low = Made::tunings_of("vsb-a", [0, 1, 2]).write(&place, "low");
    let high = Made::tunings_of("vsb-b", [9, 10, 11]).write(&place, "high");
    let comparison = place.json(["compare", &low, &high]);
    assert_eq!(numbers(&comparison), [20, 23]);
    for number in [20, 23] {
        let channel = channel(&comparison, number);
        assert_eq!(channel["verdict"], "not comparable");
        assert!(channel["difference_db"].is_null());
    }
    assert_eq!(comparison["summary"]["not_comparable"], 2);
}
