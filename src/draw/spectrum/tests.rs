//! Checks on the finished document.

use super::super::samples::{bands, trace};
use super::super::tests::Document;
use super::*;

const BLUE_HEX: &str = "#0072B2";
const VERMILION_HEX: &str = "#D55E00";
const EDGE_HEX: &str = "#6E7378";

fn read(a: &Trace, b: Option<&Trace>, terminated: Option<&Trace>, channels: &[Band]) -> Document {
    let line = |name, trace| Line { name, trace };
    Document::read(
        &spectrum(
            line("tape loop", a),
            b.map(|b| line("rabbit ears", b)),
            terminated,
            channels,
        )
        .unwrap(),
    )
}

fn of<'a>(document: &'a Document, colour: &str) -> Vec<&'a Vec<(f64, f64)>> {
    document
        .paths
        .iter()
        .filter(|(_, stroke)| stroke == colour)
        .map(|(points, _)| points)
        .collect()
}

/// Upright lines of channel edges: their x, ascending, and y of the upper end.
fn edges_in(document: &Document) -> Vec<(f64, f64)> {
    let upright = document
        .lines
        .iter()
        .filter(|(from, to, colour)| colour == EDGE_HEX && from.0 == to.0);
    upright.map(|(from, ..)| *from).collect()
}

#[test]
fn channel_edges_stand_evenly_and_are_named_above_and_in_megahertz_below() {
    let document = read(&trace(&[(20, 20.0)], 1, 3000), None, None, &bands(20..24));
    for words in ["20", "21", "22", "23", "506", "512", "518", "524", "530"] {
        assert!(document.says(words), "{words}");
    }
    let x: Vec<f64> = edges_in(&document).iter().map(|edge| edge.0).collect();
    let step = (x[4] - x[0]) / 4.0;
    assert_eq!(x.len(), 5);
    assert!(
        x.iter()
            .enumerate()
            .all(|(n, at)| (at - x[0] - step * n as f64).abs() <= 1.0),
        "{x:?}"
    );
}

#[test]
fn a_line_follows_its_levels() {
    // A ramp of 40 dB over one channel: straight from corner to corner.
    let bins = 240;
    let ramp = (0..bins)
        .map(|n| Some(-60.0 + 40.0 * n as f32 / (bins - 1) as f32))
        .collect();
    let a = Trace {
        first_hz: 506.0125e6,
        step_hz: 25e3,
        dbfs_per_mhz: ramp,
    };
    let document = read(&a, None, None, &bands([20]));
    let lines = of(&document, BLUE_HEX);
    let [line] = lines[..] else {
        panic!("one line, not {}", lines.len())
    };
    let (first, last) = (line[0], *line.last().unwrap());
    assert!(first.1 - last.1 > 400.0 && last.0 - first.0 > 1400.0);
    for (x, y) in line {
        let straight = first.1 + (x - first.0) / (last.0 - first.0) * (last.1 - first.1);
        assert!((y - straight).abs() <= 1.5, "{x} {y} {straight}");
    }
}

#[test]
fn a_gap_breaks_the_line_and_nothing_is_drawn_across_it() {
    let mut a = trace(&[(20, 20.0)], 1, 3000);
    // 508 to 510 MHz, of channel 20's 506 to 512.
    for (n, value) in a.dbfs_per_mhz.iter_mut().enumerate() {
        if (508e6..510e6).contains(&(a.first_hz + a.step_hz * n as f64)) {
            *value = None;
        }
    }
    let document = read(&a, None, None, &bands([20]));
    let lines = of(&document, BLUE_HEX);
    let x = edges_in(&document);
    let gap = (
        x[0].0 + (x[1].0 - x[0].0) / 3.0,
        x[0].0 + (x[1].0 - x[0].0) * 2.0 / 3.0,
    );
    assert_eq!(lines.len(), 2);
    // Half a bin is 25 kHz/2 of 6 MHz: 3 px.
    assert!(
        lines[0].iter().all(|p| p.0 <= gap.0 + 4.0) && lines[1].iter().all(|p| p.0 >= gap.1 - 4.0)
    );
}

#[test]
fn b_is_dashed_and_a_is_not() {
    let (a, b, noise) = (
        trace(&[(20, 20.0)], 1, 3000),
        trace(&[(20, 15.0)], 2, 3000),
        trace(&[], 3, 3000),
    );
    let document = read(&a, Some(&b), Some(&noise), &bands(20..24));
    assert_eq!(of(&document, BLUE_HEX).len(), 1);
    assert!(of(&document, VERMILION_HEX).len() > 50);
    assert_eq!(of(&document, EDGE_HEX).len(), 1, "the noise, grey");
    for words in ["A: tape loop", "B: rabbit ears", "terminated"] {
        assert!(document.says(words), "{words}");
    }
}

#[test]
fn a_wide_band_is_split_into_rows_and_what_lies_between_channels_is_left_out() {
    let a = trace(&[(14, 20.0)], 1, 5520);
    let document = read(&a, None, None, &bands(14..37));
    let mut tops: Vec<i64> = edges_in(&document)
        .iter()
        .map(|edge| edge.1 as i64)
        .collect();
    tops.dedup();
    assert_eq!(tops.len(), 3, "23 channels in rows of eight");
    assert!((14..37).all(|n| document.says(&n.to_string())));

    let apart = read(&a, None, None, &bands([14, 16, 17]));
    assert_eq!(
        of(&apart, BLUE_HEX).len(),
        2,
        "one line for 14, one for 16 and 17"
    );
    assert_eq!(edges_in(&apart).len(), 5);
}

#[test]
fn a_narrow_peak_survives_many_bins_to_a_px() {
    let mut a = trace(&[], 1, 0);
    a.step_hz = 100.0;
    a.first_hz = 506e6;
    a.dbfs_per_mhz = vec![Some(-44.0); 60_000];
    a.dbfs_per_mhz[31_234] = Some(-4.0);
    let document = read(&a, None, None, &bands([20]));
    let lines = of(&document, BLUE_HEX);
    let top = lines[0].iter().map(|p| p.1).fold(f64::MAX, f64::min);
    let floor = lines[0][0].1;
    assert!(
        floor - top > 400.0 && lines[0].len() < 4000,
        "{floor} {top} {}",
        lines[0].len()
    );
}

#[test]
fn nothing_to_draw_is_said_and_odd_input_is_no_fault() {
    let said = "Nothing to draw: no channel has a value.";
    assert!(read(&trace(&[], 1, 100), None, None, &bands([36])).says(said));
    let empty = Trace {
        first_hz: f64::NAN,
        step_hz: 0.0,
        dbfs_per_mhz: vec![Some(1.0)],
    };
    assert!(read(&empty, None, None, &[]).says(said));
    let odd = Band {
        label: "x".into(),
        low_hz: f64::NAN,
        high_hz: 1.0,
    };
    assert!(read(&empty, Some(&empty), None, &[odd]).says(said));
    let holes = Trace {
        first_hz: 506e6,
        step_hz: 1e6,
        dbfs_per_mhz: vec![Some(f32::NAN), Some(f32::INFINITY), None],
    };
    assert!(read(&holes, None, None, &bands([20])).says(said));
    assert!(
        !read(&trace(&[], 1, 100), None, None, &[]).says(said),
        "without channels the whole trace is drawn"
    );
}
