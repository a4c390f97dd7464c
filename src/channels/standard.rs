//! Broadcast standards and the carrier-to-noise ratio that each needs.

use std::fmt;

use serde::{Deserialize, Serialize};

/// A digital television standard.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
pub enum Standard {
    /// ATSC 1.0, 8-VSB.
    #[serde(rename = "8vsb")]
    Vsb8,
    /// ATSC 3.0.
    #[serde(rename = "atsc3")]
    Atsc3,
    /// DVB-T.
    #[serde(rename = "dvb-t")]
    DvbT,
    /// DVB-T2.
    #[serde(rename = "dvb-t2")]
    DvbT2,
    /// ISDB-T.
    #[serde(rename = "isdb-t")]
    IsdbT,
}

/// What the path does to a channel's spectrum; see σ_sp in Recommendation ITU-R SM.1875.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum PathClass {
    /// Flat: one path.
    Gaussian,
    /// One strong path and echoes.
    Ricean,
    /// Echoes alone.
    Rayleigh,
}

/// The carrier-to-noise ratio that a standard needs, and what that assumes.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Threshold {
    /// C/N in dB.
    pub cn_db: f64,
    /// The modulation and code rate assumed, in words.
    pub assumes: &'static str,
}

impl fmt::Display for Standard {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Standard::Vsb8 => "8-VSB",
            Standard::Atsc3 => "ATSC 3.0",
            Standard::DvbT => "DVB-T",
            Standard::DvbT2 => "DVB-T2",
            Standard::IsdbT => "ISDB-T",
        })
    }
}
