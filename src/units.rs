//! Quantities with their units, and the few operations that make sense on them.
//!
//! A level minus a level is a ratio ([`Decibels`]); two levels have no `+`: powers add in linear units, by
//! [`Dbfs::linear`] and [`Dbfs::from_linear`]. 0 dBFS is a mean |x|² of 1, where x is one complex sample scaled so
//! that the converter's full scale is 1 on each rail.
//!
//! Levels at a socket ([`Dbm`]) are printed only when a calibration says how dBFS maps to them; conversions to dBmV and
//! dBµV follow from the definition: 0 dBmV is 1 mV rms, 0 dBµV is 1 µV rms, across the stated impedance.

use std::fmt;
use std::ops::{Add, Neg, Sub};
use std::str::FromStr;

use serde::{Deserialize, Serialize};

/// Ratio of two powers in decibels, from linear. A ratio of zero gives −∞.
pub fn ratio_to_db(ratio: f64) -> f64 {
    10.0 * ratio.log10()
}

/// Linear ratio of two powers from decibels.
pub fn db_to_ratio(db: f64) -> f64 {
    10f64.powf(db / 10.0)
}

macro_rules! quantity {
    ($(#[$doc:meta])* $name:ident, $unit:literal) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Default, Serialize, Deserialize)]
        #[serde(transparent)]
        pub struct $name(pub f64);

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                match f.precision() {
                    Some(digits) => write!(f, "{:.*} {}", digits, self.0, $unit),
                    None => write!(f, "{} {}", self.0, $unit),
                }
            }
        }
    };
}

quantity!(
    /// A frequency, a width in frequency, or a sample rate, in hertz.
    Hertz,
    "Hz"
);
quantity!(
    /// A ratio of two powers, in decibels.
    Decibels,
    "dB"
);
quantity!(
    /// A level relative to the converter's full scale: 0 dBFS is a mean |x|² of 1.
    Dbfs,
    "dBFS"
);
quantity!(
    /// A power relative to one milliwatt. Never printed without a calibration.
    Dbm,
    "dBm"
);
quantity!(
    /// An angle in degrees.
    Degrees,
    "°"
);
quantity!(
    /// A length in metres.
    Metres,
    "m"
);
quantity!(
    /// A resistance in ohms.
    Ohms,
    "Ω"
);

impl Hertz {
    /// A frequency given in megahertz.
    pub const fn from_mhz(mhz: f64) -> Self {
        Hertz(mhz * 1e6)
    }

    /// This frequency in megahertz.
    pub const fn mhz(self) -> f64 {
        self.0 / 1e6
    }
}

/// A frequency or rate in words: a number, with `k`, `M` or `G` behind it where wanted, and `Hz` behind that.
impl FromStr for Hertz {
    type Err = String;

    fn from_str(text: &str) -> Result<Hertz, String> {
        let wrong = || format!("{text:?} is no frequency; write it like 2.4M, 515M or 515000000");
        let number = text.trim();
        let number = ["Hz", "hz", "S/s"]
            .iter()
            .find_map(|unit| number.strip_suffix(unit))
            .unwrap_or(number)
            .trim_end();
        let (number, factor) = match number.chars().last() {
            Some('k' | 'K') => (&number[..number.len() - 1], 1e3),
            Some('M') => (&number[..number.len() - 1], 1e6),
            Some('G') => (&number[..number.len() - 1], 1e9),
            _ => (number, 1.0),
        };
        match number.trim_end().parse::<f64>() {
            Ok(value) if value.is_finite() && value > 0.0 => Ok(Hertz(value * factor)),
            _ => Err(wrong()),
        }
    }
}

impl Add for Hertz {
    type Output = Hertz;
    fn add(self, other: Hertz) -> Hertz {
        Hertz(self.0 + other.0)
    }
}

impl Sub for Hertz {
    type Output = Hertz;
    fn sub(self, other: Hertz) -> Hertz {
        Hertz(self.0 - other.0)
    }
}

impl Decibels {
    /// The ratio of powers that these decibels stand for.
    pub fn ratio(self) -> f64 {
        db_to_ratio(self.0)
    }

    /// Decibels of a ratio of powers.
    pub fn from_ratio(ratio: f64) -> Self {
        Decibels(ratio_to_db(ratio))
    }
}

impl Add for Decibels {
    type Output = Decibels;
    fn add(self, other: Decibels) -> Decibels {
        Decibels(self.0 + other.0)
    }
}

impl Sub for Decibels {
    type Output = Decibels;
    fn sub(self, other: Decibels) -> Decibels {
        Decibels(self.0 - other.0)
    }
}

impl Neg for Decibels {
    type Output = Decibels;
    fn neg(self) -> Decibels {
        Decibels(-self.0)
    }
}

impl Dbfs {
    /// Mean |x|² of this level.
    pub fn linear(self) -> f64 {
        db_to_ratio(self.0)
    }

    /// The level of a mean |x|²; zero gives −∞ dBFS.
    pub fn from_linear(mean_square: f64) -> Self {
        Dbfs(ratio_to_db(mean_square))
    }
}

impl Sub for Dbfs {
    type Output = Decibels;
    fn sub(self, other: Dbfs) -> Decibels {
        Decibels(self.0 - other.0)
    }
}

impl Add<Decibels> for Dbfs {
    type Output = Dbfs;
    fn add(self, gain: Decibels) -> Dbfs {
        Dbfs(self.0 + gain.0)
    }
}

impl Sub<Decibels> for Dbfs {
    type Output = Dbfs;
    fn sub(self, loss: Decibels) -> Dbfs {
        Dbfs(self.0 - loss.0)
    }
}

impl Dbm {
    /// The voltage level of this power across `impedance`, in dB above 1 µV rms.
    ///
    /// Source: definition, V² = P·R with P in watts; 75 Ω gives +108.751 dB.
    pub fn to_dbuv(self, impedance: Ohms) -> f64 {
        // 1 mW across R is sqrt(R/1000) V, that is R/1000 V²; 1 µV² is 1e-12 V².
        self.0 + ratio_to_db(impedance.0 / 1000.0 / 1e-12)
    }

    /// The voltage level of this power across `impedance`, in dB above 1 mV rms.
    ///
    /// Source: definition, as for [`Dbm::to_dbuv`]; 75 Ω gives +48.751 dB.
    pub fn to_dbmv(self, impedance: Ohms) -> f64 {
        self.to_dbuv(impedance) - 60.0
    }

    /// The power of a voltage level in dB above 1 µV rms across `impedance`.
    pub fn from_dbuv(dbuv: f64, impedance: Ohms) -> Self {
        Dbm(dbuv - Dbm(0.0).to_dbuv(impedance))
    }

    /// The power of a voltage level in dB above 1 mV rms across `impedance`.
    pub fn from_dbmv(dbmv: f64, impedance: Ohms) -> Self {
        Dbm::from_dbuv(dbmv + 60.0, impedance)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Half a unit of the last digit of a figure printed with three decimals.
    const PRINTED: f64 = 0.0005;

    fn near(found: f64, expected: f64, tolerance: f64) {
        assert!(
            (found - expected).abs() <= tolerance,
            "{found} is not {expected} within {tolerance}"
        );
    }

    /// 0 dBm in dBµV: 106.990 (50 Ω), 108.751 (75 Ω), 114.771 (300 Ω); in dBmV: 46.990 (50 Ω), 48.751 (75 Ω).
    /// Recomputed from the definition, V² = P·R.
    #[test]
    fn levels_at_a_socket_convert_to_voltages_by_the_published_figures() {
        for (ohms, dbuv) in [(50.0, 106.990), (75.0, 108.751), (300.0, 114.771)] {
            near(Dbm(0.0).to_dbuv(Ohms(ohms)), dbuv, PRINTED);
            near(Dbm(-84.2).to_dbuv(Ohms(ohms)), dbuv - 84.2, PRINTED);
            near(Dbm::from_dbuv(dbuv, Ohms(ohms)).0, 0.0, PRINTED);
        }
        for (ohms, dbmv) in [(50.0, 46.990), (75.0, 48.751), (300.0, 54.771)] {
            near(Dbm(0.0).to_dbmv(Ohms(ohms)), dbmv, PRINTED);
            near(Dbm(-84.2).to_dbmv(Ohms(ohms)), dbmv - 84.2, PRINTED);
            near(Dbm::from_dbmv(dbmv, Ohms(ohms)).0, 0.0, PRINTED);
        }
    }

    /// By volts, the slow way: 1 µV rms across 50, 75 and 300 Ω is V²/R watts.
    #[test]
    fn a_voltage_across_a_resistance_is_its_square_over_the_resistance_in_watts() {
        for ohms in [50.0, 75.0, 300.0] {
            for volts in [1e-6, 3.2e-5, 1e-3, 0.25] {
                let dbm = 10.0 * (volts * volts / ohms / 1e-3_f64).log10();
                let (dbuv, dbmv) = (
                    20.0 * (volts / 1e-6_f64).log10(),
                    20.0 * (volts / 1e-3_f64).log10(),
                );
                near(Dbm::from_dbuv(dbuv, Ohms(ohms)).0, dbm, 1e-9);
                near(Dbm::from_dbmv(dbmv, Ohms(ohms)).0, dbm, 1e-9);
                near(Dbm(dbm).to_dbuv(Ohms(ohms)), dbuv, 1e-9);
                near(Dbm(dbm).to_dbmv(Ohms(ohms)), dbmv, 1e-9);
            }
        }
    }

    /// Full scale is a mean |x|² of 1; half a rail's amplitude on both rails is 1/2, −3.01 dBFS (recomputed).
    #[test]
    fn levels_are_relative_to_a_mean_square_of_one() {
        assert_eq!(Dbfs::from_linear(1.0), Dbfs(0.0));
        near(Dbfs::from_linear(0.5).0, -3.0103, 0.00005);
        near(Dbfs(-20.0).linear(), 0.01, 1e-15);
        assert_eq!(Dbfs::from_linear(0.0), Dbfs(f64::NEG_INFINITY));
        assert_eq!(Dbfs(f64::NEG_INFINITY).linear(), 0.0);
        // Rounding to 8 bits adds 1/6 LSB², full scale 127.5 LSB: −49.89 dBFS (recomputed).
        near(
            Dbfs::from_linear(1.0 / 6.0 / (127.5 * 127.5)).0,
            -49.89,
            0.005,
        );
    }

    #[test]
    fn a_level_less_a_level_is_a_ratio_and_a_level_and_a_gain_are_a_level() {
        assert_eq!(Dbfs(-30.0) - Dbfs(-42.5), Decibels(12.5));
        assert_eq!(Dbfs(-30.0) + Decibels(12.5), Dbfs(-17.5));
        assert_eq!(Dbfs(-30.0) - Decibels(12.5), Dbfs(-42.5));
        assert_eq!(Decibels(3.0) + Decibels(4.5) - Decibels(1.0), Decibels(6.5));
        assert_eq!(-Decibels(3.0), Decibels(-3.0));
        near(Decibels(10.0).ratio(), 10.0, 1e-12);
        near(Decibels::from_ratio(2.0).0, 3.0103, 0.00005);
        near(ratio_to_db(db_to_ratio(-11.284)), -11.284, 1e-12);
        assert_eq!(ratio_to_db(0.0), f64::NEG_INFINITY);
    }

    /// C/N from (signal + noise)/noise, both in dB, to the printed digits: recomputed from 10 log(10^(x/10) − 1).
    #[test]
    fn noise_is_taken_from_a_total_in_linear_units() {
        for (total_over_noise_db, cn_db, printed) in [
            (0.0414, -20.19, 0.01),
            (0.4139, -10.00, 0.01),
            (3.0103, 0.00, 0.005),
            (6.0, 4.744, 0.0005),
            (10.4139, 10.00, 0.005),
            (15.1363, 15.00, 0.005),
        ] {
            let noise = Dbfs(-61.0);
            let total = noise + Decibels(total_over_noise_db);
            let signal = Dbfs::from_linear(total.linear() - noise.linear());
            near((signal - noise).0, cn_db, printed);
        }
    }

    #[test]
    fn quantities_are_shown_with_their_units_and_megahertz_are_a_million_hertz() {
        assert_eq!(format!("{:.1}", Dbfs(-12.34)), "-12.3 dBFS");
        assert_eq!(format!("{} {}", Ohms(75.0), Decibels(0.5)), "75 Ω 0.5 dB");
        assert_eq!(Hertz::from_mhz(473.25), Hertz(473_250_000.0));
        assert_eq!((Hertz(506e6) + Hertz(6e6) - Hertz(1e6)).mhz(), 511.0);
        assert_eq!(serde_json::to_string(&Hertz(470e6)).unwrap(), "470000000.0");
    }
}
