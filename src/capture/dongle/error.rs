//! What can be wrong with a dongle.

use super::choice::Listed;
use crate::units::{Decibels, Hertz};

/// What can be wrong with a dongle; each message says what to do.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum DongleError {
    /// The driver lists no dongle.
    #[error(
        "no dongle is plugged in: plug one in; where one is, try another port, without a hub between"
    )]
    NonePlugged,
    /// None was chosen, and there are several.
    #[error("several dongles are plugged in ({}): name one with --dongle SERIAL", listed(.found))]
    Several {
        /// Those there are.
        found: Vec<Listed>,
    },
    /// No dongle has the serial number asked for.
    #[error("no dongle has the serial number {serial}; plugged in: {}", listed(.found))]
    NoSuchSerial {
        /// The serial number asked for.
        serial: String,
        /// Those there are.
        found: Vec<Listed>,
    },
    /// Several dongles have the serial number asked for.
    #[error(
        "several dongles have the serial number {serial} ({}): choose one by its place, such as --dongle '#{}'",
        listed(.found), .found.first().map_or(0, |first| first.index)
    )]
    SameSerial {
        /// The serial number asked for.
        serial: String,
        /// Those that have it.
        found: Vec<Listed>,
    },
    /// There are not so many dongles.
    #[error("there is no dongle #{index}; plugged in: {}", listed(.found))]
    NoSuchIndex {
        /// The place asked for.
        index: u32,
        /// Those there are.
        found: Vec<Listed>,
    },
    /// Another program has it.
    #[error(
        "dongle {dongle}: another program has it: close that; if there is none, the system's own TV driver may have taken \
         it: unload that (sudo modprobe -r dvb_usb_rtl28xxu) and plug the dongle in again"
    )]
    Busy {
        /// Its serial number or place.
        dongle: String,
    },
    /// The system lets this user not open it.
    #[error(
        "dongle {dongle}: may not be opened by this user: install the driver's udev rules (Debian: package librtlsdr0), \
         then plug the dongle in again"
    )]
    NoPermission {
        /// Its serial number or place.
        dongle: String,
    },
    /// It can't be opened, for a reason that has no name here.
    #[error(
        "dongle {dongle}: can't be opened (the driver says {code}): plug it out and in again, or try another port"
    )]
    CantOpen {
        /// Its serial number or place.
        dongle: String,
        /// What the driver returned.
        code: i32,
    },
    /// The driver does not know its tuner.
    #[error(
        "dongle {dongle}: the driver finds no tuner that it knows: plug it out and in again; if that doesn't help, this \
         dongle is no use here"
    )]
    NoTuner {
        /// Its serial number or place.
        dongle: String,
    },
    /// The driver's gain table can't be used.
    #[error(
        "dongle {dongle}: the driver's gain table can't be used ({problem}): plug the dongle out and in again"
    )]
    GainTable {
        /// Its serial number or place.
        dongle: String,
        /// What is odd about it.
        problem: String,
    },
    /// A gain that the tuner doesn't have.
    #[error(
        "dongle {dongle}: has no gain of {gain}, the nearest is {nearest}: make the gain plan with this dongle"
    )]
    NoSuchGain {
        /// Its serial number or place.
        dongle: String,
        /// The gain asked for.
        gain: Decibels,
        /// The tuner's gain nearest to it.
        nearest: Decibels,
    },
    /// The sample rate is refused.
    #[error(
        "dongle {dongle}: refuses {rate} samples a second: it takes 225001 to 300000 and 900001 to 3200000; 2.4M is the \
         usual"
    )]
    RateRefused {
        /// Its serial number or place.
        dongle: String,
        /// The rate asked for, in samples a second.
        rate: u32,
    },
    /// A tuning is refused, again and again.
    #[error(
        "dongle {dongle}: refuses to tune to {} MHz at a gain of {gain} ({attempts} attempts): leave the channel out with \
         --channels if the tuner doesn't reach it, or plug the dongle out and in again",
        .centre.mhz()
    )]
    TuningRefused {
        /// Its serial number or place.
        dongle: String,
        /// Where to.
        centre: Hertz,
        /// At which gain.
        gain: Decibels,
        /// How often it was tried.
        attempts: u32,
    },
    /// Samples were lost in each attempt at a tuning.
    #[error(
        "dongle {dongle}: samples are lost at {} MHz ({attempts} attempts): try a lower --rate, a port of the computer's \
         own in place of a hub, or close what else keeps the computer busy",
        .centre.mhz()
    )]
    SamplesLost {
        /// Its serial number or place.
        dongle: String,
        /// At which tuning.
        centre: Hertz,
        /// How often it was tried.
        attempts: u32,
    },
    /// Samples were lost at one tuning after the other, and none was captured whole.
    #[error(
        "dongle {dongle}: samples are lost at every tuning: try a lower --rate, a port of the computer's own in place of a \
         hub, or close what else keeps the computer busy"
    )]
    AlwaysLost {
        /// Its serial number or place.
        dongle: String,
    },
    /// It was there and is gone.
    #[error("dongle {dongle}: was unplugged: plug it in again, and start again")]
    Unplugged {
        /// Its serial number or place.
        dongle: String,
    },
    /// The driver stopped reading, though the dongle is there.
    #[error("dongle {dongle}: the driver stopped reading: plug the dongle out and in again")]
    Ended {
        /// Its serial number or place.
        dongle: String,
    },
    /// No samples come.
    #[error(
        "dongle {dongle}: no samples came for {waited_s:.1} s: plug it out and in again, or try another port"
    )]
    NoSamples {
        /// Its serial number or place.
        dongle: String,
        /// How long they were waited for, in seconds.
        waited_s: f64,
    },
    /// The same samples come over and over.
    #[error("dongle {dongle}: sends the same samples over and over: plug it out and in again")]
    Stuck {
        /// Its serial number or place.
        dongle: String,
    },
    /// A call of the driver's doesn't come back.
    #[error(
        "dongle {dongle}: the driver hangs while {doing}, for {waited_s:.1} s now: plug the dongle out and in again"
    )]
    Hangs {
        /// Its serial number or place; "list" while listing.
        dongle: String,
        /// What it was asked to do.
        doing: &'static str,
        /// How long it was waited for, in seconds.
        waited_s: f64,
    },
    /// No thread for it could be started.
    #[error("no thread can be started for the dongle: {0}: close other programs")]
    NoThread(String),
}

/// Tunings after which nobody waits for the others, where samples were lost in all and none was captured whole.
#[cfg(feature = "dongle")]
pub(crate) const LOST_TUNINGS: usize = 4;

impl DongleError {
    /// Whether the dongle, as it was opened, is of no use after this. Otherwise only this tuning failed, and others can
    /// still be taken.
    pub fn ends_it(&self) -> bool {
        !matches!(
            self,
            DongleError::TuningRefused { .. }
                | DongleError::SamplesLost { .. }
                | DongleError::NoSuchGain { .. }
        )
    }
}

fn listed(found: &[Listed]) -> String {
    let names: Vec<String> = found.iter().map(ToString::to_string).collect();
    names.join(", ")
}
