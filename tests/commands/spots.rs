//! `gainsay spots`.

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
            .find(|one| one["channel"].to_string() == row["channel"])
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
