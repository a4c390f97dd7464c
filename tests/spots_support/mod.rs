//! Invented rooms for the tests of spots: margins known, takes made from them.

#![allow(dead_code, reason = "each test binary uses its own share")]

use gainsay::reading::{Position, Take};

use crate::takes::{NOISE, THRESHOLD_DB, ratio, reading, take};

/// A take at a spot whose channels 20, 21 … have these margins in dB; `None` for nothing there.
pub fn at(spot: &str, minute: f64, margins_db: &[Option<f64>]) -> Take {
    let readings = (20u16..)
        .zip(margins_db)
        .map(|(channel, margin)| {
            let signal = margin.map_or(0.0, |margin| ratio(margin + THRESHOLD_DB));
            reading(channel, NOISE * (1.0 + signal), NOISE, 0.0)
        })
        .collect();
    Take {
        spot: spot.into(),
        ..take("tape loop", minute, readings)
    }
}

/// Several takes at a spot a minute apart, the margins of each by its number.
pub fn several(
    spot: &str,
    first_minute: f64,
    count: usize,
    mut margins_db: impl FnMut(usize) -> Vec<Option<f64>>,
) -> Vec<Take> {
    (0..count)
        .map(|number| at(spot, first_minute + number as f64, &margins_db(number)))
        .collect()
}

/// The same takes at this position.
pub fn placed(mut takes: Vec<Take>, x_m: f64, y_m: f64) -> Vec<Take> {
    for take in &mut takes {
        take.position = Some(Position {
            x_m,
            y_m,
            height_m: None,
        });
    }
    takes
}
