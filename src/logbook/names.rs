//! Names of antennas and spots, and what was meant by one that isn't there.

use super::error::one_line;
use super::{Logbook, LogbookError, Named};

/// Names at least so alike (1 is the same) are taken for a slip of the hand.
const ALIKE: f64 = 0.6;

/// How many names a message lists at most.
const LISTED: usize = 8;

impl Logbook {
    /// The antennas, by name.
    ///
    /// # Errors
    /// Where the file can't be read.
    pub fn antennas(&self) -> Result<Vec<Named>, LogbookError> {
        self.names("SELECT antenna, count(*) FROM takes WHERE deleted_at IS NULL GROUP BY antenna ORDER BY antenna")
    }

    /// The spots, by name.
    ///
    /// # Errors
    /// Where the file can't be read.
    pub fn spots(&self) -> Result<Vec<Named>, LogbookError> {
        self.names(
            "SELECT spot, count(*) FROM takes WHERE deleted_at IS NULL GROUP BY spot ORDER BY spot",
        )
    }

    fn names(&self, sql: &str) -> Result<Vec<Named>, LogbookError> {
        let mut statement = self
            .connection
            .prepare(sql)
            .map_err(|error| self.fault(error))?;
        statement
            .query_map([], |row| {
                Ok(Named {
                    name: row.get(0)?,
                    takes: row.get::<_, i64>(1)? as usize,
                })
            })
            .and_then(Iterator::collect)
            .map_err(|error| self.fault(error))
    }

    /// Makes sure that there are takes with this antenna.
    ///
    /// # Errors
    /// [`LogbookError::UnknownName`] with the nearest name, or the names there are.
    pub fn check_antenna(&self, name: &str) -> Result<(), LogbookError> {
        self.check("antenna", name, &self.antennas()?)
    }

    /// Makes sure that there are takes at this spot.
    ///
    /// # Errors
    /// [`LogbookError::UnknownName`] with the nearest name, or the names there are.
    pub fn check_spot(&self, name: &str) -> Result<(), LogbookError> {
        self.check("spot", name, &self.spots()?)
    }

    fn check(&self, what: &'static str, name: &str, known: &[Named]) -> Result<(), LogbookError> {
        if known.iter().any(|there| there.name == name) {
            return Ok(());
        }
        Err(LogbookError::UnknownName {
            path: one_line(self.path.display()),
            what,
            name: name.to_owned(),
            hint: hint(name, known.iter().map(|there| there.name.as_str())),
        })
    }
}

/// The name that was most likely meant: the one that needs the fewest edits for its length, capitals aside; `None`
/// where nothing comes near.
pub fn nearest<'a>(name: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let name = name.to_lowercase();
    known
        .into_iter()
        .map(|other| {
            (
                strsim::normalized_damerau_levenshtein(&name, &other.to_lowercase()),
                other,
            )
        })
        .filter(|&(likeness, _)| likeness >= ALIKE)
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, other)| other)
}

fn hint<'a>(name: &str, known: impl Iterator<Item = &'a str> + Clone) -> String {
    if let Some(near) = nearest(name, known.clone()) {
        return format!("did you mean {near:?}?");
    }
    let names: Vec<String> = known.map(|name| format!("{name:?}")).collect();
    match names.len() {
        0 => "the logbook holds no takes".into(),
        count if count > LISTED => format!(
            "there are {} and {} more",
            names[..LISTED].join(", "),
            count - LISTED
        ),
        _ => format!("there are {}", names.join(", ")),
    }
}

/// Ascending numbers in words: `1 to 9, 11`; of a long list, its ends.
pub(super) fn ranges(ids: &[i64]) -> String {
    let mut ranges: Vec<(i64, i64)> = Vec::new();
    for &id in ids {
        match ranges.last_mut() {
            Some((_, last)) if *last + 1 == id => *last = id,
            _ => ranges.push((id, id)),
        }
    }
    let words: Vec<String> = ranges
        .iter()
        .map(|&(first, last)| {
            if first == last {
                first.to_string()
            } else {
                format!("{first} to {last}")
            }
        })
        .collect();
    if words.len() > LISTED {
        let tail = LISTED / 2;
        format!(
            "{}, …, {}",
            words[..LISTED - tail].join(", "),
            words[words.len() - tail..].join(", ")
        )
    } else {
        words.join(", ")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_nearest_name_forgives_slips_and_capitals_and_nothing_more() {
        let known = ["tape loop", "rabbit ears", "north window"];
        assert_eq!(nearest("Tape lop", known), Some("tape loop"));
        assert_eq!(nearest("rabit eras", known), Some("rabbit ears"));
        assert_eq!(nearest("yagi", known), None);
        assert_eq!(nearest("yagi", []), None);
    }

    #[test]
    fn numbers_are_told_in_ranges_and_long_lists_cut_in_the_middle() {
        assert_eq!(ranges(&[1, 2, 3, 7, 9, 10]), "1 to 3, 7, 9 to 10");
        let odd: Vec<i64> = (0..50).map(|n| 2 * n + 1).collect();
        assert_eq!(ranges(&odd), "1, 3, 5, 7, …, 93, 95, 97, 99");
    }
}
