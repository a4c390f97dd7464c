//! `gainsay take`.

use std::fs;

use serde_json::Value;

use crate::program::{
    DWELL, Made, Place, RATE, channel, figure, fixture, fixture_bytes, numbers, truth,
};

/// The names that a take prints under; more may be added, these stay.
const OF_A_TAKE: [&str; 6] = ["take", "antenna", "spot", "plan", "taken_at", "channels"];
const OF_A_CHANNEL: [&str; 12] = [
    "channel",
    "low_hz",
    "high_hz",
    "covered",
    "power_dbfs",
    "noise_dbfs",
    "signal_dbfs",
    "signal_upper_dbfs",
    "cn_db",
    "margin_db",
    "state",
    "health",
];

/// The arguments that take a recording as "loop" at "window" without keeping it.
fn reading<'a>(from: &'a str, plan: &'a str) -> Vec<&'a str> {
    let mut arguments = vec![
        "take",
        "--from",
        from,
        "--antenna",
        "loop",
        "--spot",
        "window",
    ];
    arguments.extend(["--plan", plan, "--no-log"]);
    arguments
}

#[track_caller]
fn near(got: f64, expected: f64, tolerance: f64, what: &str) {
    assert!(
        (got - expected).abs() <= tolerance,
        "{what}: got {got:.3}, expected {expected:.3} ± {tolerance}"
    );
}

/// Every figure of two takes agrees within so many dB, and everything else that is printed of a channel is the same.
#[track_caller]
fn same_figures(got: &Value, expected: &Value, tolerance_db: f64) {
    assert_eq!(numbers(got), numbers(expected));
    for number in numbers(expected) {
        let (got, expected) = (channel(got, number), channel(expected, number));
        for name in [
            "power_dbfs",
            "noise_dbfs",
            "signal_dbfs",
            "cn_db",
            "margin_db",
        ] {
            assert_eq!(
                got[name].is_null(),
                expected[name].is_null(),
                "{name}: {got}"
            );
            if !expected[name].is_null() {
                let what = format!("channel {number}, {name}");
                near(
                    figure(got, name),
                    figure(expected, name),
                    tolerance_db,
                    &what,
                );
            }
        }
        for name in ["state", "covered", "found"] {
            assert_eq!(got[name], expected[name], "channel {number}, {name}");
        }
        // A drive under one step is the 8-bit converter's own remark: wider samples have no such steps.
        let others = |channel: &Value| {
            let mut health = channel["health"].as_array().expect("remarks").clone();
            health.retain(|remark| remark["kind"] != "weak-drive");
            health
        };
        assert_eq!(others(got), others(expected), "channel {number}, health");
    }
}

#[test]
fn json_has_the_promised_names_and_the_true_levels() {
    for (set, name, plan, terminated, width_mhz) in [
        ("vsb", "vsb-a", "us", true, 6.0),
        ("vsb", "vsb-b", "us", true, 6.0),
        ("vsb", "vsb-a", "us", false, 6.0),
        ("vsb", "vsb-b", "us", false, 6.0),
        ("ofdm", "ofdm-a", "europe", false, 8.0),
        ("ofdm", "ofdm-b", "europe", false, 8.0),
    ] {
        let place = Place::new();
        let (from, plug) = (fixture(name), fixture("vsb-terminated"));
        let mut arguments = reading(&from, plan);
        if terminated {
            arguments.extend(["--terminated", &plug]);
        }
        let take = place.json(arguments);
        for wanted in OF_A_TAKE {
            assert!(take.get(wanted).is_some(), "{wanted}: {take}");
        }
        assert_eq!(take["antenna"], "loop");
        assert_eq!(take["spot"], "window");
        assert_eq!(take["plan"], plan);
        for channel in take["channels"].as_array().expect("channels") {
            for wanted in OF_A_CHANNEL {
                assert!(channel.get(wanted).is_some(), "{wanted}: {channel}");
            }
            assert_eq!(channel["covered"], 1.0);
            near(
                figure(channel, "high_hz") - figure(channel, "low_hz"),
                width_mhz * 1e6,
                0.0,
                "width",
            );
            // What went in, and rounding to 8 bits: 1/6 step² over the whole sampled width (I and Q, 1/12 each).
            let noise = 10f64.powf(-44.0 / 10.0) * width_mhz
                + (1.0_f64 / 127.5).powi(2) / 6.0 * width_mhz * 1e6 / RATE;
            near(
                figure(channel, "noise_dbfs"),
                10.0 * noise.log10(),
                if terminated { 0.1 } else { 0.2 },
                &format!("{name}, noise in channel {}", channel["channel"]),
            );
        }

        let truth = truth(set);
        let levels = truth["takes"][name]["channel_power_dbfs"]
            .as_object()
            .expect("levels");
        assert!(!levels.is_empty());
        for (number, level) in levels {
            let channel = channel(&take, number.parse().expect("a number"));
            let cn_db = figure(&truth["takes"][name]["cn_db"], number);
            let tolerance = if cn_db > 10.0 { 0.15 } else { 0.5 };
            let what = format!("{name}, channel {number}");
            near(
                figure(channel, "signal_dbfs"),
                level.as_f64().expect("a level"),
                tolerance,
                &what,
            );
            near(
                figure(channel, "cn_db"),
                figure(channel, "signal_dbfs") - figure(channel, "noise_dbfs"),
                1e-9,
                &what,
            );
            assert!(channel["signal_upper_dbfs"].is_null(), "{what}");
            assert_ne!(channel["state"], "vacant", "{what}");
        }
        for vacant in truth["vacant"].as_array().expect("vacant channels") {
            let number = vacant.as_str().expect("text").parse().expect("a number");
            let channel = channel(&take, number);
            assert_eq!(channel["state"], "vacant", "{name}");
            for nothing in ["signal_dbfs", "cn_db", "margin_db"] {
                assert!(channel[nothing].is_null(), "{name}, {nothing}: {channel}");
            }
            assert!(
                figure(channel, "signal_upper_dbfs") < figure(channel, "noise_dbfs") - 10.0,
                "{name}: a bound that says something: {channel}"
            );
        }
    }
}

#[test]
fn states_follow_the_margin() {
    // Threshold 15 dB: handbook, 8-VSB planning figure; noise −35.8 dBFS. A has margins of 10.8, −11.4 and 1.8 dB.
    let place = Place::new();
    let (from, plug) = (fixture("vsb-a"), fixture("vsb-terminated"));
    let mut arguments = reading(&from, "us");
    arguments.extend(["--terminated", &plug]);
    let take = place.json(&arguments);
    for (number, state) in [(20, "firm"), (21, "trace"), (22, "vacant"), (23, "brink")] {
        assert_eq!(channel(&take, number)["state"], state, "channel {number}");
    }
    // Someone else's figure moves the margin by as much.
    arguments.extend(["--threshold", "8vsb=13"]);
    let other = place.json(&arguments);
    near(
        figure(channel(&other, 23), "margin_db") - figure(channel(&take, 23), "margin_db"),
        2.0,
        1e-9,
        "margin",
    );
    assert_eq!(channel(&other, 23)["state"], "firm");
}

#[test]
fn csv_has_the_same_numbers_under_the_same_names() {
    let place = Place::new();
    let (from, plug) = (fixture("vsb-a"), fixture("vsb-terminated"));
    let mut arguments = reading(&from, "us");
    arguments.extend(["--terminated", &plug, "--channels", "20-24"]);
    let (json, rows) = (place.json(&arguments), place.csv(&arguments));
    assert_eq!(rows.len(), 5);
    for (row, channel) in rows
        .iter()
        .zip(json["channels"].as_array().expect("channels"))
    {
        for name in ["antenna", "spot", "plan", "taken_at"] {
            assert_eq!(row[name], json[name].as_str().expect("text"), "{name}");
        }
        for name in OF_A_CHANNEL {
            let cell = &row[name];
            match &channel[name] {
                Value::Null => assert_eq!(cell, "", "{name}"),
                Value::Number(number) => {
                    assert_eq!(cell.parse::<f64>().ok(), number.as_f64(), "{name}")
                }
                Value::String(text) => assert_eq!(cell, text, "{name}"),
                // Remarks are JSON in their cell, empty where there are none.
                remarks => assert_eq!(
                    serde_json::from_str(cell).unwrap_or_else(|_| Value::Array(Vec::new())),
                    *remarks,
                    "{name}"
                ),
            }
        }
    }
}

#[test]
fn the_table_says_what_json_says() {
    let place = Place::new();
    let (from, plug) = (fixture("vsb-a"), fixture("vsb-terminated"));
    let mut arguments = reading(&from, "us");
    arguments.extend(["--terminated", &plug]);
    let (table, json) = (place.text(&arguments), place.json(&arguments));
    for channel in json["channels"].as_array().expect("channels") {
        let number = channel["channel"].to_string();
        let row: Vec<&str> = table
            .lines()
            .map(|line| line.split_whitespace().collect::<Vec<_>>())
            .find(|cells| cells.first() == Some(&number.as_str()))
            .expect("a row");
        let shown = |name: &str, decimals: usize| {
            format!("{:.decimals$}", figure(channel, name)).replace('-', "\u{2212}")
        };
        // What it carries stands before the figures, where anything is known to be in it.
        let carries = usize::from(!channel["identity"].is_null());
        if carries > 0 {
            assert_eq!(
                (row[2], &channel["identity"]["kind"]),
                ("8-VSB", &"8vsb".into())
            );
        }
        let row = &row[carries..];
        assert_eq!(row[2], shown("power_dbfs", 2));
        assert_eq!(row[3], shown("noise_dbfs", 2));
        if channel["state"] == "vacant" {
            assert_eq!(row[4..7], ["<", &shown("signal_upper_dbfs", 1), "vacant"]);
            // Noise of 0.9 steps is remarked on.
            assert_eq!(row[7..9], ["weak", "drive"]);
        } else {
            let state = channel["state"].as_str().expect("a state");
            let rest = [
                shown("signal_dbfs", 2),
                shown("cn_db", 1),
                shown("margin_db", 1),
                state.into(),
            ];
            assert_eq!(row[4..], rest);
        }
    }
    assert!(table.contains("Levels are relative"), "{table}");
}

#[test]
fn either_file_of_a_recording_names_it() {
    let place = Place::new();
    let (meta, plug) = (fixture("vsb-a"), fixture("vsb-terminated"));
    let data = meta.replace("sigmf-meta", "sigmf-data");
    let plug_data = plug.replace("sigmf-meta", "sigmf-data");
    let [mut by_meta, mut by_data] = [reading(&meta, "us"), reading(&data, "us")];
    by_meta.extend(["--terminated", &plug]);
    by_data.extend(["--terminated", &plug_data]);
    assert_eq!(place.json(by_meta), place.json(by_data));
}

#[test]
fn the_datatype_makes_no_difference() {
    let place = Place::new();
    let [a, plug] = ["vsb-a", "vsb-terminated"].map(Made::of);
    let taken = |name: &str, a: &Made, plug: &Made| {
        let plug = plug.write(&place, &format!("{name}-plug"));
        let a = a.write(&place, name);
        let mut arguments = reading(&a, "us");
        arguments.extend(["--terminated", &plug]);
        place.json(arguments)
    };
    let expected = taken("cu8", &a, &plug);
    for datatype in ["ci8", "ci16_le", "cf32_le"] {
        let [a, plug] = [&a, &plug].map(|made| made.clone().converted(datatype));
        assert_eq!(a.data.len() * 2 % Made::of("vsb-a").data.len(), 0);
        same_figures(&taken(datatype, &a, &plug), &expected, 0.02);
    }
}

#[test]
fn a_raw_file_and_standard_input_read_like_the_same_capture() {
    let place = Place::new();
    let [a, plug] = ["vsb-a", "vsb-terminated"].map(|name| Made::tunings_of(name, [1]));
    let [meta, plug_meta] = [a.write(&place, "a"), plug.write(&place, "plug")];
    let mut as_sigmf = reading(&meta, "us");
    as_sigmf.extend(["--terminated", &plug_meta]);
    let expected = place.json(as_sigmf);
    assert_eq!(numbers(&expected), [20]);
    near(
        figure(channel(&expected, 20), "covered"),
        1.0 / 3.0,
        1e-6,
        "a third of the channel",
    );

    let [raw, raw_plug] = ["a.bin", "plug.bin"].map(|name| place.named(name));
    let segment = DWELL * 2..2 * DWELL * 2;
    fs::write(&raw, &fixture_bytes("vsb-a")[segment.clone()]).expect("written");
    fs::write(&raw_plug, &fixture_bytes("vsb-terminated")[segment.clone()]).expect("written");
    let tuned = [
        "--rate",
        "2.4M",
        "--tuned",
        "509M",
        "--terminated",
        &raw_plug,
    ];
    let mut as_raw = reading(&raw, "us");
    as_raw.extend(tuned);
    same_figures(&place.json(as_raw), &expected, 1e-9);

    let mut as_stream = reading("-", "us");
    as_stream.extend(tuned);
    as_stream.extend(["--format", "json"]);
    let output = place
        .run(as_stream)
        .write_stdin(&fixture_bytes("vsb-a")[segment])
        .assert()
        .success()
        .get_output()
        .clone();
    let take: Value = serde_json::from_slice(&output.stdout).expect("JSON");
    same_figures(&take, &expected, 1e-9);
    assert_eq!(take["source"], "standard input");
}

#[test]
fn a_take_that_is_there_already_is_remarked_on_and_counts_once() {
    let place = Place::new();
    place.take("loop", "vsb-a");
    let from = fixture("vsb-a");
    let plug = fixture("vsb-terminated");
    let again = [
        "take",
        "--from",
        &from,
        "--antenna",
        "loop",
        "--spot",
        "window",
    ];
    let again = again.into_iter().chain(["--terminated", &plug]);
    let output = place.run(again).assert().success().get_output().clone();
    let remark = String::from_utf8(output.stderr).expect("text");
    assert!(
        remark.contains("number 1") && remark.contains("counts it once"),
        "{remark}"
    );
    assert_eq!(place.json(["log"]).as_array().map(Vec::len), Some(2));
    place.take("ears", "vsb-b");
    let comparison = place.json(["compare", "loop", "ears"]);
    assert_eq!(
        [&comparison["takes_a"], &comparison["takes_b"]],
        [&Value::from(1), &Value::from(1)]
    );
    // Without a logbook nothing is kept, and no logbook is made.
    let other = Place::new();
    other.json(reading(&from, "us"));
    assert!(other.logbook_files().is_empty());
}

#[test]
fn time_and_note_are_kept_as_given() {
    let place = Place::new();
    let made = Made::of("vsb-a").without_hash();
    let mut meta = made.meta.clone();
    for capture in meta["captures"].as_array_mut().expect("captures") {
        capture
            .as_object_mut()
            .expect("an object")
            .remove("core:datetime");
    }
    let from = Made { meta, ..made }.write(&place, "timeless");
    let take = place.json([
        "take",
        "--from",
        &from,
        "--antenna",
        " loop ",
        "--spot",
        "window",
        "--note",
        "after rain",
        "--taken-at",
        "2026-05-10T08:00:00Z",
    ]);
    assert_eq!(take["taken_at"], "2026-05-10T08:00:00Z");
    assert_eq!(take["note"], "after rain");
    assert_eq!(take["antenna"], "loop");
    assert_eq!(take["take"], 1);
}

#[test]
fn where_it_stood_and_what_a_scan_found_are_kept_with_the_take() {
    let place = Place::new();
    let from = fixture("vsb-a");
    let mut arguments = reading(&from, "us");
    arguments.retain(|argument| *argument != "--no-log");
    arguments.extend([
        "--at",
        "-1.25, 3.5",
        "--height",
        "1.1",
        "--scan-count",
        "31",
    ]);
    let printed = place.json(arguments);
    let kept = place.json(["log", "show", "1"]);
    for take in [&printed, &kept] {
        assert_eq!(
            take["position"],
            serde_json::json!({"x_m": -1.25, "y_m": 3.5, "height_m": 1.1})
        );
        assert_eq!(take["scan_count"], 31);
        assert!(take["bearing"].is_null());
    }
}

#[test]
fn a_place_that_cant_be_read_is_refused_with_what_to_write() {
    let place = Place::new();
    let from = fixture("vsb-a");
    for (extra, said) in [
        (["--at", "1.2"], "such as 1.2,3.4"),
        (["--at", "1.2,nan"], "such as 1.2,3.4"),
        (["--at", "1,2,3"], "such as 1.2,3.4"),
        (["--height", "1.1"], "--at"),
        (["--scan-count", "many"], "--scan-count"),
    ] {
        let mut arguments = reading(&from, "us");
        arguments.extend(extra);
        place.refuses(2, arguments, &[said]);
    }
}
