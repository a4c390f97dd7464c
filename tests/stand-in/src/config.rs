//! The file that says what is plugged in and how it behaves; every key has a default. `README.md` lists them.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use crate::clock::Pace;

/// Tuner gains of an R820T in tenths of a dB.
pub const R820T_GAINS: [i32; 29] = [
    0, 9, 14, 27, 37, 77, 87, 125, 144, 157, 166, 197, 207, 229, 254, 280, 297, 328, 338, 364, 372,
    386, 402, 421, 434, 439, 445, 480, 496,
];

/// The whole file.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Config {
    /// How fast the dongles' time runs.
    pub pace: Pace,
    /// What becomes of samples that come while every transfer waits for the callback.
    pub slow_callback: Option<SlowCallback>,
    /// File that a line is added to for whatever happens.
    pub log: Option<PathBuf>,
    /// Folder for prepared samples.
    pub cache: PathBuf,
    /// How long prepared signals last before they are repeated.
    pub loop_ms: f64,
    /// When the scene's time began; fading and drift count from then. The moment of the first call unless stated.
    pub epoch: Option<Timestamp>,
    /// The scene's file; the demo's unless stated.
    pub scene: Option<PathBuf>,
    /// What is plugged in.
    #[serde(rename = "device")]
    pub devices: Vec<Dongle>,
}

/// What becomes of samples that come while every transfer waits for the callback.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum SlowCallback {
    /// They are lost, as with a real dongle.
    Loses,
    /// The dongle's time stands still until the callback returns.
    Waits,
}

/// One dongle.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Dongle {
    pub serial: String,
    pub manufacturer: String,
    pub product: String,
    pub name: String,
    /// The antenna's name in the scene; a terminator unless stated.
    pub antenna: Option<String>,
    /// The spot's name in the scene; its first one unless stated.
    pub spot: Option<String>,
    pub turned_deg: f64,
    /// Counts how often the plug was pushed in: each number is another draw of the connector's fit.
    pub connection: u64,
    /// Error of the crystal, which clocks both tuner and converter; the scene's unless stated.
    pub frequency_error_ppm: Option<f64>,
    /// Tuner gains in tenths of a dB.
    pub gains: Vec<i32>,
    /// What `rtlsdr_get_tuner_gains` returns instead of their number.
    pub gains_returned: Option<i32>,
    /// By how many dB a step of the gain truly differs from its name, by the step in tenths of a dB.
    pub gain_errors_db: BTreeMap<String, f64>,
    /// By how much signals and noise stand above the scene's levels.
    pub sensitivity_db: f64,
    /// By how much the noise alone does.
    pub extra_noise_db: f64,
    /// How long the call takes that sets the frequency, or corrects it.
    pub retune_ms: f64,
    /// How long the synthesiser then takes to settle.
    pub lock_ms: f64,
    /// How long the call takes that sets the gain.
    pub gain_ms: f64,
    /// How long the call takes that sets the sample rate.
    pub rate_ms: f64,
    /// Transfers that are filled but not yet handed over.
    pub queued_transfers: usize,
    #[serde(rename = "fault")]
    pub faults: Vec<Fault>,
}

/// Something that goes wrong.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Fault {
    pub kind: Kind,
    /// From this transfer on, counted from 1 since the dongle was opened.
    pub at_transfer: Option<u64>,
    /// From this call on that sets the frequency, counted likewise.
    pub at_tuning: Option<u64>,
    /// How often it acts in one process; once for a lost transfer, for ever otherwise.
    pub times: Option<u64>,
    /// What the library's function returns.
    pub returns: Option<i32>,
    /// How long it lasts.
    pub for_ms: Option<f64>,
    /// How many samples are lost.
    pub samples: Option<u64>,
}

/// What can go wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// Another program has it.
    Busy,
    /// The user may not open it.
    Denied,
    /// Pulled out.
    Unplugged,
    /// Samples never arrive.
    Lost,
    /// The tuner takes no frequency.
    TuningRefused,
    /// The same transfer over and over.
    Stuck,
    /// No transfer is ever handed over.
    Silent,
    /// Cancelling takes a while.
    CancelIgnored,
}

impl Default for Config {
    fn default() -> Self {
        Config {
            pace: Pace::Factor(1.0),
            slow_callback: None,
            log: None,
            cache: PathBuf::from("stand-in-cache"),
            loop_ms: 50.0,
            epoch: None,
            scene: None,
            devices: Vec::new(),
        }
    }
}

impl Default for Dongle {
    fn default() -> Self {
        Dongle {
            serial: "00000001".to_owned(),
            manufacturer: "Realtek".to_owned(),
            product: "RTL2838UHIDIR".to_owned(),
            name: "Generic RTL2832U OEM".to_owned(),
            antenna: None,
            spot: None,
            turned_deg: 0.0,
            connection: 0,
            frequency_error_ppm: None,
            gains: R820T_GAINS.to_vec(),
            gains_returned: None,
            gain_errors_db: BTreeMap::new(),
            sensitivity_db: 0.0,
            extra_noise_db: 0.0,
            retune_ms: 10.0,
            lock_ms: 4.0,
            gain_ms: 2.0,
            rate_ms: 5.0,
            queued_transfers: 3,
            faults: Vec::new(),
        }
    }
}

impl Config {
    /// Reads a file's text; paths in it are taken from the folder of `path`.
    ///
    /// # Errors
    /// What is wrong with it, in words.
    pub fn parse(path: &Path, text: &str) -> Result<Config, String> {
        let mut config: Config = toml::from_str(text).map_err(|error| error.to_string())?;
        let folder = path.parent().unwrap_or(Path::new("."));
        config.cache = folder.join(&config.cache);
        config.log = config.log.map(|log| folder.join(log));
        config.scene = config.scene.map(|scene| folder.join(scene));
        config.check()?;
        Ok(config)
    }

    /// What becomes of samples while the callback is slow: at real pace they are lost unless stated.
    pub fn slow_callback(&self) -> SlowCallback {
        self.slow_callback.unwrap_or(match self.pace {
            Pace::Factor(1.0) => SlowCallback::Loses,
            _ => SlowCallback::Waits,
        })
    }

    fn check(&self) -> Result<(), String> {
        if !(1.0..=1000.0).contains(&self.loop_ms) {
            return Err(format!("loop_ms is {}, not 1 to 1000", self.loop_ms));
        }
        for dongle in &self.devices {
            let times = [
                dongle.retune_ms,
                dongle.lock_ms,
                dongle.gain_ms,
                dongle.rate_ms,
            ];
            if times.iter().any(|ms| !(0.0..=10_000.0).contains(ms)) {
                return Err(format!(
                    "device {}: a time is not 0 to 10000 ms",
                    dongle.serial
                ));
            }
            if dongle.gains.is_empty() {
                return Err(format!(
                    "device {}: no gains; say gains_returned = 0",
                    dongle.serial
                ));
            }
        }
        Ok(())
    }
}

impl Kind {
    /// As it stands in the file.
    pub fn name(self) -> String {
        let quoted = serde_json::to_string(&self).unwrap_or_default();
        quoted.trim_matches('"').to_owned()
    }
}

impl Fault {
    /// How often it acts.
    pub fn times(&self) -> u64 {
        let usual = match self.kind {
            Kind::Lost => 1,
            _ => u64::MAX,
        };
        self.times.unwrap_or(usual)
    }
}

impl Dongle {
    /// What the tuner truly makes of the step it names `tenths`, in dB.
    pub fn true_gain_db(&self, tenths: i32) -> f64 {
        let error = self.gain_errors_db.get(&tenths.to_string());
        f64::from(tenths) / 10.0 + error.copied().unwrap_or(0.0)
    }

    /// The step that is set when `tenths` is asked for: the lowest that reaches it, else the highest.
    pub fn step(&self, tenths: i32) -> i32 {
        let reaching = self.gains.iter().filter(|&&gain| gain >= tenths).min();
        *reaching.or(self.gains.iter().max()).unwrap_or(&0)
    }
}
