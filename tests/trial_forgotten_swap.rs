//! The wrong antenna on, or antennas that are alike: what `gainsay trial` asks, and what becomes of the takes.

mod program;
mod trial_dialogue;

use std::fs;

use program::Place;
use trial_dialogue::{EARS, Running, TAPE, place, takes, trial};

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
    running.until("Answer k or a or o or b. ");
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

/// With only one take of each it can't be told which was wrong: both can be made again.
#[test]
fn where_the_first_take_was_the_wrong_one_both_are_made_again() {
    let place = place();
    without_fading(&place);
    // The ears are on where the loop is asked for.
    forget_the_swap(&place);
    let mut running = Running::start(&place, &trial(&["--blocks", "1", "--no-terminator"]));
    running.connect(TAPE);
    running.until("Take 1 of 4 (tape loop) is kept");
    forget_the_swap(&place);
    running.connect(EARS);
    running.until("was the plug swapped before take 2? it looks like tape loop still");
    running.until("Or was it the one [b]efore: both again? ");
    running.answer("b\n");
    running.until("Put aside as a take of rabbit ears; `gainsay log restore 2` brings it back.");
    running.until("Put aside as a take of tape loop; `gainsay log restore 1` brings it back.");
    running.connect(TAPE);
    running.until("Take 1 of 4 (tape loop) is kept as number 3");
    running.connect(EARS);
    running.until("Take 3 of 4 (rabbit ears) is kept");
    running.connect(TAPE);
    let (status, _, said) = running.end();
    assert_eq!(status, Some(0), "{said}");
    let takes = takes(&place);
    let names: Vec<&str> = takes.iter().map(|take| take.0.as_str()).collect();
    assert_eq!(names, [TAPE, EARS, EARS, TAPE]);
    assert!(
        takes.iter().all(|take| !take.1.contains("doubt")),
        "{takes:?}"
    );
}

#[test]
fn two_trials_do_not_run_with_one_logbook_at_once() {
    let place = place();
    let mut running = Running::start(&place, &trial(&["--no-terminator"]));
    running.connect(TAPE);
    running.until("Take 1 of 16 (tape loop) is kept");
    let resumed = ["trial", "--resume", "--after", "0s"];
    let another = trial(&["--anew", "--after", "0s"]);
    for second in [&resumed[..], &another[..]] {
        let output = place.run(second.to_vec()).output().expect("it runs");
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(1), "{said}");
        assert!(said.contains("another trial is running with "), "{said}");
    }
    running.connect(EARS);
    running.until("Take 2 of 16 (rabbit ears) is kept");
    drop(running.child.stdin.take());
    let (status, _, said) = running.end();
    assert_eq!(status, Some(1), "{said}");
    assert_eq!(takes(&place).len(), 3);
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
