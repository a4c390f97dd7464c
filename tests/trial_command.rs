//! `gainsay trial` from outside: driven through its standard input, by time, from another terminal; stopped and killed on
//! the way; with the wrong antenna on. It plays the demo's scene, in that scene's own time.

mod program;

use std::fs;
use std::io::{Read, Write};
use std::process::{Child, Stdio};
use std::sync::{Arc, Mutex};
use std::thread;
use std::time::{Duration, Instant};

use gainsay::capture::simulated::{Scene, Setup, SimulatedSource};
use gainsay::units::Hertz;
use program::{Place, channel, figure};
use serde_json::Value;

const TAPE: &str = "tape loop";
const EARS: &str = "rabbit ears";

/// A folder with the demo's scene in it, without what plugging in anew changes.
fn place() -> Place {
    let place = Place::new();
    let scene = include_str!("../demo-data/scene.toml")
        .replace("mating_sigma_db = 0.05", "mating_sigma_db = 0.0");
    fs::write(place.path("scene.toml"), scene).expect("written");
    place
}

/// Whoever reads these takes has the other antenna on: their names change places in the scene.
fn forget_the_swap(place: &Place) {
    let path = place.path("scene.toml");
    let scene = fs::read_to_string(&path).expect("a scene");
    let scene = scene
        .replace("name = \"tape loop\"", "name = \"\"")
        .replace("name = \"rabbit ears\"", "name = \"tape loop\"")
        .replace("name = \"\"", "name = \"rabbit ears\"");
    fs::write(path, scene).expect("written");
}

/// Three channels that fade by half a decibel from take to take are too few for a doubt every time: see
/// `tests/trial_swap.rs` for how often.
fn without_fading(place: &Place) {
    let path = place.path("scene.toml");
    let scene = fs::read_to_string(&path).expect("a scene");
    let lines = scene.lines().filter(|line| !line.starts_with("fading"));
    fs::write(path, lines.collect::<Vec<_>>().join("\n")).expect("written");
}

/// The arguments of a trial on channels 20 to 23, with more.
fn trial<'a>(more: &[&'a str]) -> Vec<&'a str> {
    let mut arguments = vec![
        "trial",
        "--a",
        TAPE,
        "--b",
        EARS,
        "--spot",
        "north window",
        "--from",
        "scene.toml",
        "--channels",
        "20-23",
        "--begins",
        "2026-05-09T10:00:00Z",
    ];
    arguments.extend(more);
    arguments
}

/// A trial that runs, and what it says meanwhile.
struct Running {
    child: Child,
    said: Arc<Mutex<String>>,
    /// How much of that was waited for already.
    heard: usize,
}

impl Running {
    fn start(place: &Place, arguments: &[&str]) -> Running {
        let mut child = place
            .command()
            .args(arguments)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("it starts");
        let said = Arc::new(Mutex::new(String::new()));
        let mut from = child.stderr.take().expect("standard error");
        let into = Arc::clone(&said);
        thread::spawn(move || {
            let mut bytes = [0; 4096];
            while let Ok(count @ 1..) = from.read(&mut bytes) {
                let text = String::from_utf8_lossy(&bytes[..count]).into_owned();
                into.lock().expect("no panic").push_str(&text);
            }
        });
        Running {
            child,
            said,
            heard: 0,
        }
    }

    /// Waits until it says this, after what was waited for before.
    #[track_caller]
    fn until(&mut self, words: &str) {
        let begun = Instant::now();
        loop {
            let said = self.said.lock().expect("no panic").clone();
            if let Some(place) = said[self.heard..].find(words) {
                self.heard += place + words.len();
                return;
            }
            let ended = self.child.try_wait().expect("a state").is_some();
            assert!(
                !ended && begun.elapsed() < Duration::from_secs(120),
                "never said {words:?}: {said}"
            );
            thread::sleep(Duration::from_millis(20));
        }
    }

    fn answer(&mut self, text: &str) {
        let input = self.child.stdin.as_mut().expect("standard input");
        input.write_all(text.as_bytes()).expect("it listens");
        input.flush().expect("it listens");
    }

    /// Presses Enter when asked for this.
    #[track_caller]
    fn connect(&mut self, what: &str) {
        self.until(&format!("connect {what}, then press Enter. "));
        self.answer("\n");
    }

    /// Its exit status, standard output and standard error.
    fn end(mut self) -> (Option<i32>, String, String) {
        let mut out = String::new();
        let printed = self.child.stdout.as_mut().expect("standard output");
        printed.read_to_string(&mut out).expect("text");
        let status = self.child.wait().expect("it ends").code();
        thread::sleep(Duration::from_millis(50));
        let said = self.said.lock().expect("no panic").clone();
        (status, out, said)
    }
}

/// Antenna by antenna, the takes in the logbook that are not deleted.
fn takes(place: &Place) -> Vec<(String, String)> {
    let list = place.json(["log"]);
    let text = |take: &Value, name: &str| take[name].as_str().expect("text").to_owned();
    (list.as_array().expect("takes").iter())
        .map(|take| (text(take, "antenna"), text(take, "note")))
        .collect()
}

fn antennas(place: &Place) -> Vec<String> {
    takes(place).into_iter().map(|take| take.0).collect()
}

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
fn when_nobody_can_press_enter_it_says_what_to_do_and_the_trial_can_be_resumed() {
    let place = place();
    let arguments = trial(&["--blocks", "1", "--no-terminator"]);
    for (index, (input, kept)) in [("", 0), ("\n\n", 3), ("", 3)].into_iter().enumerate() {
        let mut command = match index {
            0 => place.run(&arguments),
            _ => place.run(["trial", "--resume"]),
        };
        let output = command
            .write_stdin(input)
            .assert()
            .code(1)
            .get_output()
            .clone();
        let said = String::from_utf8(output.stderr).expect("text");
        let last = said.lines().last().expect("a line");
        for words in [
            "standard input has ended",
            "--after 10s",
            &format!("{kept} of 4 takes are kept"),
            "gainsay trial --resume",
        ] {
            assert!(last.contains(words), "{words:?} in {last}");
        }
        assert_eq!(
            antennas(&place).len(),
            kept,
            "a take of each Enter, and one with the plug left where it was"
        );
    }
    place
        .run(["trial", "--resume", "--after", "0s"])
        .assert()
        .success();
    assert_eq!(antennas(&place), [TAPE, EARS, EARS, TAPE]);
}

#[test]
#[cfg(unix)]
fn control_c_keeps_what_was_taken_and_says_how_to_go_on() {
    let place = place();
    let mut running = Running::start(&place, &trial(&["--blocks", "1", "--no-terminator"]));
    running.connect(TAPE);
    running.until("connect rabbit ears, then press Enter. ");
    let id = running.child.id().to_string();
    let sent = std::process::Command::new("kill")
        .args(["-INT", &id])
        .status();
    assert!(sent.expect("kill runs").success());
    let (status, out, said) = running.end();
    assert_eq!((status, out.as_str()), (Some(1), ""));
    let last = said.lines().last().expect("a line");
    assert!(
        last.starts_with("gainsay: stopped; 1 of 4 takes are kept in "),
        "{last}"
    );
    assert!(
        last.ends_with("go on with gainsay trial --resume"),
        "{last}"
    );
    assert_eq!(antennas(&place), [TAPE]);
}

#[test]
fn a_killed_trial_goes_on_where_it_was_though_nothing_but_its_takes_say_where() {
    let place = place();
    let mut running = Running::start(&place, &trial(&["--blocks", "1", "--no-terminator"]));
    let connection = || rusqlite::Connection::open(place.logbook()).expect("a logbook");
    running.until("connect tape loop, then press Enter. ");
    let first: String = connection()
        .query_row(
            "SELECT value FROM settings WHERE key = 'trial'",
            [],
            |row| row.get(0),
        )
        .expect("the trial");
    running.answer("\n");
    running.connect(EARS);
    running.until("connect tape loop, then press Enter. ");
    running.child.kill().expect("it can be killed");
    running.end();
    // As if it had been killed between keeping the takes and noting that: the note of the beginning is back.
    connection()
        .execute(
            "UPDATE settings SET value = ?1 WHERE key = 'trial'",
            [first],
        )
        .expect("written");
    let mut running = Running::start(&place, &["trial", "--resume"]);
    running.until("3 made already");
    running.connect(TAPE);
    let (status, _, said) = running.end();
    assert_eq!(status, Some(0), "{said}");
    assert_eq!(antennas(&place), [TAPE, EARS, EARS, TAPE]);
}

#[test]
fn a_take_whose_note_was_changed_is_still_the_trials() {
    let place = place();
    let mut running = Running::start(&place, &trial(&["--blocks", "1", "--no-terminator"]));
    running.connect(TAPE);
    running.until("connect rabbit ears, then press Enter. ");
    running.child.kill().expect("it can be killed");
    running.end();
    place.text(["log", "note", "1", "the cat sat on it"]);
    let mut running = Running::start(&place, &["trial", "--resume"]);
    running.until("1 made already");
    running.connect(EARS);
    running.connect(TAPE);
    assert_eq!(running.end().0, Some(0));
    assert_eq!(antennas(&place).len(), 4);
}

#[test]
fn a_forgotten_swap_is_asked_about_and_the_take_can_be_kept_made_again_or_renamed() {
    let place = place();
    without_fading(&place);
    let mut running = Running::start(&place, &trial(&["--blocks", "1", "--no-terminator"]));
    running.connect(TAPE);
    running.until("(tape loop) is kept");
    let question = "keep it as it is, take it [a]gain, or was it the [o]ther antenna? ";
    let question = &format!("[k]{}", &question[1..]);

    // The first take of the ears is the loop's still: it goes under the loop's name, aside, and is asked for again.
    forget_the_swap(&place);
    running.connect(EARS);
    running.until(
        "was the plug swapped before take 2? it looks like tape loop still: over 3 channel(s)",
    );
    running.until(question);
    running.answer("what?\n");
    running.until("Answer k or a or o. ");
    running.answer("o\n");
    running.until("Put aside as a take of tape loop; `gainsay log restore 3` brings it back.");

    // Again the loop's: this time it is simply made again.
    running.connect(EARS);
    running.until(question);
    running.answer("a\n");
    running.until("Put aside as a take of rabbit ears; `gainsay log restore 4` brings it back.");

    // Right at last, and the one after it too.
    forget_the_swap(&place);
    running.connect(EARS);
    running.until("Take 3 of 4 (rabbit ears) is kept");

    // Now the ears are still on where the loop is asked for, and that is kept as it is.
    forget_the_swap(&place);
    running.connect(TAPE);
    running.until("it looks like rabbit ears, not tape loop: over 3 channel(s)");
    running.until(question);
    running.answer("k\n");
    let (status, _, said) = running.end();
    assert_eq!(status, Some(0), "{said}");
    let takes = takes(&place);
    let names: Vec<&str> = takes.iter().map(|take| take.0.as_str()).collect();
    assert_eq!(names, [TAPE, EARS, EARS, TAPE]);
    assert!(
        takes[3]
            .1
            .contains("kept on being asked: it looks like rabbit ears"),
        "{takes:?}"
    );
    place.text(["log", "restore", "3"]);
    let restored = place.json(["log", "show", "3"]);
    assert_eq!(restored["antenna"], TAPE);
    assert_eq!(
        restored["note"],
        "tape loop, taken for rabbit ears in a trial at first"
    );
}

#[test]
fn where_nobody_can_be_asked_a_doubtful_take_is_kept_with_the_doubt_in_its_note() {
    let place = place();
    let path = place.path("scene.toml");
    let scene = fs::read_to_string(&path).expect("a scene");
    // A twin of the loop in the ears' place.
    let twin = scene
        .replace("name = \"rabbit ears\"", "name = \"put away\"")
        .replace("name = \"tape loop\"", "name = \"rabbit ears\"");
    let own = &twin[twin.find("name = \"rabbit ears\"").expect("there")..];
    let own = &own[..own.find("# The reference").expect("there")];
    let own = own.replace("rabbit ears", "tape loop");
    fs::write(&path, format!("{twin}\n[[antenna]]\n{own}")).expect("written");
    let output = place
        .run(trial(&["--blocks", "1", "--after", "0s"]))
        .assert()
        .success()
        .get_output()
        .clone();
    let said = String::from_utf8(output.stderr).expect("text");
    assert!(
        said.contains("gainsay: was the plug swapped before take 2?"),
        "{said}"
    );
    assert!(
        said.contains("gainsay: it is kept, with the doubt in its note"),
        "{said}"
    );
    let takes = takes(&place);
    assert_eq!(takes.len(), 4);
    assert!(
        takes[1]
            .1
            .contains("; doubt: it looks like tape loop still"),
        "{takes:?}"
    );
    assert!(
        !takes[2].1.contains("doubt"),
        "asked once, of the swap: {takes:?}"
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
        (named(TAPE, EARS), 2, "live takes need a dongle"),
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
fn a_second_trial_is_refused_while_one_is_under_way_unless_it_is_begun_anew() {
    let place = place();
    let arguments = trial(&["--blocks", "1", "--no-terminator"]);
    place.run(&arguments).write_stdin("\n").assert().code(1);
    let refused = place
        .run(&arguments)
        .write_stdin("")
        .assert()
        .code(1)
        .get_output()
        .stderr
        .clone();
    let refused = String::from_utf8_lossy(&refused).into_owned();
    assert!(
        refused.contains("--resume") && refused.contains("--anew"),
        "{refused}"
    );
    assert_eq!(refused.lines().count(), 1, "{refused}");
    place
        .run(trial(&["--blocks", "1", "--anew", "--after", "0s"]))
        .assert()
        .success();
    assert_eq!(antennas(&place).len(), 5, "the take of the first stays");
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
