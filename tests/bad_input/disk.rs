//! A disk that is full while the logbook is being written.

use std::process::Command;

use crate::program::{Place, fixture};

fn integrity(place: &Place) -> String {
    rusqlite::Connection::open(place.logbook())
        .and_then(|book| book.query_row("PRAGMA integrity_check", [], |row| row.get(0)))
        .expect("an answer")
}

/// A limit on the size of files stands for the full disk: writing beyond it fails as it does on one.
#[test]
fn a_take_that_finds_no_room_is_refused_and_the_older_ones_stay() {
    let place = Place::with_takes();
    let show = |id: u32| place.json(["log", "show", &id.to_string()]);
    let before = [1, 2].map(show);
    let from = fixture("vsb-a");
    let (mut refused, mut kept) = (0, 0);
    for blocks in [0, 1, 2, 4, 8, 16, 24, 32, 48, 64, 96, 128, 192, 100_000] {
        let script = format!("ulimit -f {blocks}; exec \"$0\" \"$@\"");
        let mut command = place.command_of("sh".as_ref());
        command
            .args(["-c", &script, env!("CARGO_BIN_EXE_gainsay")])
            .args(["take", "--from", &from, "--antenna", "loop"])
            .args(["--spot", &format!("spot {blocks}")])
            // To a pipe: a file would fall under the limit too.
            .stdout(std::process::Stdio::piped());
        let output = command.output().expect("it runs");
        let error = String::from_utf8_lossy(&output.stderr);
        let takes = place.json(["log"]).as_array().map(Vec::len);
        match output.status.code() {
            Some(0) => kept += 1,
            Some(1) => {
                refused += 1;
                assert_eq!(error.lines().count(), 1, "{blocks} blocks: {error}");
                assert!(error.contains("logbook.sqlite"), "{blocks} blocks: {error}");
                assert!(
                    error.contains("full") && error.contains("nothing already kept is lost"),
                    "{blocks} blocks: {error}"
                );
            }
            other => panic!("{blocks} blocks: status {other:?}: {error}"),
        }
        assert_eq!(takes, Some(2 + kept), "{blocks} blocks: {error}");
        assert_eq!(integrity(&place), "ok", "{blocks} blocks");
    }
    assert!(refused >= 3 && kept >= 1, "{refused} refused, {kept} kept");
    let after = [1, 2].map(show);
    assert_eq!(after, before);
}

/// The same on a small disk of its own, where the tests may make one (in a namespace of its own, so that nothing is left).
#[test]
#[cfg(target_os = "linux")]
fn a_small_disk_fills_up_and_keeps_what_it_has() {
    const SCRIPT: &str = r#"
        mount -t tmpfs -o size=400k none "$1" || exit 77
        log="$1/logbook.sqlite"
        kept=0
        while [ $kept -lt 100 ]; do
            "$0" take --from "$2" --antenna loop --spot "spot $kept" --log "$log" >/dev/null 2>error || break
            kept=$((kept + 1))
        done
        echo $kept
        cat error
        "$0" log --log "$log" --format csv | wc -l
        "$0" log show 1 --log "$log" --format csv | wc -l
    "#;
    let place = Place::new();
    let disk = place.named("disk");
    std::fs::create_dir(&disk).expect("a folder");
    let mut command = place.command_of("unshare".as_ref());
    command.args([
        "--mount",
        "sh",
        "-c",
        SCRIPT,
        env!("CARGO_BIN_EXE_gainsay"),
        &disk,
    ]);
    let may_mount = Command::new("unshare")
        .args(["--mount", "true"])
        .output()
        .is_ok_and(|output| output.status.success());
    if !may_mount {
        println!("no disk can be made here; the limit on the size of files stands for one");
        return;
    }
    let output = command.arg(fixture("vsb-a")).output().expect("it runs");
    if output.status.code() == Some(77) {
        println!("no disk can be mounted here; the limit on the size of files stands for one");
        return;
    }
    let text = String::from_utf8_lossy(&output.stdout);
    let lines: Vec<&str> = text.lines().collect();
    let [kept, error, listed, channels] = lines[..] else {
        panic!("{text}\n{}", String::from_utf8_lossy(&output.stderr));
    };
    let kept: usize = kept.parse().expect("a number");
    assert!((1..100).contains(&kept), "{text}");
    assert!(error.contains("logbook.sqlite: the disk is full"), "{text}");
    assert_eq!(
        listed.trim().parse(),
        Ok(kept + 1),
        "takes and a head: {text}"
    );
    assert_eq!(channels.trim(), "5", "four channels and a head: {text}");
}

#[test]
#[cfg(target_os = "linux")]
fn standard_output_on_a_full_disk() {
    let place = Place::with_takes();
    for arguments in [
        &["channels"][..],
        &["log", "--format", "csv"],
        &["log", "export"],
        &["log", "export", "--format", "csv"],
        &["compare", "loop", "ears"],
    ] {
        let full = std::fs::OpenOptions::new()
            .write(true)
            .open("/dev/full")
            .expect("it is there");
        let output = place
            .command()
            .args(arguments)
            .stdout(full)
            .output()
            .expect("it runs");
        let error = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(1), "{arguments:?}: {error}");
        assert_eq!(error.lines().count(), 1, "{arguments:?}: {error}");
        assert!(error.contains("can't be written"), "{arguments:?}: {error}");
    }
}
