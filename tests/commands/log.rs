//! `gainsay log`.

use std::fs;

use serde_json::Value;

use crate::program::{Place, fixture};

fn listed(place: &Place, more: &[&str]) -> Vec<u64> {
    place
        .json(["log"].into_iter().chain(more.iter().copied()))
        .as_array()
        .expect("takes")
        .iter()
        .map(|take| take["take"].as_u64().expect("a number"))
        .collect()
}

#[test]
fn takes_are_listed_with_their_states() {
    let place = Place::with_takes();
    let takes = place.json(["log"]);
    let first = &takes[0];
    for (name, value) in [
        ("take", Value::from(1)),
        ("antenna", "loop".into()),
        ("spot", "window".into()),
        ("plan", "us".into()),
        ("taken_at", "2026-05-09T10:00:00Z".into()),
        ("channels", 4.into()),
        ("vacant", 1.into()),
        ("trace", 1.into()),
        ("brink", 1.into()),
        ("firm", 1.into()),
    ] {
        assert_eq!(first[name], value, "{name}");
    }
    for (row, take) in place
        .csv(["log"])
        .iter()
        .zip(takes.as_array().expect("takes"))
    {
        for (name, value) in take.as_object().expect("an object") {
            let cell = match value {
                Value::Null => String::new(),
                Value::String(text) => text.clone(),
                number => number.to_string(),
            };
            assert_eq!(row[name], cell, "{name}");
        }
    }
    let table = place.text(["log"]);
    assert!(
        table.contains("loop") && table.contains("2 take(s) in"),
        "{table}"
    );
    assert_eq!(listed(&place, &["--antenna", "ears"]), [2]);
    assert_eq!(listed(&place, &["--spot", "window"]), [1, 2]);
    place.refuses(
        1,
        ["log", "--antenna", "lop"],
        &["lop", "did you mean \"loop\""],
    );
}

#[test]
fn a_take_is_shown_as_it_was_printed() {
    let place = Place::new();
    let from = fixture("vsb-a");
    let taken = place.json([
        "take",
        "--from",
        &from,
        "--antenna",
        "loop",
        "--spot",
        "window",
    ]);
    let shown = place.json(["log", "show", "1"]);
    assert!(shown["spectrum"].is_object(), "the spectrum is kept");
    for (name, value) in taken.as_object().expect("an object") {
        if name != "spectrum" {
            assert_eq!(shown[name], *value, "{name}");
        }
    }
    assert_eq!(place.csv(["log", "show", "1"]).len(), 4);
    assert!(
        place
            .text(["log", "show", "1"])
            .starts_with("Take 1: loop at window")
    );
    place.refuses(1, ["log", "show", "7"], &["no take 7"]);
}

#[test]
fn an_export_comes_back_as_it_was() {
    let place = Place::with_takes();
    place.text(["log", "note", "1", "under the roof"]);
    for ending in ["json", "csv"] {
        let file = place.named(&format!("takes.{ending}"));
        place.text(["log", "export", "--format", ending, "--out", &file]);
        let printed = place.text(["log", "export", "--format", ending]);
        assert_eq!(
            printed,
            fs::read_to_string(&file).expect("an export"),
            "{ending}"
        );

        let other = Place::new();
        let said = other.text(["log", "import", &file]);
        assert!(said.contains("2 new"), "{said}");
        let said = other.text(["log", "import", &file]);
        assert!(said.contains("0 new") && said.contains("2 known"), "{said}");
        let again = other.text(["log", "export", "--format", ending]);
        assert_eq!(again, printed, "{ending}");
        let [before, after] = [&place, &other].map(|place| place.json(["compare", "loop", "ears"]));
        assert_eq!(before["channels"], after["channels"], "{ending}");
    }
    let only = place.text(["log", "export", "--antenna", "ears"]);
    let only: Value = serde_json::from_str(&only).expect("JSON");
    assert_eq!(only["takes"].as_array().map(Vec::len), Some(1));
}

#[test]
fn deleting_asks_and_can_be_undone_until_a_purge() {
    let place = Place::with_takes();
    // Nobody is there to answer.
    place.refuses(2, ["log", "delete", "1"], &["Delete take 1", "--yes"]);
    assert_eq!(listed(&place, &[]), [1, 2]);

    assert!(
        place
            .text(["log", "delete", "1", "--yes"])
            .contains("log restore 1")
    );
    assert_eq!(listed(&place, &[]), [2]);
    assert_eq!(listed(&place, &["--deleted"]), [1, 2]);
    place.refuses(1, ["compare", "loop", "ears"], &["loop"]);
    place.refuses(1, ["log", "delete", "1", "--yes"], &["deleted already"]);

    place.text(["log", "restore", "1"]);
    assert_eq!(listed(&place, &[]), [1, 2]);
    place.refuses(1, ["log", "restore", "1"], &["not deleted"]);
    place.json(["compare", "loop", "ears"]);

    place.text(["log", "delete", "1", "--yes"]);
    place.refuses(2, ["log", "purge"], &["1 deleted take", "--yes"]);
    assert!(
        place
            .text(["log", "purge", "--yes"])
            .contains("1 take(s) removed")
    );
    assert_eq!(listed(&place, &["--deleted"]), [2]);
    place.refuses(1, ["log", "restore", "1"], &["no take 1"]);
    assert!(place.text(["log", "purge"]).contains("no deleted takes"));
}

/// With a terminal (`script` gives it one, where there is that program), the answer counts.
#[test]
#[cfg(target_os = "linux")]
fn on_a_terminal_only_yes_deletes() {
    use std::io::Write;
    use std::process::Stdio;
    let place = Place::with_takes();
    let mut left = vec![1, 2];
    for (answer, said, after) in [
        ("n\n", "Nothing was deleted", vec![1, 2]),
        ("\n", "Nothing was deleted", vec![1, 2]),
        ("y\n", "is deleted", vec![2]),
    ] {
        let program = env!("CARGO_BIN_EXE_gainsay");
        let started = place
            .command_of(std::path::Path::new("script"))
            .args(["-qec", &format!("'{program}' log delete 1"), "/dev/null"])
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn();
        let mut child = match started {
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => return,
            other => other.expect("it starts"),
        };
        let mut input = child.stdin.take().expect("it is piped");
        input.write_all(answer.as_bytes()).expect("written");
        let output = child.wait_with_output().expect("it ends");
        let text = String::from_utf8_lossy(&output.stdout);
        assert!(
            text.contains("[y/N]") && text.contains(said),
            "{answer:?}: {text}"
        );
        left = listed(&place, &[]);
        assert_eq!(left, after, "{answer:?}");
    }
    assert_eq!(left, [2]);
}

#[test]
fn the_logbook_is_where_the_option_the_variable_or_the_platform_says() {
    let place = Place::new();
    let from = fixture("vsb-a");
    let take = [
        "take",
        "--from",
        &from,
        "--antenna",
        "loop",
        "--spot",
        "window",
    ];
    place.text(take.iter().copied().chain(["--log", "by-option.sqlite"]));
    assert!(place.path("by-option.sqlite").exists() && !place.logbook().exists());
    place.text(take);
    assert!(place.logbook().exists());
    if cfg!(target_os = "linux") {
        // XDG base directory specification: ~/.local/share where XDG_DATA_HOME is not set.
        place.run(take).env_remove("GAINSAY_LOG").assert().success();
        assert!(place.path(".local/share/gainsay/logbook.sqlite").exists());
        place
            .run(take)
            .env_remove("GAINSAY_LOG")
            .env("XDG_DATA_HOME", place.path("data"))
            .assert()
            .success();
        assert!(place.path("data/gainsay/logbook.sqlite").exists());
    }
}

#[test]
fn there_is_no_logbook_before_the_first_take() {
    let place = Place::new();
    for arguments in [
        &["log"][..],
        &["log", "show", "1"],
        &["compare", "loop", "ears"],
    ] {
        place.refuses(1, arguments, &["no logbook", "gainsay take"]);
    }
    assert!(!place.logbook().exists());
}

#[test]
fn a_place_and_a_scan_count_can_be_added_afterwards_one_without_the_other() {
    let place = Place::with_takes();
    let placed = |place: &Place| {
        let take = place.json(["log", "show", "1"]);
        (take["position"].clone(), take["scan_count"].clone())
    };
    assert_eq!(placed(&place), (Value::Null, Value::Null));
    place.text(["log", "amend", "1", "--scan-count", "31"]);
    assert_eq!(placed(&place), (Value::Null, 31.into()));
    place.text(["log", "amend", "1", "--at", "1.5,-2", "--height", "1"]);
    let position = serde_json::json!({"x_m": 1.5, "y_m": -2.0, "height_m": 1.0});
    assert_eq!(placed(&place), (position, 31.into()));
    place.text(["log", "amend", "1", "--at", "1.5,2", "--scan-count", "0"]);
    let position = serde_json::json!({"x_m": 1.5, "y_m": 2.0, "height_m": null});
    assert_eq!(placed(&place), (position, 0.into()));
    place.refuses(2, ["log", "amend", "1"], &["--at X,Y", "--scan-count"]);
    place.refuses(
        1,
        ["log", "amend", "7", "--scan-count", "3"],
        &["no take 7", "takes 1"],
    );
}
