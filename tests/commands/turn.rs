//! `gainsay turn` from outside: rotations of the invented scene, whose bearings are written in it, and of recordings.

use serde_json::Value;

use crate::program::{Place, fixture};

const SCENE: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/demo-data/scene.toml");

/// A rotation of the demo's scene: channel 20 stands at 20° in it, channel 21 at 350°.
fn played<'a>(antenna: &'a str, more: &[&'a str]) -> Vec<&'a str> {
    let mut arguments = vec![
        "turn",
        "--antenna",
        antenna,
        "--spot",
        "north window",
        "--from",
        SCENE,
        "--terminated",
        SCENE,
        "--channels",
        "20-22",
        "--begins",
        "2026-05-09T10:00:00Z",
    ];
    arguments.extend(more);
    arguments
}

fn number(value: &Value) -> f64 {
    value
        .as_f64()
        .unwrap_or_else(|| panic!("{value} is no number"))
}

/// How far a bearing is from another.
fn apart(a: f64, b: f64) -> f64 {
    let difference = (a - b).rem_euclid(360.0);
    difference.min(360.0 - difference)
}

#[test]
fn a_scene_is_turned_and_its_stations_are_found_where_they_stand() {
    let place = Place::new();
    let result: Value = serde_json::from_str(
        &place.text(played("bow-tie", &["--every", "30", "--format", "json"])),
    )
    .unwrap();
    assert_eq!(result["takes"], 13);
    assert_eq!(result["zero"], "north");
    for (n, truth) in [(0, 20.0), (1, 350.0)] {
        let channel = &result["channels"][n];
        let best = &channel["figures"]["best_bearing_deg"];
        // The scene fades by 0.3 and 0.6 dB; between the bearings of its pattern (0 and ±30°) 1.5 dB are at stake.
        assert!(apart(number(&best["value"]), truth) < 12.0, "{best}");
        assert_eq!(channel["points"].as_array().unwrap().len(), 12);
        assert_eq!(channel["fit"]["curve"].as_array().unwrap().len(), 180);
        assert!(number(&channel["closure"]["drift_uncertainty_db"]) > 0.0);
    }
    assert_eq!(
        result["channels"][2]["reason"],
        "nothing found at any bearing"
    );
    // The pattern in the scene: −16 dB at 180°.
    let back = &result["channels"][0]["figures"]["front_to_back_db"];
    assert!((number(&back["value"]) - 16.0).abs() < 2.0, "{back}");

    // The logbook has it, and draws up the same.
    let kept: Value = serde_json::from_str(&place.text([
        "turn",
        "--antenna",
        "bow-tie",
        "--spot",
        "north window",
        "--format",
        "json",
    ]))
    .unwrap();
    assert_eq!(kept["channels"], result["channels"]);
    let csv = place.text([
        "turn",
        "--antenna",
        "bow-tie",
        "--spot",
        "north window",
        "--format",
        "csv",
    ]);
    let mut reader = csv::Reader::from_reader(csv.as_bytes());
    let column = reader
        .headers()
        .unwrap()
        .iter()
        .position(|name| name == "front_to_back_db")
        .unwrap();
    let row = reader.records().next().unwrap().unwrap();
    assert_eq!(row[column].parse::<f64>().unwrap(), number(&back["value"]));
}

#[test]
fn the_table_says_where_to_aim_and_which_way_bearings_go() {
    let place = Place::new();
    let text = place.text(played("tape loop", &["--every", "45", "--want", "20,21"]));
    for words in [
        "counted clockwise from north (seen from above)",
        "For all wanted channels aim it at",
        "Channel(s) 22: nothing found",
        "with the room",
    ] {
        assert!(text.contains(words), "{words}: {text}");
    }
}

#[test]
fn another_zero_and_the_other_way_round_are_kept_as_such() {
    let place = Place::new();
    let files = ["vsb-a", "vsb-b", "vsb-a", "vsb-b"].map(fixture);
    let from: Vec<String> = (files.iter().zip(["0", "90", "180", "270"]))
        .map(|(file, bearing)| format!("{bearing}={file}"))
        .collect();
    let mut arguments = vec![
        "turn",
        "--antenna",
        "loop",
        "--spot",
        "window",
        "--zero",
        "the window",
        "--anticlockwise",
    ];
    for one in &from {
        arguments.extend(["--from", one]);
    }
    let text = place.text(&arguments);
    assert!(text.contains("clockwise from the window"), "{text}");
    let export = place.text(["log", "export", "--format", "json"]);
    let log: Value = serde_json::from_str(&export).unwrap();
    let bearings: Vec<f64> = log["takes"]
        .as_array()
        .unwrap()
        .iter()
        .map(|take| number(&take["bearing"]["degrees"]))
        .collect();
    // In order of time: both of vsb-a, at 0° and 180°, then vsb-b, at 90° and 270° anticlockwise.
    assert_eq!(bearings, [0.0, 180.0, 270.0, 90.0]);
}

#[test]
fn two_antennas_are_drawn_over_each_other() {
    let place = Place::new();
    place.text(played("tape loop", &["--every", "90"]));
    let plot = place.named("both.svg");
    place.text(played(
        "bow-tie",
        &["--every", "90", "--with", "tape loop", "--plot", &plot],
    ));
    let svg = std::fs::read_to_string(place.path("both.svg")).unwrap();
    assert!(svg.contains("A: bow-tie") && svg.contains("B: tape loop"));
}

#[test]
fn takes_of_a_rotation_are_left_out_of_comparisons() {
    let place = Place::with_takes();
    let files = ["vsb-a", "vsb-b", "vsb-a", "vsb-b"].map(fixture);
    let mut arguments = vec![
        "turn",
        "--antenna",
        "loop",
        "--spot",
        "window",
        "--every",
        "90",
        "--begins",
        "2026-05-09T10:00:00Z",
    ];
    for one in &files {
        arguments.extend(["--from", one]);
    }
    place.text(&arguments);
    let output = place
        .run(["compare", "loop", "ears", "--format", "json"])
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(
        said.contains("4 take(s) of \"loop\" are of a rotation, at a bearing each, and left out"),
        "{said}"
    );
    let result: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(result["takes_a"], 1);
}

#[test]
fn what_makes_no_rotation_is_one_line_and_says_what_to_do() {
    let place = Place::with_takes();
    let from = fixture("vsb-a");
    let turn = ["turn", "--antenna", "loop", "--spot", "window"];
    let with = |more: &[&'static str]| {
        turn.iter()
            .copied()
            .chain(more.iter().copied())
            .collect::<Vec<_>>()
    };
    place.refuses(1, turn, &["no rotation of \"loop\"", "--every 30"]);
    place.refuses(2, with(&["--every", "0"]), &["--every", "1 to 90"]);
    place.refuses(2, with(&["--zero", "the window"]), &["--zero", "--from"]);
    place.refuses(
        2,
        with(&["--from", "a.sigmf-meta"]),
        &["--every 30", "90=west"],
    );
    place.refuses(
        2,
        with(&["--from", "0=a.sigmf-meta", "--from", "b.sigmf-meta"]),
        &["for all or for none"],
    );
    place.refuses(2, with(&["--plot", "x.jpg"]), &[".svg or .png"]);
    place.refuses(1, with(&["--from", "0=no.sigmf-meta"]), &["no.sigmf-meta"]);
    let one = format!("0={from}");
    let output = place
        .run(turn.iter().copied().chain(["--from", &one]))
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(1));
    assert!(said.contains("1 bearing(s) make no pattern"), "{said}");
}

#[cfg(not(feature = "dongle"))]
#[test]
fn without_the_dongle_a_guided_rotation_says_how_to_get_it() {
    let place = Place::new();
    place.refuses(
        2,
        [
            "turn",
            "--antenna",
            "loop",
            "--spot",
            "window",
            "--every",
            "30",
        ],
        &["--features dongle", "--from"],
    );
}
