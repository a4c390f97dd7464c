//! Names, numbers, times and lists as a report says them.

use jiff::Timestamp;

use crate::compare::ChannelComparison;
use crate::draw::{clean, number, signed};

/// First strong isolate and pop directional isolate (Unicode Standard Annex 9): a name written from right to left between
/// them leaves the words around it in their places.
const ISOLATE: [char; 2] = ['\u{2068}', '\u{2069}'];

/// Names of antennas and spot, fit to be shown.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Names {
    /// The antennas, in order; of two, A and B.
    pub(super) all: Vec<String>,
    pub(super) spot: Option<String>,
    /// Names as they were typed, with what stands for them, where that is something else.
    mended: Vec<(String, String)>,
}

impl Names {
    pub(super) fn of<'n>(antennas: impl Iterator<Item = &'n str>, spot: Option<&str>) -> Names {
        let mut mended = Vec::new();
        let mut shown = |typed: &str| {
            let shown = name(typed);
            if shown != typed && !typed.is_empty() {
                mended.push((typed.to_owned(), shown.clone()));
            }
            shown
        };
        let all = antennas.map(&mut shown).collect();
        let spot = spot.map(&mut shown);
        // A name that holds another goes first.
        mended.sort_by_key(|(typed, _)| std::cmp::Reverse(typed.len()));
        Names { all, spot, mended }
    }

    /// A sentence that was made with the names as typed.
    pub(super) fn sentence(&self, text: &str) -> String {
        let mut text = text.to_owned();
        for (typed, shown) in &self.mended {
            text = text.replace(typed, shown);
        }
        text.split(char::is_whitespace)
            .filter(|word| !word.is_empty())
            .collect::<Vec<_>>()
            .join(" ")
            .replace(char::is_control, "")
    }

    pub(super) fn sentences(&self, texts: &[String]) -> Vec<String> {
        texts.iter().map(|text| self.sentence(text)).collect()
    }
}

/// Sentences with whatever names they hold, fit to be shown.
pub(super) fn tidy(sentences: &[String]) -> Vec<String> {
    sentences.iter().map(|sentence| clean(sentence)).collect()
}

/// A name as it is shown: cleaned, and set apart where it runs from right to left.
pub(super) fn name(typed: &str) -> String {
    let cleaned = clean(typed);
    if cleaned.is_empty() {
        "(no name)".to_owned()
    } else if cleaned.chars().any(runs_from_the_right) {
        format!("{}{cleaned}{}", ISOLATE[0], ISOLATE[1])
    } else {
        cleaned
    }
}

/// Hebrew to Arabic Extended, and their presentation forms: the blocks of the classes R and AL.
fn runs_from_the_right(c: char) -> bool {
    matches!(c, '\u{0590}'..='\u{08FF}' | '\u{FB1D}'..='\u{FDFF}' | '\u{FE70}'..='\u{FEFF}' | '\u{10800}'..='\u{10FFF}'
        | '\u{1E800}'..='\u{1EFFF}')
}

/// `1 take`, `2 takes`.
pub(super) fn counted(count: usize, noun: &str) -> String {
    let s = if count == 1 { "" } else { "s" };
    format!("{count} {noun}{s}")
}

/// `a`, `a and b`, `a, b and c`.
pub(super) fn list(items: &[String]) -> String {
    match items {
        [] => String::new(),
        [one] => one.clone(),
        [first @ .., last] => format!("{} and {last}", first.join(", ")),
    }
}

/// The same values once each, in the order in which they come.
pub(super) fn distinct<'t>(values: impl IntoIterator<Item = &'t str>) -> Vec<String> {
    let mut seen: Vec<String> = Vec::new();
    for value in values.into_iter().map(clean) {
        if !value.is_empty() && !seen.contains(&value) {
            seen.push(value);
        }
    }
    seen
}

/// `channel 20`, `channels 20, 22 and 30–36`.
pub(super) fn channels(channels: &[&ChannelComparison]) -> String {
    let names: Vec<String> = channels
        .iter()
        .map(|one| clean(&one.channel.to_string()))
        .collect();
    match names.len() {
        1 => format!("channel {}", names[0]),
        _ => format!("channels {}", list(&names)),
    }
}

/// A difference with its sign; two decimals where it is known to better than 0.1 dB.
pub(super) fn difference(channel: &ChannelComparison, db: f64) -> String {
    signed(db, decimals(channel))
}

fn decimals(channel: &ChannelComparison) -> usize {
    match (channel.low_db, channel.high_db) {
        (Some(low), Some(high)) if (high - low) / 2.0 < 0.095 => 2,
        _ => 1,
    }
}

/// Both ends of an interval, or the one that there is, rounded so that a bound stays one.
pub(super) fn interval(channel: &ChannelComparison) -> String {
    let digits = decimals(channel);
    match (channel.low_db, channel.high_db) {
        (Some(low), Some(high)) => format!("{} … {}", signed(low, digits), signed(high, digits)),
        (Some(low), None) => format!("at least {}", signed((low * 10.0).floor() / 10.0, 1)),
        (None, Some(high)) => format!("at most {}", signed((high * 10.0).ceil() / 10.0, 1)),
        (None, None) => String::new(),
    }
}

/// A value with so many decimals, an en dash where there is none.
pub(super) fn or_dash(value: Option<f64>, digits: usize) -> String {
    value
        .filter(|value| value.is_finite())
        .map_or_else(|| "–".to_owned(), |value| number(value, digits))
}

/// `95 %`.
pub(super) fn percent(share: f64) -> String {
    format!(
        "{} %",
        number((share * 1000.0).round() / 10.0, 1).trim_end_matches(".0")
    )
}

/// `9 May 2026`, UTC.
pub(super) fn day(at: Timestamp) -> String {
    at.strftime("%-d %B %Y").to_string()
}

/// `10:00`, UTC.
pub(super) fn clock(at: Timestamp) -> String {
    at.strftime("%H:%M").to_string()
}

/// `825 kB`, `1.2 MB`.
pub(super) fn size(bytes: usize) -> String {
    match bytes {
        0..1_000_000 => format!("{} kB", bytes.div_ceil(1000)),
        _ => format!("{:.1} MB", bytes as f64 / 1e6),
    }
}

/// A word of a command line in single quotes where it needs them (POSIX, Shell Command Language, 2.2.2).
pub(super) fn quoted(word: &str) -> String {
    let plain = |c: char| c.is_ascii_alphanumeric() || matches!(c, '-' | '_' | '.' | '/' | '=');
    if !word.is_empty() && word.chars().all(plain) {
        word.to_owned()
    } else {
        format!("'{}'", word.replace('\'', "'\\''"))
    }
}
