//! `gainsay compare`.

use std::fs;

use serde_json::Value;

use crate::program::{Place, channel, figure, fixture, numbers, truth};

const OF_A_COMPARISON: [&str; 5] = ["a", "b", "confidence", "channels", "summary"];
const OF_A_CHANNEL: [&str; 6] = [
    "channel",
    "difference_db",
    "low_db",
    "high_db",
    "verdict",
    "reason",
];

fn files() -> Vec<String> {
    let [a, b, plug] = ["vsb-a", "vsb-b", "vsb-terminated"].map(fixture);
    ["compare".into(), a, b, "--terminated".into(), plug].to_vec()
}

/// Differences within 0.15 dB of the truth where both stand 10 dB above the noise, within 0.4 dB elsewhere; intervals that
/// hold the truth; verdicts that name the better one; vacant channels not comparable, with a reason.
#[track_caller]
fn is_true(comparison: &Value, set: &str, takes: [&str; 2]) {
    for name in OF_A_COMPARISON {
        assert!(comparison.get(name).is_some(), "{name}: {comparison}");
    }
    assert_eq!(comparison["confidence"], 0.95);
    for channel in comparison["channels"].as_array().expect("channels") {
        for name in OF_A_CHANNEL {
            assert!(channel.get(name).is_some(), "{name}: {channel}");
        }
    }
    let truth = truth(set);
    let differences = truth["a_minus_b_db"].as_object().expect("differences");
    assert!(!differences.is_empty());
    for (number, difference) in differences {
        let channel = channel(comparison, number.parse().expect("a number"));
        let truly = difference.as_f64().expect("a difference");
        let lower_cn = takes
            .map(|take| figure(&truth["takes"][take]["cn_db"], number))
            .into_iter()
            .fold(f64::INFINITY, f64::min);
        let tolerance = if lower_cn > 10.0 { 0.15 } else { 0.4 };
        let got = figure(channel, "difference_db");
        assert!(
            (got - truly).abs() <= tolerance,
            "{number}: {got} for {truly}"
        );
        let (low, high) = (figure(channel, "low_db"), figure(channel, "high_db"));
        assert!(
            low <= truly && truly <= high,
            "{number}: {truly} is not in {low} … {high}"
        );
        assert!(
            low <= got && got <= high && high - low < 4.0,
            "{number}: {channel}"
        );
        assert_eq!(
            channel["verdict"],
            if truly > 0.0 { "a" } else { "b" },
            "{number}"
        );
    }
    for vacant in truth["vacant"].as_array().expect("vacant channels") {
        let number = vacant.as_str().expect("text").parse().expect("a number");
        let channel = channel(comparison, number);
        assert_eq!(channel["verdict"], "not comparable");
        assert!(channel["difference_db"].is_null(), "{channel}");
        assert!(
            channel["reason"]
                .as_str()
                .expect("a reason")
                .contains("nothing found")
        );
    }
}

#[test]
fn recordings_compare_as_truth_says() {
    let place = Place::new();
    is_true(&place.json(files()), "vsb", ["vsb-a", "vsb-b"]);
    // Without the terminated take too.
    is_true(&place.json(&files()[..3]), "vsb", ["vsb-a", "vsb-b"]);
    let [a, b] = ["ofdm-a", "ofdm-b"].map(fixture);
    let ofdm = place.json(["compare", &a, &b, "--plan", "europe"]);
    is_true(&ofdm, "ofdm", ["ofdm-a", "ofdm-b"]);
    assert!(
        place.logbook_files().is_empty(),
        "comparing files makes no logbook"
    );
}

#[test]
fn takes_in_the_logbook_compare_as_truth_says() {
    let place = Place::with_takes();
    let kept = place.json(["compare", "loop", "ears"]);
    is_true(&kept, "vsb", ["vsb-a", "vsb-b"]);
    assert_eq!(kept["a"], "loop");
    assert_eq!(kept["spot"], "window");
    // The same as straight from the recordings.
    let straight = place.json(files());
    for number in numbers(&straight) {
        for name in ["difference_db", "low_db", "high_db"] {
            let [kept, straight] = [&kept, &straight].map(|from| &channel(from, number)[name]);
            match (kept.as_f64(), straight.as_f64()) {
                (Some(kept), Some(straight)) => assert!((kept - straight).abs() < 1e-9),
                (kept, straight) => assert_eq!(kept, straight),
            }
        }
    }
}

#[test]
fn the_other_way_round_is_the_same_with_the_other_sign() {
    let place = Place::with_takes();
    let there = place.json(["compare", "loop", "ears"]);
    let back = place.json(["compare", "ears", "loop"]);
    for number in [20, 21, 23] {
        let (there, back) = (channel(&there, number), channel(&back, number));
        let sum = figure(there, "difference_db") + figure(back, "difference_db");
        assert!(sum.abs() < 1e-9, "channel {number}");
        assert!((figure(there, "low_db") + figure(back, "high_db")).abs() < 1e-9);
        let verdicts = [&there["verdict"], &back["verdict"]];
        assert!(
            verdicts == ["a", "b"] || verdicts == ["b", "a"],
            "{verdicts:?}"
        );
    }
}

#[test]
fn csv_and_table_have_the_same_numbers() {
    let place = Place::with_takes();
    let arguments = ["compare", "loop", "ears"];
    let (json, rows) = (place.json(arguments), place.csv(arguments));
    let table = place.text(arguments);
    assert_eq!(rows.len(), numbers(&json).len());
    for (row, channel) in rows
        .iter()
        .zip(json["channels"].as_array().expect("channels"))
    {
        for name in OF_A_CHANNEL {
            match &channel[name] {
                Value::Null => assert_eq!(row[name], "", "{name}"),
                Value::String(text) => assert_eq!(row[name], *text, "{name}"),
                number => assert_eq!(row[name].parse().ok(), number.as_f64(), "{name}"),
            }
        }
        let number = channel["channel"].to_string();
        let line = table
            .lines()
            .find(|line| line.split_whitespace().next() == Some(&number))
            .expect("a row of the table");
        assert!(
            line.contains(channel["verdict"].as_str().expect("a verdict")),
            "{line}"
        );
        if let Some(difference) = channel["difference_db"].as_f64() {
            let shown = format!("{difference:+.2}").replace('-', "\u{2212}");
            assert!(line.contains(&shown), "{line} lacks {shown}");
        }
        if let Some(reason) = channel["reason"].as_str() {
            assert!(line.contains(reason), "{line} lacks {reason}");
        }
    }
}

#[test]
fn where_nothing_can_be_decided_the_table_says_so_and_the_status_is_0() {
    let place = Place::new();
    let [a, plug] = ["vsb-a", "vsb-terminated"].map(fixture);
    // A terminator against a terminator: nothing to compare.
    for more in [vec![], vec!["--terminated", plug.as_str()]] {
        let arguments: Vec<&str> = ["compare", &plug, &plug].into_iter().chain(more).collect();
        let nothing = place.json(&arguments);
        for channel in nothing["channels"].as_array().expect("channels") {
            assert_eq!(channel["verdict"], "not comparable", "{channel}");
            assert!(channel["difference_db"].is_null(), "{channel}");
            assert!(
                channel["reason"]
                    .as_str()
                    .is_some_and(|reason| !reason.is_empty())
            );
        }
        assert_eq!(nothing["summary"]["not_comparable"], 4);
        assert!(place.text(&arguments).contains("not comparable"));
    }
    // An antenna against itself: no difference, and no winner.
    let same = place.json(["compare", &a, &a, "--terminated", &plug]);
    for number in [20, 21, 23] {
        let channel = channel(&same, number);
        assert_eq!(channel["verdict"], "undecided", "{channel}");
        assert!(figure(channel, "difference_db").abs() < 1e-9);
        assert!(figure(channel, "low_db") < 0.0 && figure(channel, "high_db") > 0.0);
    }
}

#[test]
fn explain_gives_the_whole_budget_of_a_channel() {
    let place = Place::new();
    let mut arguments = files();
    arguments.extend(["--explain".into(), "20".into()]);
    let text = place.text(&arguments);
    for words in [
        "Channel 20",
        "506–512",
        "mating of connectors",
        "95 % interval",
        "share %",
    ] {
        assert!(text.contains(words), "{words}: {text}");
    }
    let rows = place.json(&arguments);
    let rows = rows.as_array().expect("rows");
    // JCGM 100:2008, 5.1.2: the squares of sensitivity times uncertainty add up to the square of the whole.
    let sum: f64 = rows
        .iter()
        .map(|row| (figure(row, "sensitivity") * figure(row, "standard_uncertainty_db")).powi(2))
        .sum();
    let compared = place.json(files());
    let whole = figure(channel(&compared, 20), "standard_uncertainty_db");
    assert!(
        (sum.sqrt() / whole - 1.0).abs() < 1e-6,
        "{} for {whole}",
        sum.sqrt()
    );
    let shares: f64 = rows.iter().map(|row| figure(row, "share")).sum();
    assert!((shares - 1.0).abs() < 1e-9, "{shares}");
    // The same numbers under the same names, for machines: no rounding, no signs that only people read.
    let csv = place.csv(&arguments);
    assert_eq!(csv.len(), rows.len());
    for (cells, row) in csv.iter().zip(rows) {
        for name in [
            "value_db",
            "standard_uncertainty_db",
            "sensitivity",
            "share",
            "degrees_of_freedom",
        ] {
            let cell = cells
                .get(name)
                .unwrap_or_else(|| panic!("{name}: {cells:?}"));
            assert_eq!(
                cell.parse::<f64>().ok(),
                row[name].as_f64(),
                "{name}: {cells:?}"
            );
        }
    }
}

#[test]
fn plots_are_written_as_svg_and_png() {
    let place = Place::with_takes();
    for ending in ["svg", "png"] {
        let [plot, spectrum] =
            ["plot", "spectrum"].map(|name| place.named(&format!("{name}.{ending}")));
        place.text([
            "compare",
            "loop",
            "ears",
            "--plot",
            &plot,
            "--spectrum",
            &spectrum,
        ]);
        for file in [plot, spectrum] {
            let bytes = fs::read(&file).expect("a plot");
            if ending == "png" {
                // PNG, third edition: 8 bytes of signature, then IHDR with width and height.
                assert_eq!(bytes[..8], *b"\x89PNG\r\n\x1a\n", "{file}");
                assert_eq!(bytes[12..16], *b"IHDR");
                let size =
                    |at: usize| u32::from_be_bytes(bytes[at..at + 4].try_into().expect("four"));
                assert_eq!(size(16), 1600, "{file}");
                assert!(
                    (400..10_000).contains(&size(20)),
                    "{file}: {} high",
                    size(20)
                );
            } else {
                let text = String::from_utf8(bytes).expect("text");
                assert!(
                    text.contains("<svg") && text.trim_end().ends_with("</svg>"),
                    "{file}"
                );
                assert!(text.contains("loop") && text.contains("ears"), "{file}");
            }
        }
    }
    // From recordings too.
    let mut arguments = files();
    let spectrum = place.named("files.svg");
    arguments.extend(["--spectrum".into(), spectrum.clone()]);
    place.text(arguments);
    assert!(fs::metadata(spectrum).expect("a plot").len() > 1000);
}

#[test]
fn channels_narrow_a_comparison() {
    let place = Place::with_takes();
    assert_eq!(
        numbers(&place.json(["compare", "loop", "ears", "--channels", "21,23"])),
        [21, 23]
    );
    let mut arguments = files();
    arguments.extend(["--channels".into(), "20-21".into()]);
    assert_eq!(numbers(&place.json(arguments)), [20, 21]);
}

#[test]
fn an_antenna_may_be_called_like_a_path_or_a_file() {
    let place = Place::new();
    for (antenna, recording) in [("1/2 wave", "vsb-a"), ("ears", "vsb-b")] {
        place.take(antenna, recording);
    }
    fs::write(place.path("ears"), "a shopping list").expect("written");
    let comparison = place.json(["compare", "1/2 wave", "ears"]);
    assert_eq!(comparison["a"], "1/2 wave");
    is_true(&comparison, "vsb", ["vsb-a", "vsb-b"]);
    // With the folder before it the file is meant.
    place.refuses(2, ["compare", "./ears", "./ears"], &["./ears", "--rate"]);
}

#[test]
fn the_spot_is_asked_for_only_where_there_are_several() {
    let place = Place::with_takes();
    let from = fixture("vsb-a");
    place.text([
        "take",
        "--from",
        &from,
        "--antenna",
        "loop",
        "--spot",
        "roof",
    ]);
    assert_eq!(place.json(["compare", "loop", "ears"])["spot"], "window");
    let from = fixture("vsb-b");
    place.text([
        "take",
        "--from",
        &from,
        "--antenna",
        "ears",
        "--spot",
        "roof",
    ]);
    place.refuses(
        2,
        ["compare", "loop", "ears"],
        &["roof", "window", "--spot"],
    );
    assert_eq!(
        place.json(["compare", "loop", "ears", "--spot", "roof"])["spot"],
        "roof"
    );
    place.refuses(
        1,
        ["compare", "loop", "ears", "--spot", "rof"],
        &["rof", "did you mean \"roof\""],
    );
    place.text([
        "take",
        "--from",
        &from,
        "--antenna",
        "whip",
        "--spot",
        "cellar",
    ]);
    place.refuses(
        1,
        ["compare", "loop", "whip"],
        &["loop", "cellar", "one and the same spot"],
    );
}

#[test]
fn kept_takes_are_judged_anew_against_a_threshold_given() {
    // Truth of the fixtures: channel 23 stands 1.8 dB (A) above the 15 dB of the handbook's 8-VSB planning figure; 13 dB leave
    // 3.8 dB, 17 dB leave −0.2 dB. Differences in dB don't change.
    let place = Place::with_takes();
    let at = |threshold: &str| {
        let mut words = vec!["compare", "loop", "ears"];
        if !threshold.is_empty() {
            words.extend(["--threshold", threshold]);
        }
        (place.json(&words), place.text(&words))
    };
    let (kept, said) = at("");
    let (easy, said_easy) = at("8vsb=13");
    let (hard, _) = at("8vsb=17");
    for number in numbers(&kept) {
        let [kept, easy, hard] = [&kept, &easy, &hard].map(|one| channel(one, number));
        assert_eq!(kept["difference_db"], easy["difference_db"], "{number}");
        for side in ["a", "b"] {
            let [kept, easy, hard] = [kept, easy, hard].map(|one| &one[side]);
            let Some(margin) = kept["margin_db"].as_f64() else {
                continue;
            };
            assert!((figure(easy, "margin_db") - margin - 2.0).abs() < 1e-9);
            assert!((figure(hard, "margin_db") - margin + 2.0).abs() < 1e-9);
            assert_eq!(figure(easy, "threshold_db"), 13.0);
            assert_eq!(easy["threshold_assumes"], "given by the user");
            assert_eq!(kept["threshold_assumes"], "8-VSB, planning figure");
            let state = |margin: f64| match margin {
                m if m < 0.0 => "trace",
                m if m < 3.0 => "brink",
                _ => "firm",
            };
            assert_eq!(easy["state"], state(margin + 2.0));
            assert_eq!(hard["state"], state(margin - 2.0));
        }
    }
    assert!(
        said.contains("Thresholds assumed for the states: 8-VSB 15 dB (8-VSB, planning figure).")
    );
    assert!(
        said_easy.contains("Thresholds assumed for the states: 8-VSB 13 dB (given by the user).")
    );
    let unknown = ["compare", "loop", "ears", "--threshold", "pal=3"];
    place.refuses(2, unknown, &["pal=3", "no standard is called"]);
    // What is kept stays as it was.
    assert_eq!(at("").0, kept);
}

#[test]
fn a_kept_take_shows_what_its_margins_assume_and_can_be_judged_anew() {
    let place = Place::with_takes();
    let shown = place.text(["log", "show", "1"]);
    assert!(
        shown.contains("Thresholds assumed: 8-VSB 15 dB (8-VSB, planning figure)."),
        "{shown}"
    );
    let anew = ["log", "show", "1", "--threshold", "8vsb=13"];
    assert!(place.text(anew).contains("8-VSB 13 dB (given by the user)"));
    let (kept, anew_json) = (place.json(["log", "show", "1"]), place.json(anew));
    for row in place.csv(anew) {
        let number = row["channel"].parse().expect("a number");
        let one = channel(&anew_json, number);
        assert_eq!(
            row["threshold_assumes"],
            one["threshold_assumes"].as_str().unwrap_or("")
        );
        if let Some(margin) = channel(&kept, number)["margin_db"].as_f64() {
            assert!((figure(one, "margin_db") - margin - 2.0).abs() < 1e-9);
        }
    }
}
