//! Marks: shape says which antenna, fill says which state.

use std::f64::consts::PI;

use plotters::style::RGBColor;

use super::DrawError;
use super::canvas::{BLUE, Canvas, GREY, VERMILION, WHITE};
use crate::reading::State;

/// Width of a mark's outline.
const OUTLINE_PX: u32 = 4;

/// Shape of a mark.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Shape {
    Circle,
    Diamond,
    Square,
}

/// How much of a mark is filled.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Fill {
    Full,
    /// The lower half.
    Half,
    Hollow,
    /// Hollow with a dot: a signal without a state.
    Dotted,
}

/// Shape and colour of what belongs together.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Look {
    pub(super) shape: Shape,
    pub(super) colour: RGBColor,
}

/// A: blue and round.
pub(super) const A: Look = Look {
    shape: Shape::Circle,
    colour: BLUE,
};
/// B: vermilion diamonds.
pub(super) const B: Look = Look {
    shape: Shape::Diamond,
    colour: VERMILION,
};
/// Undecided: grey squares.
pub(super) const UNDECIDED: Look = Look {
    shape: Shape::Square,
    colour: GREY,
};

impl Fill {
    /// The fill of a state in which there is a signal.
    pub(super) fn of(state: Option<State>) -> Fill {
        match state {
            Some(State::Firm) => Fill::Full,
            Some(State::Brink) => Fill::Half,
            Some(State::Trace) => Fill::Hollow,
            Some(State::Vacant) | None => Fill::Dotted,
        }
    }
}

/// Corners of a polygon of this shape; the circle as one of 48 corners, from the right end clockwise.
fn corners(shape: Shape, (x, y): (f64, f64), radius: f64) -> Vec<(f64, f64)> {
    match shape {
        Shape::Circle => (0..48)
            .map(|n| f64::from(n) / 24.0 * PI)
            .map(|angle| (x + radius * angle.cos(), y + radius * angle.sin()))
            .collect(),
        Shape::Diamond => {
            let r = 1.25 * radius;
            vec![(x + r, y), (x, y + r), (x - r, y), (x, y - r)]
        }
        Shape::Square => {
            let r = 0.9 * radius;
            vec![
                (x + r, y - r),
                (x + r, y + r),
                (x - r, y + r),
                (x - r, y - r),
            ]
        }
    }
}

/// Draws a mark around `centre`.
pub(super) fn draw(
    canvas: &mut Canvas,
    centre: (f64, f64),
    radius_px: f64,
    look: Look,
    fill: Fill,
) -> Result<(), DrawError> {
    let Look { shape, colour } = look;
    // On whole px, so that a shape stays even.
    let centre = (centre.0.round(), centre.1.round());
    let outer = radius_px.round();
    let solid = |canvas: &mut Canvas, radius: f64, colour: RGBColor| match shape {
        Shape::Circle => canvas.disc(centre, radius, colour),
        _ => canvas.polygon(&corners(shape, centre, radius), colour),
    };
    if fill == Fill::Full {
        // A thin white rim parts it from what lies beneath.
        solid(canvas, outer + 2.0, WHITE)?;
        return solid(canvas, outer, colour);
    }
    solid(canvas, outer, WHITE)?;
    let inner = outer - f64::from(OUTLINE_PX) / 2.0;
    match fill {
        Fill::Half => {
            let lower: Vec<_> = match shape {
                Shape::Circle => corners(shape, centre, inner).into_iter().take(25).collect(),
                Shape::Diamond => corners(shape, centre, inner).into_iter().take(3).collect(),
                Shape::Square => {
                    let all = corners(shape, centre, inner);
                    vec![(all[0].0, centre.1), all[1], all[2], (all[2].0, centre.1)]
                }
            };
            canvas.polygon(&lower, colour)?;
        }
        Fill::Dotted => canvas.disc(centre, outer / 3.0, colour)?,
        Fill::Full | Fill::Hollow => {}
    }
    match shape {
        Shape::Circle => canvas.circle(centre, inner, colour, OUTLINE_PX),
        _ => canvas.outline(&corners(shape, centre, inner), colour, OUTLINE_PX),
    }
}

/// Which way an arrow points.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Way {
    Up,
    Down,
}

/// The arrow of a bound.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Arrow {
    pub(super) way: Way,
    pub(super) length_px: f64,
    /// Whether the bound lies beyond what can be shown: its arrow then has no bar.
    pub(super) beyond: bool,
}

impl Arrow {
    /// The arrow of a bound that can be shown where it lies.
    pub(super) fn new(way: Way, length_px: f64) -> Self {
        Arrow {
            way,
            length_px,
            beyond: false,
        }
    }

    /// The same, without its bar if `beyond`.
    pub(super) fn beyond(self, beyond: bool) -> Self {
        Arrow { beyond, ..self }
    }
}

/// Draws a bound: a bar at `(x, y)` and an arrow from it to the side on which the value lies.
pub(super) fn bound(
    canvas: &mut Canvas,
    (x, y): (f64, f64),
    half_width_px: f64,
    arrow: Arrow,
    colour: RGBColor,
) -> Result<(), DrawError> {
    let sign = match arrow.way {
        Way::Up => -1.0,
        Way::Down => 1.0,
    };
    let tip = y + sign * arrow.length_px;
    let head = 0.75 * half_width_px.min(14.0);
    if !arrow.beyond {
        canvas.line(
            (x - half_width_px, y),
            (x + half_width_px, y),
            colour,
            OUTLINE_PX,
        )?;
    }
    canvas.line((x, y), (x, tip - sign * head), colour, OUTLINE_PX)?;
    canvas.polygon(
        &[
            (x, tip),
            (x - head, tip - sign * 1.6 * head),
            (x + head, tip - sign * 1.6 * head),
        ],
        colour,
    )
}
