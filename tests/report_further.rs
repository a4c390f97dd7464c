//! What a report says beyond the comparison: scan counts and rotations.

mod takes;

use gainsay::compare::{Options, compare, compare_scans};
use gainsay::draw;
use gainsay::reading::{Bearing, Take};
use gainsay::report::{Content, html, markdown, rotations, scans, spots};
use gainsay::survey::spots::rank;
use gainsay::survey::turn;
use takes::{NOISE, ratio, reading, take, trial};

fn content() -> Content {
    let (mut a, b) = trial(
        "ABBA",
        2,
        |antenna, _, _| {
            if antenna == 'A' { 20.0 } else { 16.0 }
        },
    );
    a[0].scan_count = Some(31);
    let comparison = compare(&a, &b, &Options::default()).expect("comparable");
    Content::of_two(
        comparison,
        a,
        b,
        "2026-05-10T08:30:00Z".parse().expect("a time"),
    )
}

/// Turned by 30° from take to take: strongest at 90°, by 6 dB over the weakest.
fn turned() -> Vec<Take> {
    (0..12u16)
        .map(|n| {
            let degrees = 30.0 * f64::from(n);
            let cn = 20.0 + 3.0 * (degrees - 90.0).to_radians().cos();
            let reading = reading(20, NOISE * (1.0 + ratio(cn)), NOISE, 0.0);
            let mut take = take("tape loop", f64::from(100 + n), vec![reading]);
            take.note = "demo: invented".to_owned();
            take.bearing = Some(Bearing {
                degrees,
                from: "the <window>".to_owned(),
            });
            take
        })
        .collect()
}

#[test]
fn a_scan_count_stands_beside_the_measurement_and_its_sentences_are_not_lost() {
    let mut content = content();
    let comparison = &content.compared[0].comparison;
    let checked = compare_scans(&content.takes[0], &content.takes[1], comparison).expect("counts");
    content.further.push(scans(&checked, comparison));
    let page = html(&content).expect("a report");
    let post = markdown(&content, "x").expect("a post").text;
    assert!(!checked.sentences.is_empty());
    for sentence in &checked.sentences {
        // Up to the first character that either form may escape.
        let plain = sentence.split(['\'', '&', '!', '_']).next().expect("words");
        assert!(post.contains(plain), "{plain}: {post}");
    }
    let row =
        "<th scope=\"row\">tape loop</th><td class=\"number\">31</td><td class=\"number\">2</td>";
    assert!(page.contains(row), "31 noted, two channels firm");
    assert!(page.contains("<h2 id=\"scan-title\">What a scan found</h2>"));
}

#[test]
fn spots_have_their_ranks_and_margins_and_a_vacant_one_its_bound() {
    let at = |spot: &str, minute: f64, cn: Option<f64>| -> Take {
        let power = NOISE * (1.0 + cn.map_or(0.0, ratio));
        let mut take = take("tape loop", minute, vec![reading(20, power, NOISE, 0.0)]);
        take.spot = spot.to_owned();
        take
    };
    let takes: Vec<Take> = (0..5u8)
        .flat_map(|n| {
            let minute = f64::from(n);
            let wave = 0.2 * (minute * 1.3).sin();
            [
                at("shelf", 3.0 * minute, Some(25.0 + wave)),
                at("desk", 3.0 * minute + 1.0, Some(17.0 + wave)),
                at("cellar", 3.0 * minute + 2.0, None),
            ]
        })
        .collect();
    let ranking = rank(&takes, None, &Default::default()).expect("a ranking");
    let mut content = content();
    content.further.push(spots(&ranking, None));
    let page = html(&content).expect("a report");
    let shelf = ranking.spots[0].weakest.clone().expect("a margin");
    assert_eq!(ranking.spots[0].name, "shelf");
    let row = format!(
        "{:+.1} <span class=\"small\">{:+.1} … {:+.1}</span>",
        shelf.margin_db,
        shelf.low_db.expect("an end"),
        shelf.high_db
    );
    assert!(page.contains(&row), "{row}");
    let cellar = ranking
        .spots
        .iter()
        .find(|spot| spot.name == "cellar")
        .expect("it");
    let bound = cellar.weakest.clone().expect("a bound");
    assert!(bound.is_bound);
    let shown = format!("≤ −{:.1} <span", -bound.margin_db);
    assert!(page.contains(&shown), "{shown}");
}

#[test]
fn a_rotation_has_its_figure_its_figures_and_its_takes_in_the_file() {
    let mut content = content();
    let takes = turned();
    let rotation = turn::pattern(&takes, &turn::Options::default()).expect("a pattern");
    let best = rotation.channels[0]
        .figures
        .clone()
        .expect("figures")
        .best_bearing_deg;
    let patterns = draw::polar(&rotation, None).expect("a figure");
    assert!(patterns.inline("x").restyled, "every colour has a role");
    let before = html(&content).expect("a report");
    assert!(!before.contains("Invented data"));
    content
        .further
        .push(rotations(std::slice::from_ref(&rotation), patterns));
    content.further_takes = takes;
    let page = html(&content).expect("a report");
    let shown = format!(
        "{:.0} <span class=\"small\">{:.0} to {:.0}</span>",
        best.value.expect("a bearing"),
        best.low.expect("an end"),
        best.high.expect("an end")
    );
    assert!((best.value.expect("a bearing") - 90.0).abs() < 5.0);
    assert!(page.contains(&shown), "{shown}");
    for sentence in rotation.meaning.iter().chain(&rotation.remarks) {
        let plain = sentence.split(['<', '&', '"']).next().expect("words");
        let start: String = plain.chars().take(12).collect();
        assert!(page.contains(&start), "{sentence}");
    }
    assert!(page.contains("clockwise from the &lt;window&gt;"));
    assert!(page.contains("Invented data"), "its takes are invented");
    assert!(page.contains("The 16 takes that this report rests on"));
}
