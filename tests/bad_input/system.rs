//! What the system refuses: permissions, odd names.

use std::ffi::OsStr;
use std::fs;
use std::os::unix::ffi::OsStrExt;
use std::os::unix::fs::{MetadataExt, PermissionsExt};
use std::os::unix::process::CommandExt;
use std::path::Path;
use std::process;

use assert_cmd::Command;

use crate::program::{Made, Place};

/// A user without rights, where the tests run as root, whom no permission stops ("nobody" on most systems).
const NOBODY: u32 = 65534;

/// The program as a user whom permissions stop, in a place whose files are open to it but for those closed on purpose.
fn as_someone(place: &Place, arguments: &[&str]) -> Command {
    let root = fs::metadata(place.folder()).expect("the folder").uid() == 0;
    if !root {
        let mut command = place.command();
        command.args(arguments);
        return Command::from_std(command);
    }
    // The program itself may lie where only root gets to.
    let copy = place.path("gainsay");
    if !copy.exists() {
        // By another process: while this one had the copy open for writing, a child that another test starts would hold it
        // open too, and the system starts no program that is open for writing.
        let copied = process::Command::new("cp")
            .arg(env!("CARGO_BIN_EXE_gainsay"))
            .arg(&copy)
            .status();
        assert!(copied.is_ok_and(|status| status.success()), "a copy");
        mode(&copy, 0o755);
    }
    let mut command = place.command_of(&copy);
    command.args(arguments).uid(NOBODY).gid(NOBODY);
    Command::from_std(command)
}

fn mode(path: &Path, bits: u32) {
    fs::set_permissions(path, fs::Permissions::from_mode(bits)).expect("permissions");
}

/// A place with two takes that everyone may use.
fn open_place() -> Place {
    let place = Place::with_takes();
    mode(place.folder(), 0o777);
    mode(&place.logbook(), 0o666);
    // What follows shows something only if that user gets here at all.
    as_someone(&place, &["log"]).assert().success();
    place
}

#[test]
fn recordings_that_may_not_be_read() {
    let place = open_place();
    let made = Made::tunings_of("vsb-a", [0, 1]);
    let [meta, data] = ["closed.sigmf-meta", "closed.sigmf-data"];
    for closed in [meta, data] {
        made.write(&place, "closed");
        mode(&place.path(meta), 0o644);
        mode(&place.path(closed), 0o000);
        for arguments in [
            [
                "take",
                "--from",
                meta,
                "--antenna",
                "loop",
                "--spot",
                "roof",
            ]
            .to_vec(),
            ["compare", meta, meta].to_vec(),
        ] {
            let says = [closed, "permission"];
            place.refused(1, as_someone(&place, &arguments), &says);
        }
        mode(&place.path(closed), 0o644);
    }
    fs::write(place.path("closed.bin"), &made.data).expect("written");
    mode(&place.path("closed.bin"), 0o000);
    let mut arguments = [
        "take",
        "--from",
        "closed.bin",
        "--antenna",
        "loop",
        "--spot",
        "roof",
    ]
    .to_vec();
    arguments.extend(["--rate", "2.4M", "--tuned", "507M"]);
    place.refused(
        1,
        as_someone(&place, &arguments),
        &["closed.bin", "permission"],
    );
}

#[test]
fn logbooks_that_may_not_be_written() {
    let place = open_place();
    Made::tunings_of("vsb-a", [0, 1]).write(&place, "good");
    for file in ["good.sigmf-meta", "good.sigmf-data"] {
        mode(&place.path(file), 0o644);
    }
    let take = [
        "take",
        "--from",
        "good.sigmf-meta",
        "--antenna",
        "loop",
        "--spot",
        "roof",
    ];
    // The folder is closed: no new logbook in it.
    fs::create_dir(place.path("closed")).expect("a folder");
    mode(&place.path("closed"), 0o555);
    for log in ["closed/logbook.sqlite", "closed/deeper/logbook.sqlite"] {
        let arguments: Vec<&str> = take.iter().copied().chain(["--log", log]).collect();
        place.refused(
            1,
            as_someone(&place, &arguments),
            &["closed", "logbook.sqlite"],
        );
        assert_eq!(fs::read_dir(place.path("closed")).expect("it").count(), 0);
    }
    // The file is closed to writing: it can be listed, and takes are refused.
    mode(&place.logbook(), 0o444);
    place.refused(1, as_someone(&place, &take), &["logbook.sqlite", "written"]);
    place.refused(
        1,
        as_someone(&place, &["log", "note", "1", "x"]),
        &["logbook.sqlite", "written"],
    );
    as_someone(&place, &["log"]).assert().success();
    // The file is closed altogether.
    mode(&place.logbook(), 0o000);
    for arguments in [&take[..], &["log"], &["compare", "loop", "ears"]] {
        let command = as_someone(&place, arguments);
        let before = fs::metadata(place.logbook()).expect("it").len();
        place.refused(1, command, &["logbook.sqlite", "ermission"]);
        assert_eq!(fs::metadata(place.logbook()).expect("it").len(), before);
    }
    mode(&place.logbook(), 0o644);
}

#[test]
fn a_plot_or_export_that_may_not_be_written_leaves_nothing() {
    let place = open_place();
    fs::create_dir(place.path("closed")).expect("a folder");
    mode(&place.path("closed"), 0o555);
    place.refused(
        1,
        as_someone(&place, &["log", "export", "--out", "closed/takes.json"]),
        &["closed/takes.json"],
    );
    assert_eq!(fs::read_dir(place.path("closed")).expect("it").count(), 0);
}

#[test]
fn names_that_are_no_utf_8() {
    let place = Place::with_takes();
    let odd = OsStr::from_bytes(b"caf\xe9.sigmf-meta");
    let plain: [&OsStr; 7] =
        ["take", "--from", "", "--antenna", "loop", "--spot", "roof"].map(OsStr::new);
    let mut arguments = plain.to_vec();
    arguments[2] = odd;
    place.refuses(2, arguments, &["UTF-8", "rename"]);
    let mut arguments = plain.to_vec();
    arguments[4] = odd;
    place.refuses(2, arguments, &["UTF-8"]);
    // As the logbook's name it is no matter, nor as the name of the folder that one is in.
    let folder = place.path(OsStr::from_bytes(b"caf\xe9"));
    fs::create_dir(&folder).expect("a folder");
    let meta = Made::tunings_of("vsb-a", [0, 1, 2]).write(&place, "good");
    for file in ["good.sigmf-meta", "good.sigmf-data"] {
        fs::copy(place.path(file), folder.join(file)).expect("a copy");
    }
    let mut command = place.command();
    command
        .current_dir(&folder)
        .args([
            "take",
            "--from",
            "good.sigmf-meta",
            "--antenna",
            "loop",
            "--spot",
            "roof",
            "--log",
        ])
        .arg(OsStr::from_bytes(b"log\xe9.sqlite"));
    Command::from_std(command).assert().success();
    assert!(folder.join(OsStr::from_bytes(b"log\xe9.sqlite")).exists());
    assert!(fs::metadata(meta).is_ok());
}
