//! `gainsay trial` from outside: by time, through its standard input, from another terminal, with two dongles.

mod program;
mod trial_dialogue;

use gainsay::capture::simulated::{Scene, Setup, SimulatedSource};
use gainsay::units::Hertz;
use program::{Place, channel, figure};
use trial_dialogue::{EARS, Running, TAPE, antennas, place, trial};

/// What the scene says that the loop gains on the ears in each channel, in dB.
fn truth(place: &Place, number: u64) -> f64 {
    let scene = Scene::read(&place.path("scene.toml")).expect("a scene");
    let power = |antenna: &str| {
        let setup = Setup {
            antenna: Some(antenna.into()),
            tunings: vec![Hertz::from_mhz(507.0)],
            ..Setup::terminated(
                "north window",
                "2026-05-09T10:00:00Z".parse().expect("a time"),
            )
        };
        let truth = SimulatedSource::new(&scene, setup)
            .expect("a source")
            .truth();
        let name = number.to_string();
        truth
            .iter()
            .find(|one| one.channel.to_string() == name)
            .expect("a channel")
            .power
            .0
    };
    power(TAPE) - power(EARS)
}

#[test]
fn a_trial_by_time_takes_its_blocks_and_prints_what_compare_prints_of_them() {
    let place = place();
    let found = place.json(trial(&["--blocks", "3", "--after", "0s"]));
    let order = "ABBABAABABBA";
    let wanted: Vec<&str> = order
        .chars()
        .map(|c| if c == 'A' { TAPE } else { EARS })
        .collect();
    assert_eq!(antennas(&place), wanted);
    assert_eq!(
        found["trial"]["takes"],
        serde_json::json!((1..=12).collect::<Vec<_>>())
    );
    assert_eq!(found["blocks"], 3);
    let usual = place.json(["compare", TAPE, EARS]);
    for number in [20, 21, 23] {
        let (one, other) = (channel(&found, number), channel(&usual, number));
        for name in ["difference_db", "low_db", "high_db", "p_adjusted"] {
            assert_eq!(one[name], other[name], "{number} {name}");
        }
        let (low, high) = (figure(one, "low_db"), figure(one, "high_db"));
        let truth = truth(&place, number);
        assert!(
            low <= truth && truth <= high,
            "{number}: {truth} in {low} … {high}"
        );
    }
    // The last of three looks: 1 − 4/9 of 5 %.
    assert!((figure(&found, "verdict_level") - 0.05 * 5.0 / 9.0).abs() < 1e-12);
    // Over: nothing to go on with.
    let text = place
        .run(["trial", "--resume"])
        .assert()
        .code(1)
        .get_output()
        .stderr
        .clone();
    assert!(String::from_utf8_lossy(&text).contains("no trial is under way in"));
}

#[test]
fn with_two_dongles_their_difference_cancels_and_is_reported() {
    let place = place();
    let found = place.json(trial(&[
        "--blocks",
        "2",
        "--after",
        "0s",
        "--dongles",
        "one,two",
    ]));
    assert_eq!(found["basis"], "blocks");
    for number in [20, 21, 23] {
        // Both at one moment: no fading, no drift. Left are statistics, some 0.01 dB a take.
        let one = figure(channel(&found, number), "difference_db");
        let truth = truth(&place, number);
        assert!((one - truth).abs() < 0.06, "{number}: {one} for {truth}");
    }
    assert_eq!(
        found["dongles"]["serials"],
        serde_json::json!(["one", "two"])
    );
    // The second reads 1.5 dB more: so it was made.
    assert!(
        (figure(&found["dongles"], "median_db") + 1.5).abs() < 0.05,
        "{found}"
    );
    assert_eq!(
        found["dongles"]["channels"]
            .as_array()
            .expect("channels")
            .len(),
        3
    );
}

#[test]
fn it_waits_for_enter_only_when_the_antenna_changes_and_result_and_talk_go_apart() {
    let place = place();
    let mut running = Running::start(&place, &trial(&["--blocks", "1"]));
    running.until("Put the terminator on, then press Enter. ");
    running.answer("\n");
    for name in [TAPE, EARS, TAPE] {
        running.connect(name);
    }
    let (status, out, said) = running.end();
    assert_eq!(status, Some(0), "{said}");
    assert!(out.starts_with("A: tape loop   B: rabbit ears"), "{out}");
    assert_eq!(said.matches("press Enter").count(), 4, "{said}");
    assert!(
        said.contains("Take 4 of 4 (tape loop) is kept as number 4."),
        "{said}"
    );
}

#[test]
fn another_terminal_can_tell_it_to_go_on() {
    let place = place();
    place.text([
        "take",
        "--from",
        "scene.toml",
        "--antenna",
        TAPE,
        "--spot",
        "bookshelf",
        "--channels",
        "20",
    ]);
    let refused = place
        .run(["trial", "--go"])
        .assert()
        .code(1)
        .get_output()
        .stderr
        .clone();
    assert!(String::from_utf8_lossy(&refused).starts_with("gainsay: no trial is waiting with "));
    let mut running = Running::start(
        &place,
        &trial(&["--blocks", "1", "--no-terminator", "--wait-for-go"]),
    );
    for name in [TAPE, EARS, TAPE] {
        running.until(&format!("connect {name}, then run `gainsay trial --go`."));
        place.run(["trial", "--go"]).assert().success();
    }
    let (status, _, said) = running.end();
    assert_eq!(status, Some(0), "{said}");
    assert_eq!(antennas(&place).len(), 5);
}

#[test]
fn it_stops_by_itself_when_all_is_decided_and_asked_to() {
    let place = place();
    // With two dongles nothing varies but the statistics, so that few blocks decide.
    let more = [
        "--blocks",
        "6",
        "--after",
        "0s",
        "--dongles",
        "one,two",
        "--stop-when-decided",
    ];
    let found = place.json(trial(&more));
    assert_eq!(found["trial"]["blocks_planned"], 6);
    let blocks = found["trial"]["blocks"].as_u64().expect("a number");
    assert!((2..6).contains(&blocks), "{blocks}");
    assert_eq!(found["summary"]["undecided"], 0);
    assert_eq!(antennas(&place).len() as u64, 4 * blocks);
}

#[test]
fn what_cannot_be_done_is_one_line_and_leaves_no_logbook() {
    let place = place();
    let scene = ["--from", "scene.toml"];
    let named = |a: &'static str, b: &'static str| {
        vec!["trial", "--a", a, "--b", b, "--spot", "north window"]
    };
    let with = |mut arguments: Vec<&'static str>, more: &[&'static str]| {
        arguments.extend(more);
        arguments
    };
    for (arguments, status, says) in [
        (named(TAPE, EARS), 2, "for live takes"),
        (with(named(TAPE, TAPE), &scene), 2, "--a and --b are both"),
        (
            with(named("tape lop", EARS), &scene),
            1,
            "did you mean \"tape loop\"?",
        ),
        (
            with(named(TAPE, EARS), &["--from", "a.sigmf-meta"]),
            2,
            "--from plays a scene",
        ),
        (
            with(
                named(TAPE, EARS),
                &["--from", "scene.toml", "--dongles", "1"],
            ),
            2,
            "two different serial numbers",
        ),
        (
            with(
                named(TAPE, EARS),
                &["--from", "scene.toml", "--blocks", "0"],
            ),
            2,
            "--blocks",
        ),
        (
            with(
                named(TAPE, EARS),
                &["--from", "scene.toml", "--after", "soon"],
            ),
            2,
            "20ms or 0.1s",
        ),
        (vec!["trial", "--a", TAPE], 2, "--spot"),
        (vec!["trial", "--resume"], 1, "no trial is under way"),
        (
            vec!["trial", "--resume", "--channels", "20"],
            2,
            "--channels",
        ),
        (vec!["trial", "--go"], 1, "no logbook"),
    ] {
        let output = place
            .run(&arguments)
            .assert()
            .code(status)
            .get_output()
            .clone();
        let said = String::from_utf8(output.stderr).expect("text");
        assert!(said.contains(says), "{arguments:?}: {said}");
        assert_eq!(said.lines().count(), 1, "{arguments:?}: {said}");
        assert!(!place.logbook().exists(), "{arguments:?}");
    }
}

#[test]
fn cautions_are_pointed_to_and_shown_in_full_outdoors() {
    let place = place();
    let said = |more: &[&str]| {
        let output = place
            .run(trial(more))
            .write_stdin("")
            .assert()
            .get_output()
            .clone();
        String::from_utf8(output.stderr).expect("text")
    };
    assert!(said(&["--anew"]).starts_with("Outdoors, on a roof, mast or ladder?"));
    let outdoors = said(&["--anew", "--outdoors"]);
    for words in [
        "Power lines",
        "ladder",
        "Lightning",
        "sharp",
        "local code",
        "licensed",
    ] {
        assert!(outdoors.contains(words), "{words:?} in {outdoors}");
    }
}
