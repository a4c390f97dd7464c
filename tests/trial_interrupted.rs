//! A trial that is stopped, killed or left alone on its way loses nothing and goes on.

mod program;
mod trial_dialogue;

use trial_dialogue::{EARS, Running, TAPE, antennas, place, trial};

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
