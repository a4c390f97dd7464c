//! The sheet that figures draw on: plotters' SVG backend, with our colours and text styles.
//!
//! Positions are in px from the top left corner; they are rounded to whole px, which is the grid of plotters.

use std::collections::BTreeSet;

use plotters::backend::{DrawingBackend, SVGBackend};
use plotters::style::text_anchor::{HPos, Pos, VPos};
use plotters::style::{Color, RGBColor, ShapeStyle};

use super::font::{self, Style, Weight};
use super::{DrawError, Svg};

/// Attribute of the document: the px at which the heading ends.
pub(super) const BODY_FROM: &str = "data-body-from";

/// Width of every figure.
pub(super) const WIDTH_PX: i32 = 1600;

/// Okabe and Ito's blue: A.
pub(super) const BLUE: RGBColor = RGBColor(0x00, 0x72, 0xB2);
/// Okabe and Ito's vermilion: B.
pub(super) const VERMILION: RGBColor = RGBColor(0xD5, 0x5E, 0x00);
/// Blue as a ground that lines and marks stand out from.
pub(super) const BLUE_TINT: RGBColor = RGBColor(0xC2, 0xDD, 0xED);
/// Vermilion as such a ground.
pub(super) const VERMILION_TINT: RGBColor = RGBColor(0xF5, 0xD8, 0xC2);
/// Text and zero lines.
pub(super) const INK: RGBColor = RGBColor(0x1C, 0x1F, 0x23);
/// Lesser text; 7:1 on white.
pub(super) const MUTED: RGBColor = RGBColor(0x55, 0x5A, 0x60);
/// What is undecided, and noise.
pub(super) const GREY: RGBColor = RGBColor(0x6E, 0x73, 0x78);
/// Lines of the grid.
pub(super) const GRID: RGBColor = RGBColor(0xDD, 0xE0, 0xE4);
/// Every second channel's ground.
pub(super) const SHADE: RGBColor = RGBColor(0xF3, 0xF5, 0xF7);
/// The brink: up to 3 dB above the threshold.
pub(super) const SAND: RGBColor = RGBColor(0xF7, 0xE7, 0xB4);
/// Ground.
pub(super) const WHITE: RGBColor = RGBColor(0xFF, 0xFF, 0xFF);

/// Where a text stands on its point.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Align {
    Left,
    Centre,
    Right,
}

/// A sheet under way.
pub(super) struct Canvas<'a> {
    backend: SVGBackend<'a>,
    regular: BTreeSet<char>,
    bold: BTreeSet<char>,
    body_px: i32,
}

fn px(value: f64) -> i32 {
    value.round().clamp(-1e5, 1e5) as i32
}

fn at((x, y): (f64, f64)) -> (i32, i32) {
    (px(x), px(y))
}

fn stroke(colour: RGBColor, width_px: u32) -> ShapeStyle {
    ShapeStyle {
        color: colour.to_rgba(),
        filled: false,
        stroke_width: width_px,
    }
}

impl Canvas<'_> {
    /// Says that the figure's heading ends at `y`: a page that has the words already shows what lies below.
    pub(super) fn heading_ends(&mut self, y: f64) {
        self.body_px = px(y).max(0);
    }

    /// A line.
    pub(super) fn line(
        &mut self,
        from: (f64, f64),
        to: (f64, f64),
        colour: RGBColor,
        width_px: u32,
    ) -> Result<(), DrawError> {
        self.backend
            .draw_line(at(from), at(to), &stroke(colour, width_px))
            .map_err(DrawError::render)
    }

    /// A level line of dashes.
    pub(super) fn dashes(
        &mut self,
        (from_x, to_x): (f64, f64),
        y: f64,
        colour: RGBColor,
        width_px: u32,
    ) -> Result<(), DrawError> {
        let (dash, gap) = (14.0, 9.0);
        let mut x = from_x;
        while x < to_x {
            self.line((x, y), ((x + dash).min(to_x), y), colour, width_px)?;
            x += dash + gap;
        }
        Ok(())
    }

    /// An open path through the points.
    pub(super) fn path(
        &mut self,
        points: &[(f64, f64)],
        colour: RGBColor,
        width_px: u32,
    ) -> Result<(), DrawError> {
        self.backend
            .draw_path(points.iter().copied().map(at), &stroke(colour, width_px))
            .map_err(DrawError::render)
    }

    /// A filled polygon.
    pub(super) fn polygon(
        &mut self,
        points: &[(f64, f64)],
        colour: RGBColor,
    ) -> Result<(), DrawError> {
        self.backend
            .fill_polygon(points.iter().copied().map(at), &colour.filled())
            .map_err(DrawError::render)
    }

    /// A closed outline.
    pub(super) fn outline(
        &mut self,
        points: &[(f64, f64)],
        colour: RGBColor,
        width_px: u32,
    ) -> Result<(), DrawError> {
        // Beyond the first corner to the second, so that the first is joined like the others.
        let closed: Vec<_> = points
            .iter()
            .chain(points.iter().take(2))
            .copied()
            .collect();
        self.path(&closed, colour, width_px)
    }

    /// A filled rectangle.
    pub(super) fn rectangle(
        &mut self,
        top_left: (f64, f64),
        bottom_right: (f64, f64),
        colour: RGBColor,
    ) -> Result<(), DrawError> {
        self.backend
            .draw_rect(at(top_left), at(bottom_right), &colour.filled(), true)
            .map_err(DrawError::render)
    }

    /// A filled disc.
    pub(super) fn disc(
        &mut self,
        centre: (f64, f64),
        radius_px: f64,
        colour: RGBColor,
    ) -> Result<(), DrawError> {
        self.backend
            .draw_circle(at(centre), radius_px.round() as u32, &colour.filled(), true)
            .map_err(DrawError::render)
    }

    /// A circle.
    pub(super) fn circle(
        &mut self,
        centre: (f64, f64),
        radius_px: f64,
        colour: RGBColor,
        width_px: u32,
    ) -> Result<(), DrawError> {
        self.backend
            .draw_circle(
                at(centre),
                radius_px.round() as u32,
                &stroke(colour, width_px),
                false,
            )
            .map_err(DrawError::render)
    }

    /// A text with its baseline at `y`; it must be [`font::clean`].
    pub(super) fn text(
        &mut self,
        text: &str,
        style: Style,
        colour: RGBColor,
        align: Align,
        (x, y): (f64, f64),
    ) -> Result<(), DrawError> {
        match style.weight {
            Weight::Regular => self.regular.extend(text.chars()),
            Weight::Bold => self.bold.extend(text.chars()),
        }
        let horizontal = match align {
            Align::Left => HPos::Left,
            Align::Centre => HPos::Center,
            Align::Right => HPos::Right,
        };
        // plotters puts the baseline half an ex, a quarter of the size, above the point.
        let point = (x, y + style.size_px / 4.0);
        let font = style.desc();
        let style = font.color(&colour).pos(Pos::new(horizontal, VPos::Bottom));
        self.backend
            .draw_text(text, &style, at(point))
            .map_err(DrawError::render)
    }

    /// As [`Canvas::text`], with the middle of its capitals at `y`.
    pub(super) fn text_centred(
        &mut self,
        text: &str,
        style: Style,
        colour: RGBColor,
        align: Align,
        (x, y): (f64, f64),
    ) -> Result<(), DrawError> {
        self.text(text, style, colour, align, (x, y + 0.364 * style.size_px))
    }

    /// Lines of text below `top`, their line height 1.3 of the size; gives the place below the last.
    pub(super) fn lines(
        &mut self,
        lines: &[String],
        style: Style,
        colour: RGBColor,
        x: f64,
        top: f64,
    ) -> Result<f64, DrawError> {
        let mut y = top;
        for line in lines {
            self.text(line, style, colour, Align::Left, (x, y + style.size_px))?;
            y += 1.3 * style.size_px;
        }
        Ok(y)
    }
}

/// Draws a figure. `draw` gives its height in px and its text alternative.
///
/// # Errors
/// What `draw` gives, and [`DrawError::Render`].
pub(super) fn figure(
    title: &str,
    draw: impl FnOnce(&mut Canvas) -> Result<(f64, String), DrawError>,
) -> Result<Svg, DrawError> {
    font::register()?;
    let mut document = String::new();
    let mut canvas = Canvas {
        // The height is known only at the end: this root element is replaced below.
        backend: SVGBackend::with_string(&mut document, (WIDTH_PX as u32, 1)),
        regular: BTreeSet::new(),
        bold: BTreeSet::new(),
        body_px: 0,
    };
    let (height_px, description) = draw(&mut canvas)?;
    canvas.backend.present().map_err(DrawError::render)?;
    let faces = font::faces(&canvas.regular, &canvas.bold);
    let body = match canvas.body_px {
        0 => String::new(),
        top => format!(" {BODY_FROM}=\"{top}\""),
    };
    drop(canvas);

    let (_, drawn) = document
        .split_once(">\n")
        .ok_or_else(|| DrawError::render("the drawing is empty"))?;
    let height = px(height_px).max(1);
    Ok(Svg(format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" role=\"img\" width=\"{WIDTH_PX}\" height=\"{height}\" \
         viewBox=\"0 0 {WIDTH_PX} {height}\" stroke-linejoin=\"round\"{body}>\n\
         <title>{}</title>\n<desc>{}</desc>\n<style>\n{faces}</style>\n\
         <rect width=\"{WIDTH_PX}\" height=\"{height}\" fill=\"#FFFFFF\"/>\n{drawn}",
        escape(&font::clean(title)),
        escape(&font::clean(&description)),
    )))
}

/// `text` for the inside of an XML element.
pub(super) fn escape(text: &str) -> String {
    text.replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
}
