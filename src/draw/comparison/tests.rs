//! Checks on the finished document: what it says, and where its marks stand.

use super::super::samples::{self, NOISE_DBFS, channel, four, hostile, many, of};
use super::super::tests::{Document, Point};
use super::comparison;
use crate::compare::{Comparison, Verdict};

const BLUE: &str = "#0072B2";
const VERMILION: &str = "#D55E00";
const GREY: &str = "#6E7378";
/// Radius of a mark in the upper and in the lower panel, where there are few channels; in the legend it is 13.
const UPPER: f64 = 17.0;
const LOWER: f64 = 14.0;

fn read(c: &Comparison) -> Document {
    Document::read(&comparison(c).unwrap())
}

/// Centres of discs of this colour and radius, by x.
fn discs(document: &Document, colour: &str, radius: f64) -> Vec<(f64, f64)> {
    let mut found: Vec<_> = document
        .discs
        .iter()
        .filter(|d| d.3 == colour && d.2 == radius)
        .map(|d| (d.0, d.1))
        .collect();
    found.sort_by(|a, b| a.0.total_cmp(&b.0));
    found
}

/// Centres of diamonds of this colour that go with discs of this radius, by x.
fn diamonds(document: &Document, colour: &str, radius: f64) -> Vec<(f64, f64)> {
    let mut found: Vec<_> = document
        .polygons
        .iter()
        .filter(|(corners, fill)| fill == colour && corners.len() == 4)
        .map(|(corners, _)| {
            let mean = |of: fn(&(f64, f64)) -> f64| corners.iter().map(of).sum::<f64>() / 4.0;
            let width = corners.iter().map(|c| c.0).fold(f64::MIN, f64::max) - mean(|c| c.0);
            (mean(|c| c.0), mean(|c| c.1), width)
        })
        .filter(|(_, _, half_width)| (half_width - 1.25 * radius).abs() <= 1.0)
        .map(|(x, y, _)| (x, y))
        .collect();
    found.sort_by(|a, b| a.0.total_cmp(&b.0));
    found
}

/// Where `value` must be drawn, read off two tick labels between the two y: the axis that a reader sees.
fn on_axis(document: &Document, value: f64, (from, to): (f64, f64)) -> f64 {
    let labels: Vec<(f64, f64)> = document
        .texts
        .iter()
        .filter(|(x, y, anchor, ..)| anchor == "end" && *x < 140.0 && (from..to).contains(y))
        // Capitals are 0.727 of the size high (OS/2 table of the font): their middle is the tick's place.
        .filter_map(|(_, y, _, size, words)| {
            Some((
                words.replace('−', "-").parse::<f64>().ok()?,
                y - 0.364 * size,
            ))
        })
        .collect();
    let ((v0, y0), (v1, y1)) = (labels[0], *labels.last().unwrap());
    y0 + (value - v0) / (v1 - v0) * (y1 - y0)
}

/// Five channels, both antennas firm everywhere, A ahead by 2, 4, 6, 8, 10 dB.
fn staircase() -> Comparison {
    let channels = (0..5u16)
        .map(|n| {
            channel(
                20 + n,
                Some(20.0 + 4.0 * f64::from(n)),
                Some(18.0 + 2.0 * f64::from(n)),
                0.5,
            )
        })
        .collect();
    of("stairs", "ramp", channels)
}

#[test]
fn channels_megahertz_differences_and_doubts_are_written() {
    let document = read(&four());
    for words in [
        "20", "21", "22", "23", "509", "515", "521", "527", "+5.2", "+2.5", "−3.4", "±0.2", "±0.3",
        "n/c",
    ] {
        assert!(document.says(words), "{words}");
    }
    assert!(document.says("tape loop against rabbit ears — north window"));
    assert!(
        document.says("4 takes of A and 4 of B, in 2 blocks of four · intervals 95 % · plan us")
    );
    assert!(
        document
            .says("A better on 2 channels, B on 1, 1 not comparable · median difference +2.5 dB")
    );
}

#[test]
fn marks_stand_where_the_axis_says() {
    let document = read(&staircase());
    let (top, bottom) = (discs(&document, BLUE, UPPER), discs(&document, BLUE, LOWER));
    let diamonds = diamonds(&document, VERMILION, UPPER);
    assert_eq!((top.len(), bottom.len(), diamonds.len()), (5, 5, 5));
    let upper_panel = (top[4].1 - 120.0, top[0].1 + 120.0);
    let lower_panel = (bottom[4].1 - 120.0, bottom[0].1 + 200.0);
    // A pixel of rounding for the mark, another for the labels.
    for (n, (disc, diamond)) in top.iter().zip(diamonds).enumerate() {
        let (a, b) = (20.0 + 4.0 * n as f64, 18.0 + 2.0 * n as f64);
        assert!(
            (disc.1 - on_axis(&document, a, upper_panel)).abs() <= 2.0,
            "A in channel {n}"
        );
        assert!(
            (diamond.1 - on_axis(&document, b, upper_panel)).abs() <= 2.0,
            "B in channel {n}"
        );
        assert!(disc.0 < diamond.0, "A stands left of B");
        let difference = bottom[n];
        assert!(
            (difference.1 - on_axis(&document, a - b, lower_panel)).abs() <= 2.0,
            "difference in channel {n}"
        );
        assert!(
            ((disc.0 + diamond.0) / 2.0 - difference.0).abs() <= 1.0,
            "both panels share the channels' places"
        );
    }
}

#[test]
fn whiskers_reach_from_low_to_high() {
    let document = read(&staircase());
    let mut caps: Vec<_> = document
        .lines
        .iter()
        .filter(|(from, to, colour)| colour == BLUE && from.1 == to.1 && to.0 > from.0)
        .map(|(from, to, _)| ((from.0 + to.0) / 2.0, from.1))
        .collect();
    caps.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
    assert_eq!(caps.len(), 10);
    let lowest = caps.iter().map(|c| c.1).fold(f64::MIN, f64::max);
    let panel = (
        caps.iter().map(|c| c.1).fold(f64::MAX, f64::min) - 60.0,
        lowest + 200.0,
    );
    for (n, pair) in caps.chunks(2).enumerate() {
        let difference = 2.0 + 2.0 * n as f64;
        assert!(
            (pair[0].1 - on_axis(&document, difference + 0.5, panel)).abs() <= 2.0,
            "upper end {n}"
        );
        assert!(
            (pair[1].1 - on_axis(&document, difference - 0.5, panel)).abs() <= 2.0,
            "lower end {n}"
        );
    }
}

#[test]
fn states_differ_by_fill_and_antennas_by_shape() {
    // A firm, brink and trace; B the other way round.
    let c = of(
        "x",
        "y",
        vec![
            channel(14, Some(20.0), Some(10.0), 1.0),
            channel(15, Some(16.0), Some(16.5), 1.0),
            channel(16, Some(10.0), Some(20.0), 1.0),
        ],
    );
    let document = read(&c);
    assert_eq!(discs(&document, BLUE, UPPER).len(), 1, "A firm once");
    assert_eq!(discs(&document, BLUE, LOWER).len(), 1, "A better once");
    let rings: Vec<_> = document.circles.iter().filter(|c| c.3 == BLUE).collect();
    assert_eq!(rings.len(), 2, "A on the brink once, a trace once");
    let halves = document
        .polygons
        .iter()
        .filter(|(corners, fill)| fill == BLUE && corners.len() == 25)
        .count();
    assert_eq!(halves, 1, "A on the brink once");
    assert_eq!(
        diamonds(&document, VERMILION, UPPER).len(),
        1,
        "B firm once"
    );
    assert_eq!(
        diamonds(&document, VERMILION, LOWER).len(),
        1,
        "B better once"
    );
    let outlines = document
        .paths
        .iter()
        .filter(|(points, stroke)| stroke == VERMILION && points.len() == 6)
        .count();
    assert_eq!(outlines, 2, "B on the brink once, a trace once");
    let squares = document
        .paths
        .iter()
        .filter(|(points, stroke)| stroke == GREY && points.len() == 6)
        .count();
    assert_eq!(squares, 2, "undecided once, and in the legend");
    for word in [
        "firm",
        "brink",
        "trace",
        "A better",
        "B better",
        "undecided",
    ] {
        assert!(document.says(word), "{word} in the legend");
    }
    assert!(
        !document.says("vacant: at most this"),
        "what does not occur is not in the legend"
    );
}

#[test]
fn the_threshold_line_stands_at_the_threshold() {
    let document = read(&staircase());
    let dashes: Vec<f64> = document
        .lines
        .iter()
        .filter(|(from, to, colour)| {
            colour == "#1C1F23" && from.1 == to.1 && to.0 - from.0 <= 14.0 && from.0 > 700.0
        })
        .map(|(from, ..)| from.1)
        .collect();
    let panel = (dashes[0] - 400.0, dashes[0] + 60.0);
    let expected = on_axis(&document, samples::THRESHOLD_DB, panel);
    assert!(
        dashes.len() > 20 && dashes.iter().all(|y| (y - expected).abs() <= 2.0),
        "{dashes:?} {expected}"
    );
}

#[test]
fn bounds_without_a_difference_are_arrows_with_their_number() {
    let one_sided = of(
        "x",
        "y",
        vec![
            channel(14, Some(20.0), None, 0.0),
            channel(15, None, Some(8.0), 0.0),
        ],
    );
    let document = read(&one_sided);
    assert!(document.says("≥34.0") && document.says("≤−22.0"));
    // An arrow's head is a triangle whose first corner is the tip.
    let tips = |colour: &str| -> Vec<bool> {
        document
            .polygons
            .iter()
            .filter(|(corners, fill)| fill == colour && corners.len() == 3)
            .map(|(corners, _)| corners[0].1 < corners[1].1)
            .collect()
    };
    assert_eq!(
        tips(BLUE),
        [false, true],
        "A vacant once (down), A at least once (up)"
    );
    assert_eq!(
        tips(VERMILION),
        [false, false],
        "B vacant once (down), A − B at most once (down)"
    );
    assert_eq!(
        discs(&document, BLUE, LOWER).len(),
        0,
        "no mark stands for a bound"
    );
}

#[test]
fn signal_levels_are_drawn_where_noise_is_lacking() {
    let mut c = four();
    assert!(read(&c).says("What arrives: carrier-to-noise ratio C/N, dB"));
    c.channels[1].b.noise_dbfs = None;
    c.channels[1].b.cn_db = None;
    c.channels[1].b.margin_db = None;
    let document = read(&c);
    assert!(document.says("What arrives: signal level, dBFS"));
    assert!(
        document.says("−34.5"),
        "B's signal in channel 21: {}",
        1.5 + NOISE_DBFS
    );
    assert!(
        !document.says("threshold, with the brink above it"),
        "a C/N threshold has no place among levels"
    );
}

#[test]
fn hostile_names_are_escaped_and_shown() {
    let svg = comparison(&hostile()).unwrap();
    assert!(!svg.0.contains("<script") && !svg.0.contains("<b>") && !svg.0.contains('\u{1B}'));
    let document = Document::read(&svg);
    assert!(document.says("9A"));
    let legend = document
        .texts
        .iter()
        .find(|text| text.4.starts_with("A: "))
        .unwrap();
    assert!(
        legend
            .4
            .starts_with("A: Łukasz's \"Ω-loop\" <b>№ 1</b> & петля[31m"),
        "{}",
        legend.4
    );
    assert!(document.says("B: ]]><script>alert('b')</script>"));
    assert!(document.description.contains("(<b>&)"), "a reason, cleaned");
}

#[test]
fn nothing_to_draw_is_said_and_still_a_figure() {
    let said = "Nothing to draw: no channel has a signal, a bound or a difference.";
    assert!(read(&of("x", "y", Vec::new())).says(said));
    let mut c = four();
    for channel in &mut c.channels {
        for side in [&mut channel.a, &mut channel.b] {
            (
                side.cn_db,
                side.signal_dbfs,
                side.signal_upper_dbfs,
                side.state,
            ) = (None, None, None, None);
        }
        (channel.difference_db, channel.low_db, channel.high_db) = (None, None, None);
        channel.verdict = Verdict::NotComparable;
    }
    assert!(read(&c).says(said));
}

#[test]
fn what_is_not_finite_is_not_drawn() {
    for bad in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, 1e300] {
        let mut c = four();
        c.confidence = bad;
        c.summary.median_difference_db = Some(bad);
        for channel in &mut c.channels[..2] {
            channel.low_hz = bad;
            channel.a.cn_db = Some(bad);
            channel.a.margin_db = Some(bad);
            channel.b.signal_upper_dbfs = Some(bad);
            channel.difference_db = Some(bad);
        }
        c.channels[3].low_db = Some(bad);
        let svg = comparison(&c).unwrap();
        let text: String = Document::read(&svg)
            .texts
            .into_iter()
            .map(|t| t.4 + "\n")
            .collect();
        assert!(
            !text.contains("NaN") && !text.contains("inf"),
            "{bad}: {text}"
        );
        assert!(svg.0.len() < 200_000, "{bad}: {} bytes", svg.0.len());
    }
}

#[test]
fn one_wild_interval_does_not_flatten_the_rest() {
    let mut c = staircase();
    (c.channels[0].low_db, c.channels[0].high_db) = (Some(-400.0), Some(404.0));
    c.channels[0].verdict = Verdict::Undecided;
    let document = read(&c);
    let bottom: Vec<f64> = discs(&document, BLUE, LOWER).iter().map(|d| d.1).collect();
    assert_eq!(bottom.len(), 4);
    let (high, low) = (
        bottom.iter().copied().fold(f64::MAX, f64::min),
        bottom.iter().copied().fold(f64::MIN, f64::max),
    );
    // 4 to 10 dB, in a panel of 420 px of which 236 px are for values: 6 dB of at most 30 are at least 47 px.
    assert!(low - high >= 47.0, "{bottom:?}");
}

#[test]
fn every_channel_of_many_is_named_and_rows_have_at_most_twenty() {
    for count in [1, 12, 20, 21, 36, 45] {
        let document = read(&many(count));
        let names: Vec<_> = document
            .texts
            .iter()
            .filter(|(.., anchor, size, words)| {
                anchor == "middle" && *size == 34.0 && words.parse::<u16>().is_ok()
            })
            .collect();
        let mut numbers: Vec<u16> = names.iter().map(|t| t.4.parse().unwrap()).collect();
        numbers.dedup();
        assert_eq!(numbers, (14..14 + count).collect::<Vec<_>>());
        for name in &names {
            assert!(names.iter().filter(|other| other.1 == name.1).count() <= 20);
        }
    }
}

#[test]
fn a_bound_off_the_scale_has_no_bar_and_keeps_its_number() {
    let mut c = staircase();
    c.channels.push(channel(30, Some(36.0), None, 0.0));
    let document = read(&c);
    // A − B is at least 50 dB; the other channels reach 10 dB.
    assert!(document.says("≥50.0") && document.says("off the scale"));
    let shaft = |(from, to, colour): &&(Point, Point, String)| {
        colour == BLUE && from.0 == to.0 && from.1 > to.1 && from.0 > 1300.0
    };
    let (foot, ..) = *document.lines.iter().rfind(shaft).unwrap();
    let bar = document
        .lines
        .iter()
        .any(|(from, to, colour)| colour == BLUE && from.1 == foot.1 && to.1 == foot.1);
    assert!(!bar, "no bar at {foot:?}");
}

#[test]
fn a_bounds_number_is_never_rounded_to_say_more_than_is_known() {
    use super::differences::{at_least, at_most};
    assert_eq!(
        (at_least(17.68, 1), at_least(17.68, 0)),
        ("≥17.6".into(), "≥17".into())
    );
    assert_eq!(
        (at_least(-3.21, 1), at_most(3.21, 1)),
        ("≥−3.3".into(), "≤3.3".into())
    );
    assert_eq!(
        (at_most(-9.38, 1), at_most(-9.38, 0)),
        ("≤−9.3".into(), "≤−9".into())
    );
    assert_eq!(
        at_least(34.0, 1),
        "≥34.0",
        "a round number keeps its last digit"
    );
}
