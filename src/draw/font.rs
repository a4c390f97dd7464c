//! The bundled fonts: measuring, shortening and wrapping text, and the part of them that an SVG carries.
//!
//! The files in `fonts/` are subsets of Inter under the SIL Open Font License 1.1, renamed; `fonts/make.py` makes them.

use std::collections::BTreeSet;
use std::sync::OnceLock;

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use plotters::style::{FontDesc, FontFamily, FontStyle, register_font};

use super::DrawError;

#[path = "fonts/pieces.rs"]
mod pieces;

/// The family's name.
pub(super) const NAME: &str = "Gainsay Sans";
/// What stands in `font-family`: the bundled family, and what to take for characters that it lacks.
pub(crate) const FAMILY: &str = "Gainsay Sans, sans-serif";
/// The regular face.
pub(super) const REGULAR: &[u8] = include_bytes!("fonts/regular.otf");
/// The bold face.
pub(super) const BOLD: &[u8] = include_bytes!("fonts/bold.otf");

/// WOFF2 files in the order of [`pieces::PIECES`]: regular, bold.
const WOFF2: [(&[u8], &[u8]); 4] = [
    (
        include_bytes!("fonts/regular-basic.woff2"),
        include_bytes!("fonts/bold-basic.woff2"),
    ),
    (
        include_bytes!("fonts/regular-latin.woff2"),
        include_bytes!("fonts/bold-latin.woff2"),
    ),
    (
        include_bytes!("fonts/regular-greek.woff2"),
        include_bytes!("fonts/bold-greek.woff2"),
    ),
    (
        include_bytes!("fonts/regular-cyrillic.woff2"),
        include_bytes!("fonts/bold-cyrillic.woff2"),
    ),
];

/// plotters' font sizes are this many times those that it writes into the SVG.
const PLOTTERS_SIZE: f64 = 1.24;

/// Weight of a text.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Weight {
    Regular,
    Bold,
}

/// Size in px and weight of a text.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Style {
    pub(super) size_px: f64,
    pub(super) weight: Weight,
}

/// Makes the bundled fonts known to plotters; must come before any text is measured.
pub(super) fn register() -> Result<(), DrawError> {
    static DONE: OnceLock<bool> = OnceLock::new();
    let done = *DONE.get_or_init(|| {
        register_font(FAMILY, FontStyle::Normal, REGULAR).is_ok()
            && register_font(FAMILY, FontStyle::Bold, BOLD).is_ok()
    });
    if done {
        Ok(())
    } else {
        Err(DrawError::render("a bundled font is not readable"))
    }
}

impl Style {
    /// Regular text of this size.
    pub(super) const fn regular(size_px: f64) -> Self {
        Style {
            size_px,
            weight: Weight::Regular,
        }
    }

    /// Bold text of this size.
    pub(super) const fn bold(size_px: f64) -> Self {
        Style {
            size_px,
            weight: Weight::Bold,
        }
    }

    /// The same for plotters, which divides the size by 1.24 when it writes it: the quotient is made to come out even.
    pub(super) fn desc(self) -> FontDesc<'static> {
        let product = self.size_px * PLOTTERS_SIZE;
        let size = [product, product.next_up(), product.next_down()]
            .into_iter()
            .find(|size| size / PLOTTERS_SIZE == self.size_px)
            .unwrap_or(product);
        let style = match self.weight {
            Weight::Regular => FontStyle::Normal,
            Weight::Bold => FontStyle::Bold,
        };
        FontDesc::new(FontFamily::Name(FAMILY), size, style)
    }

    /// Width of `text` in px, up to 3 % too much (plotters takes the line's height for 1.24 of the size, which here is
    /// 1.21).
    pub(super) fn width_px(self, text: &str) -> f64 {
        self.desc()
            .box_size(text)
            .map_or(0.0, |(width, _)| f64::from(width))
    }

    /// `text`, cut to `width_px` with an ellipsis where it is longer.
    pub(super) fn shorten(self, text: &str, width_px: f64) -> String {
        if self.width_px(text) <= width_px {
            return text.to_owned();
        }
        let characters: Vec<char> = text.chars().collect();
        let cut = |kept: usize| {
            let head: String = characters[..kept].iter().collect();
            format!("{}…", head.trim_end_matches([' ', ',', '-', '–', '—']))
        };
        // The longest head that fits, by bisection: 0 always counts as fitting.
        let (mut fits, mut too_long) = (0, characters.len());
        while too_long - fits > 1 {
            let middle = (fits + too_long) / 2;
            if self.width_px(&cut(middle)) <= width_px {
                fits = middle
            } else {
                too_long = middle
            }
        }
        cut(fits)
    }

    /// `text` in lines of at most `width_px`, broken at spaces; a word too long for a line, and what exceeds `lines`,
    /// ends in an ellipsis.
    pub(super) fn wrap(self, text: &str, width_px: f64, lines: usize) -> Vec<String> {
        let mut wrapped: Vec<String> = Vec::new();
        let mut words = text.split(' ').filter(|word| !word.is_empty()).peekable();
        let mut line = String::new();
        while let Some(word) = words.peek() {
            let longer = if line.is_empty() {
                (*word).to_owned()
            } else {
                format!("{line} {word}")
            };
            let last = wrapped.len() + 1 == lines;
            if last || self.width_px(&longer) <= width_px || line.is_empty() {
                line = longer;
                words.next();
            } else {
                wrapped.push(self.shorten(&std::mem::take(&mut line), width_px));
            }
        }
        if !line.is_empty() {
            wrapped.push(self.shorten(&line, width_px));
        }
        wrapped
    }
}

/// `text` fit for XML and for one line: white space is one space, control characters, characters that turn the
/// direction of writing, and those that XML forbids are gone.
pub(crate) fn clean(text: &str) -> String {
    let spaced: String = text
        .chars()
        .map(|c| if c.is_whitespace() { ' ' } else { c })
        .filter(|&c| {
            !c.is_control()
                && !matches!(c, '\u{200B}' | '\u{200E}' | '\u{200F}' | '\u{202A}'..='\u{202E}' | '\u{2066}'..='\u{2069}')
                && !matches!(c, '\u{FEFF}' | '\u{FFFE}' | '\u{FFFF}')
        })
        .collect();
    spaced
        .split(' ')
        .filter(|word| !word.is_empty())
        .collect::<Vec<_>>()
        .join(" ")
}

/// `@font-face` rules with the pieces that these characters need.
pub(super) fn faces(regular: &BTreeSet<char>, bold: &BTreeSet<char>) -> String {
    let mut css = String::new();
    for ((_, ranges), (regular_woff2, bold_woff2)) in pieces::PIECES.iter().zip(WOFF2) {
        let holds = |c: &char| {
            ranges
                .iter()
                .any(|(first, last)| (*first..=*last).contains(&u32::from(*c)))
        };
        let unicode_range = ranges
            .iter()
            .map(|(first, last)| {
                if first == last {
                    format!("U+{first:X}")
                } else {
                    format!("U+{first:X}-{last:X}")
                }
            })
            .collect::<Vec<_>>()
            .join(",");
        for (characters, weight, woff2) in [(regular, 400, regular_woff2), (bold, 700, bold_woff2)]
        {
            if characters.iter().any(holds) {
                css += &format!(
                    "@font-face{{font-family:\"{NAME}\";font-weight:{weight};unicode-range:{unicode_range};\
                     src:url(data:font/woff2;base64,{}) format(\"woff2\")}}\n",
                    STANDARD.encode(woff2)
                );
            }
        }
    }
    css
}

#[cfg(test)]
mod tests {
    use super::*;

    const STYLE: Style = Style::regular(30.0);

    #[test]
    fn a_text_that_is_too_long_ends_in_an_ellipsis_and_fits() {
        register().unwrap();
        let long = "a very long name of an antenna that someone typed in full";
        let short = STYLE.shorten(long, 300.0);
        assert!(
            short.ends_with('…') && long.starts_with(short.trim_end_matches('…')),
            "{short}"
        );
        assert!(STYLE.width_px(&short) <= 300.0 && STYLE.width_px(&short) > 250.0);
        assert_eq!(STYLE.shorten("short", 300.0), "short");
    }

    #[test]
    fn wrapped_lines_fit_and_lose_no_word_until_the_last() {
        register().unwrap();
        let text = "tape loop on the north window against the bought rabbit ears";
        let lines = STYLE.wrap(text, 300.0, 9);
        assert_eq!(lines.join(" "), text);
        assert!(
            lines.len() > 1 && lines.iter().all(|line| STYLE.width_px(line) <= 300.0),
            "{lines:?}"
        );
        let two = STYLE.wrap(text, 300.0, 2);
        assert!(
            two.len() == 2 && two[0] == lines[0] && two[1].ends_with('…'),
            "{two:?}"
        );
        assert!(STYLE.wrap(&"x".repeat(500), 300.0, 3)[0].ends_with('…'));
        assert!(STYLE.wrap("", 300.0, 3).is_empty());
    }

    #[test]
    fn bold_is_wider_than_regular_and_width_grows_with_size() {
        register().unwrap();
        let regular = STYLE.width_px("against");
        assert!(Style::bold(30.0).width_px("against") > regular);
        let doubled = Style::regular(60.0).width_px("against");
        assert!(
            (doubled - 2.0 * regular).abs() <= 2.0,
            "{regular} {doubled}"
        );
    }

    #[test]
    fn control_characters_go_and_white_space_is_one_space() {
        assert_eq!(clean(" a\u{0}\u{1B}b\t\r\n c\u{202E}\u{FFFF}d "), "ab cd");
    }

    #[test]
    fn an_svg_carries_only_the_scripts_that_it_uses() {
        let set = |text: &str| text.chars().collect::<BTreeSet<char>>();
        let plain = faces(&set("C/N −3.4 ±0.2 dB"), &BTreeSet::new());
        assert_eq!(plain.matches("@font-face").count(), 1);
        let many = faces(&set("рамка"), &set("Ω łódź αντέννα"));
        assert_eq!(many.matches("@font-face").count(), 4);
        assert!(many.contains("U+400-"), "Cyrillic range");
        assert!(plain.len() < 60_000 && many.len() < 200_000);
    }
}
