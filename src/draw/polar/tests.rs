use super::super::samples::rotations::rotation;
use super::super::tests::Document;
use super::polar;

const BLUE: &str = "#0072B2";
const VERMILION: &str = "#D55E00";

fn document(channels: u16, bearings: usize, two: bool) -> Document {
    let own = rotation("tape loop", channels, bearings, 1);
    let other = two.then(|| rotation("rabbit ears", channels, bearings, 2));
    Document::read(&polar(&own, other.as_ref()).unwrap())
}

#[test]
fn every_channel_has_a_dial_with_a_ring_for_every_ten_decibels_and_a_mark_a_bearing() {
    let drawn = document(4, 12, false);
    // Of small dials only: the large one's rim has its own radius.
    let rims = drawn
        .circles
        .iter()
        .filter(|c| c.2 > 100.0 && c.3 == "#6E7378");
    assert_eq!(rims.count(), 1 + 4);
    for channel in ["20", "21", "22", "23"] {
        assert!(drawn.says(channel), "{channel}");
    }
    let marks = drawn.discs.iter().filter(|d| d.3 == BLUE).count();
    assert!(marks >= 5 * 12, "{marks}");
}

/// The sample's channel 20 looks at 20°: up and a little to the right, and the strongest mark there.
#[test]
fn north_is_up_and_bearings_go_clockwise() {
    let own = rotation("tape loop", 1, 36, 1);
    let drawn = Document::read(&polar(&own, None).unwrap());
    let rim = drawn
        .circles
        .iter()
        .find(|c| c.2 > 300.0 && c.3 == "#6E7378")
        .unwrap();
    let from_centre = |d: &&(f64, f64, f64, String)| (d.0 - rim.0).hypot(d.1 - rim.1);
    let marks: Vec<_> = drawn
        .discs
        .iter()
        .filter(|d| d.3 == BLUE && from_centre(d) <= rim.2 * 1.05)
        .collect();
    let furthest = marks
        .iter()
        .max_by(|a, b| from_centre(a).total_cmp(&from_centre(b)))
        .unwrap();
    let bearing = (furthest.0 - rim.0).atan2(rim.1 - furthest.1).to_degrees();
    assert!((bearing - 20.0).abs() <= 15.0, "{bearing}");
    let north = drawn.texts.iter().find(|t| t.4 == "north").unwrap();
    assert!((north.0 - rim.0).abs() < 1.0 && north.1 < rim.1 - rim.2);
    assert!(drawn.says("90°") && drawn.says("clockwise"));
}

#[test]
fn two_antennas_lie_over_each_other_and_the_weaker_one_stays_inside() {
    let own = rotation("tape loop", 1, 24, 1);
    let mut weaker = rotation("rabbit ears", 1, 24, 1);
    weaker.channels[0].fit.as_mut().unwrap().maximum_db -= 6.0;
    let drawn = Document::read(&polar(&own, Some(&weaker)).unwrap());
    assert!(drawn.says("A: tape loop") && drawn.says("B: rabbit ears"));
    let rim = drawn
        .circles
        .iter()
        .find(|c| c.2 > 300.0 && c.3 == "#6E7378")
        .unwrap();
    let reach = |colour: &str, least: usize| {
        (drawn.paths.iter())
            .filter(|(points, own)| own == colour && points.len() > least)
            .flat_map(|(points, _)| points)
            .map(|p| (p.0 - rim.0).hypot(p.1 - rim.1))
            .fold(0.0, f64::max)
    };
    // Curves have 180 places; arcs outside the rim fewer.
    let (strong, weak) = (reach(BLUE, 179), reach(VERMILION, 179));
    assert!((strong - rim.2).abs() < 3.0, "{strong}");
    let depth = 30.0;
    assert!(
        (weak - rim.2 * (1.0 - 6.0 / depth)).abs() < 3.0,
        "{weak} of {}",
        rim.2
    );
    assert!(
        drawn
            .polygons
            .iter()
            .any(|(p, c)| c == VERMILION && p.len() == 4)
    );
}

#[test]
fn the_text_alternative_tells_the_figures() {
    let drawn = document(4, 12, true);
    for words in [
        "tape loop",
        "rabbit ears",
        "Channel 20: best bearing",
        "front-to-back",
        "clockwise from north",
    ] {
        assert!(
            drawn.description.contains(words),
            "{words}: {}",
            drawn.description
        );
    }
}

#[test]
fn a_rotation_without_any_pattern_says_so() {
    let mut empty = rotation("tape loop", 1, 12, 1);
    for channel in &mut empty.channels {
        channel.fit = None;
        channel.figures = None;
    }
    empty.band = None;
    let drawn = Document::read(&polar(&empty, None).unwrap());
    assert!(drawn.says("Nothing to draw: no channel has a pattern."));
}
