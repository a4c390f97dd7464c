//! A plan's file: what it may hold, and checking it.
//!
//! ```toml
//! title = "The valley"                 # optional in a user's own file, as are source and aliases
//! source = "a list of the regulator's"
//!
//! [[band]]                             # channels in a row
//! first = 21
//! last = 48
//! low_mhz = 470                        # lower edge of the first
//! width_mhz = 8
//! standards = ["dvb-t2", "dvb-t"]      # the one to assume first
//! notes = { 38 = "weak here" }         # optional
//!
//! [[band]]                             # or channels one by one
//! width_mhz = 7                        # or in each channel
//! standards = ["dvb-t"]
//! channels = [{ name = 9, low_mhz = 195 }, { name = "9A", low_mhz = 202, note = "weak here" }]
//! ```

use std::collections::{BTreeMap, HashSet};
use std::fmt;
use std::fs::File;
use std::io::Read;
use std::iter;
use std::path::Path;

use serde::Deserialize;
use serde::de::{Deserializer, Error, Visitor};

use super::{Channel, ChannelId, Plan, Standard, shortened};
use crate::units::Hertz;

/// More channels than any plan has; beyond it, a slip.
const MOST_CHANNELS: usize = 1000;
/// A plan of that many channels, one by one and with notes, is far smaller.
const MOST_BYTES: u64 = 1 << 20;
/// Beyond it, hertz or kilohertz were written for megahertz.
const HIGHEST_MHZ: f64 = 10_000.0;
const WIDTHS_MHZ: std::ops::RangeInclusive<f64> = 0.001..=100.0;
const LONGEST_NAME: usize = 12;

/// A plan and the names it answers to besides its own.
#[derive(Debug)]
pub(super) struct Parsed {
    pub plan: Plan,
    pub aliases: Vec<String>,
}

impl Parsed {
    pub fn names(&self) -> impl Iterator<Item = &str> {
        iter::once(self.plan.name.as_str()).chain(self.aliases.iter().map(String::as_str))
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct PlanFile {
    title: Option<String>,
    source: Option<String>,
    #[serde(default)]
    aliases: Vec<String>,
    #[serde(default, rename = "band")]
    bands: Vec<Band>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Band {
    first: Option<u16>,
    last: Option<u16>,
    low_mhz: Option<f64>,
    width_mhz: Option<f64>,
    channels: Option<Vec<Single>>,
    standards: Vec<String>,
    #[serde(default)]
    notes: BTreeMap<String, String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Single {
    name: Name,
    low_mhz: f64,
    width_mhz: Option<f64>,
    note: Option<String>,
}

/// A channel's name as written: a number, or a text in quotes.
struct Name(String);

impl<'de> Deserialize<'de> for Name {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct NameVisitor;
        impl Visitor<'_> for NameVisitor {
            type Value = Name;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a channel's number, or its name in quotes")
            }

            fn visit_i64<E: Error>(self, number: i64) -> Result<Name, E> {
                Ok(Name(number.to_string()))
            }

            fn visit_str<E: Error>(self, name: &str) -> Result<Name, E> {
                Ok(Name(name.to_owned()))
            }
        }
        deserializer.deserialize_any(NameVisitor)
    }
}

/// The text of a user's plan, or why it can't be had.
pub(super) fn read(path: &Path) -> Result<String, String> {
    let problem = |error: std::io::Error| match error.kind() {
        std::io::ErrorKind::NotFound => "there is no such file".to_owned(),
        _ => format!("the channel plan can't be read: {error}"),
    };
    // Asked before opening, since opening a pipe would wait for its other end.
    let kind = std::fs::metadata(path).map_err(problem)?;
    if kind.is_dir() {
        return Err("this is a folder, not a channel plan's file".to_owned());
    }
    if !kind.is_file() {
        return Err("this is no ordinary file: copy the channel plan into one".to_owned());
    }
    let mut bytes = Vec::new();
    File::open(path)
        .map_err(problem)?
        .take(MOST_BYTES + 1)
        .read_to_end(&mut bytes)
        .map_err(problem)?;
    if bytes.len() as u64 > MOST_BYTES {
        return Err("the file is larger than 1 MiB: that is no channel plan".to_owned());
    }
    String::from_utf8(bytes).map_err(|error| {
        let at = error.utf8_error().valid_up_to();
        format!("the file is not UTF-8 (byte {at}): save it as UTF-8")
    })
}

/// The plan in `text`, called `name`; the error says where it is wrong and how.
pub(super) fn parse(name: &str, text: &str) -> Result<Parsed, String> {
    let file: PlanFile = toml::from_str(text).map_err(|error| toml_problem(text, &error))?;
    let title = file.title.unwrap_or_else(|| name.to_owned());
    let source = file
        .source
        .unwrap_or_else(|| "a user's own file".to_owned());
    printable("title", &title)?;
    printable("source", &source)?;
    for alias in &file.aliases {
        printable("aliases", alias)?;
    }
    if file.bands.is_empty() {
        return Err("there are no channels: add a [[band]]".to_owned());
    }
    let mut channels = Vec::new();
    for (index, band) in file.bands.iter().enumerate() {
        band.add_to(&mut channels)
            .map_err(|problem| format!("band {}{}: {problem}", index + 1, band.span()))?;
    }
    let mut seen = HashSet::new();
    if let Some(twice) = channels
        .iter()
        .find(|channel| !seen.insert(channel.id.to_string().to_lowercase()))
    {
        return Err(format!(
            "channel {} is there twice: names must differ, and not by case alone",
            twice.id
        ));
    }
    channels.sort_by(|a, b| a.low.0.total_cmp(&b.low.0));
    if let Some(pair) = channels.windows(2).find(|pair| pair[0].high > pair[1].low) {
        return Err(format!(
            "{} and {} overlap",
            place(&pair[0]),
            place(&pair[1])
        ));
    }
    let plan = Plan {
        name: name.to_owned(),
        title,
        source,
        channels,
    };
    Ok(Parsed {
        plan,
        aliases: file.aliases,
    })
}

fn place(channel: &Channel) -> String {
    format!(
        "channel {} ({} to {} MHz)",
        channel.id,
        channel.low.mhz(),
        channel.high.mhz()
    )
}

impl Band {
    /// For messages: the numbers of a band of channels in a row.
    fn span(&self) -> String {
        match (self.first, self.last) {
            (Some(first), Some(last)) => format!(" (channels {first}-{last})"),
            _ => String::new(),
        }
    }

    fn add_to(&self, channels: &mut Vec<Channel>) -> Result<(), String> {
        let standards = self.standards()?;
        let from = channels.len();
        match &self.channels {
            Some(list) => self.add_listed(list, &standards, channels)?,
            None => self.add_row(&standards, channels)?,
        }
        for (key, note) in &self.notes {
            printable(&format!("the note on channel {}", shown(key)), note)?;
            let id = ChannelId::from(key.as_str());
            match channels[from..]
                .iter_mut()
                .find(|channel| channel.id.matches(&id))
            {
                Some(channel) if channel.note.is_some() => {
                    return Err(format!("channel {id} has two notes"));
                }
                Some(channel) => channel.note = Some(note.clone()),
                None => {
                    return Err(format!(
                        "there is a note on channel {}, which is not in this band",
                        shown(key)
                    ));
                }
            }
        }
        Ok(())
    }

    fn standards(&self) -> Result<Vec<Standard>, String> {
        let mut standards = Vec::new();
        for text in &self.standards {
            let standard: Standard = text
                .parse()
                .map_err(|error| format!("standards: {error}"))?;
            if standards.contains(&standard) {
                return Err(format!("standards: {text} is there twice"));
            }
            standards.push(standard);
        }
        if standards.is_empty() {
            return Err(
                "standards is empty: give one at least, the one to assume first".to_owned(),
            );
        }
        Ok(standards)
    }

    fn add_row(&self, standards: &[Standard], channels: &mut Vec<Channel>) -> Result<(), String> {
        let missing = |field: &str| {
            format!("{field} is missing: give first, last, low_mhz and width_mhz, or channels")
        };
        let first = self.first.ok_or_else(|| missing("first"))?;
        let last = self.last.ok_or_else(|| missing("last"))?;
        let low_mhz = self.low_mhz.ok_or_else(|| missing("low_mhz"))?;
        let width_mhz = self.width_mhz.ok_or_else(|| missing("width_mhz"))?;
        if first > last {
            return Err(format!("first = {first} is above last = {last}"));
        }
        few_enough(channels.len() + usize::from(last - first) + 1)?;
        for number in first..=last {
            let low_mhz = low_mhz + f64::from(number - first) * width_mhz;
            let id = ChannelId::Number(number);
            channels.push(channel(id, low_mhz, width_mhz, standards, None)?);
        }
        Ok(())
    }

    fn add_listed(
        &self,
        list: &[Single],
        standards: &[Standard],
        channels: &mut Vec<Channel>,
    ) -> Result<(), String> {
        if self.first.is_some() || self.last.is_some() || self.low_mhz.is_some() {
            return Err("give either channels, or first, last and low_mhz, not both".to_owned());
        }
        if list.is_empty() {
            return Err("channels is empty".to_owned());
        }
        few_enough(channels.len() + list.len())?;
        for single in list {
            let id = checked_name(&single.name.0)?;
            let width_mhz = single.width_mhz.or(self.width_mhz);
            let width_mhz =
                width_mhz.ok_or_else(|| format!("channel {id}: width_mhz is missing"))?;
            if let Some(note) = &single.note {
                printable(&format!("the note on channel {id}"), note)?;
            }
            channels.push(channel(
                id,
                single.low_mhz,
                width_mhz,
                standards,
                single.note.clone(),
            )?);
        }
        Ok(())
    }
}

fn channel(
    id: ChannelId,
    low_mhz: f64,
    width_mhz: f64,
    standards: &[Standard],
    note: Option<String>,
) -> Result<Channel, String> {
    // NaN lies in no range.
    if !WIDTHS_MHZ.contains(&width_mhz) {
        let (least, most) = (WIDTHS_MHZ.start(), WIDTHS_MHZ.end());
        return Err(format!(
            "channel {id}: width_mhz = {width_mhz} must lie between {least} and {most}"
        ));
    }
    if !(low_mhz > 0.0 && low_mhz + width_mhz <= HIGHEST_MHZ) {
        return Err(format!(
            "channel {id}: a lower edge of {low_mhz} MHz must lie above 0, and the upper edge not above {HIGHEST_MHZ} MHz"
        ));
    }
    let (low, high) = (hertz(low_mhz), hertz(low_mhz + width_mhz));
    Ok(Channel {
        id,
        low,
        high,
        standards: standards.to_vec(),
        note,
    })
}

/// Megahertz in hertz, rounded to a thousandth of a hertz, so that channels that touch on paper touch here.
fn hertz(mhz: f64) -> Hertz {
    Hertz((mhz * 1e9).round() / 1e3)
}

fn few_enough(count: usize) -> Result<(), String> {
    if count <= MOST_CHANNELS {
        Ok(())
    } else {
        Err(format!(
            "that makes {count} channels: {MOST_CHANNELS} is the most"
        ))
    }
}

/// A name that can be typed in a choice of channels: letters, digits and points.
fn checked_name(name: &str) -> Result<ChannelId, String> {
    let typable = name.chars().all(|c| c.is_alphanumeric() || c == '.');
    if name.is_empty() || !typable || name.chars().count() > LONGEST_NAME {
        let name = shown(name);
        return Err(format!(
            "name = {name}: a channel's name is of 1 to {LONGEST_NAME} letters, digits or points"
        ));
    }
    let id = ChannelId::from(name);
    if matches!(id, ChannelId::Name(_)) && name.bytes().all(|b| b.is_ascii_digit()) {
        return Err(format!(
            "name = {name}: a channel's number is at most {}",
            u16::MAX
        ));
    }
    Ok(id)
}

/// Refuses what would break a line of a table.
fn printable(field: &str, text: &str) -> Result<(), String> {
    let fits = text.chars().count() <= 1000 && !text.trim().is_empty();
    if fits && !text.chars().any(char::is_control) {
        return Ok(());
    }
    Err(format!(
        "{field} = {}: must be one line of 1 to 1000 characters",
        shown(text)
    ))
}

/// A text from the file, quoted, escaped and shortened for a message.
fn shown(text: &str) -> String {
    format!("{:?}", shortened(text, 40))
}

/// A fault of TOML or of a type on one line: the number of the line, the line itself, the fault.
fn toml_problem(text: &str, error: &toml::de::Error) -> String {
    let one_line = |text: &str, longest: usize| {
        let words = text
            .split(|c: char| c.is_whitespace() || c.is_control())
            .filter(|word| !word.is_empty());
        shortened(&words.collect::<Vec<_>>().join(" "), longest)
    };
    let message = one_line(error.message(), 240);
    let Some(span) = error.span() else {
        return message;
    };
    let before = &text.as_bytes()[..span.start.min(text.len())];
    let number = before.iter().filter(|&&byte| byte == b'\n').count();
    let line = one_line(text.split('\n').nth(number).unwrap_or_default(), 60);
    let line = if line.is_empty() {
        line
    } else {
        format!(" (`{line}`)")
    };
    format!("line {}{line}: {message}", number + 1)
}

#[cfg(test)]
mod tests;
