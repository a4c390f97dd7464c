//! `gainsay spots`.

use std::fs;

use gainsay::logbook::Logbook;
use gainsay::reading::{Bearing, Take};

use crate::program::Place;
use crate::spots_support::{at, placed, several};

/// Channels 20, 21 and 22 at three spots; the weakest is 20, but for the window, where it is 21.
fn three() -> Vec<Take> {
    let spot = |name, minute, margins: [f64; 3], x_m, y_m| {
        let takes = several(name, minute, 5, |n| {
            let off = [-0.6, 0.3, 0.0, -0.2, 0.7][n];
            margins.map(|margin| Some(margin + off)).to_vec()
        });
        placed(takes, x_m, y_m)
    };
    let mut takes = spot("window", 0.0, [14.0, 9.0, 21.0], 0.5, 3.0);
    takes.extend(spot("shelf", 10.0, [4.0, 11.0, 18.0], 3.2, 1.1));
    takes.extend(spot("sofa", 20.0, [-3.0, 12.0, 12.0], 4.5, 3.2));
    takes
}

fn place(takes: &[Take]) -> Place {
    let place = Place::new();
    let mut logbook = Logbook::open(&place.logbook()).expect("a logbook");
    logbook.append_all(takes).expect("takes kept");
    place
}

#[test]
fn spots_are_ranked_in_a_table_in_csv_and_in_json_with_the_same_numbers() {
    let place = place(&three());
    let text = place.text(["spots"]);
    let order: Vec<usize> = ["window", "shelf", "sofa"]
        .map(|name| text.find(&format!("  {name} ")).expect(name))
        .to_vec();
    assert!(order.is_sorted(), "{text}");
    for words in [
        "wanted: 20, 21, 22 (every channel in which a take found a signal",
        "What it means",
        "Best place: window; its weakest wanted channel, 21, stands 9.0 dB above its threshold",
        "That is sure",
        "To bear in mind",
    ] {
        assert!(text.contains(words), "{words}: {text}");
    }
    let json = place.json(["spots"]);
    let rows = place.csv(["spots"]);
    assert_eq!(rows.len(), 9);
    for row in rows {
        let spots = json["spots"].as_array().expect("spots");
        let spot = spots
            .iter()
            .find(|spot| spot["name"] == row["spot"].as_str())
            .expect("the spot");
        let channels = spot["channels"].as_array().expect("channels");
        let channel = channels
            .iter()
            .find(|one| one["channel"].as_u64() == row["channel"].parse().ok())
            .expect("the channel");
        for name in [
            "margin_db",
            "low_db",
            "high_db",
            "spread_db",
            "standard_uncertainty_db",
        ] {
            assert_eq!(channel[name].as_f64(), row[name].parse().ok(), "{name}");
        }
        for (csv, json) in [
            ("rank", &spot["rank"]),
            ("weakest_margin_db", &spot["weakest"]["margin_db"]),
        ] {
            assert_eq!(json.as_f64(), row[csv].parse().ok(), "{csv}");
        }
    }
}

#[test]
fn a_list_of_wanted_channels_is_kept_until_it_is_forgotten() {
    let place = place(&three());
    let wanted = |arguments: &[&str]| place.json(arguments)["wanted"].to_string();
    assert_eq!(wanted(&["spots", "--want", "21-22"]), "[21,22]");
    assert_eq!(wanted(&["spots"]), "[21,22]");
    let text = place.text(["spots"]);
    assert!(text.contains("your list, from the logbook"), "{text}");
    assert_eq!(wanted(&["spots", "--want", "all"]), "[20,21,22]");
    assert_eq!(wanted(&["spots"]), "[20,21,22]");
    place.refuses(
        2,
        ["spots", "--want", "21,99"],
        &["--want", "99", "plan us has"],
    );
    assert_eq!(
        wanted(&["spots"]),
        "[20,21,22]",
        "what was refused is not kept"
    );
}

#[test]
fn takes_of_rotations_and_of_other_antennas_are_left_out() {
    let mut takes = three();
    let mut turned = at("window", 90.0, &[Some(-30.0); 3]);
    turned.bearing = Some(Bearing {
        degrees: 90.0,
        from: "north".into(),
    });
    takes.push(turned);
    let one_antenna = place(&takes);
    assert_eq!(one_antenna.json(["spots"])["takes"], 15);
    let mut other = at("window", 95.0, &[Some(1.0); 3]);
    other.antenna = "rabbit ears".into();
    takes.push(other);
    let two = place(&takes);
    two.refuses(
        2,
        ["spots"],
        &["--antenna", "\"rabbit ears\"", "\"tape loop\""],
    );
    assert_eq!(two.json(["spots", "--antenna", "tape loop"])["takes"], 15);
    two.refuses(
        1,
        ["spots", "--antenna", "tape lop"],
        &["did you mean \"tape loop\""],
    );
}

#[test]
fn what_there_is_nothing_to_rank_of_is_said_in_one_line() {
    let empty = place(&[]);
    empty.refuses(1, ["spots"], &["no takes to rank"]);
    let nowhere = Place::new();
    nowhere.refuses(1, ["spots"], &["logbook.sqlite"]);
    let mut takes = three();
    takes[0].settings.plan = "europe".into();
    let mixed = place(&takes);
    mixed.refuses(2, ["spots"], &["europe, us", "--plan"]);
    mixed.refuses(
        2,
        ["spots", "--plan", "japan"],
        &["--plan japan", "europe, us"],
    );
    mixed.refuses(
        2,
        ["spots", "--plan", "us", "--spread", "-1"],
        &["spread", "-1"],
    );
    assert_eq!(mixed.json(["spots", "--plan", "us"])["takes"], 14);
    mixed.refuses(
        1,
        ["spots", "--plan", "us", "--want", "30"],
        &["30", "not covered"],
    );
}

#[test]
fn a_single_spot_shows_its_figures_and_says_that_there_is_nothing_to_rank() {
    let place = place(&three()[..5]);
    let text = place.text(["spots"]);
    assert!(
        text.contains("window is the only spot, so there is nothing to rank"),
        "{text}"
    );
}

/// Eight spots in a room, better towards one corner.
fn eight() -> Vec<Take> {
    let places = [
        (0.5, 0.5),
        (1.5, 0.6),
        (2.5, 0.4),
        (3.5, 0.5),
        (4.5, 0.5),
        (0.5, 1.5),
        (0.6, 2.5),
        (3.0, 1.8),
    ];
    let mut takes = Vec::new();
    for (n, (x, y)) in places.into_iter().enumerate() {
        let spot = several(&format!("spot {}", n + 1), 10.0 * n as f64, 3, |k| {
            let margin = 3.0 * x + 2.0 * y - 4.0 + [0.4, -0.3, 0.0][k];
            vec![Some(margin), Some(margin + 4.0)]
        });
        takes.extend(placed(spot, x, y));
    }
    takes
}

const PLAN: &str = "width = 5\ndepth = 4\noutline = [[0, 0], [5, 0], [5, 4], [0, 4]]\n\
                    [[label]]\ntext = \"window\"\nat = [0.2, 3.8]\n";

#[test]
fn spots_are_drawn_on_the_plan_with_a_map_and_a_place_to_try_next() {
    let place = place(&eight());
    fs::write(place.path("plan.toml"), PLAN).expect("a plan");
    let text = place.text(["spots", "--floor", "plan.toml", "--plot", "spots.svg"]);
    assert!(
        text.contains("Where to try next") && text.contains("chance of"),
        "{text}"
    );
    let drawn = fs::read_to_string(place.path("spots.svg")).expect("a drawing");
    for words in [
        "tape loop: weakest wanted channel",
        "\nwindow\n",
        "try here",
        "spot 5",
    ] {
        assert!(drawn.contains(words), "{words}");
    }
    let json = place.json([
        "spots",
        "--floor",
        "plan.toml",
        "--channel",
        "21",
        "--plot",
        "spots.png",
    ]);
    assert!(
        fs::read(place.path("spots.png"))
            .expect("a drawing")
            .starts_with(b"\x89PNG")
    );
    let next = &json["next_place"];
    let [x, y] = ["x_m", "y_m"].map(|name| next[name].as_f64().expect("metres"));
    // It gets better to the right and up; the place is within the outline.
    assert!((2.5..5.0).contains(&x) && (1.0..4.0).contains(&y), "{next}");
    assert_eq!(json["mapped_channel"], 21);
    place.text(["spots", "--each", "--plot", "each.svg"]);
    let drawn = fs::read_to_string(place.path("each.svg")).expect("a drawing");
    assert!(drawn.contains("channel 20") && drawn.contains("channel 21"));
}

#[test]
fn with_few_positions_there_is_a_drawing_without_a_map_and_the_reason() {
    let mut takes = three();
    takes.extend(several("cellar", 40.0, 2, |_| vec![Some(1.0); 3]));
    let place = place(&takes);
    place.text(["spots", "--plot", "spots.svg"]);
    let drawn = fs::read_to_string(place.path("spots.svg")).expect("a drawing");
    assert!(
        drawn.contains("Not drawn, for want of a position: \"cellar\""),
        "{drawn}"
    );
    assert!(drawn.contains("No map: a map needs 6 spots"), "{drawn}");
    assert!(
        place.json(["spots"])["no_map"]
            .as_str()
            .expect("a reason")
            .contains("there are 3")
    );
}

#[test]
fn spots_outside_the_outline_are_drawn_and_remarked() {
    let place = place(&three());
    fs::write(
        place.path("small.toml"),
        "outline = [[0, 0], [4, 0], [4, 4], [0, 4]]\n",
    )
    .expect("a plan");
    let text = place.text(["spots", "--floor", "small.toml", "--plot", "spots.svg"]);
    assert!(
        text.contains("Outside the floor plan's outline, and drawn there: sofa."),
        "{text}"
    );
    assert!(
        fs::read_to_string(place.path("spots.svg"))
            .expect("a drawing")
            .contains("sofa")
    );
}

#[test]
fn what_can_t_be_drawn_is_refused_by_name_and_nothing_is_written() {
    let place = place(&three());
    place.refuses(
        2,
        ["spots", "--plot", "spots.pdf"],
        &["spots.pdf", ".svg or .png"],
    );
    place.refuses(2, ["spots", "--each"], &["--plot"]);
    place.refuses(
        2,
        ["spots", "--plot", "a.svg", "--channel", "30"],
        &["--channel 30", "20, 21, 22"],
    );
    place.refuses(
        1,
        ["spots", "--floor", "none.toml"],
        &["none.toml", "no such file"],
    );
    fs::write(place.path("bad.toml"), "width = 3\nwdth = 3\n").expect("a plan");
    place.refuses(
        1,
        ["spots", "--floor", "bad.toml"],
        &["bad.toml", "line 2", "wdth"],
    );
    fs::write(
        place.path("bare.toml"),
        "image = \"plan.bmp\"\nmetres_wide = 4\n",
    )
    .expect("a plan");
    place.refuses(
        1,
        ["spots", "--floor", "bare.toml"],
        &["plan.bmp", "no such file"],
    );
    fs::write(place.path("plan.bmp"), "BM and so on").expect("a picture");
    place.refuses(
        1,
        ["spots", "--floor", "bare.toml"],
        &["plan.bmp", "PNG", "JPEG"],
    );
    let mut takes = three();
    for take in &mut takes {
        take.position = None;
    }
    let nowhere = self::place(&takes);
    nowhere.refuses(
        1,
        ["spots", "--plot", "a.svg"],
        &["--at", "\"window\"", "\"shelf\"", "\"sofa\""],
    );
    assert!(!nowhere.path("a.svg").exists());
}

#[test]
fn spots_are_ranked_anew_against_a_threshold_given() {
    // Every margin falls by what the threshold rises: 5 dB over the takes' own.
    let takes = three();
    let kept_with = takes[0].readings[0].threshold_db.expect("a threshold");
    let place = place(&takes);
    let before = place.json(["spots"]);
    let after = place.json(["spots", "--threshold", &format!("8vsb={}", kept_with + 5.0)]);
    let (before, after) = (&before["spots"], &after["spots"]);
    for (before, after) in before
        .as_array()
        .unwrap()
        .iter()
        .zip(after.as_array().unwrap())
    {
        let of =
            |spot: &serde_json::Value| spot["weakest"]["margin_db"].as_f64().expect("a margin");
        assert_eq!(before["name"], after["name"]);
        assert!((of(before) - of(after) - 5.0).abs() < 1e-9);
    }
}
