//! Whole trials with the dongle: somebody swaps the plugs as they are told.

use std::io::{BufRead, BufReader};
use std::process::{ExitStatus, Stdio};

use super::program::{Place, channel, figure};
use super::stand_in_support::StandIn;
use super::{command, said};
use serde_json::Value;

/// Differences of the demo's antennas at the north window (README): measured of recordings, within half a decibel.
const TRUTH: [(u64, f64); 2] = [(20, 1.5), (23, 3.4)];

/// Runs a trial; `swap` is told each line on standard error and does what it asks for. Gives what it printed, and all lines.
fn trial(
    place: &Place,
    stand_in: &StandIn,
    more: &[&str],
    mut swap: impl FnMut(&str, u32),
) -> (ExitStatus, Vec<u8>, String) {
    let arguments = ["trial", "--after", "300ms", "--format", "json"];
    let mut running = command(place, stand_in, &arguments, more)
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("it runs");
    let (id, lines) = (running.id(), running.stderr.take().expect("piped"));
    let mut said = String::new();
    for line in BufReader::new(lines).lines() {
        let line = line.expect("text");
        swap(&line, id);
        said += &(line + "\n");
    }
    let output = running.wait_with_output().expect("it ends");
    (output.status, output.stdout, said)
}

const ONE: [&str; 10] = [
    "--a",
    "tape loop",
    "--b",
    "rabbit ears",
    "--spot",
    "north window",
    "--channels",
    "20-23",
    "--blocks",
    "2",
];

fn device(serial: &str, antenna: Option<&str>, more: &str) -> String {
    let antenna = antenna.map_or_else(String::new, |name| format!("antenna = '{name}'\n"));
    format!("[[device]]\nserial = '{serial}'\nspot = 'north window'\n{antenna}{more}\n")
}

/// What a line asks to be put on one dongle.
fn asked(line: &str) -> Option<Option<&'static str>> {
    let wants = |name: &str| line.contains(&format!("connect {name}"));
    match line {
        _ if wants("tape loop") => Some(Some("tape loop")),
        _ if wants("rabbit ears") => Some(Some("rabbit ears")),
        _ if line.contains("erminator on") => Some(None),
        _ => None,
    }
}

fn finds_the_truth(result: &Value) {
    for (number, truth_db) in TRUTH {
        let one = channel(result, number);
        assert!(
            (figure(one, "difference_db") - truth_db).abs() < 0.5,
            "{one}"
        );
        assert_eq!(one["verdict"], "a", "{one}");
    }
    assert_eq!(channel(result, 22)["verdict"], "not comparable");
}

#[test]
fn a_trial_with_one_dongle_asks_for_the_plugs_and_finds_the_difference() {
    let (place, stand_in) = (Place::new(), StandIn::new(&device("00000001", None, "")));
    let (status, printed, said) = trial(&place, &stand_in, &ONE, |line, _| {
        if let Some(antenna) = asked(line) {
            stand_in.plug(&device("00000001", antenna, ""));
        }
    });
    assert!(status.success(), "{said}");
    let result: Value = serde_json::from_slice(&printed).expect("JSON");
    finds_the_truth(&result);
    let takes = place.json(["log"]);
    assert_eq!(takes.as_array().expect("takes").len(), 8);
}

#[test]
fn a_plug_that_was_not_swapped_is_noticed() {
    let (place, stand_in) = (Place::new(), StandIn::new(&device("00000001", None, "")));
    let (status, _, said) = trial(&place, &stand_in, &ONE, |line, _| {
        // The loop stays on when the ears are first asked for.
        if let (Some(antenna), false) = (asked(line), line.contains("Take 2 of 8")) {
            stand_in.plug(&device("00000001", antenna, ""));
        }
    });
    assert!(status.success(), "{said}");
    let shown = place.json(["log", "show", "2"]);
    assert!(
        shown["note"].as_str().expect("a note").contains("doubt"),
        "{}\n{said}",
        shown["note"]
    );
}

#[test]
fn an_antenna_left_on_for_a_terminator_is_noticed_and_the_noise_is_estimated() {
    let on = device("00000001", Some("tape loop"), "");
    let (place, stand_in) = (Place::new(), StandIn::new(&on));
    let (status, printed, said) = trial(&place, &stand_in, &ONE, |line, _| {
        // Nobody has a terminator at hand.
        if let Some(Some(antenna)) = asked(line) {
            stand_in.plug(&device("00000001", Some(antenna), ""));
        }
    });
    assert!(status.success(), "{said}");
    assert!(
        said.contains("was the terminator on? its take shows television on channel 20, 21, 23,"),
        "{said}"
    );
    assert_eq!(said.matches("erminator on: going on").count(), 1, "{said}");
    finds_the_truth(&serde_json::from_slice(&printed).expect("JSON"));
    let shown = place.json(["log", "show", "1"]);
    assert_eq!(shown["terminated"], Value::Null);
}

#[test]
fn one_of_two_dongles_is_named_and_the_trial_goes_on_with_it() {
    let both =
        |antenna: Option<&str>| device("00000001", None, "") + &device("00000002", antenna, "");
    let (place, stand_in) = (Place::new(), StandIn::new(&both(None)));
    let (status, _, said) = trial(&place, &stand_in, &ONE, |_, _| {});
    assert!(!status.success(), "{said}");
    assert!(said.contains("name one with --dongle SERIAL"), "{said}");
    let swap = |line: &str| {
        if let Some(antenna) = asked(line) {
            stand_in.plug(&both(antenna));
        }
    };
    let more = [&ONE[..], &["--dongle", "00000002"]].concat();
    let (status, _, told) = trial(&place, &stand_in, &more, |line, id| {
        swap(line);
        if line.contains("Take 3 of 8") && line.contains("kept") {
            let id = id.to_string();
            let sent = std::process::Command::new("kill")
                .args(["-INT", &id])
                .status();
            assert!(sent.expect("kill").success());
        }
    });
    assert!(
        !status.success() && told.contains("trial --resume"),
        "{told}"
    );
    let (status, printed, told) = trial(&place, &stand_in, &["--resume"], |line, _| swap(line));
    assert!(status.success(), "{told}");
    finds_the_truth(&serde_json::from_slice(&printed).expect("JSON"));
    let shown = place.json(["log", "show", "8"]);
    assert_eq!(shown["source"], "dongle 00000002");
}

#[test]
fn a_trial_that_was_stopped_goes_on_with_its_gains() {
    let (place, stand_in) = (Place::new(), StandIn::new(&device("00000001", None, "")));
    let swap = |line: &str| {
        if let Some(antenna) = asked(line) {
            stand_in.plug(&device("00000001", antenna, ""));
        }
    };
    let (status, _, told) = trial(&place, &stand_in, &ONE, |line, id| {
        swap(line);
        if line.contains("Take 3 of 8") && line.contains("kept") {
            let id = id.to_string();
            std::process::Command::new("kill")
                .args(["-INT", &id])
                .status()
                .expect("kill");
        }
    });
    assert!(
        !status.success() && told.contains("trial --resume"),
        "{told}"
    );
    let before = place.json(["log"]).as_array().expect("takes").len();
    assert!((3..8).contains(&before), "{before}");
    let (status, printed, told) = trial(&place, &stand_in, &["--resume"], |line, _| swap(line));
    assert!(status.success(), "{told}");
    assert!(!told.contains("find the gains"), "{told}");
    let result: Value = serde_json::from_slice(&printed).expect("JSON");
    finds_the_truth(&result);
    assert_eq!(place.json(["log"]).as_array().expect("takes").len(), 8);
}

#[test]
fn two_dongles_at_once_cancel_what_makes_them_differ() {
    let second = "frequency_error_ppm = -14.0\nsensitivity_db = 1.5";
    let both = |first: Option<&str>, other: Option<&str>| {
        device("00000001", first, "") + &device("00000002", other, second)
    };
    let (place, stand_in) = (Place::new(), StandIn::new(&both(None, None)));
    let more = [&ONE[..], &["--dongles", "00000001,00000002"]].concat();
    let (status, printed, told) = trial(&place, &stand_in, &more, |line, _| {
        match line {
            _ if line.contains("rabbit ears to dongle 00000002") => {
                stand_in.plug(&both(Some("tape loop"), Some("rabbit ears")))
            }
            _ if line.contains("tape loop to dongle 00000002") => {
                stand_in.plug(&both(Some("rabbit ears"), Some("tape loop")))
            }
            _ if line.contains("erminator on") => stand_in.plug(&both(None, None)),
            _ => {}
        };
    });
    assert!(status.success(), "{told}");
    let result: Value = serde_json::from_slice(&printed).expect("JSON");
    finds_the_truth(&result);
    // The second hears 1.5 dB more: the first less it.
    let median = result["dongles"]["median_db"]
        .as_f64()
        .unwrap_or_else(|| panic!("no median in {}", result["dongles"]));
    assert!((median + 1.5).abs() < 0.15, "{median}");
}

#[test]
fn a_dongle_that_was_checked_is_remembered() {
    let (place, stand_in) = (
        Place::new(),
        StandIn::new(&device("00000001", Some("tape loop"), "")),
    );
    let arguments = [
        "dongle",
        "check",
        "--channels",
        "20-23",
        "--lost-at",
        "2.4M",
        "--format",
        "json",
    ];
    let output = command(&place, &stand_in, &arguments, &[])
        .output()
        .expect("it runs");
    assert!(output.status.success(), "{}", said(&output));
    let figures: Value = serde_json::from_slice(&output.stdout).expect("JSON");
    // The scene's dongle is 27 ppm off.
    assert!(
        (figures["frequency"]["error_ppm"].as_f64().expect("ppm") - 27.0).abs() < 0.5,
        "{figures}"
    );
    assert!(said(&output).contains("kept in"), "{}", said(&output));
}
