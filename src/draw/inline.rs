//! A figure for the inside of a page: its colours by the part they play, its fonts left to the page.
//!
//! A page in which figures stand gives each role of [`ROLES`] a colour, for light and for dark. Presentation attributes
//! give way to any rule of CSS (SVG 2, section 6.6), so an attribute selector on the colour is all that it takes, and the
//! figure stays what it is where nobody restyles it.

use super::canvas::{self, BODY_FROM};
use super::{Svg, font};

pub(crate) use font::FAMILY;

/// A colour of the figures and the name of the part that it plays, the names as CSS has them.
pub(crate) const ROLES: [(plotters::style::RGBColor, &str); 11] = [
    (canvas::WHITE, "paper"),
    (canvas::INK, "ink"),
    (canvas::MUTED, "muted"),
    (canvas::GREY, "grey"),
    (canvas::GRID, "grid"),
    (canvas::SHADE, "shade"),
    (canvas::SAND, "sand"),
    (canvas::BLUE, "a"),
    (canvas::VERMILION, "b"),
    (canvas::BLUE_TINT, "a-tint"),
    (canvas::VERMILION_TINT, "b-tint"),
];

/// A figure's parts for a page.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Inline {
    /// What it is called.
    pub title: String,
    /// All that is drawn, in sentences.
    pub description: String,
    /// An `svg` element without heading and fonts, with `id` before the names that it refers to.
    pub element: String,
    /// Whether every colour has a role, so that a dark page can turn it dark. Another one belongs on white.
    pub restyled: bool,
}

impl Svg {
    /// The figure for the inside of a page, where `id` is one no other element has.
    ///
    /// The element is as wide as its place. Its heading, which the page has in its own words, is cut off; its title and
    /// text alternative are tied to it by `aria-labelledby` and `aria-describedby`.
    pub fn inline(&self, id: &str) -> Inline {
        let document = &self.0;
        let (root, rest) = document.split_once('>').unwrap_or(("", document));
        let within = |from: &str, to: &str| {
            let (_, after) = rest.split_once(from)?;
            Some(after.split_once(to)?.0.to_owned())
        };
        let title = within("<title>", "</title>").unwrap_or_default();
        let description = within("<desc>", "</desc>").unwrap_or_default();
        let drawn = rest
            .split_once("</style>")
            .map_or(rest, |(_, drawn)| drawn)
            .trim_start();
        let number = |name: &str| attribute(root, name).and_then(|value| value.parse::<f64>().ok());
        let (width, height) = (
            number("width").unwrap_or(f64::from(canvas::WIDTH_PX)),
            number("height").unwrap_or(1.0),
        );
        let top = number(BODY_FROM).unwrap_or(0.0).min(height - 1.0);
        let restyled = colours(drawn)
            .all(|colour| colour == "none" || ROLES.iter().any(|(role, _)| hex(*role) == colour));
        Inline {
            element: format!(
                "<svg xmlns=\"http://www.w3.org/2000/svg\" role=\"img\" aria-labelledby=\"{id}-title\" \
                 aria-describedby=\"{id}-description\" viewBox=\"0 {top} {width} {}\" stroke-linejoin=\"round\">\n\
                 <title id=\"{id}-title\">{title}</title>\n<desc id=\"{id}-description\">{description}</desc>\n{drawn}",
                height - top
            ),
            title: unescape(&title),
            description: unescape(&description),
            restyled,
        }
    }
}

/// Rules that paint what stands in `scope` by custom properties named after the roles: `--paper`, `--ink`, …
///
/// Text has `--b-text` in the place of `--b`, which is too light for small letters on white.
pub(crate) fn rules(scope: &str) -> String {
    let mut css = String::new();
    for (colour, role) in ROLES {
        let hex = hex(colour);
        for paint in ["fill", "stroke"] {
            css += &format!("{scope} [{paint}=\"{hex}\"]{{{paint}:var(--{role})}}\n");
        }
    }
    let b = hex(canvas::VERMILION);
    css + &format!("{scope} text[fill=\"{b}\"]{{fill:var(--b-text)}}\n")
}

/// `@font-face` rules of the bundled fonts, with the pieces that this text needs in both weights.
pub(crate) fn font_faces(text: &str) -> String {
    let characters = text.chars().collect();
    font::faces(&characters, &characters)
}

/// A colour as the figures write it.
pub(super) fn hex(colour: plotters::style::RGBColor) -> String {
    format!("#{:02X}{:02X}{:02X}", colour.0, colour.1, colour.2)
}

/// What `fill` and `stroke` are set to.
fn colours(drawn: &str) -> impl Iterator<Item = &str> {
    [" fill=\"", " stroke=\""]
        .into_iter()
        .flat_map(|name| drawn.split(name).skip(1))
        .filter_map(|after| after.split('"').next())
}

/// The value of an attribute of the root element.
fn attribute<'r>(root: &'r str, name: &str) -> Option<&'r str> {
    let (_, after) = root.split_once(&format!(" {name}=\""))?;
    after.split('"').next()
}

/// The text behind [`escape`].
fn unescape(text: &str) -> String {
    text.replace("&lt;", "<")
        .replace("&gt;", ">")
        .replace("&amp;", "&")
}

#[cfg(test)]
mod tests {
    use super::super::canvas::escape;
    use super::super::samples::{four, hostile};
    use super::super::{comparison, tests::Document};
    use super::*;

    #[test]
    fn the_element_is_one_figure_with_ids_of_its_own_and_without_heading_and_fonts() {
        let figure = comparison(&four()).unwrap();
        let inline = figure.inline("f1");
        assert!(inline.restyled);
        assert_eq!(inline.title, "tape loop against rabbit ears — north window");
        assert!(inline.description.contains("Channel 22"));
        assert!(figure.0.contains("@font-face") && !inline.element.contains("@font-face"));
        for part in [
            "aria-labelledby=\"f1-title\"",
            "<title id=\"f1-title\">",
            "<desc id=\"f1-description\">",
        ] {
            assert_eq!(inline.element.matches(part).count(), 1, "{part}");
        }
        // What is left in the window: the legend, and not the title that stands above it.
        let top: f64 = attribute(&inline.element, "viewBox")
            .and_then(|view| view.split(' ').nth(1)?.parse().ok())
            .unwrap();
        let texts = Document::read(&Svg(inline.element)).texts;
        let y_of = |wanted: &str| texts.iter().find(|text| text.4 == wanted).unwrap().1;
        assert!(y_of("tape loop against rabbit ears — north window") < top);
        assert!(y_of("A: tape loop") > top);
    }

    #[test]
    fn names_from_users_stay_escaped_and_come_back_in_the_title() {
        let inline = comparison(&hostile()).unwrap().inline("x");
        let unescaped = escape(&inline.title);
        assert!(
            inline
                .element
                .contains(&format!("<title id=\"x-title\">{unescaped}</title>"))
        );
    }

    #[test]
    fn a_colour_without_a_role_keeps_its_figure_on_white() {
        let figure = |colour: &str| {
            Svg(format!(
                "<svg width=\"1600\" height=\"9\"><style></style><rect fill=\"{colour}\"/></svg>"
            ))
        };
        assert!(figure("#0072B2").inline("x").restyled);
        assert!(!figure("#0072B3").inline("x").restyled);
        assert!(rules(".figure").contains(".figure [fill=\"#0072B2\"]{fill:var(--a)}"));
    }
}
