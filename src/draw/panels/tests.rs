//! Checks on the finished document.

use super::super::samples::some_panels;
use super::super::tests::Document;
use super::*;

const BLUE_HEX: &str = "#0072B2";

fn read(title: &str, some: &[Panel]) -> Document {
    Document::read(&panels(title, some).unwrap())
}

#[test]
fn each_panel_has_its_name_state_edges_notes_and_line() {
    let document = read("tape loop — north window", &some_panels(4));
    for words in [
        "14", "15", "16", "17", "firm", "brink", "trace", "vacant", "470", "476 MHz", "494 MHz",
    ] {
        assert!(document.says(words), "{words}");
    }
    assert!(document.says("σ 0.8 dB · echo at 1.5 µs, −6 dB"));
    assert_eq!(
        document
            .paths
            .iter()
            .filter(|(_, stroke)| stroke == BLUE_HEX)
            .count(),
        4
    );
    assert!(
        document
            .description
            .contains("14, 470 to 476 MHz: trace, up to"),
        "{}",
        document.description
    );
}

#[test]
fn all_panels_share_one_scale_of_level() {
    let mut some = some_panels(2);
    for panel in &mut some {
        panel.trace = vec![(panel.low_hz, -50.0), (panel.high_hz, -50.0)];
    }
    some[0].trace[1].1 = -20.0;
    let document = read("x", &some);
    let lines: Vec<_> = document
        .paths
        .iter()
        .filter(|(_, stroke)| stroke == BLUE_HEX)
        .map(|(p, _)| p)
        .collect();
    assert_eq!(
        lines[0][0].1, lines[1][0].1,
        "−50 is at the same height in both"
    );
    assert!(
        lines[0][1].1 < lines[0][0].1 - 150.0,
        "and 30 dB more is higher up"
    );
}

#[test]
fn a_value_that_is_not_finite_breaks_the_line() {
    let mut some = some_panels(1);
    let middle = some[0].trace.len() / 2;
    some[0].trace[middle].1 = f64::NEG_INFINITY;
    some[0].trace[middle + 1].0 = f64::NAN;
    let document = read("x", &some);
    assert_eq!(
        document
            .paths
            .iter()
            .filter(|(_, stroke)| stroke == BLUE_HEX)
            .count(),
        2
    );
}

#[test]
fn panels_without_a_spectrum_say_so() {
    assert!(read("x", &[]).says("Nothing to draw: the take has no channels."));
    let odd = Panel {
        label: "9A <&>".into(),
        state: None,
        low_hz: f64::NAN,
        high_hz: 0.0,
        trace: vec![(1.0, 1.0)],
        notes: vec!["clipped \u{7}& noisy".into()],
    };
    let document = read("x", &[odd]);
    for words in ["9A <&>", "no spectrum", "not measured", "clipped & noisy"] {
        assert!(document.says(words), "{words}");
    }
}
