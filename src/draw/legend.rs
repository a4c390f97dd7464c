//! A legend: what each mark and line means, in words, in as many lines as it needs.

use plotters::style::RGBColor;

use super::DrawError;
use super::canvas::{Align, Canvas, GREY, INK, SAND};
use super::font::Style;
use super::mark::{self, Arrow, Fill, Look, Way};

/// What stands before the words.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Sign {
    /// One mark.
    Mark(Look, Fill),
    /// A bound's arrow.
    Bound(Way, RGBColor),
    /// The arrow of a bound beyond the scale.
    Beyond(Way),
    /// A solid line.
    Solid(RGBColor),
    /// A line of dashes.
    Dashes(RGBColor),
    /// A line of dashes on the brink's ground.
    Threshold,
    /// The dash of what can't be compared.
    Nothing,
}

/// A sign and its words.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Item {
    pub(super) sign: Sign,
    pub(super) words: String,
}

impl Item {
    pub(super) fn new(sign: Sign, words: impl Into<String>) -> Self {
        Item {
            sign,
            words: words.into(),
        }
    }
}

impl Sign {
    fn width_px(self) -> f64 {
        match self {
            Sign::Mark(..) | Sign::Bound(..) | Sign::Beyond(_) | Sign::Nothing => 36.0,
            Sign::Solid(_) | Sign::Dashes(_) | Sign::Threshold => 64.0,
        }
    }

    fn draw(self, canvas: &mut Canvas, x: f64, y: f64) -> Result<(), DrawError> {
        let (end, middle) = (x + self.width_px(), x + self.width_px() / 2.0);
        match self {
            Sign::Mark(look, fill) => mark::draw(canvas, (middle, y), 13.0, look, fill),
            Sign::Bound(way, colour) => arrow(canvas, (middle, y), Arrow::new(way, 36.0), colour),
            Sign::Beyond(way) => {
                let without_bar = Arrow::new(way, 36.0).beyond(true);
                arrow(canvas, (middle, y), without_bar, GREY)
            }
            Sign::Solid(colour) => canvas.line((x, y), (end, y), colour, 5),
            Sign::Dashes(colour) => canvas.dashes((x, end), y, colour, 5),
            Sign::Threshold => {
                canvas.rectangle((x, y - 18.0), (end, y + 8.0), SAND)?;
                canvas.dashes((x, end), y + 8.0, INK, 3)
            }
            Sign::Nothing => canvas.line((middle - 12.0, y), (middle + 12.0, y), GREY, 5),
        }
    }
}

/// A bound's arrow with its middle at the place.
fn arrow(
    canvas: &mut Canvas,
    (x, y): (f64, f64),
    arrow: Arrow,
    colour: RGBColor,
) -> Result<(), DrawError> {
    let half = arrow.length_px / 2.0;
    let from = if arrow.way == Way::Up {
        y + half
    } else {
        y - half
    };
    mark::bound(canvas, (x, from), 12.0, arrow, colour)
}

/// Draws the items from left to right below `top`, going on in a new line where one is full; words too long for a line
/// of their own are shortened. Gives the place below.
pub(super) fn draw(
    canvas: &mut Canvas,
    items: &[Item],
    style: Style,
    (left, right): (f64, f64),
    top: f64,
) -> Result<f64, DrawError> {
    let (gap, after_sign, line) = (36.0, 12.0, 1.55 * style.size_px);
    if items.is_empty() {
        return Ok(top);
    }
    let (mut x, mut y) = (left, top + line / 2.0);
    for item in items {
        let sign = item.sign.width_px() + after_sign;
        let words = style.shorten(&item.words, right - left - sign);
        let width = sign + style.width_px(&words);
        if x > left && x + width > right {
            (x, y) = (left, y + line);
        }
        item.sign.draw(canvas, x, y)?;
        canvas.text_centred(&words, style, INK, Align::Left, (x + sign, y))?;
        x += width + gap;
    }
    Ok(y + line / 2.0)
}
