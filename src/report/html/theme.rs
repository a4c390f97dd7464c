//! The colours of a page, light, dark and on paper.
//!
//! The hues are Okabe and Ito's (Color Universal Design, 2008): blue and vermilion on light, their sky blue and a lighter
//! vermilion on dark. Contrasts are those of WCAG 2.2: 4.5:1 for text (1.4.3), 3:1 for marks (1.4.11).

use crate::draw::{ROLES, rules};

/// A colour for a role, as `#RRGGBB`.
type Colour = (&'static str, &'static str);

const LIGHT: [Colour; 12] = [
    ("paper", "#FBFAF7"),
    ("ink", "#1C1F23"),
    ("muted", "#555A60"),
    ("grey", "#62676C"),
    ("grid", "#DAD8D2"),
    ("shade", "#F2F0EA"),
    ("sand", "#F5E6B5"),
    ("a", "#0072B2"),
    ("b", "#D55E00"),
    ("b-text", "#A84900"),
    ("a-tint", "#C2DDED"),
    ("b-tint", "#FBEADE"),
];

const DARK: [Colour; 12] = [
    ("paper", "#15181B"),
    ("ink", "#ECEAE4"),
    ("muted", "#B3B6B9"),
    ("grey", "#9DA2A7"),
    ("grid", "#3A4046"),
    ("shade", "#1D2125"),
    ("sand", "#4A3F17"),
    ("a", "#56B4E9"),
    ("b", "#FF9150"),
    ("b-text", "#FF9150"),
    ("a-tint", "#1C3545"),
    ("b-tint", "#462B1C"),
];

const ON_PAPER: [Colour; 12] = [
    ("paper", "#FFFFFF"),
    ("ink", "#000000"),
    ("muted", "#333333"),
    ("grey", "#5E6367"),
    ("grid", "#C8C8C8"),
    ("shade", "#F4F4F4"),
    ("sand", "#F5E6B5"),
    ("a", "#0072B2"),
    ("b", "#D55E00"),
    ("b-text", "#A84900"),
    ("a-tint", "#C2DDED"),
    ("b-tint", "#FBEADE"),
];

/// Custom properties for the three, and the rules that paint figures and strips with them.
pub(super) fn css() -> String {
    let set = |colours: [Colour; 12]| -> String {
        colours
            .iter()
            .map(|(role, hex)| format!("--{role}:{hex};"))
            .collect()
    };
    format!(
        ":root{{color-scheme:light dark;{}}}\n\
         @media screen and (prefers-color-scheme:dark){{:root{{{}}}}}\n\
         @media print{{:root{{color-scheme:light;{}}}}}\n{}",
        set(LIGHT),
        set(DARK),
        set(ON_PAPER),
        rules("svg")
    )
}

/// The colours of a figure that a dark page leaves on white: those of the figure itself, but for small letters.
pub(super) fn untouched() -> String {
    let mut css: String = (ROLES.iter())
        .map(|(colour, role)| {
            format!(
                "--{role}:#{:02X}{:02X}{:02X};",
                colour.0, colour.1, colour.2
            )
        })
        .collect();
    let text = LIGHT.iter().filter(|(role, _)| *role == "b-text");
    css.extend(text.map(|(role, hex)| format!("--{role}:{hex};")));
    css
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Relative luminance (WCAG 2.2, definition).
    fn luminance(hex: &str) -> f64 {
        let part = |at: usize| {
            let c = f64::from(u8::from_str_radix(&hex[at..at + 2], 16).unwrap()) / 255.0;
            if c <= 0.04045 {
                c / 12.92
            } else {
                ((c + 0.055) / 1.055).powf(2.4)
            }
        };
        0.2126 * part(1) + 0.7152 * part(3) + 0.0722 * part(5)
    }

    /// Contrast ratio (WCAG 2.2, definition).
    fn contrast(one: &str, other: &str) -> f64 {
        let (one, other) = (luminance(one), luminance(other));
        (one.max(other) + 0.05) / (one.min(other) + 0.05)
    }

    fn of(colours: [Colour; 12], role: &str) -> &'static str {
        colours.iter().find(|(name, _)| *name == role).unwrap().1
    }

    #[test]
    fn contrast_of_black_on_white_is_21_and_of_published_greys_as_published() {
        assert!((contrast("#000000", "#FFFFFF") - 21.0).abs() < 1e-9);
        // #767676 is the lightest grey that reaches 4.5:1 on white (W3C, Understanding 1.4.3; from memory).
        assert!(contrast("#767676", "#FFFFFF") >= 4.5 && contrast("#777777", "#FFFFFF") < 4.5);
    }

    #[test]
    fn text_has_4_5_to_1_and_marks_3_to_1_on_every_ground() {
        for colours in [LIGHT, DARK, ON_PAPER] {
            for ground in ["paper", "shade"] {
                let on = |role| contrast(of(colours, role), of(colours, ground));
                for text in ["ink", "muted", "grey", "a", "b-text"] {
                    assert!(on(text) >= 4.5, "{text} on {ground}: {:.2}", on(text));
                }
                assert!(on("b") >= 3.0, "b on {ground}: {:.2}", on("b"));
            }
            // Curves and the labels of rings stand on their bands.
            for (ground, line) in [("a-tint", "a"), ("b-tint", "b")] {
                let on = |role| contrast(of(colours, role), of(colours, ground));
                assert!(on(line) >= 3.0, "{line} on {ground}: {:.2}", on(line));
                for text in ["ink", "muted"] {
                    assert!(on(text) >= 4.5, "{text} on {ground}: {:.2}", on(text));
                }
            }
            // Levels and the threshold's line stand on the brink's ground too.
            for mark in ["ink", "a", "b"] {
                let ratio = contrast(of(colours, mark), of(colours, "sand"));
                assert!(ratio >= 3.0, "{mark} on sand: {ratio:.2}");
            }
        }
    }

    #[test]
    fn every_role_of_the_figures_has_a_colour() {
        for (_, role) in ROLES {
            for colours in [LIGHT, DARK, ON_PAPER] {
                of(colours, role);
            }
        }
    }
}
