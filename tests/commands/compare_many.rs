//! `gainsay compare` with more than two antennas.

use std::fs;

use serde_json::{Value, json};

use crate::program::{Place, channel, figure, fixture};

/// "loop" of vsb-a, "ears" and "whip" of vsb-b, at one spot.
fn place() -> Place {
    let place = Place::with_takes();
    place.take("whip", "vsb-b");
    place
}

fn merit<'v>(many: &'v Value, antenna: &str) -> &'v Value {
    (many["merits"].as_array().expect("merits").iter())
        .find(|merit| merit["antenna"] == antenna)
        .expect("a row")
}

#[test]
fn several_antennas_are_held_against_the_last_or_the_one_named() {
    let place = place();
    let many = place.json(["compare", "loop", "whip", "ears"]);
    assert_eq!(
        (&many["reference"], &many["all_pairs"]),
        (&json!("ears"), &json!(false))
    );
    assert_eq!(many["pairs"].as_array().expect("pairs").len(), 2);
    let two = place.json(["compare", "loop", "ears"]);
    let pair = &many["pairs"][0];
    assert_eq!((&pair["a"], &pair["b"]), (&json!("loop"), &json!("ears")));
    for number in [20, 21, 23] {
        for name in ["difference_db", "low_db", "high_db", "p"] {
            let [many, two] = [pair, &two].map(|from| figure(channel(from, number), name));
            assert!(
                (many - two).abs() <= 1e-5 * two.abs().max(1.0),
                "{number} {name}"
            );
        }
        // Corrected over the channels of both pairs.
        let [many, two] = [pair, &two].map(|from| figure(channel(from, number), "p_adjusted"));
        assert!(many >= two, "{number}");
    }
    assert_eq!(many["corrected_over"], 6);
    // One recording twice is no difference.
    assert_eq!(merit(&many, "whip")["standing"], "not-told-apart");

    let other = place.json(["compare", "loop", "whip", "ears", "--reference", "loop"]);
    assert_eq!(other["reference"], "loop");
    let sum = figure(merit(&other, "ears"), "mean_difference_db")
        + figure(merit(&many, "loop"), "mean_difference_db");
    assert!(sum.abs() < 1e-9, "{sum}");
    let all = place.json(["compare", "loop", "whip", "ears", "--all-pairs"]);
    assert_eq!(all["pairs"].as_array().expect("pairs").len(), 3);
    assert_eq!(all["corrected_over"], 9);
}

#[test]
fn the_tables_say_rank_and_each_difference_and_csv_has_a_row_each() {
    let place = place();
    let arguments = ["compare", "loop", "whip", "ears", "--all-pairs"];
    let (many, text, rows) = (
        place.json(arguments),
        place.text(arguments),
        place.csv(arguments),
    );
    for words in [
        "3 antennas at window",
        "all pairs (3)",
        "reference",
        "To bear in mind",
        "Holm",
    ] {
        assert!(text.contains(words), "{words}: {text}");
    }
    for pair in many["pairs"].as_array().expect("pairs") {
        for one in pair["channels"].as_array().expect("channels") {
            let number = one["channel"].to_string();
            let row = (rows.iter())
                .find(|row| {
                    row["antenna"] == pair["a"].as_str().expect("a name")
                        && row["against"] == pair["b"].as_str().expect("a name")
                        && row["channel"] == number
                })
                .expect("a row");
            assert_eq!(row["verdict"], one["verdict"].as_str().expect("a verdict"));
            assert_eq!(
                row["difference_db"].parse().ok(),
                one["difference_db"].as_f64()
            );
            if let (Some(db), "ears") = (one["difference_db"].as_f64(), row["against"].as_str()) {
                let shown = match format!("{db:+.2}") {
                    zero if zero.ends_with("0.00") && db.abs() < 0.005 => "0.00".to_owned(),
                    text => text.replace('-', "\u{2212}"),
                };
                assert!(text.contains(&shown), "{shown}: {text}");
            }
        }
    }
    let explained = place.text(["compare", "loop", "whip", "ears", "--explain", "20"]);
    assert!(explained.contains("loop less ears") && explained.contains("whip less ears"));
}

#[test]
fn recordings_may_be_more_than_two() {
    let place = Place::new();
    let [a, b, plug] = ["vsb-a", "vsb-b", "vsb-terminated"].map(fixture);
    fs::copy(&b, place.path("third.sigmf-meta")).expect("copied");
    fs::copy(b.replace("-meta", "-data"), place.path("third.sigmf-data")).expect("copied");
    let many = place.json(["compare", &a, "third.sigmf-meta", &b, "--terminated", &plug]);
    let two = place.json(["compare", &a, &b, "--terminated", &plug]);
    assert_eq!(many["pairs"].as_array().expect("pairs").len(), 2);
    for number in [20, 21, 23] {
        let [many, two] =
            [&many["pairs"][0], &two].map(|from| figure(channel(from, number), "difference_db"));
        assert!((many - two).abs() < 0.05, "{number}: {many} {two}");
    }
}

#[test]
fn what_makes_no_sense_is_refused_in_one_line() {
    let place = place();
    place.refuses(2, ["compare", "loop"], &["--help"]);
    place.refuses(
        2,
        ["compare", "loop", "ears", "--all-pairs"],
        &["three antennas"],
    );
    place.refuses(
        2,
        ["compare", "loop", "ears", "--reference", "ears"],
        &["three antennas"],
    );
    let three = ["compare", "loop", "whip", "ears"];
    let with = |more: [&'static str; 2]| three.into_iter().chain(more);
    place.refuses(
        2,
        with(["--reference", "yagi"]),
        &["yagi", "loop", "whip", "ears"],
    );
    place.refuses(2, with(["--spectrum", "a.svg"]), &["two"]);
    place.refuses(2, with(["--explain", "99"]), &["99", "20"]);
    place.refuses(
        1,
        ["compare", "loop", "ears", "loop"],
        &["loop", "more than once"],
    );
    place.refuses(
        1,
        ["compare", "loop", "ears", "wip"],
        &["wip", "did you mean \"whip\""],
    );
    let file = fixture("vsb-a");
    place.refuses(
        2,
        ["compare", "loop", "ears", &file],
        &["recording", "loop"],
    );
    let from = fixture("vsb-b");
    place.text([
        "take",
        "--from",
        &from,
        "--antenna",
        "wire",
        "--spot",
        "cellar",
    ]);
    place.refuses(
        1,
        ["compare", "loop", "ears", "wire"],
        &["wire", "cellar", "same spot"],
    );
}

#[test]
fn takes_of_a_rotation_are_left_out() {
    let place = place();
    let mut takes: Value =
        serde_json::from_str(&place.text(["log", "export", "--antenna", "loop"])).expect("JSON");
    let before = place.json(["compare", "loop", "ears"]);
    let turned = &mut takes["takes"][0];
    turned["bearing"] = json!({"degrees": 90.0, "from": "north"});
    for (antenna, at) in [
        ("loop", "2026-01-01T10:00:00Z"),
        ("dish", "2026-01-01T11:00:00Z"),
    ] {
        takes["takes"][0]["antenna"] = json!(antenna);
        takes["takes"][0]["taken_at"] = json!(at);
        fs::write(place.path("turned.json"), takes.to_string()).expect("written");
        place.text(["log", "import", &place.named("turned.json")]);
    }
    let output = place
        .run(["compare", "loop", "ears"])
        .assert()
        .success()
        .get_output()
        .clone();
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(
        said.contains("1 take(s) of \"loop\" are of a rotation"),
        "{said}"
    );
    assert_eq!(place.json(["compare", "loop", "ears"]), before);
    place.refuses(
        1,
        ["compare", "dish", "ears"],
        &["dish", "rotation", "bearing"],
    );
}

#[test]
fn the_figure_is_written_for_several() {
    let place = place();
    for ending in ["svg", "png"] {
        let plot = place.named(&format!("many.{ending}"));
        place.text(["compare", "loop", "whip", "ears", "--plot", &plot]);
        let bytes = fs::read(&plot).expect("a plot");
        if ending == "png" {
            // PNG, third edition: 8 bytes of signature, then IHDR with width and height.
            assert_eq!(bytes[..8], *b"\x89PNG\r\n\x1a\n");
            let size = |at: usize| u32::from_be_bytes(bytes[at..at + 4].try_into().expect("four"));
            assert_eq!(size(16), 1600);
        } else {
            let text = String::from_utf8(bytes).expect("text");
            assert!(
                ["loop", "whip", "ears"]
                    .iter()
                    .all(|name| text.contains(name))
            );
        }
    }
    place.refuses(
        2,
        ["compare", "loop", "whip", "ears", "--plot", "a.gif"],
        &["a.gif", ".svg"],
    );
}
