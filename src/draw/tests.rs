//! Checks that every figure must pass, on the finished documents; and a reader of these for the figures' own tests.

use std::collections::BTreeSet;

use resvg::usvg::{self, roxmltree};

use super::samples;
use super::{Svg, png};

/// A place in px.
pub(super) type Point = (f64, f64);

/// What a document draws, as far as tests ask.
pub(super) struct Document {
    /// Filled discs: x, y, radius, colour.
    pub(super) discs: Vec<(f64, f64, f64, String)>,
    /// Circles' outlines: x, y, radius, colour.
    pub(super) circles: Vec<(f64, f64, f64, String)>,
    /// Filled polygons: corners, colour.
    pub(super) polygons: Vec<(Vec<Point>, String)>,
    /// Open paths: points, colour.
    pub(super) paths: Vec<(Vec<Point>, String)>,
    /// Lines: ends, colour.
    pub(super) lines: Vec<(Point, Point, String)>,
    /// Texts: x, y of the baseline, anchor, size in px, words.
    pub(super) texts: Vec<(f64, f64, String, f64, String)>,
    /// The text alternative.
    pub(super) description: String,
}

impl Document {
    pub(super) fn read(svg: &Svg) -> Self {
        let xml = roxmltree::Document::parse(&svg.0).expect("a well-formed document");
        let mut read = Document {
            discs: Vec::new(),
            circles: Vec::new(),
            polygons: Vec::new(),
            paths: Vec::new(),
            lines: Vec::new(),
            texts: Vec::new(),
            description: String::new(),
        };
        for node in xml.descendants().filter(|node| node.is_element()) {
            let word = |name: &str| node.attribute(name).unwrap_or_default().to_owned();
            let number = |name: &str| word(name).parse::<f64>().unwrap();
            let points = || -> Vec<(f64, f64)> {
                let points = word("points");
                let pair = |p: &str| {
                    p.split_once(',')
                        .map(|(x, y)| (x.parse().unwrap(), y.parse().unwrap()))
                        .unwrap()
                };
                points.split_whitespace().map(pair).collect()
            };
            let inside = || node.text().unwrap_or_default().trim().to_owned();
            match node.tag_name().name() {
                "circle" if word("fill") == "none" => {
                    read.circles
                        .push((number("cx"), number("cy"), number("r"), word("stroke")));
                }
                "circle" => {
                    read.discs
                        .push((number("cx"), number("cy"), number("r"), word("fill")))
                }
                "polygon" => read.polygons.push((points(), word("fill"))),
                "polyline" => read.paths.push((points(), word("stroke"))),
                "line" => {
                    read.lines.push((
                        (number("x1"), number("y1")),
                        (number("x2"), number("y2")),
                        word("stroke"),
                    ));
                }
                "text" => {
                    // plotters writes dy="-0.5ex" for every text here: a quarter of the size up.
                    assert_eq!(word("dy"), "-0.5ex");
                    let size = number("font-size");
                    read.texts.push((
                        number("x"),
                        number("y") - size / 4.0,
                        word("text-anchor"),
                        size,
                        inside(),
                    ));
                }
                "desc" => read.description = inside(),
                _ => {}
            }
        }
        read
    }

    /// Whether a text says exactly this.
    pub(super) fn says(&self, words: &str) -> bool {
        self.texts.iter().any(|text| text.4 == words)
    }
}

/// Words and outlines of each text as laid out with the bundled fonts: left, top, right, bottom in px.
fn laid_out(svg: &Svg) -> Vec<(String, [f32; 4])> {
    fn collect(group: &usvg::Group, found: &mut Vec<(String, [f32; 4])>) {
        for node in group.children() {
            match node {
                usvg::Node::Group(group) => collect(group, found),
                usvg::Node::Text(text) => {
                    let words: String = text.chunks().iter().map(|chunk| chunk.text()).collect();
                    let b = text.flattened().abs_bounding_box();
                    found.push((words, [b.left(), b.top(), b.right(), b.bottom()]));
                }
                _ => {}
            }
        }
    }
    let mut found = Vec::new();
    collect(png::parse(&svg.0).unwrap().root(), &mut found);
    found
}

#[test]
fn every_figure_is_well_formed_and_holds_no_number_that_is_none() {
    for (name, svg) in samples::figures() {
        png::parse(&svg.0).unwrap();
        // Base64 may spell anything: the fonts are left out.
        let (head, rest) = svg.0.split_once("<style>").unwrap();
        let (_, body) = rest.split_once("</style>").unwrap();
        for none in ["NaN", "inf"] {
            assert!(
                !head.contains(none) && !body.contains(none),
                "{name} holds {none}"
            );
        }
        assert!(
            head.contains("role=\"img\"") && head.contains("<title>") && head.contains("<desc>"),
            "{name}"
        );
    }
}

#[test]
fn the_same_input_gives_the_same_bytes() {
    for ((name, first), (_, second)) in samples::figures().into_iter().zip(samples::figures()) {
        assert!(first == second, "{name}");
    }
}

#[test]
fn every_text_is_large_enough_lies_on_the_sheet_and_covers_no_other() {
    for (name, svg) in samples::figures() {
        let height = svg
            .0
            .split_once("height=\"")
            .unwrap()
            .1
            .split_once('"')
            .unwrap()
            .0
            .parse::<f32>()
            .unwrap();
        for text in Document::read(&svg).texts {
            assert!(text.3 >= 28.0, "{name}: {:?} is {} px", text.4, text.3);
        }
        let texts = laid_out(&svg);
        for (n, (words, [left, top, right, bottom])) in texts.iter().enumerate() {
            let on_sheet = *left >= 0.0 && *right <= 1600.0 && *top >= 0.0 && *bottom <= height;
            assert!(
                on_sheet,
                "{name}: {words:?} at {left} {top} {right} {bottom}"
            );
            for (other, [l, t, r, b]) in &texts[n + 1..] {
                let apart = right <= l || r <= left || bottom <= t || b <= top;
                assert!(apart, "{name}: {words:?} covers {other:?}");
            }
        }
    }
}

#[test]
fn a_png_is_1600_px_wide_and_as_high_as_the_figure() {
    let svg = super::comparison(&samples::four()).unwrap();
    let height: u32 = svg
        .0
        .split_once("height=\"")
        .unwrap()
        .1
        .split_once('"')
        .unwrap()
        .0
        .parse()
        .unwrap();
    let png = svg.to_png().unwrap();
    // Width and height are the first fields of the first chunk (PNG specification, 11.2.1).
    let field = |at: usize| u32::from_be_bytes(png[at..at + 4].try_into().unwrap());
    assert_eq!(
        (&png[12..16], field(16), field(20)),
        (&b"IHDR"[..], 1600, height)
    );
}

#[test]
fn a_png_holds_the_marks_colours_and_text_from_the_bundled_font() {
    let svg = super::comparison(&samples::four()).unwrap();
    let picture = resvg::tiny_skia::Pixmap::decode_png(&svg.to_png().unwrap()).unwrap();
    let colours: BTreeSet<[u8; 3]> = picture
        .pixels()
        .iter()
        .map(|p| [p.red(), p.green(), p.blue()])
        .collect();
    for colour in [[0x00, 0x72, 0xB2], [0xD5, 0x5E, 0x00], [0xFF, 0xFF, 0xFF]] {
        assert!(colours.contains(&colour), "{colour:?}");
    }
    // The title's place holds ink, which it would not if the font were missing.
    let inked = (40..700).flat_map(|x| (40..90).map(move |y| (x, y)));
    let dark = inked
        .filter(|&(x, y)| picture.pixel(x, y).is_some_and(|p| p.red() < 0x40))
        .count();
    assert!(dark > 2000, "{dark} dark px");
}
