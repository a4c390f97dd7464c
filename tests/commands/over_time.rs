//! `gainsay compare --tie` and NAME@DAY; scan counts.

use std::fs;

use serde_json::{Value, json};

use crate::program::{Place, channel, figure};

/// Takes exported, changed and taken in again: each (antenna, day) of a recording's take.
fn with_days(days: &[(&str, &str, &str)]) -> Place {
    let place = Place::with_takes();
    let loaded: Value = serde_json::from_str(&place.text(["log", "export"])).expect("JSON");
    for (antenna, like, at) in days {
        let mut made = loaded.clone();
        let mut take = (loaded["takes"].as_array().expect("takes").iter())
            .find(|take| take["antenna"] == *like)
            .expect("a take")
            .clone();
        (take["antenna"], take["taken_at"]) = (json!(antenna), json!(at));
        made["takes"] = json!([take]);
        fs::write(place.path("made.json"), made.to_string()).expect("written");
        place.text(["log", "import", &place.named("made.json")]);
    }
    place
}

/// The old loop is like the ears, the new one like the loop; the tie is like the ears on both days.
fn two_days() -> Place {
    with_days(&[
        ("coil", "ears", "2026-05-09T10:00:00Z"),
        ("tie", "ears", "2026-05-09T10:10:00Z"),
        ("coil", "loop", "2026-05-16T10:00:00Z"),
        ("tie", "ears", "2026-05-16T10:10:00Z"),
        ("frame", "loop", "2026-05-16T10:20:00Z"),
        ("spiral", "loop", "2026-06-01T10:20:00Z"),
    ])
}

#[test]
fn an_antenna_of_one_day_is_held_against_one_of_another_by_the_tie() {
    let place = two_days();
    let words = ["compare", "frame", "coil@2026-05-09", "--tie", "tie"];
    let tied = place.json(words);
    let straight = place.json(["compare", "loop", "ears"]);
    for number in [20, 21, 23] {
        let [tied, straight] =
            [&tied, &straight].map(|from| figure(channel(from, number), "difference_db"));
        assert!((tied - straight).abs() < 1e-9, "{number}");
    }
    assert_eq!(
        (&tied["tie"], &tied["tie_steadiness_db"]),
        (&json!("tie"), &json!(0.5))
    );
    let text = place.text(words);
    for said in [
        "tied by tie",
        "A − tie dB",
        "2026-05-16",
        "assumption",
        "cancel",
    ] {
        assert!(text.contains(said), "{said}: {text}");
    }
    let surer = place.json(words.into_iter().chain(["--tie-steadiness", "0.1"]));
    let half = |from: &Value| figure(channel(from, 20), "standard_uncertainty_db");
    assert!(half(&surer) < half(&tied));
    let rows = place.csv(words);
    assert_eq!(
        rows.len(),
        tied["channels"].as_array().expect("channels").len()
    );
    let explained = place.text(words.into_iter().chain(["--explain", "20"]));
    assert!(
        explained.contains("tie tie the same on both days, assumed"),
        "{explained}"
    );
    assert!(
        explained.contains("2026-05-09, coil (A) and tie tie (B)"),
        "{explained}"
    );
    let plot = place.named("tied.svg");
    place.text(words.into_iter().chain(["--plot", &plot]));
    let drawn = fs::read_to_string(&plot).expect("a plot");
    assert!(drawn.contains("frame against coil") && drawn.contains("tied by tie"));
    // One name on two days.
    let rebuilt = place.json([
        "compare",
        "coil@2026-05-16",
        "coil@2026-05-09",
        "--tie",
        "tie",
    ]);
    assert_eq!(rebuilt["a"], "coil of 2026-05-16");
    assert_eq!(rebuilt["b"], "coil of 2026-05-09");
    assert_eq!(
        rebuilt["meaning"][0],
        "coil of 2026-05-16 against coil of 2026-05-09, each beside tie on its own day."
    );
}

#[test]
fn antennas_of_one_session_need_no_tie() {
    let place = two_days();
    let text = place.text(["compare", "frame", "coil", "--tie", "tie"]);
    assert!(
        text.contains("A dBFS") && text.contains("one session (2026-05-16)"),
        "{text}"
    );
    // A day alone chooses takes of both.
    let one = place.json(["compare", "coil@2026-05-09", "tie"]);
    assert_eq!((&one["takes_a"], &one["takes_b"]), (&json!(1), &json!(1)));
}

#[test]
fn what_cannot_be_tied_is_refused_in_one_line() {
    let place = two_days();
    let tie = ["--tie", "tie"];
    let with = |words: [&'static str; 3]| words.into_iter().chain(tie);
    place.refuses(
        2,
        ["compare", "coil@2026-05-09", "coil@2026-05-16"],
        &["2026-05-09", "2026-05-16", "--tie"],
    );
    place.refuses(
        1,
        with(["compare", "coil@2026-05-10", "frame"]),
        &["2026-05-10", "2026-05-09, 2026-05-16"],
    );
    place.refuses(
        1,
        with(["compare", "spiral", "coil@2026-05-09"]),
        &["tie", "spiral", "2026-06-01", "take it on the day"],
    );
    place.refuses(
        1,
        with(["compare", "frame", "tie"]),
        &["tie", "one of the antennas"],
    );
    place.refuses(
        1,
        ["compare", "frame", "coil", "--tie", "tye"],
        &["tye", "did you mean \"tie\""],
    );
    place.refuses(1, with(["compare", "frame", "coyl@2026-05-09"]), &["coyl"]);
    place.refuses(
        2,
        ["compare", "frame", "coil", "loop", "--tie", "tie"],
        &["--tie", "two antennas"],
    );
    place.refuses(
        1,
        [
            "compare",
            "frame",
            "coil@2026-05-09",
            "--tie",
            "tie",
            "--tie-steadiness",
            "NaN",
        ],
        &["steadiness", "0 dB or more"],
    );
    let file = crate::program::fixture("vsb-a");
    place.refuses(
        2,
        ["compare", &file, &file, "--tie", "tie"],
        &["recording", "--tie"],
    );
}

#[test]
fn a_noted_scan_count_is_held_against_the_take() {
    let place = Place::new();
    for (antenna, recording, count) in [("loop", "vsb-a", "31"), ("ears", "vsb-b", "29")] {
        let from = crate::program::fixture(recording);
        let text = place.text([
            "take",
            "--from",
            &from,
            "--antenna",
            antenna,
            "--spot",
            "window",
            "--scan-count",
            count,
        ]);
        assert!(text.contains(&format!("scan found {count}")), "{text}");
        assert!(text.contains("programmes"), "{text}");
    }
    assert!(place.text(["log", "show", "1"]).contains("scan found 31"));
    let shown = place.json(["log", "show", "1"]);
    assert_eq!(
        (&shown["scan"]["count"], &shown["scan"]["agreement"]),
        (&json!(31), &json!("no-channels"))
    );
    let text = place.text(["compare", "loop", "ears"]);
    assert!(text.contains("by the count loop is ahead by 2"), "{text}");
    let compared = place.json(["compare", "loop", "ears"]);
    assert_eq!(compared["scan"]["a"]["count"], 31);
    // Without counts nothing is said.
    let plain = Place::with_takes();
    assert!(
        plain
            .json(["compare", "loop", "ears"])
            .get("scan")
            .is_none()
    );
    assert!(!plain.text(["log", "show", "1"]).contains("scan"));
}
