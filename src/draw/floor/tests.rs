//! Floors of all sizes: what stands on them, and that words don't cover words.

use super::super::png;
use super::super::tests::Document;
use super::ground::FloorCell;
use super::*;

fn mark(name: &str, x: f64, y: f64, value_db: f64) -> FloorMark {
    FloorMark {
        name: name.into(),
        at: (x, y),
        state: Some(State::from_margin(value_db)),
        value_db: Some(value_db),
        is_bound: false,
        half_db: Some(1.3),
    }
}

/// Places that look strewn about, the same each time.
fn strewn(count: usize, width: f64, height: f64) -> Vec<FloorMark> {
    let part = |n: usize, step: f64| (n as f64 * step).fract();
    (0..count)
        .map(|n| {
            let (x, y) = (
                width * part(n + 1, 0.618_034),
                height * part(n + 1, 0.414_214),
            );
            let value = 12.0 * (x / width) - 6.0 * (y / height) - 1.0;
            mark(&format!("spot {}", n + 1), x, y, value)
        })
        .collect()
}

fn room() -> FloorPlan {
    FloorPlan {
        extent: Some([0.0, 0.0, 6.0, 4.5]),
        outline: vec![(0.0, 0.0), (6.0, 0.0), (6.0, 4.5), (0.0, 4.5)],
        walls: vec![
            vec![(2.0, 0.0), (2.0, 3.0)],
            vec![(4.0, 4.5), (4.0, 2.5), (5.0, 2.5)],
        ],
        labels: vec![("window".into(), (0.6, 4.4)), ("door".into(), (5.8, 0.3))],
        ..FloorPlan::default()
    }
}

fn map(width: f64, height: f64) -> FloorMap {
    let step_m = (width * height / 1500.0).sqrt();
    let count = |length: f64| (length / step_m).ceil() as usize;
    let cell = |column: usize, row: usize| {
        let at = ((column as f64 + 0.5) * step_m, (row as f64 + 0.5) * step_m);
        FloorCell {
            at,
            value_db: 12.0 * at.0 / width - 6.0 * at.1 / height - 1.0,
            half_db: 1.0
                + 8.0 * ((at.0 - width / 3.0).hypot(at.1 - height / 3.0) / width.max(height)),
        }
    };
    let columns = count(width);
    FloorMap {
        cells: (0..columns * count(height))
            .map(|n| cell(n % columns, n / columns))
            .collect(),
        cell_m: (step_m, step_m),
    }
}

fn of(plan: &FloorPlan, marks: Vec<FloorMark>) -> Floor<'_> {
    Floor {
        title: "tape loop: weakest wanted channel".into(),
        subtitle: "Margin above the threshold, median over the takes; ± is the 95 % interval"
            .into(),
        plan,
        marks,
        map: None,
        next: None,
        notes: vec!["Best place: window; that is sure.".into()],
    }
}

/// Sample figures by name.
fn figures() -> Vec<(&'static str, Svg)> {
    let (plan, none) = (room(), FloorPlan::default());
    let mut mapped = of(&plan, strewn(6, 6.0, 4.5));
    mapped.map = Some(map(6.0, 4.5));
    mapped.next = Some(FloorNext {
        at: (5.5, 2.0),
        reason: "11.0 ± 1.9 dB is expected there".into(),
    });
    mapped.marks[1].state = Some(State::Vacant);
    mapped.marks[1].is_bound = true;
    mapped.marks[1].value_db = Some(-21.4);
    mapped.marks[2].state = None;
    mapped.marks[2].value_db = None;
    let mut thirty = of(&plan, strewn(30, 6.0, 4.5));
    thirty.map = Some(map(6.0, 4.5));
    let mut long = of(&none, strewn(8, 5.0, 4.0));
    for mark in &mut long.marks {
        mark.name = format!(
            "{} behind the third curtain from the left & <beside> the radiator",
            mark.name
        );
        mark.at = (mark.at.0 - 9.0, mark.at.1 - 7.0);
    }
    let mut pictured = room();
    let mut picture = resvg::tiny_skia::Pixmap::new(60, 45).unwrap();
    picture.fill(resvg::tiny_skia::Color::from_rgba8(230, 230, 230, 255));
    pictured.image = Some(FloorImage {
        media_type: "image/png",
        bytes: picture.encode_png().unwrap(),
        at: (0.0, 0.0),
        size_m: (3.0, 2.25),
    });
    let on_picture = of(&pictured, strewn(4, 6.0, 4.5));
    let mut on_both = of(&pictured, strewn(4, 6.0, 4.5));
    on_both.map = Some(map(6.0, 4.5));
    let panels = |count: usize, spots: usize| -> Vec<FloorPanel> {
        (0..count)
            .map(|n| FloorPanel {
                label: format!("channel {}", 14 + n),
                marks: strewn(spots, 6.0, 4.5)
                    .into_iter()
                    .map(|mark| FloorMark {
                        state: Some(State::ALL[(n + mark.name.len()) % 4]),
                        ..mark
                    })
                    .collect(),
            })
            .collect()
    };
    vec![
        ("floor-nothing", floor(&of(&none, Vec::new())).unwrap()),
        (
            "floor-one",
            floor(&of(&none, vec![mark("window", 1.2, 3.4, 4.0)])).unwrap(),
        ),
        ("floor-map", floor(&mapped).unwrap()),
        ("floor-thirty", floor(&thirty).unwrap()),
        (
            "floor-three-hundred",
            floor(&of(&plan, strewn(300, 6.0, 4.5))).unwrap(),
        ),
        ("floor-long-names", floor(&long).unwrap()),
        (
            "floor-wide",
            floor(&of(&none, strewn(12, 60.0, 0.5))).unwrap(),
        ),
        (
            "floor-tall",
            floor(&of(&none, strewn(12, 0.5, 60.0))).unwrap(),
        ),
        ("floor-picture", floor(&on_picture).unwrap()),
        ("floor-picture-map", floor(&on_both).unwrap()),
        (
            "floors",
            floors("tape loop, each channel", &plan, &panels(8, 9)).unwrap(),
        ),
        (
            "floors-many",
            floors("tape loop, each channel", &plan, &panels(36, 300)).unwrap(),
        ),
        (
            "floors-one",
            floors("tape loop", &none, &panels(1, 1)).unwrap(),
        ),
        ("floors-nothing", floors("tape loop", &none, &[]).unwrap()),
    ]
}

#[test]
#[ignore = "writes all floors into target/figures, to look at"]
fn all_floors_to_look_at() {
    let folder = std::path::Path::new("target/figures");
    std::fs::create_dir_all(folder).unwrap();
    for (name, svg) in figures() {
        svg.write(&folder.join(format!("{name}.png"))).unwrap();
    }
}

#[test]
fn every_floor_can_be_rendered_and_its_words_lie_on_the_sheet_and_cover_no_others() {
    for (name, svg) in figures() {
        let height = png::parse(&svg.0).unwrap().size().height();
        let texts: Vec<_> = Document::read(&svg).texts.into_iter().collect();
        assert!(!texts.is_empty(), "{name}");
        let boxed = |(x, y, anchor, size, words): &(f64, f64, String, f64, String)| {
            // Bold is the wider; 3 % are taken off for what measuring gives too much.
            let width = 0.9 * Style::regular(*size).width_px(words);
            let left = match anchor.as_str() {
                "middle" => x - width / 2.0,
                "end" => x - width,
                _ => *x,
            };
            [left, y - 0.72 * size, left + width, y + 0.15 * size]
        };
        for (n, text) in texts.iter().enumerate() {
            assert!(text.3 >= 28.0, "{name}: {text:?}");
            let one = boxed(text);
            assert!(
                one[0] >= 0.0 && one[2] <= 1600.0 && one[1] >= 0.0 && one[3] <= f64::from(height),
                "{name}: {text:?} at {one:?}"
            );
            for other in &texts[n + 1..] {
                let two = boxed(other);
                let apart =
                    one[2] <= two[0] || two[2] <= one[0] || one[3] <= two[1] || two[3] <= one[1];
                assert!(apart, "{name}: {text:?} covers {other:?}");
            }
        }
        let (head, body) = svg.0.split_once("</style>").unwrap();
        assert!(
            !head.split_once("<style>").unwrap().0.contains("NaN") && !body.contains("NaN"),
            "{name}"
        );
    }
}

#[test]
fn each_spot_has_its_figure_in_words_or_a_number_in_the_list() {
    let plan = room();
    let document = Document::read(&floor(&of(&plan, strewn(30, 6.0, 4.5))).unwrap());
    for mark in strewn(30, 6.0, 4.5) {
        assert!(
            document.says(&mark.name) && document.says(&mark.figure()),
            "{}",
            mark.name
        );
        assert!(document.description.contains(&format!("{} at", mark.name)));
    }
    let crowd = Document::read(&floor(&of(&plan, strewn(300, 6.0, 4.5))).unwrap());
    assert!(
        crowd
            .texts
            .iter()
            .any(|text| text.4.contains("have no room for their figures"))
    );
}

#[test]
fn the_figure_is_to_scale_with_a_bar_that_says_so() {
    let plan = room();
    let marks = vec![
        mark("a", 1.0, 1.0, 5.0),
        mark("b", 4.0, 1.0, 5.0),
        mark("c", 1.0, 3.0, 5.0),
    ];
    let svg = floor(&of(&plan, marks)).unwrap();
    let document = Document::read(&svg);
    let at: Vec<(f64, f64)> = document
        .discs
        .iter()
        .filter(|disc| disc.3 == "#1C1F23" && disc.2 > 14.0)
        .map(|disc| (disc.0, disc.1))
        .collect();
    // The legend has a firm mark of its own, the last.
    let (right, up) = (at[1].0 - at[0].0, at[0].1 - at[2].1);
    assert!((right / 3.0 - up / 2.0).abs() < 1.0, "{at:?}");
    assert!(document.says("1 m"), "a bar of a round length");
    let bar = document
        .lines
        .iter()
        .find(|(from, to, _)| (to.0 - from.0 - right / 3.0).abs() < 1.5);
    assert!(bar.is_some(), "a bar of one metre, {} px", right / 3.0);
}

#[test]
fn the_picture_lies_within_the_drawing_where_the_plan_says() {
    let figures = figures();
    let (_, svg) = figures
        .iter()
        .find(|(name, _)| *name == "floor-picture")
        .unwrap();
    assert_eq!(svg.0.matches("<image ").count(), 1);
    assert!(!svg.0.contains("#010203"), "no placeholder is left");
    let (_, plain) = figures
        .iter()
        .find(|(name, _)| *name == "floor-one")
        .unwrap();
    assert!(!plain.0.contains("<image ") && !plain.0.contains("#010203"));
    // Its grey multiplies the white ground.
    let picture = resvg::tiny_skia::Pixmap::decode_png(&svg.to_png().unwrap()).unwrap();
    let grey = picture
        .pixels()
        .iter()
        .filter(|p| p.red() < 240 && p.red() == p.green() && p.green() == p.blue());
    assert!(grey.count() > 1000, "the picture was not rendered");
}

#[test]
fn marks_say_their_state_by_shape_and_fill() {
    let figures = figures();
    let (_, svg) = figures
        .iter()
        .find(|(name, _)| *name == "floor-map")
        .unwrap();
    let document = Document::read(svg);
    for words in [
        "≤ −21.4 dB",
        "not measured",
        "vacant (nothing found; at most so much)",
        "place to try next",
        "try here",
    ] {
        assert!(document.says(words), "{words}: {:?}", document.texts);
    }
    assert!(document.description.contains("at most") || document.description.contains('≤'));
}
