//! `gainsay channels`. The edges themselves are checked against the regulations in `tests/channel_edges.rs`.

use std::fs;
use std::process::Stdio;

use serde_json::Value;

use crate::program::Place;

const PLANS: [&str; 8] = [
    "us",
    "canada-mexico",
    "europe",
    "uk",
    "australia",
    "new-zealand",
    "japan",
    "brazil",
];

#[test]
fn every_plan_is_listed_with_its_source() {
    let place = Place::new();
    let plans = place.json(["channels"]);
    let names: Vec<&str> = plans
        .as_array()
        .expect("plans")
        .iter()
        .map(|plan| plan["name"].as_str().expect("a name"))
        .collect();
    assert_eq!(names, PLANS);
    for plan in plans.as_array().expect("plans") {
        assert!(
            plan["source"]
                .as_str()
                .is_some_and(|source| source.len() > 10),
            "{plan}"
        );
    }
    let rows = place.csv(["channels"]);
    let table = place.text(["channels"]);
    for (row, name) in rows.iter().zip(PLANS) {
        assert_eq!(row["plan"], name);
        assert!(table.contains(name), "{table}");
    }
}

#[test]
fn a_plan_prints_the_same_channels_in_every_format() {
    let place = Place::new();
    for plan in PLANS {
        let arguments = ["channels", "--plan", plan];
        let (json, rows) = (place.json(arguments), place.csv(arguments));
        let table = place.text(arguments);
        let channels = json["channels"].as_array().expect("channels");
        assert_eq!(channels.len(), rows.len(), "{plan}");
        assert!(channels.len() > 20, "{plan}");
        for (channel, row) in channels.iter().zip(&rows) {
            let name = match &channel["id"] {
                Value::String(name) => name.clone(),
                number => number.to_string(),
            };
            assert_eq!(row["channel"], name, "{plan}");
            let edges = ["low", "high"].map(|edge| channel[edge].as_f64().expect("hertz"));
            assert_eq!(row["low_hz"].parse(), Ok(edges[0]), "{plan} {name}");
            assert_eq!(row["high_hz"].parse(), Ok(edges[1]), "{plan} {name}");
            assert!(
                table
                    .lines()
                    .any(|line| line.split_whitespace().next() == Some(&name)),
                "{plan}: no {name} in {table}"
            );
        }
        assert!(table.contains("Source:"), "{plan}");
    }
}

#[test]
fn a_plan_of_ones_own_works_wherever_a_plan_does() {
    let place = Place::new();
    // As --help shows it.
    let help = place.text(["channels", "--help"]);
    let plan: String = help
        .lines()
        .skip_while(|line| !line.contains("my.toml):"))
        .skip(1)
        .take_while(|line| !line.trim().is_empty())
        .map(|line| format!("{}\n", line.trim()))
        .collect();
    fs::write(place.path("my.toml"), plan).expect("written");
    let mine = place.json(["channels", "--plan", "my.toml", "--channels", "2-3"]);
    let channels = mine["channels"].as_array().expect("channels");
    assert_eq!(channels.len(), 2);
    assert_eq!(channels[0]["low"], 512e6);

    let from = crate::program::fixture("vsb-a");
    let take = place.json([
        "take",
        "--from",
        &from,
        "--antenna",
        "loop",
        "--spot",
        "window",
        "--plan",
        "my.toml",
        "--no-log",
    ]);
    assert_eq!(crate::program::numbers(&take), [1, 2, 3, 4]);
    let level = crate::program::figure(crate::program::channel(&take, 1), "signal_dbfs");
    assert!((level + 10.0).abs() < 0.15, "{level}");
}

#[test]
fn a_reader_who_goes_away_is_no_failure() {
    let place = Place::with_takes();
    // Large enough that no pipe holds all of it.
    let from = crate::program::fixture("vsb-a");
    for number in 0..12 {
        let spot = format!("spot {number}");
        place.text([
            "take",
            "--from",
            &from,
            "--antenna",
            "loop",
            "--spot",
            &spot,
        ]);
    }
    for arguments in [
        &["channels", "--plan", "us"][..],
        &["channels", "--format", "json"],
        &["log", "export"],
        &["log", "export", "--format", "csv"],
        &["log"],
        &["compare", "loop", "ears"],
    ] {
        let mut child = place
            .command()
            .args(arguments)
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("it starts");
        drop(child.stdout.take());
        let output = child.wait_with_output().expect("it ends");
        let error = String::from_utf8_lossy(&output.stderr);
        assert!(
            output.status.success() && error.is_empty(),
            "{arguments:?}: {error}"
        );
    }
}
