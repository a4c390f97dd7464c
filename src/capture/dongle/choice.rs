//! Which dongle to use.

use std::fmt;

use serde::Serialize;

/// Which of the dongles that are plugged in to use.
///
/// In words: a serial number, or `#` and the place in the list of dongles, counted from 0. The place may change when
/// something is plugged in or out; it serves where two dongles have the same serial number.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub enum Choice {
    /// The only one; an error where there are several.
    #[default]
    TheOnlyOne,
    /// The one with this serial number.
    Serial(String),
    /// The one at this place in the list.
    Index(u32),
}

impl Choice {
    /// What is chosen by a serial number, or by `#` and a place.
    pub fn in_words(words: &str) -> Choice {
        let index = words.strip_prefix('#').and_then(|place| place.parse().ok());
        index.map_or_else(|| Choice::Serial(words.to_owned()), Choice::Index)
    }
}

/// A dongle in the driver's list. What it doesn't tell of itself, or may not be read, is `None`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Listed {
    /// Place in the list, from 0.
    pub index: u32,
    /// What the driver calls this model.
    pub model: String,
    /// Manufacturer, as the dongle says.
    pub manufacturer: Option<String>,
    /// Product, as the dongle says.
    pub product: Option<String>,
    /// Serial number, as the dongle says.
    pub serial: Option<String>,
}

impl Listed {
    /// How to name it on the command line: by its serial number where it has one, else by its place.
    pub fn name(&self) -> String {
        match &self.serial {
            Some(serial) => serial.clone(),
            None => format!("#{}", self.index),
        }
    }
}

impl fmt::Display for Listed {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "#{}: ", self.index)?;
        match &self.serial {
            Some(serial) => write!(f, "serial {serial}"),
            None => write!(f, "serial unknown"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_number_sign_and_a_number_are_a_place_and_all_else_a_serial() {
        let choice = Choice::in_words;
        assert_eq!(choice("#1"), Choice::Index(1));
        assert_eq!(choice("00000001"), Choice::Serial("00000001".into()));
        assert_eq!(choice("#north"), Choice::Serial("#north".into()));
    }
}
