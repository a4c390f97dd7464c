//! Whole rotations with the dongle: somebody turns the antenna as they are told.
//!
//! Truth: the demo's scene (`demo-data/scene.toml`). Its bow-tie looks to where it is turned, and its pattern is written there;
//! channel 20 stands at 20°. The stand-in's antenna is turned by `turned_deg`, counted from the 20° that it looks to unturned.

use std::process::Command as Process;
use std::thread;
use std::time::Duration;

use serde_json::Value;

use super::program::{Place, channel};
use super::stand_in_support::StandIn;
use super::trial_dialogue::Running;
use super::{command, figure};

const TURN: [&str; 9] = [
    "turn",
    "--antenna",
    "bow-tie",
    "--spot",
    "north window",
    "--channels",
    "20",
    "--every",
    "90",
];
const LOOKS_DEG: f64 = 20.0;
const FAULT: &str = "[[device.fault]]\nkind = ";

/// A dongle with the antenna turned to a bearing; none with a terminator.
fn device(bearing_deg: Option<f64>) -> String {
    let antenna = bearing_deg.map_or_else(String::new, |bearing| {
        format!(
            "antenna = 'bow-tie'\nturned_deg = {}\n",
            bearing - LOOKS_DEG
        )
    });
    format!("[[device]]\nserial = '00000001'\nspot = 'north window'\n{antenna}")
}

/// A guided rotation, and whoever turns the antenna for it.
struct Turned<'t> {
    running: Running,
    stand_in: &'t StandIn,
}

impl<'t> Turned<'t> {
    fn start(place: &Place, stand_in: &'t StandIn, more: &[&str]) -> Turned<'t> {
        Turned {
            running: Running::of(command(place, stand_in, &TURN, more)),
            stand_in,
        }
    }

    /// Does what it asks for when it says this, and presses Enter.
    #[track_caller]
    fn does(&mut self, words: &str, bearing_deg: Option<f64>) {
        self.running.until(&format!("{words}, then press Enter. "));
        self.stand_in.plug(&device(bearing_deg));
        // The stand-in looks every 50 ms what is plugged in.
        thread::sleep(Duration::from_millis(300));
        self.running.answer("\n");
    }

    #[track_caller]
    fn turns(&mut self, bearing_deg: f64) {
        self.does(
            &format!("turn bow-tie to {bearing_deg}°"),
            Some(bearing_deg),
        );
    }

    /// The gains, the terminator and the first two bearings.
    #[track_caller]
    fn begins(&mut self) {
        self.does("connect bow-tie and turn it to 0°", Some(0.0));
        self.does("Put the terminator on", None);
        self.does("Take 1 of 5: connect bow-tie and turn it to 0°", Some(0.0));
        self.turns(90.0);
    }

    #[track_caller]
    fn interrupt(&mut self) {
        let id = self.running.child.id().to_string();
        let sent = Process::new("kill").args(["-INT", &id]).status();
        assert!(sent.expect("kill runs").success());
        let mut ended = || self.running.child.try_wait().expect("a state").is_some();
        assert!(
            (0..1000).any(|_| {
                thread::sleep(Duration::from_millis(10));
                ended()
            }),
            "it goes on"
        );
    }

    /// Its last line, where it failed, and all that it said.
    #[track_caller]
    fn fails(mut self) -> (String, String) {
        // Were it to wait, it would end.
        drop(self.running.child.stdin.take());
        let (status, out, said) = self.running.end();
        assert_eq!((status, out.as_str()), (Some(1), ""), "{said}");
        assert!(!said.contains("panicked"), "{said}");
        let last = said.lines().last().expect("a line").to_owned();
        assert!(last.starts_with("gainsay: "), "{said}");
        (last, said)
    }

    /// What it printed, where it came to its end, and all that it said.
    #[track_caller]
    fn succeeds(mut self) -> (String, String) {
        // Were it to wait, it would end.
        drop(self.running.child.stdin.take());
        let (status, out, said) = self.running.end();
        assert_eq!(status, Some(0), "{said}");
        (out, said)
    }
}

/// The takes of the logbook, in order of time.
fn kept(place: &Place) -> Vec<Value> {
    let export: Value =
        serde_json::from_str(&place.text(["log", "export", "--format", "json"])).expect("JSON");
    let mut takes = export["takes"].as_array().expect("takes").clone();
    takes.sort_by_key(|take| take["taken_at"].as_str().expect("a time").to_owned());
    takes
}

fn bearings(takes: &[Value]) -> Vec<f64> {
    (takes.iter())
        .map(|take| {
            assert_eq!(take["bearing"]["from"], "north", "{take}");
            figure(&take["bearing"], "degrees")
        })
        .collect()
}

/// By how many dB channel 20 is stronger at the first bearing than at each of the others.
fn falls_db(takes: &[Value]) -> Vec<f64> {
    let level_db = |take: &Value| 10.0 * figure(&channel(take, 20)["signal"], "value").log10();
    (takes.iter())
        .map(|take| level_db(&takes[0]) - level_db(take))
        .collect()
}

/// The scene's pattern at 20°, −70°, −160° and −250° from where the antenna looks, against the first of these, each within
/// what fades (0.3 dB) and what reading between the pattern's corners may make.
fn falls_as_the_scene_says(takes: &[Value]) {
    let falls = falls_db(takes);
    for (fall, truth) in falls.iter().zip([0.0, 7.7, 14.6, 13.4, 0.0]) {
        assert!((fall - truth).abs() < 1.5, "{falls:?}");
    }
}

fn have_one_gain_plan(takes: &[Value]) {
    for take in takes {
        let gains = &take["gains_db"];
        assert!(!gains.as_array().expect("gains").is_empty());
        assert_eq!(gains, &takes[0]["gains_db"]);
    }
}

#[test]
fn a_rotation_by_hand_keeps_each_bearing_and_prints_the_pattern() {
    let (place, stand_in) = (Place::new(), StandIn::new(&device(None)));
    let mut turned = Turned::start(&place, &stand_in, &[]);
    turned.begins();
    for bearing in [180.0, 270.0] {
        turned.turns(bearing);
    }
    turned.does("Take 5 of 5: turn bow-tie to 0° once more", Some(0.0));
    let (table, said) = turned.succeeds();
    let takes = kept(&place);
    assert_eq!(bearings(&takes), [0.0, 90.0, 180.0, 270.0, 0.0]);
    falls_as_the_scene_says(&takes);
    have_one_gain_plan(&takes);
    for take in &takes {
        let terminated = take["terminated"].as_str().expect("a terminated take");
        assert!(terminated.contains("dongle 00000001"), "{terminated}");
    }
    for words in ["5 take(s) at 4 bearings", "counted clockwise from north"] {
        assert!(table.contains(words), "{words}: {table}");
    }
    assert!(said.contains("So far: "), "{said}");
    // The logbook draws up the same.
    let again = place.text([&TURN[..5], &["--channels", "20"]].concat());
    assert_eq!(again, table);
}

#[test]
fn with_a_time_it_goes_on_by_itself_and_an_antenna_that_nobody_turned_comes_out_round() {
    let (place, stand_in) = (Place::new(), StandIn::new(&device(Some(0.0))));
    let more = ["--after", "1s", "--no-terminator", "--format", "json"];
    let (out, said) = Turned::start(&place, &stand_in, &more).succeeds();
    assert!(
        said.contains("going on in 1 s") && !said.contains("press Enter"),
        "{said}"
    );
    assert!(!said.contains("erminator on"), "{said}");
    let takes = kept(&place);
    assert_eq!(bearings(&takes), [0.0, 90.0, 180.0, 270.0, 0.0]);
    assert!(falls_db(&takes).iter().all(|fall| fall.abs() < 1.0));
    have_one_gain_plan(&takes);
    let result: Value = serde_json::from_str(&out).expect("JSON");
    let figures = &result["channels"][0]["figures"];
    assert!(
        figures["half_power_beamwidth_deg"]["value"].is_null(),
        "{figures}"
    );
    assert!(figure(&figures["roundness_db"], "value") < 1.0, "{figures}");
}

#[test]
fn control_c_keeps_the_bearings_and_the_same_command_takes_the_missing_ones() {
    let (place, stand_in) = (Place::new(), StandIn::new(&device(None)));
    let mut turned = Turned::start(&place, &stand_in, &[]);
    turned.begins();
    turned
        .running
        .until("turn bow-tie to 180°, then press Enter. ");
    turned.interrupt();
    let (last, _) = turned.fails();
    for words in [
        "stopped; 2 of 5 takes are kept in ",
        "the same command goes on",
    ] {
        assert!(last.contains(words), "{last}");
    }
    assert_eq!(bearings(&kept(&place)), [0.0, 90.0]);

    let mut turned = Turned::start(&place, &stand_in, &[]);
    turned.running.until("2 made already");
    turned.does("Put the terminator on", None);
    turned.does(
        "Take 3 of 5: connect bow-tie and turn it to 180°",
        Some(180.0),
    );
    turned.turns(270.0);
    turned.does("turn bow-tie to 0° once more", Some(0.0));
    let (table, said) = turned.succeeds();
    assert!(!said.contains("find the gains"), "{said}");
    assert!(table.contains("5 take(s) at 4 bearings"), "{table}");
    let takes = kept(&place);
    assert_eq!(bearings(&takes), [0.0, 90.0, 180.0, 270.0, 0.0]);
    falls_as_the_scene_says(&takes);
    have_one_gain_plan(&takes);

    // Whole already: nothing is taken, the pattern is shown.
    let (again, said) = Turned::start(&place, &stand_in, &[]).succeeds();
    assert!(said.contains("5 made already"), "{said}");
    assert_eq!((again, kept(&place).len()), (table, 5));
}

#[test]
fn begun_anew_a_rotation_stands_by_itself_and_is_the_one_that_goes_on() {
    let (place, stand_in) = (Place::new(), StandIn::new(&device(None)));
    let mut turned = Turned::start(&place, &stand_in, &[]);
    turned.begins();
    turned.running.until("turn bow-tie to 180°");
    turned.interrupt();
    turned.fails();
    // Anew, in another gain's reach: from behind, so that gains are higher.
    let from_behind = ["--anew", "--start", "180", "--no-terminator"];
    let mut turned = Turned::start(&place, &stand_in, &from_behind);
    turned.does("connect bow-tie and turn it to 180°", Some(180.0));
    turned.running.until("turn bow-tie to 270°");
    turned.interrupt();
    let (last, _) = turned.fails();
    assert!(last.contains("1 of 5 takes are kept"), "{last}");
    assert_eq!(bearings(&kept(&place)), [0.0, 90.0, 180.0]);
    // What goes on is the new one, without the bearings of the first.
    let mut turned = Turned::start(&place, &stand_in, &from_behind[1..]);
    turned.running.until("1 made already");
    turned.does("connect bow-tie and turn it to 270°", Some(270.0));
    // Towards the station far more arrives than where the gains were found: from there on, with lower ones.
    turned.turns(0.0);
    turned.running.until("The converter clips at 0°");
    turned
        .running
        .until("their takes (numbers 3, 4) are put aside");
    turned.running.until("Take 1 of 5 (0°) is kept");
    for bearing in [90.0, 180.0, 270.0] {
        turned.turns(bearing);
    }
    turned.does("turn bow-tie to 0° once more", Some(0.0));
    let (table, _) = turned.succeeds();
    assert!(table.contains("5 take(s) at 4 bearings"), "{table}");
    let takes = kept(&place);
    assert_eq!(bearings(&takes), [0.0, 90.0, 0.0, 90.0, 180.0, 270.0, 0.0]);
    have_one_gain_plan(&takes[2..]);
    falls_as_the_scene_says(&takes[2..]);
    let output = place
        .run([&TURN[..5], &["--channels", "20"]].concat())
        .output()
        .expect("it runs");
    assert_eq!(String::from_utf8_lossy(&output.stdout), table);
    assert!(String::from_utf8_lossy(&output.stderr).contains("1 earlier rotation(s)"));
}

#[test]
fn other_channels_than_before_and_another_zero_are_not_mixed_in() {
    let (place, stand_in) = (Place::new(), StandIn::new(&device(Some(0.0))));
    let mut turned = Turned::start(&place, &stand_in, &["--no-terminator"]);
    turned.does("turn it to 0°", Some(0.0));
    turned.running.until("turn bow-tie to 90°");
    turned.interrupt();
    turned.fails();
    let mut arguments = TURN;
    arguments[6] = "23";
    let output = command(&place, &stand_in, &arguments, &["--no-terminator"])
        .output()
        .expect("it runs");
    let said = String::from_utf8_lossy(&output.stderr);
    let last = said.lines().last().expect("a line");
    assert_eq!(output.status.code(), Some(2), "{said}");
    assert!(
        last.contains("same --channels") && last.contains("--anew"),
        "{said}"
    );
    let mut turned = Turned::start(
        &place,
        &stand_in,
        &["--zero", "the window", "--no-terminator"],
    );
    turned.running.until("To find the gains");
    turned.interrupt();
    assert!(turned.fails().0.contains("0 of 5 takes"));
    assert_eq!(kept(&place).len(), 1);
}

#[test]
fn a_fault_ends_in_one_line_and_what_was_kept_stays() {
    let faults = [("'unplugged'", "00000001"), ("'silent'", "no samples")];
    for (fault, words) in faults {
        let (place, stand_in) = (Place::new(), StandIn::new(&device(Some(0.0))));
        let mut turned = Turned::start(&place, &stand_in, &["--no-terminator"]);
        turned.does("turn it to 0°", Some(0.0));
        turned.turns(90.0);
        turned
            .running
            .until("turn bow-tie to 180°, then press Enter. ");
        stand_in.plug(&format!("{}{FAULT}{fault}\n", device(Some(180.0))));
        turned.running.answer("\n");
        let (last, said) = turned.fails();
        for words in [words, "2 of 5 takes are kept", "the same command goes on"] {
            assert!(last.contains(words), "{fault}, {words}: {said}");
        }
        assert_eq!(bearings(&kept(&place)), [0.0, 90.0]);
        stand_in.plug(&device(Some(180.0)));
        let more = ["--no-terminator", "--after", "0s"];
        Turned::start(&place, &stand_in, &more).succeeds();
        assert_eq!(
            bearings(&kept(&place)),
            [0.0, 90.0, 180.0, 270.0, 0.0],
            "{fault}"
        );
    }
}

#[test]
fn a_fault_before_the_first_take_is_one_line_too() {
    let cases = [("'unplugged'", "00000001"), ("'silent'", "no samples")];
    for (fault, words) in cases {
        let (place, stand_in) = (Place::new(), StandIn::new(&device(Some(0.0))));
        let mut turned = Turned::start(&place, &stand_in, &[]);
        turned.running.until("turn it to 0°, then press Enter. ");
        stand_in.plug(&format!("{}{FAULT}{fault}\n", device(Some(0.0))));
        turned.running.answer("\n");
        let (last, said) = turned.fails();
        assert!(
            last.contains(words) && last.contains("0 of 5 takes"),
            "{fault}: {said}"
        );
        assert!(kept(&place).is_empty());
    }
}

#[test]
fn an_end_of_standard_input_ends_it_wherever_it_waits() {
    let (place, stand_in) = (Place::new(), StandIn::new(&device(Some(0.0))));
    for (enters, kept_so_far) in [(0, 0), (1, 1), (0, 1)] {
        let mut turned = Turned::start(&place, &stand_in, &["--no-terminator"]);
        for _ in 0..enters {
            turned.does("turn it to 0°", Some(0.0));
        }
        turned.running.until("then press Enter. ");
        let (last, _) = turned.fails();
        for words in [
            "standard input has ended",
            "--after 10s",
            &format!("{kept_so_far} of 5 takes"),
        ] {
            assert!(last.contains(words), "{words}: {last}");
        }
        assert_eq!(kept(&place).len(), kept_so_far);
    }
}

#[test]
fn an_antenna_in_the_terminators_place_is_noticed_before_anything_is_taken() {
    let (place, stand_in) = (Place::new(), StandIn::new(&device(Some(0.0))));
    let mut turned = Turned::start(&place, &stand_in, &[]);
    // The gains are found where hardly anything arrives; then it is turned to the station and left on.
    turned.does("turn it to 0°", Some(180.0));
    turned.does("Put the terminator on", Some(20.0));
    let (last, said) = turned.fails();
    assert!(
        last.contains("was an antenna connected?") && last.contains("0 of 5 takes"),
        "{said}"
    );
    assert!(kept(&place).is_empty());
}
