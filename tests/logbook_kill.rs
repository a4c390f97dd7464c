//! A program killed at any moment loses at most the take under way, and never an older one.

use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::thread;
use std::time::Duration;

use gainsay::logbook::{Filter, Logbook, transfer};
use gainsay::reading::Take;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

mod logbook_takes;

/// Tells this file's binary, started as a child, which logbook to write to.
const LOGBOOK: &str = "GAINSAY_TEST_LOGBOOK";
/// Number of the first take that the child writes.
const FIRST: &str = "GAINSAY_TEST_FIRST";
/// An export for the child to import.
const IMPORT: &str = "GAINSAY_TEST_IMPORT";

/// What the child keeps under `number`; the parent knows it too.
fn expected(number: u32) -> Take {
    Take {
        note: number.to_string(),
        ..logbook_takes::whole(number, 12)
    }
}

/// Not a test by itself: the part of a child that is killed.
#[test]
#[ignore = "started as a child by the tests of this file"]
fn child_that_writes_until_it_is_killed() {
    let path = std::env::var_os(LOGBOOK).expect("the parent names a logbook");
    let mut output = std::io::stdout();
    let mut say = |word: &str| {
        writeln!(output, "{word}")
            .and_then(|()| output.flush())
            .expect("the parent listens")
    };
    say("started");
    let mut logbook = Logbook::open(Path::new(&path)).expect("a logbook");
    if let Some(export) = std::env::var_os(IMPORT) {
        let export = std::fs::File::open(export).expect("an export");
        logbook
            .import_json("export", BufReader::new(export))
            .expect("an import");
        say("imported");
        return;
    }
    let first: u32 = std::env::var(FIRST)
        .expect("the parent gives a number")
        .parse()
        .expect("a number");
    for number in first.. {
        logbook.append(&expected(number)).expect("the take is kept");
        say(&format!("kept {number}"));
    }
}

fn start(path: &Path, variable: &str, value: &str) -> Child {
    Command::new(std::env::current_exe().expect("this binary"))
        .args([
            "--ignored",
            "--exact",
            "--nocapture",
            "child_that_writes_until_it_is_killed",
        ])
        .env(LOGBOOK, path)
        .env(variable, value)
        .stdout(Stdio::piped())
        .spawn()
        .expect("a child")
}

/// Kills the child `wait` after it has started and returns the lines it got out before.
fn kill_after(mut child: Child, wait: Duration) -> Vec<String> {
    let output = child.stdout.take().expect("it is piped");
    let (started, begun) = std::sync::mpsc::channel();
    let listener = thread::spawn(move || {
        let mut lines = Vec::new();
        for line in BufReader::new(output).lines() {
            let line = line.expect("text");
            if line.ends_with("started") {
                let _ = started.send(());
            }
            lines.push(line);
        }
        lines
    });
    begun
        .recv_timeout(Duration::from_secs(30))
        .expect("the child starts");
    thread::sleep(wait);
    child.kill().expect("it can be killed");
    child.wait().expect("it ends");
    listener.join().expect("its lines")
}

fn check_integrity(path: &Path) {
    let connection = rusqlite::Connection::open(path).expect("a file");
    let answer: String = connection
        .query_row("PRAGMA integrity_check", [], |row| row.get(0))
        .expect("an answer");
    assert_eq!(answer, "ok");
    let strays: i64 = connection
        .query_row("SELECT count(*) FROM pragma_foreign_key_check", [], |row| {
            row.get(0)
        })
        .expect("a count");
    assert_eq!(strays, 0);
}

#[test]
fn a_kill_at_any_moment_loses_at_most_the_take_under_way() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("killed.sqlite");
    let mut random = ChaCha8Rng::seed_from_u64(20);
    let mut kept: Vec<u32> = Vec::new();
    let mut next = 0;
    for _ in 0..25 {
        let wait = Duration::from_micros(random.random_range(0..60_000));
        let lines = kill_after(start(&path, FIRST, &next.to_string()), wait);
        let said: Vec<u32> = lines
            .iter()
            .filter_map(|line| {
                line.strip_prefix("kept ")
                    .and_then(|number| number.parse().ok())
            })
            .collect();

        let logbook = Logbook::open(&path).expect("it opens after a kill");
        let takes: Vec<Take> = logbook
            .takes(&Filter::default())
            .and_then(Iterator::collect)
            .expect("its takes");
        for take in &takes {
            let number = take.note.parse().expect("the child's number");
            assert_eq!(
                *take,
                Take {
                    id: take.id,
                    ..expected(number)
                },
                "each take is there whole or not at all"
            );
        }
        // All that was there, all that was reported, and at most one more: kept, but killed before it could say so.
        let there: Vec<u32> = takes
            .iter()
            .map(|take| take.note.parse().expect("a number"))
            .collect();
        let mut least = kept.clone();
        least.extend(&said);
        assert!(
            there.starts_with(&least),
            "{there:?} lacks some of {least:?}"
        );
        assert!(
            there.len() <= least.len() + 1,
            "{there:?} has more than one take beyond {least:?}"
        );
        kept = there;
        next = kept.last().map_or(0, |last| last + 1);
        drop(logbook);
        check_integrity(&path);
    }
    assert!(
        kept.len() > 25,
        "the kills came too early to show anything: {} takes",
        kept.len()
    );
}

#[test]
fn a_kill_while_the_file_is_being_made_leaves_one_that_opens() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut random = ChaCha8Rng::seed_from_u64(21);
    for round in 0..10 {
        let path = folder.path().join(format!("new-{round}.sqlite"));
        kill_after(
            start(&path, FIRST, "0"),
            Duration::from_micros(random.random_range(0..6_000)),
        );
        let mut logbook = Logbook::open(&path).expect("it opens after a kill");
        let id = logbook
            .append(&expected(1_000))
            .expect("it can be written to");
        assert_eq!(logbook.take(id).expect("the take").note, "1000");
        drop(logbook);
        check_integrity(&path);
    }
}

#[test]
fn a_kill_while_an_older_logbook_is_brought_up_to_date_loses_nothing() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut random = ChaCha8Rng::seed_from_u64(23);
    for round in 0..12 {
        let path = folder.path().join(format!("old-{round}.sqlite"));
        rusqlite::Connection::open(&path)
            .and_then(|connection| {
                connection.execute_batch(include_str!("../src/logbook/schema/version_1.sql"))?;
                connection.execute_batch(
                    "PRAGMA user_version = 1; PRAGMA application_id = 0x6761696e;",
                )?;
                connection.execute_batch(include_str!("../fixtures/logbook/version_1_take.sql"))
            })
            .expect("a logbook of version 1");
        kill_after(
            start(&path, FIRST, "0"),
            Duration::from_micros(random.random_range(0..5_000)),
        );
        let mut logbook = Logbook::open(&path).expect("it opens after a kill");
        let old = logbook.take(41).expect("the old take");
        assert_eq!((old.antenna.as_str(), old.readings.len()), ("loop", 2));
        assert_eq!(old.spectrum.expect("a spectrum").dbfs_per_mhz.len(), 3);
        let id = logbook
            .append(&expected(1_000))
            .expect("it can be written to");
        assert_eq!(
            logbook.take(id).expect("the take"),
            Take {
                id: Some(id),
                ..expected(1_000)
            }
        );
        drop(logbook);
        check_integrity(&path);
    }
}

#[test]
fn a_kill_during_an_import_leaves_all_of_it_or_nothing() {
    const TAKES: u32 = 300;
    let folder = tempfile::tempdir().expect("a folder");
    let export = folder.path().join("export.json");
    let file = std::io::BufWriter::new(std::fs::File::create(&export).expect("a file"));
    transfer::export_json((0..TAKES).map(|number| Ok(expected(number))), file).expect("an export");
    let export = export.to_str().expect("a plain path");
    let mut random = ChaCha8Rng::seed_from_u64(22);
    for round in 0..6 {
        let path = folder.path().join(format!("into-{round}.sqlite"));
        Logbook::open(&path)
            .and_then(|mut book| book.append(&expected(5_000)))
            .expect("one take before");
        let lines = kill_after(
            start(&path, IMPORT, export),
            Duration::from_millis(random.random_range(5..200)),
        );
        let there = Logbook::open(&path)
            .and_then(|book| book.list(&Filter::default()))
            .expect("a list")
            .len();
        let all = 1 + TAKES as usize;
        let done = lines.iter().any(|line| line == "imported");
        assert!(
            if done {
                there == all
            } else {
                there == 1 || there == all
            },
            "{there} takes, reported: {done}"
        );
        check_integrity(&path);
    }
}
