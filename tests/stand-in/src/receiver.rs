//! What a dongle hears, and the bytes that come of it: prepared samples mixed with the fading and the gain of the moment.

use std::f64::consts::TAU;
use std::hash::{DefaultHasher, Hash, Hasher};
use std::io;
use std::path::PathBuf;
use std::sync::{Arc, Mutex, OnceLock, PoisonError};

use gainsay::capture::Sample;
use gainsay::capture::simulated::{Scene, Setup, SimulatedSource};
use gainsay::units::db_to_ratio;
use jiff::Timestamp;
use num_complex::Complex;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;

use crate::clock::began_after_s;
use crate::config::{Config, Dongle};
use crate::loops::Loops;
use crate::prepared;
use crate::timeline::{Entry, Timeline};

/// Samples mixed at a time.
const PIECE: usize = 4096;
/// An automatic gain swings by so many decibels to either side, so many times a second.
const WANDERS_DB: f64 = 3.0;
const WANDERS_HZ: f64 = 0.6;

/// What the tuner is set to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Setting {
    /// The frequency that was asked for; 0 before the first.
    pub centre_hz: u32,
    /// The sample rate that was asked for.
    pub rate_hz: u32,
    /// The correction that was asked for.
    pub correction_ppm: i32,
}

/// The scene around a dongle.
pub struct Place {
    scene: Scene,
    /// For the fading: it is the same for every antenna.
    transmitters: Mutex<SimulatedSource>,
    /// From the scene's epoch to the beginning of the dongle's time.
    began_s: f64,
}

/// What reaches the converter, before the gain.
pub struct Heard {
    place: Arc<Place>,
    /// The scene's dongle as this one is set.
    dongle: gainsay::capture::simulated::Dongle,
    /// Samples that the converter truly takes in a second.
    pub rate_hz: f64,
    /// None before the first frequency is set.
    signals: Option<Loops>,
    /// Prepared when it is first needed.
    noise: OnceLock<Loops>,
    /// Where in the noise this dongle begins.
    noise_from: u64,
    /// Where prepared samples are kept.
    cache: PathBuf,
    /// How much the plug's fit lifts the signals.
    mating_db: f64,
    noise_db: f64,
}

impl Place {
    /// The scene that `config` names.
    pub fn new(config: &Config) -> Result<Self, String> {
        let scene = match &config.scene {
            Some(path) => Scene::read(path),
            None => Scene::demo(),
        };
        let scene = scene.map_err(|error| error.to_string())?;
        let spot = scene.spots.first().ok_or("the scene has no spot")?;
        let setup = Setup {
            antenna: scene.antennas.first().map(|antenna| antenna.name.clone()),
            ..Setup::terminated(&spot.name, Timestamp::UNIX_EPOCH)
        };
        let transmitters =
            SimulatedSource::new(&scene, setup).map_err(|error| error.to_string())?;
        Ok(Place {
            transmitters: Mutex::new(transmitters),
            began_s: config.epoch.map_or(0.0, began_after_s),
            scene,
        })
    }

    /// Gain in dB at which the scene's levels hold.
    pub fn gain_db(&self) -> f64 {
        self.scene.dongle.gain_db
    }

    fn fading_db(&self, transmitter: usize, time_s: f64) -> f64 {
        let transmitters = self
            .transmitters
            .lock()
            .unwrap_or_else(PoisonError::into_inner);
        transmitters.fading(transmitter, time_s).0
    }
}

impl Heard {
    /// What `own` hears at `setting`; prepares the samples where nobody has yet.
    pub fn new(
        place: &Arc<Place>,
        config: &Config,
        own: &Dongle,
        setting: Setting,
    ) -> Result<Self, String> {
        let (scene, rate_hz) = prepared::as_set(&place.scene, own, setting);
        let mating_db = match &own.antenna {
            None => 0.0,
            Some(name) => {
                let antenna = scene.antenna(name).map_err(|error| error.to_string())?;
                let seed = hash((&own.serial, name, own.connection));
                let draw: f64 = ChaCha8Rng::seed_from_u64(seed).sample(StandardNormal);
                draw * antenna.mating_sigma_db
            }
        };
        let failed = |error: io::Error| format!("{}: {error}", config.cache.display());
        let signals = (setting.centre_hz > 0)
            .then(|| prepared::signals(&scene, config, own, setting.centre_hz))
            .transpose()
            .map_err(failed)?;
        Ok(Heard {
            place: place.clone(),
            dongle: scene.dongle,
            rate_hz,
            signals,
            noise: OnceLock::new(),
            noise_from: hash(&own.serial) % 10_000_000,
            cache: config.cache.clone(),
            mating_db,
            noise_db: own.extra_noise_db,
        })
    }

    /// Prepares what [`new`](Heard::new) has left for later: the noise.
    pub fn prepare(&self) -> Result<(), String> {
        let failed = |error: io::Error| format!("{}: {error}", self.cache.display());
        self.noise().map(|_| ()).map_err(failed)
    }

    fn noise(&self) -> io::Result<&Loops> {
        if let Some(noise) = self.noise.get() {
            return Ok(noise);
        }
        let noise = prepared::noise(&self.place.scene, &self.dongle, &self.cache)?;
        Ok(self.noise.get_or_init(|| noise))
    }
}

fn hash(of: impl Hash) -> u64 {
    let mut hasher = DefaultHasher::new();
    of.hash(&mut hasher);
    hasher.finish()
}

/// Makes the bytes of any moment.
#[derive(Default)]
pub struct Mixer {
    raw: Vec<i16>,
    samples: Vec<Sample>,
}

impl Mixer {
    /// Fills `into` with the bytes of the samples from `index` on, counted at `rate_hz` from the beginning of time.
    pub fn fill(
        &mut self,
        timeline: &Timeline,
        index: u64,
        rate_hz: f64,
        into: &mut [u8],
    ) -> io::Result<()> {
        let mut done = 0;
        while done < into.len() / 2 {
            let at = index + done as u64;
            // Half a sample on, so that rounding puts no sample before what was set at its own moment.
            let (entry, until_s) = timeline.at((at as f64 + 0.5) / rate_hz);
            let until = (until_s * rate_hz - 0.5).ceil().max(at as f64 + 1.0) - at as f64;
            let take = (into.len() / 2 - done).min(PIECE).min(until as usize);
            self.piece(entry, at, rate_hz, &mut into[2 * done..2 * (done + take)])?;
            done += take;
        }
        Ok(())
    }

    fn piece(
        &mut self,
        entry: &Entry,
        index: u64,
        rate_hz: f64,
        into: &mut [u8],
    ) -> io::Result<()> {
        if entry.level.test_mode {
            for (n, byte) in (2 * index..).zip(into) {
                *byte = n as u8;
            }
            return Ok(());
        }
        let heard = &*entry.heard;
        let count = into.len() / 2;
        let begins_s = index as f64 / rate_hz + heard.place.began_s;
        let ends_s = begins_s + count as f64 / rate_hz;
        let amplitude = |time_s: f64, extra_db: f64| {
            let wander_db = if entry.level.wanders {
                WANDERS_DB * (TAU * WANDERS_HZ * time_s).sin()
            } else {
                0.0
            };
            let drift_db = heard.dongle.gain_drift_db_per_minute * time_s / 60.0;
            db_to_ratio(entry.level.gain_db + wander_db + drift_db + extra_db).sqrt() as f32
        };
        self.samples.clear();
        self.samples.resize(count, Sample::default());
        if let Some(signals) = &heard.signals {
            for (place, part) in signals.head.parts.iter().enumerate() {
                let level = |time_s| {
                    let fading_db = heard.place.fading_db(part.transmitter, time_s);
                    amplitude(time_s, fading_db + heard.mating_db)
                };
                let levels = (level(begins_s), level(ends_s));
                signals.add(place, index, levels, &mut self.raw, &mut self.samples)?;
            }
            for &(turns, height) in &signals.head.carriers {
                let height = height * f64::from(amplitude(begins_s, 0.0));
                add_carrier(turns, height, index, &mut self.samples);
            }
        }
        let level = |time_s| amplitude(time_s, heard.noise_db);
        let noise_at = index + heard.noise_from;
        let levels = (level(begins_s), level(ends_s));
        heard
            .noise()?
            .add(0, noise_at, levels, &mut self.raw, &mut self.samples)?;
        if let Some(settles_s) = entry.settles_s {
            add_chirp(entry.from_s, settles_s, index, rate_hz, &mut self.samples);
        }
        heard.dongle.convert(&mut self.samples, into);
        Ok(())
    }
}

/// Adds a carrier that began at index 0.
fn add_carrier(turns: f64, amplitude: f64, index: u64, into: &mut [Sample]) {
    // In whole turns a product with an index of days would lose its fraction: the first index is taken modulo first.
    let start = (turns.fract() * index as f64).fract();
    let mut carrier = Complex::cis(TAU * start) * amplitude;
    let step = Complex::cis(TAU * turns);
    for sample in into {
        *sample += Sample::new(carrier.re as f32, carrier.im as f32);
        carrier *= step;
    }
}

/// Drowns samples in what comes while the synthesiser settles: a carrier of half of full scale that runs from the edge
/// of the band to its middle.
fn add_chirp(from_s: f64, settles_s: f64, index: u64, rate_hz: f64, into: &mut [Sample]) {
    let lasts_s = settles_s - from_s;
    for (n, sample) in (index..).zip(into) {
        let t = n as f64 / rate_hz - from_s;
        let turns = rate_hz / 2.0 * (t - t * t / (2.0 * lasts_s));
        let carrier = Complex::cis(TAU * turns.fract()) * 0.5;
        *sample += Sample::new(carrier.re as f32, carrier.im as f32);
    }
}
