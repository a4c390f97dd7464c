//! The tuner's gains.

use serde::{Deserialize, Serialize};

use super::DongleError;
use crate::units::Decibels;

/// Gains beyond these, in tenths of a decibel, belong to no tuner that the driver knows (−9.9 to 49.6 dB).
const PLAUSIBLE_TENTHS: std::ops::RangeInclusive<i32> = -300..=1000;

/// The gains that a tuner has, ascending. There is at least one. They are nominal: what a step truly is differs by a
/// decibel or more, and with frequency.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct GainTable {
    /// In tenths of a decibel, as the driver takes them.
    tenths: Vec<i32>,
}

impl GainTable {
    /// Makes a table of what the driver said, in tenths of a decibel.
    ///
    /// # Errors
    /// Where there are none, or one that no tuner has: what is wrong, in words.
    pub fn new(mut tenths: Vec<i32>) -> Result<GainTable, String> {
        if tenths.is_empty() {
            return Err("it is empty".into());
        }
        if let Some(odd) = tenths.iter().find(|gain| !PLAUSIBLE_TENTHS.contains(*gain)) {
            return Err(format!("it holds a gain of {} dB", f64::from(*odd) / 10.0));
        }
        tenths.sort_unstable();
        tenths.dedup();
        Ok(GainTable { tenths })
    }

    /// How many there are.
    #[allow(clippy::len_without_is_empty, reason = "it is never empty")]
    pub fn len(&self) -> usize {
        self.tenths.len()
    }

    /// The gain at this place, the lowest at 0; the highest beyond the end.
    pub fn at(&self, place: usize) -> Decibels {
        from_tenths(self.tenths[place.min(self.tenths.len() - 1)])
    }

    /// All of them, ascending.
    pub fn iter(&self) -> impl ExactSizeIterator<Item = Decibels> + '_ {
        self.tenths.iter().map(|&tenths| from_tenths(tenths))
    }

    /// The place of the gain nearest to `gain`.
    pub fn nearest(&self, gain: Decibels) -> usize {
        let distance = |place: &usize| (self.at(*place).0 - gain.0).abs();
        (0..self.tenths.len())
            .min_by(|a, b| distance(a).total_cmp(&distance(b)))
            .unwrap_or(0)
    }

    /// The highest gain that is no higher than `gain` (within half a tenth); the lowest where all are.
    pub fn at_most(&self, gain: Decibels) -> Decibels {
        let count = self.iter().filter(|own| own.0 <= gain.0 + 0.05).count();
        self.at(count.saturating_sub(1))
    }

    /// A gain in tenths of a decibel, as the driver takes it.
    ///
    /// # Errors
    /// Where the tuner has no such gain (within half a tenth).
    pub fn tenths(&self, gain: Decibels, dongle: &str) -> Result<i32, DongleError> {
        let place = self.nearest(gain);
        let nearest = self.at(place);
        if (nearest.0 - gain.0).abs() <= 0.05 {
            Ok(self.tenths[place])
        } else {
            Err(DongleError::NoSuchGain {
                dongle: dongle.to_owned(),
                gain,
                nearest,
            })
        }
    }
}

fn from_tenths(tenths: i32) -> Decibels {
    Decibels(f64::from(tenths) / 10.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn odd_tables_are_refused_with_what_is_odd() {
        assert_eq!(GainTable::new(vec![]).unwrap_err(), "it is empty");
        let problem = GainTable::new(vec![0, 9, i32::MIN]).unwrap_err();
        assert_eq!(problem, "it holds a gain of -214748364.8 dB");
    }

    #[test]
    fn a_gain_of_another_tuner_gives_the_next_lower_one() {
        let table = GainTable::new(vec![-10, 15, 40]).unwrap();
        let at_most = |gain| table.at_most(Decibels(gain)).0;
        assert_eq!(
            [99.0, 4.0, 3.9, 1.54, -9.0].map(at_most),
            [4.0, 4.0, 1.5, 1.5, -1.0]
        );
    }

    #[test]
    fn gains_are_found_and_others_are_not() {
        let table = GainTable::new(vec![9, 0, 14, 14, 496]).unwrap();
        assert_eq!(table.len(), 4);
        assert_eq!(table.tenths(Decibels(49.6), "x"), Ok(496));
        let error = table.tenths(Decibels(1.2), "00000001").unwrap_err();
        assert!(
            error
                .to_string()
                .contains("has no gain of 1.2 dB, the nearest is 1.4 dB"),
            "{error}"
        );
        assert!(table.tenths(Decibels(f64::NAN), "x").is_err());
    }
}
