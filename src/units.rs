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
