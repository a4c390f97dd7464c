//! Takes, antennas and plots that can't be.

use std::fs;

use serde_json::json;

use crate::program::{Made, Place, fixture};

#[test]
fn takes_with_different_rates() {
    let place = Place::with_takes();
    let slower = Made::of("vsb-b")
        .with("/global/core:sample_rate", json!(2_000_000))
        .write(&place, "slower");
    place.refuses(1, ["compare", &fixture("vsb-a"), &slower], &["sample rate"]);
    place.text([
        "take",
        "--from",
        &slower,
        "--antenna",
        "whip",
        "--spot",
        "window",
    ]);
    place.refuses(1, ["compare", "loop", "whip"], &["sample rate"]);
}

#[test]
fn antennas_that_are_not_in_the_logbook() {
    let place = Place::with_takes();
    place.refuses(
        1,
        ["compare", "loop", "eras"],
        &["\"eras\"", "did you mean \"ears\""],
    );
    place.refuses(
        1,
        ["compare", "Loop", "ears"],
        &["\"Loop\"", "did you mean \"loop\""],
    );
    place.refuses(
        1,
        ["compare", "loop", "parabolic dish"],
        &["parabolic dish", "ears", "loop"],
    );
    place.refuses(
        1,
        ["compare", "loop", "ears", "--spot", "windo"],
        &["windo", "did you mean \"window\""],
    );
    let file = fixture("vsb-a");
    place.refuses(
        2,
        ["compare", &file, "ears"],
        &["vsb-a.sigmf-meta", "\"ears\"", "two recordings"],
    );
    place.refuses(
        2,
        ["compare", "ears", &file],
        &["vsb-a.sigmf-meta", "\"ears\""],
    );
    for option in ["--antenna", "--spot"] {
        let mut arguments = vec!["take", "--from", &file];
        for other in ["--antenna", "--spot"] {
            arguments.extend([other, if other == option { "  " } else { "name" }]);
        }
        place.refuses(2, arguments, &[option, "empty"]);
    }
}

#[test]
fn a_plot_whose_ending_says_nothing_is_refused_before_any_work() {
    let place = Place::with_takes();
    for option in ["--plot", "--spectrum"] {
        for name in ["plot.jpg", "plot", ".svg", "plot.svg.txt"] {
            // The recordings aren't there: the plot's name was looked at first.
            let arguments = [
                "compare",
                "none-a.sigmf-meta",
                "none-b.sigmf-meta",
                option,
                name,
            ];
            place.refuses(2, arguments, &[name, ".svg or .png"]);
            assert!(!place.path(name).exists());
        }
    }
}

#[test]
fn a_plot_that_cant_be_written_is_said_after_the_table() {
    let place = Place::with_takes();
    let output = place
        .run([
            "compare",
            "loop",
            "ears",
            "--plot",
            "no-such-folder/plot.svg",
        ])
        .assert()
        .code(1)
        .get_output()
        .clone();
    assert!(String::from_utf8_lossy(&output.stdout).contains("A − B dB"));
    let error = String::from_utf8_lossy(&output.stderr);
    assert_eq!(error.lines().count(), 1, "{error}");
    assert!(error.contains("no-such-folder/plot.svg"), "{error}");
}

#[test]
fn plans_that_cant_be() {
    let place = Place::with_takes();
    let from = fixture("vsb-a");
    for (name, text, says) in [
        ("none.toml", None, "none.toml"),
        ("list.toml", Some("a shopping list"), "list.toml"),
        ("empty.toml", Some(""), "empty.toml"),
        (
            "back.toml",
            Some(
                "title = \"x\"\nsource = \"y\"\n[[band]]\nfirst = 4\nlast = 1\nlow_mhz = 506\nwidth_mhz = 6\nstandards = [\"8vsb\"]",
            ),
            "back.toml",
        ),
        (
            "huge.toml",
            Some(
                "title = \"x\"\nsource = \"y\"\n[[band]]\nfirst = 1\nlast = 4000000000\nlow_mhz = 506\nwidth_mhz = 6\nstandards = [\"8vsb\"]",
            ),
            "huge.toml",
        ),
        (
            "nan.toml",
            Some(
                "title = \"x\"\nsource = \"y\"\n[[band]]\nfirst = 1\nlast = 4\nlow_mhz = nan\nwidth_mhz = 6\nstandards = [\"8vsb\"]",
            ),
            "nan.toml",
        ),
    ] {
        if let Some(text) = text {
            fs::write(place.path(name), text).expect("written");
        }
        place.refuses(2, ["channels", "--plan", name], &[says]);
        let take = [
            "take",
            "--from",
            &from,
            "--antenna",
            "loop",
            "--spot",
            "roof",
            "--plan",
            name,
        ];
        place.refuses(2, take, &[says]);
    }
}

#[test]
fn files_to_import_that_are_no_export() {
    let place = Place::with_takes();
    for (name, text) in [
        ("empty.json", ""),
        ("list.json", "a shopping list"),
        (
            "other.json",
            "{\"format\": \"something else\", \"version\": 1, \"takes\": []}",
        ),
        (
            "later.json",
            "{\"format\": \"gainsay takes\", \"version\": 99, \"takes\": []}",
        ),
        ("empty.csv", ""),
        ("list.csv", "milk,bread\n1,2\n"),
    ] {
        fs::write(place.path(name), text).expect("written");
        place.refuses(1, ["log", "import", name], &[name]);
    }
    place.refuses(1, ["log", "import", "none.json"], &["none.json"]);
    // Cut anywhere, it is refused whole.
    let export = place.text(["log", "export"]);
    let other = Place::new();
    for share in [0.1, 0.5, 0.9, 0.999] {
        let cut = &export.as_bytes()[..(export.len() as f64 * share) as usize];
        fs::write(place.path("cut.json"), cut).expect("written");
        place.refuses(1, ["log", "import", "cut.json"], &["cut.json"]);
        other
            .run(["log", "import", &place.named("cut.json")])
            .assert()
            .code(1);
        assert!(
            other.json(["log"]).as_array().expect("takes").is_empty(),
            "{share}"
        );
    }
}

#[test]
fn logbooks_that_are_none() {
    let place = Place::with_takes();
    let from = fixture("vsb-a");
    fs::write(place.path("notes.txt"), "a shopping list, somewhat long").expect("written");
    fs::create_dir(place.path("folder")).expect("a folder");
    let newer = place.named("newer.sqlite");
    fs::copy(place.logbook(), &newer).expect("a copy");
    rusqlite::Connection::open(&newer)
        .and_then(|connection| connection.pragma_update(None, "user_version", 99))
        .expect("a newer version");
    for (log, says) in [
        ("notes.txt", "no logbook"),
        ("folder", "folder"),
        ("newer.sqlite", "newer gainsay"),
        ("notes.txt/logbook.sqlite", "notes.txt"),
    ] {
        let before = fs::read(place.path(log)).ok();
        let take = [
            "take",
            "--from",
            &from,
            "--antenna",
            "loop",
            "--spot",
            "roof",
            "--log",
            log,
        ];
        place.refuses(1, take, &[log, says]);
        place.refuses(1, ["log", "--log", log], &[log]);
        place.refuses(1, ["compare", "loop", "ears", "--log", log], &[log]);
        assert_eq!(fs::read(place.path(log)).ok(), before, "{log}");
    }
}
