//! What can't be used as a logbook gets one clear line, and is left as it was.

use std::fs;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use gainsay::logbook::{Filter, Logbook, LogbookError, default_path, resolve};
use gainsay::reading::Take;
use rusqlite::Connection;
use tempfile::TempDir;

mod logbook_takes;
use logbook_takes::plain;

fn folder() -> (TempDir, PathBuf) {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("logbook.sqlite");
    (folder, path)
}

/// The message, one line, with the path replaced.
fn message(error: &LogbookError, path: &Path) -> String {
    let text = error.to_string();
    assert_eq!(text.lines().count(), 1, "{text}");
    assert!(
        text.contains(&path.display().to_string()),
        "{text} names the file"
    );
    text.replace(&path.display().to_string(), "LOG")
}

fn refused(path: &Path) -> String {
    let written = Logbook::open(path).expect_err("it is refused for writing");
    let read = Logbook::open_existing(path).expect_err("it is refused for reading");
    assert_eq!(written.to_string(), read.to_string());
    message(&written, path)
}

#[test]
fn a_missing_logbook_and_its_folder_are_made_for_writing_and_never_for_reading() {
    let (folder, _) = folder();
    let path = folder.path().join("not/yet/there/logbook.sqlite");
    let error = Logbook::open_existing(&path).expect_err("there is none");
    assert!(matches!(error, LogbookError::Absent { .. }));
    assert_eq!(
        message(&error, &path),
        "no logbook at LOG yet: gainsay take makes one"
    );
    assert_eq!(
        fs::read_dir(folder.path()).expect("a folder").count(),
        0,
        "nothing was made"
    );
    Logbook::open(&path)
        .and_then(|mut logbook| logbook.append(&plain(0, 1)))
        .expect("made");
    let there = Logbook::open_existing(&path)
        .and_then(|logbook| logbook.list(&Filter::default()))
        .expect("a list");
    assert_eq!(there.len(), 1);
}

#[test]
fn a_file_of_another_kind_is_refused_and_left_alone() {
    for content in [
        &b"x"[..],
        b"antenna,spot\r\nloop,attic\r\n",
        &[0xff; 5000],
        &[0; 4096],
    ] {
        let (_folder, path) = folder();
        fs::write(&path, content).expect("written");
        assert_eq!(
            refused(&path),
            "LOG: is no logbook (no SQLite file): name another file"
        );
        assert_eq!(fs::read(&path).expect("still there"), content);
    }
}

#[test]
fn an_empty_file_becomes_a_logbook() {
    let (_folder, path) = folder();
    fs::write(&path, b"").expect("written");
    assert_eq!(
        Logbook::open(&path)
            .and_then(|mut logbook| logbook.append(&plain(0, 1)))
            .expect("kept"),
        1
    );
}

#[test]
fn another_programs_database_is_refused_and_left_alone() {
    for sql in [
        "CREATE TABLE takes (id INTEGER PRIMARY KEY, title TEXT);",
        "PRAGMA application_id = 1196444487;",
        "PRAGMA user_version = 1;",
    ] {
        let (_folder, path) = folder();
        Connection::open(&path)
            .and_then(|connection| connection.execute_batch(sql))
            .expect("a database");
        let before = fs::read(&path).expect("its bytes");
        assert_eq!(
            refused(&path),
            "LOG: belongs to another program: name another file"
        );
        assert_eq!(fs::read(&path).expect("its bytes"), before);
    }
}

#[test]
fn a_newer_schema_is_refused_with_both_versions_and_left_alone() {
    let (_folder, path) = folder();
    Logbook::open(&path)
        .and_then(|mut logbook| logbook.append(&plain(0, 1)))
        .expect("a logbook");
    Connection::open(&path)
        .and_then(|db| db.execute_batch("PRAGMA user_version = 7;"))
        .expect("made newer");
    let before = fs::read(&path).expect("its bytes");
    assert!(matches!(
        Logbook::open(&path),
        Err(LogbookError::NewerSchema {
            found: 7,
            known: 3,
            ..
        })
    ));
    assert_eq!(
        refused(&path),
        "LOG: this logbook has schema version 7, and this gainsay knows versions up to 3: use the newer gainsay that \
         wrote it, or another logbook"
    );
    assert_eq!(fs::read(&path).expect("its bytes"), before);
}

#[test]
fn a_folder_is_refused() {
    let (folder, _) = folder();
    assert_eq!(
        refused(folder.path()),
        "LOG: is a folder: name a file in it"
    );
}

#[test]
fn a_file_in_the_place_of_a_folder_is_named() {
    let (_folder, path) = folder();
    fs::write(&path, b"a file").expect("written");
    let error = Logbook::open(&path.join("logbook.sqlite")).expect_err("it has no folder");
    assert!(
        message(&error, &path).contains("use another place"),
        "{error}"
    );
}

#[test]
#[cfg(unix)]
fn a_device_that_would_swallow_takes_is_refused() {
    assert_eq!(
        refused(Path::new("/dev/null")),
        "LOG: is no ordinary file: name another"
    );
}

#[test]
fn an_empty_name_is_refused() {
    let error = Logbook::open(Path::new("")).expect_err("no name");
    assert!(error.to_string().contains("names no file"), "{error}");
}

#[test]
fn names_that_sqlite_reads_otherwise_are_plain_files() {
    let (folder, _) = folder();
    for name in [":memory:", "file:x?mode=memory", "a%20b#c.sqlite"] {
        let path = folder.path().join(name);
        Logbook::open(&path)
            .and_then(|mut logbook| logbook.append(&plain(0, 1)))
            .expect("kept");
        assert!(path.is_file(), "{name}");
    }
}

#[test]
fn a_damaged_logbook_is_told_apart() {
    let (_folder, path) = folder();
    let mut logbook = Logbook::open(&path).expect("a logbook");
    for number in 0..20 {
        logbook.append(&plain(number, 36)).expect("kept");
    }
    drop(logbook);
    let mut bytes = fs::read(&path).expect("its bytes");
    for page in bytes.chunks_mut(4096).skip(2) {
        page.fill(0x5a);
    }
    fs::write(&path, bytes).expect("damaged");
    let error = Logbook::open_existing(&path)
        .and_then(|logbook| logbook.load(&Filter::default()))
        .expect_err("it can't be read");
    assert!(
        message(&error, &path).starts_with("LOG: is damaged: keep a copy"),
        "{error}"
    );
}

#[test]
fn a_logbook_that_another_program_writes_to_is_waited_for_and_then_named() {
    let (_folder, path) = folder();
    let mut logbook = Logbook::open_waiting(&path, Duration::from_millis(120)).expect("a logbook");
    logbook.append(&plain(0, 1)).expect("kept");
    let other = Connection::open(&path).expect("another program");
    other.execute_batch("BEGIN IMMEDIATE").expect("it writes");
    let begun = Instant::now();
    let error = logbook.append(&plain(1, 1)).expect_err("it is held");
    assert!(matches!(error, LogbookError::Busy { .. }));
    assert_eq!(
        message(&error, &path),
        "LOG: another program is writing to this logbook: wait until it has finished and try again"
    );
    assert!(
        begun.elapsed() >= Duration::from_millis(100),
        "it was given {:?} only",
        begun.elapsed()
    );
    assert_eq!(
        logbook
            .list(&Filter::default())
            .expect("reading goes on")
            .len(),
        1
    );
    other.execute_batch("COMMIT").expect("it ends");
    assert_eq!(logbook.append(&plain(1, 1)).expect("kept"), 2);
}

#[test]
fn a_logbook_that_is_locked_altogether_is_named_on_opening() {
    let (_folder, path) = folder();
    drop(Logbook::open(&path).expect("a logbook"));
    let other = Connection::open(&path).expect("another program");
    other
        .execute_batch("PRAGMA locking_mode = EXCLUSIVE; BEGIN EXCLUSIVE; CREATE TABLE held (x);")
        .expect("it locks all");
    let error = Logbook::open_waiting(&path, Duration::from_millis(50)).expect_err("it is held");
    assert!(matches!(error, LogbookError::Busy { .. }), "{error:?}");
}

#[test]
fn many_programs_may_make_one_logbook_at_once() {
    let (_folder, path) = folder();
    std::thread::scope(|scope| {
        for number in 0..8 {
            let path = &path;
            scope.spawn(move || {
                let mut logbook = Logbook::open(path).expect("a logbook");
                for _ in 0..3 {
                    logbook.append(&plain(number, 2)).expect("kept");
                }
            });
        }
    });
    let takes = Logbook::open_existing(&path)
        .and_then(|logbook| logbook.load(&Filter::default()))
        .expect("takes");
    assert_eq!(takes.len(), 24);
    assert!(takes.iter().all(|take| take.readings.len() == 2));
}

/// A logbook as version 1 made it, with one take.
fn of_version_1(path: &Path) {
    Connection::open(path)
        .and_then(|connection| {
            connection.execute_batch(include_str!("../src/logbook/schema/version_1.sql"))?;
            connection
                .execute_batch("PRAGMA user_version = 1; PRAGMA application_id = 0x6761696e;")?;
            connection.execute_batch(include_str!("../fixtures/logbook/version_1_take.sql"))
        })
        .expect("a logbook of version 1");
}

#[test]
fn many_programs_may_bring_one_logbook_up_to_date_at_once() {
    let (_folder, path) = folder();
    of_version_1(&path);
    std::thread::scope(|scope| {
        for number in 0..8 {
            let path = &path;
            scope.spawn(move || {
                let mut logbook = Logbook::open(path).expect("a logbook");
                logbook.append(&plain(number, 2)).expect("kept");
            });
        }
    });
    let takes = Logbook::open_existing(&path)
        .and_then(|logbook| logbook.load(&Filter::default()))
        .expect("takes");
    assert_eq!(takes.len(), 9);
    assert!(takes.iter().all(|take| take.readings.len() == 2));
}

#[test]
fn a_logbook_that_cant_be_brought_up_to_date_is_refused_and_left_alone() {
    let (_folder, path) = folder();
    of_version_1(&path);
    Connection::open(&path)
        .and_then(|db| db.execute_batch("CREATE TABLE receivers (mine TEXT);"))
        .expect("a table in the way");
    let error = Logbook::open(&path).expect_err("it can't be done");
    assert!(message(&error, &path).starts_with("LOG: "), "{error}");
    let db = Connection::open(&path).expect("a database");
    let version: i64 = db
        .query_row("PRAGMA user_version", [], |row| row.get(0))
        .expect("a version");
    assert_eq!(version, 1);
    db.prepare("SELECT frequency_error FROM takes")
        .expect_err("half of version 2 is not there");
    let takes: i64 = db
        .query_row("SELECT count(*) FROM takes", [], |row| row.get(0))
        .expect("a count");
    assert_eq!(takes, 1);
}

#[test]
fn a_full_disk_stops_the_take_under_way_and_no_other() {
    let (_folder, path) = folder();
    let whole = |number| logbook_takes::whole(number, 36);
    let mut logbook = Logbook::open(&path).expect("a logbook");
    logbook.append(&whole(0)).expect("kept");
    logbook.limit_pages(60).expect("a small disk");
    let mut kept = 1;
    let error = loop {
        match logbook.append(&whole(kept)) {
            Ok(_) => kept += 1,
            Err(error) => break error,
        }
        assert!(kept < 100, "the disk never fills");
    };
    assert!(kept > 1);
    assert!(matches!(error, LogbookError::DiskFull { .. }));
    assert_eq!(
        message(&error, &path),
        "LOG: the disk is full: free some space and try again; nothing already kept is lost"
    );
    let expected: Vec<Take> = (0..kept)
        .map(|number| Take {
            id: Some(i64::from(number) + 1),
            ..whole(number)
        })
        .collect();
    let there = |logbook: &Logbook| -> Vec<Take> {
        logbook
            .takes(&Filter::default())
            .and_then(Iterator::collect)
            .expect("the takes")
    };
    assert_eq!(there(&logbook), expected);
    logbook.limit_pages(1_000_000).expect("space is freed");
    logbook
        .append(&whole(kept))
        .expect("the same logbook goes on");
    drop(logbook);
    let logbook = Logbook::open(&path).expect("it opens");
    assert_eq!(there(&logbook)[..expected.len()], expected);
    assert_eq!(there(&logbook).len(), expected.len() + 1);
}

#[test]
fn the_place_is_the_option_then_the_variable_then_the_platforms() {
    let (option, variable) = (
        PathBuf::from("option.sqlite"),
        std::ffi::OsString::from("variable.sqlite"),
    );
    assert_eq!(
        resolve(Some(option.clone()), Some(variable.clone())).expect("a path"),
        option
    );
    assert_eq!(
        resolve(None, Some(variable.clone())).expect("a path"),
        PathBuf::from(variable)
    );
    assert_eq!(
        resolve(None, Some("".into())).expect("a path"),
        default_path().expect("a path")
    );
    let default = resolve(None, None).expect("a path");
    assert!(
        default.ends_with("logbook.sqlite") && default.is_absolute(),
        "{default:?}"
    );
}

/// Not a test by itself: says where the logbook is by default.
#[test]
#[ignore = "started as a child by the test below, with another environment"]
fn child_that_says_the_default_place() {
    println!("place: {}", default_path().expect("a path").display());
}

#[test]
#[cfg(target_os = "linux")]
fn the_default_place_follows_the_xdg_base_directories() {
    // Source: XDG Base Directory Specification 0.8, XDG_DATA_HOME and its default, $HOME/.local/share.
    let place = |variable: Option<&str>| {
        let mut child = std::process::Command::new(std::env::current_exe().expect("this binary"));
        child
            .args([
                "--ignored",
                "--exact",
                "--nocapture",
                "child_that_says_the_default_place",
            ])
            .env("HOME", "/made/up/home")
            .env_remove("XDG_DATA_HOME")
            .envs(variable.map(|value| ("XDG_DATA_HOME", value)));
        let output = child.output().expect("the child runs");
        let text = String::from_utf8(output.stdout).expect("text");
        let line = text.lines().find_map(|line| line.split("place: ").nth(1));
        line.map(str::to_owned).expect("it says the place")
    };
    assert_eq!(
        place(Some("/made/up/data")),
        "/made/up/data/gainsay/logbook.sqlite"
    );
    assert_eq!(
        place(None),
        "/made/up/home/.local/share/gainsay/logbook.sqlite"
    );
}

/// Where permissions count: as an ordinary user, in a child, since they don't for an administrator.
#[cfg(unix)]
mod without_permission {
    use std::os::unix::fs::PermissionsExt;
    use std::os::unix::process::CommandExt;
    use std::process::Command;

    use super::*;

    const PATH: &str = "GAINSAY_TEST_LOGBOOK";
    /// A user without rights: `nobody` by convention.
    const NOBODY: u32 = 65534;

    fn allow(path: &Path, mode: u32) {
        fs::set_permissions(path, fs::Permissions::from_mode(mode)).expect("permissions are set");
    }

    /// Not a test by itself: says what an ordinary user gets.
    #[test]
    #[ignore = "started as a child by the tests of this file"]
    fn child_that_opens_as_an_ordinary_user() {
        let path = PathBuf::from(std::env::var_os(PATH).expect("the parent names a logbook"));
        let say = |what: &str, outcome: Result<usize, LogbookError>| match outcome {
            Ok(takes) => println!("{what}: {takes} takes"),
            Err(error) => println!("{what}: {}", message(&error, &path)),
        };
        say(
            "read",
            Logbook::open_existing(&path)
                .and_then(|book| book.load(&Filter::default()))
                .map(|all| all.len()),
        );
        say(
            "write",
            Logbook::open(&path)
                .and_then(|mut book| book.append(&plain(1, 1)))
                .map(|_| 1),
        );
        say(
            "note",
            Logbook::open_existing(&path)
                .and_then(|mut book| book.note(1, "x"))
                .map(|()| 0),
        );
    }

    /// What the child says, run as an ordinary user even where these tests run as administrator.
    fn as_an_ordinary_user(folder: &Path, path: &Path) -> Vec<String> {
        // The binary may stand where only its owner can reach it.
        let binary = folder.join("child");
        if !binary.exists() {
            // Copied by another program: a file that this one has open for writing may be open in a child that another
            // test starts meanwhile, and can't be run then.
            let copied = Command::new("cp")
                .arg(std::env::current_exe().expect("this binary"))
                .arg(&binary)
                .status()
                .expect("cp runs");
            assert!(copied.success());
            allow(&binary, 0o755);
        }
        let mut child = Command::new(&binary);
        child
            .args([
                "--ignored",
                "--exact",
                "--nocapture",
                "without_permission::child_that_opens_as_an_ordinary_user",
            ])
            .env(PATH, path)
            .current_dir(folder);
        let administrator = fs::write(folder.join("sealed/probe"), "").is_ok();
        if administrator {
            child.uid(NOBODY).gid(NOBODY);
        }
        let output = child.output().expect("the child runs");
        let text = String::from_utf8(output.stdout).expect("text");
        assert!(
            output.status.success(),
            "{text}{}",
            String::from_utf8_lossy(&output.stderr)
        );
        let said = ["read: ", "write: ", "note: "];
        text.lines()
            .filter_map(|line| {
                said.iter()
                    .find_map(|word| line.find(word).map(|at| line[at..].to_owned()))
            })
            .collect()
    }

    /// A folder that all may enter, with one in it, `sealed`, that nobody may write to once `seal` is called.
    fn places() -> (TempDir, PathBuf) {
        let folder = tempfile::tempdir().expect("a folder");
        allow(folder.path(), 0o755);
        let sealed = folder.path().join("sealed");
        fs::create_dir(&sealed).expect("a folder");
        (folder, sealed)
    }

    #[test]
    fn a_logbook_in_a_read_only_place_can_be_read_and_says_why_it_cant_be_written() {
        let (folder, sealed) = places();
        let path = sealed.join("logbook.sqlite");
        Logbook::open(&path)
            .and_then(|mut book| book.append(&plain(0, 3)))
            .expect("a logbook");
        allow(&path, 0o444);
        allow(&sealed, 0o555);
        let said = as_an_ordinary_user(folder.path(), &path);
        allow(&sealed, 0o755);
        let refused = "LOG: this logbook can't be written to: make the file and its folder writable, or use another \
                       logbook";
        assert_eq!(said[0], "read: 1 takes");
        assert_eq!(said[1], format!("write: {refused}"));
        assert_eq!(said[2], format!("note: {refused}"));
    }

    #[test]
    fn an_older_logbook_in_a_read_only_place_says_where_to_bring_it_up_to_date() {
        let (folder, sealed) = places();
        let path = sealed.join("logbook.sqlite");
        of_version_1(&path);
        allow(&path, 0o444);
        allow(&sealed, 0o555);
        let said = as_an_ordinary_user(folder.path(), &path);
        allow(&sealed, 0o755);
        assert_eq!(
            said[0],
            "read: LOG: is of an older version and can't be brought up to date here: copy it to a folder that you may \
             write to"
        );
        assert!(
            said[1].starts_with("write: LOG: this logbook can't be written to"),
            "{said:?}"
        );
    }

    #[test]
    fn a_logbook_that_may_not_be_read_says_so() {
        let (folder, sealed) = places();
        let path = sealed.join("logbook.sqlite");
        Logbook::open(&path)
            .and_then(|mut book| book.append(&plain(0, 3)))
            .expect("a logbook");
        allow(&path, 0o000);
        allow(&sealed, 0o555);
        let said = as_an_ordinary_user(folder.path(), &path);
        allow(&sealed, 0o755);
        assert!(
            said[0].starts_with("read: LOG: can't be read (Permission denied"),
            "{said:?}"
        );
        assert!(
            said[1].starts_with("write: LOG: can't be read (Permission denied"),
            "{said:?}"
        );
    }

    #[test]
    fn a_place_where_no_file_can_be_made_says_so() {
        let (folder, sealed) = places();
        allow(&sealed, 0o555);
        let said = as_an_ordinary_user(folder.path(), &sealed.join("logbook.sqlite"));
        assert_eq!(
            said[0],
            "read: no logbook at LOG yet: gainsay take makes one"
        );
        assert!(
            said[1].starts_with("write: LOG: can't be made (Permission denied"),
            "{said:?}"
        );
        let said = as_an_ordinary_user(folder.path(), &sealed.join("new/logbook.sqlite"));
        allow(&sealed, 0o755);
        assert!(
            said[1].starts_with("write: LOG: its folder can't be made (Permission denied"),
            "{said:?}"
        );
    }
}
