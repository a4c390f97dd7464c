//! A simulated receiver in a scene: real waveforms through an invented place, into a model of an 8-bit dongle.
//!
//! A [`Scene`] says who sends, through which antennas and into which dongle; a [`Setup`] says which antenna stands where
//! and what is listened to when; a [`SimulatedSource`] plays it, tuning after tuning, as a recording would. What comes
//! out is a pure function of the two: the same scene and setup give the same bytes, whatever the size of the buffers
//! they are read into. What the transmitters do depends on the scene and on absolute time alone, so two receivers at
//! once hear the same; noise and the fit of the connector depend on the take's seed.
//!
//! The chain of one tuning: waveform (8-VSB or OFDM) → echoes, fading, spot, antenna, connector → the dongle's passband
//! with folding, its noise and spurs → gain with drift → image → spike at 0 Hz → rounding to 8 bits and clipping. The
//! dongle listens at nominal · (1 + ppm · 10⁻⁶), so a carrier appears *lower* where the error is positive. Its sample
//! clock is taken as true. Tunings follow each other without a pause, and have nothing stale at their beginning.
//!
//! ```
//! use gainsay::capture::simulated::{Scene, Setup, SimulatedSource};
//! use gainsay::capture::{Sample, Source};
//! use gainsay::units::Hertz;
//!
//! let scene = Scene::demo()?;
//! let setup = Setup {
//!     antenna: Some("tape loop".to_owned()),
//!     tunings: vec![Hertz::from_mhz(507.0)],
//!     ..Setup::terminated("north window", "2026-05-09T10:00:00Z".parse()?)
//! };
//! let mut source = SimulatedSource::new(&scene, setup)?;
//! assert_eq!(source.next_tuning()?.unwrap().samples, Some(48_000));
//! let mut samples = vec![Sample::default(); 1000];
//! assert_eq!(source.read(&mut samples)?, 1000);
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

use jiff::{SignedDuration, Timestamp};
use rand::RngExt;
use rand_distr::StandardNormal;
use rustfft::FftPlanner;

use self::dongle::{Noise, Passband};
use self::path::{Fading, Path};
use self::random::{Purpose, generator};
use self::slice::{Ear, Slice};
use self::standing::standing_db;
use self::waveform::{Waveform, phasor};
use super::{About, CaptureError, Sample, Source, Tuning, bytes};
use crate::channels::ChannelId;
use crate::units::{Dbfs, Decibels, Degrees, Hertz, db_to_ratio};

mod dongle;
mod parts;
mod path;
mod random;
mod scene;
mod scene_check;
mod slice;
mod standing;
mod waveform;

pub use parts::{Carrier, Part, Parts};
pub use scene::{
    Antenna, Dongle, Echo, FadingSpec, Guard, Point, Scene, Sent, Spot, Spur, Transmitter,
};

/// Samples made at a time.
const PIECE: usize = 4096;
/// Farthest that a take may lie from the scene's epoch: a hundred years, in seconds.
const FARTHEST_S: f64 = 3.2e9;

/// Which antenna stands where, and what is listened to when.
#[derive(Debug, Clone, PartialEq)]
pub struct Setup {
    /// The antenna's name in the scene; `None` is a terminator in its place.
    pub antenna: Option<String>,
    /// The spot's name in the scene.
    pub spot: String,
    /// How far the antenna is turned clockwise from the way it looks in the scene.
    pub turned: Degrees,
    /// Where in the room it stands, in metres right and up; `None` leaves the room's standing waves out.
    pub position_m: Option<(f64, f64)>,
    /// Frequencies to tune to, one after another.
    pub tunings: Vec<Hertz>,
    /// Gain of each tuning; `None` is the dongle's `gain_db` for all.
    pub gains: Option<Vec<Decibels>>,
    /// How long each tuning lasts; rounded to whole samples.
    pub dwell_s: f64,
    /// When the first sample is taken.
    pub starts_at: Timestamp,
    /// The time that fading and drift count from.
    pub scene_epoch: Timestamp,
    /// Seed of the noise and of the connector's fit.
    pub take_seed: u64,
}

impl Setup {
    /// A terminator at `spot` from `starts_at` on, which is also the scene's epoch: 20 ms a tuning, seed 0, not turned,
    /// and no tunings yet.
    pub fn terminated(spot: &str, starts_at: Timestamp) -> Self {
        Setup {
            antenna: None,
            spot: spot.to_owned(),
            turned: Degrees(0.0),
            position_m: None,
            tunings: Vec::new(),
            gains: None,
            dwell_s: 0.02,
            starts_at,
            scene_epoch: starts_at,
            take_seed: 0,
        }
    }
}

/// What goes in for one transmitter: the figures that a measurement should find.
///
/// At the dongle's `gain_db`, before fading, drift, passband and rounding.
#[derive(Debug, Clone, PartialEq)]
pub struct Truth {
    /// The transmitter's name.
    pub transmitter: String,
    /// Its channel.
    pub channel: ChannelId,
    /// Power that reaches the converter through antenna, spot and connector; −∞ dBFS with a terminator.
    pub power: Dbfs,
    /// Noise in the channel's width.
    pub noise: Dbfs,
}

/// A scene played into a dongle.
pub struct SimulatedSource {
    scene: Scene,
    setup: Setup,
    about: About,
    planner: FftPlanner<f32>,
    senders: Vec<Sender>,
    dwell: u64,
    next: usize,
    tuned: Option<Tuned>,
    samples: Vec<Sample>,
    /// The piece being handed out, as bytes, and how many of them are gone.
    piece: Vec<u8>,
    at: usize,
}

/// A transmitter made ready.
struct Sender {
    waveform: Waveform,
    path: Path,
    fading: Option<Fading>,
}

/// The tuning being played.
struct Tuned {
    slices: Vec<(usize, Slice)>,
    noise: Noise,
    /// Turns a sample and amplitude.
    spurs: Vec<(f64, f64)>,
    gain_db: f64,
    starts_s: f64,
    made: u64,
}

impl SimulatedSource {
    /// Makes ready to play `scene` as `setup` says.
    ///
    /// # Errors
    /// When the scene has no such antenna or spot (the nearest is suggested), or when a value of the scene or the setup
    /// is out of range; the message names the scene, the field and the value.
    pub fn new(scene: &Scene, setup: Setup) -> Result<Self, CaptureError> {
        scene.check()?;
        let spot = scene.spot(&setup.spot)?;
        let antenna = setup
            .antenna
            .as_deref()
            .map(|name| scene.antenna(name))
            .transpose()?;
        let dwell = check(scene, &setup)?;

        let mating_db: f64 = generator(setup.take_seed, Purpose::Mating, 0)
            .sample::<f64, _>(StandardNormal)
            * antenna.map_or(0.0, |antenna| antenna.mating_sigma_db);
        let mut planner = FftPlanner::new();
        let mut senders = Vec::new();
        for (stream, transmitter) in (0u64..).zip(&scene.transmitters) {
            if antenna.is_none() {
                break;
            }
            let waveform = waveform(scene.seed, stream, transmitter, &mut planner);
            let standing_db = match (spot.scattered_db, setup.position_m) {
                (Some(scattered_db), Some(position_m)) => standing_db(
                    scene.seed,
                    stream,
                    Hertz((transmitter.low().0 + transmitter.high().0) / 2.0),
                    transmitter.bearing_deg,
                    scattered_db,
                    position_m,
                ),
                _ => 0.0,
            };
            let extra_db = spot.offset_db(&transmitter.channel) + standing_db + mating_db;
            senders.push(Sender {
                path: Path::new(transmitter, &waveform, antenna, setup.turned.0, extra_db),
                waveform,
                fading: transmitter.fading.as_ref().map(|fading| {
                    Fading::new(scene.seed, stream, fading.sigma_db, fading.correlation_s)
                }),
            });
        }
        let about = About {
            name: scene.name.clone(),
            sample_rate: Hertz(f64::from(scene.dongle.sample_rate_hz)),
            step: Some(1.0 / 127.5),
            antenna: setup.antenna.clone(),
            hardware: Some(format!(
                "simulated 8-bit dongle in the invented scene {:?}",
                scene.title
            )),
        };
        Ok(SimulatedSource {
            scene: scene.clone(),
            setup,
            about,
            planner,
            senders,
            dwell,
            next: 0,
            tuned: None,
            samples: vec![Sample::default(); PIECE],
            piece: Vec::with_capacity(2 * PIECE),
            at: 0,
        })
    }

    /// What goes in, transmitter by transmitter: the figures that a measurement should find.
    pub fn truth(&self) -> Vec<Truth> {
        let power = |index: usize| {
            self.senders
                .get(index)
                .map_or(0.0, |sender| sender.path.power(&sender.waveform))
        };
        self.scene
            .transmitters
            .iter()
            .enumerate()
            .map(|(index, transmitter)| Truth {
                transmitter: transmitter.name.clone(),
                channel: transmitter.channel.clone(),
                power: Dbfs::from_linear(power(index)),
                noise: self
                    .scene
                    .dongle
                    .noise_in(transmitter.high() - transmitter.low()),
            })
            .collect()
    }

    /// Fills `into` with the next bytes of the current tuning, I then Q of each sample, and returns how many; 0 at the
    /// tuning's end.
    ///
    /// The same stream as [`Source::read`]: a byte `b` is (b − 127.5) / 127.5. An odd length leaves its last byte alone.
    pub fn read_bytes(&mut self, into: &mut [u8]) -> usize {
        let wanted = into.len() & !1;
        let mut done = 0;
        while done < wanted {
            if self.at == self.piece.len() && !self.make_piece() {
                break;
            }
            let take = (self.piece.len() - self.at).min(wanted - done);
            into[done..done + take].copy_from_slice(&self.piece[self.at..self.at + take]);
            self.at += take;
            done += take;
        }
        done
    }

    /// Makes the next piece of the current tuning; false at its end.
    fn make_piece(&mut self) -> bool {
        let Some(tuned) = &mut self.tuned else {
            return false;
        };
        let count = usize::try_from(self.dwell - tuned.made)
            .unwrap_or(PIECE)
            .min(PIECE);
        if count == 0 {
            return false;
        }
        let dongle = &self.scene.dongle;
        let rate_hz = f64::from(dongle.sample_rate_hz);
        let begins_s = tuned.starts_s + tuned.made as f64 / rate_hz;
        let ends_s = begins_s + count as f64 / rate_hz;
        let gain = |time_s: f64, extra_db: f64| {
            let db = tuned.gain_db - dongle.gain_db
                + dongle.gain_drift_db_per_minute * time_s / 60.0
                + extra_db;
            db_to_ratio(db).sqrt() as f32
        };
        let samples = &mut self.samples[..count];
        samples.fill(Sample::default());
        for (index, slice) in &mut tuned.slices {
            let fading = &self.senders[*index].fading;
            let level = |time_s: f64| {
                gain(
                    time_s,
                    fading.as_ref().map_or(0.0, |fading| fading.at(time_s)),
                )
            };
            slice.add_to(samples, (level(begins_s), level(ends_s)));
        }
        tuned.noise.add_to(samples, gain(begins_s, 0.0));
        for &(turns, amplitude) in &tuned.spurs {
            let amplitude = f64::from(gain(begins_s, 0.0)) * amplitude;
            for (n, sample) in (tuned.made..).zip(&mut *samples) {
                let carrier = phasor(turns * n as f64) * amplitude;
                *sample += Sample::new(carrier.re as f32, carrier.im as f32);
            }
        }
        self.piece.resize(2 * count, 0);
        dongle.convert(samples, &mut self.piece);
        tuned.made += count as u64;
        self.at = 0;
        true
    }
}

impl Source for SimulatedSource {
    fn about(&self) -> &About {
        &self.about
    }

    fn next_tuning(&mut self) -> Result<Option<Tuning>, CaptureError> {
        self.piece.clear();
        self.at = 0;
        self.tuned = None;
        let Some(&centre) = self.setup.tunings.get(self.next) else {
            return Ok(None);
        };
        let dongle = &self.scene.dongle;
        let passed_ns = self.next as i128 * i128::from(self.dwell) * 1_000_000_000
            / i128::from(dongle.sample_rate_hz);
        let out_of_range = || {
            let problem = format!(
                "the tuning of {:.3} MHz would lie outside the calendar",
                centre.mhz()
            );
            self.scene.fault("starts_at", problem)
        };
        let passed = SignedDuration::try_from_nanos_i128(passed_ns).ok_or_else(out_of_range)?;
        let taken_at = self
            .setup
            .starts_at
            .checked_add(passed)
            .map_err(|_| out_of_range())?;
        let start_ns = taken_at.as_nanosecond() - self.setup.scene_epoch.as_nanosecond();
        let ear = Ear {
            listen_hz: centre.0 * (1.0 + dongle.frequency_error_ppm * 1e-6),
            sample_rate: dongle.sample_rate_hz,
            start_ns,
            samples: self.dwell,
        };
        let passband = Passband::of(dongle);
        let slices = self
            .senders
            .iter()
            .enumerate()
            .filter_map(|(index, sender)| {
                let slice = Slice::new(
                    &sender.waveform,
                    &sender.path,
                    &passband,
                    &ear,
                    &mut self.planner,
                )?;
                Some((index, slice))
            });
        let slices = slices.collect();
        let rate_hz = f64::from(dongle.sample_rate_hz);
        let spurs = dongle.spurs.iter().filter_map(|spur| {
            let offset_hz = spur.frequency_mhz * 1e6 - centre.0;
            let amplitude = db_to_ratio(spur.level_dbfs).sqrt() * passband.amplitude(offset_hz);
            (offset_hz.abs() <= passband.reach_hz()).then_some((offset_hz / rate_hz, amplitude))
        });
        let gain_db = self
            .setup
            .gains
            .as_ref()
            .map_or(dongle.gain_db, |gains| gains[self.next].0);
        self.tuned = Some(Tuned {
            slices,
            spurs: spurs.collect(),
            noise: Noise::new(
                dongle,
                (self.scene.seed, self.setup.take_seed),
                self.next as u64,
                &mut self.planner,
            ),
            gain_db,
            starts_s: start_ns as f64 / 1e9,
            made: 0,
        });
        self.next += 1;
        Ok(Some(Tuning {
            centre,
            gain: Some(Decibels(gain_db)),
            taken_at: Some(taken_at),
            samples: Some(self.dwell),
        }))
    }

    fn read(&mut self, into: &mut [Sample]) -> Result<usize, CaptureError> {
        let mut done = 0;
        while done < into.len() {
            if self.at == self.piece.len() && !self.make_piece() {
                break;
            }
            let pairs = self.piece[self.at..].chunks_exact(2);
            let take = pairs.len().min(into.len() - done);
            for (sample, pair) in into[done..].iter_mut().zip(pairs) {
                *sample = bytes::to_sample([pair[0], pair[1]]);
            }
            self.at += 2 * take;
            done += take;
        }
        Ok(done)
    }
}

/// Checks a setup's numbers and returns how many samples a tuning holds.
fn check(scene: &Scene, setup: &Setup) -> Result<u64, CaptureError> {
    let dwell = setup.dwell_s * f64::from(scene.dongle.sample_rate_hz);
    if !(setup.dwell_s <= 3600.0 && dwell.round() >= 1.0) {
        let problem = format!(
            "is {} s, but must be at least one sample and at most 3600 s",
            setup.dwell_s
        );
        return Err(scene.fault("dwell", problem));
    }
    if !(-3600.0..=3600.0).contains(&setup.turned.0) {
        return Err(scene.fault(
            "turned",
            format!("is {}, but must be an angle", setup.turned),
        ));
    }
    if let Some((x, y)) = setup.position_m
        && !(x.abs() <= 1e4 && y.abs() <= 1e4)
    {
        return Err(scene.fault("position", format!("{x},{y} is too far: at most 10 000 m")));
    }
    if let Some(tuning) = setup
        .tunings
        .iter()
        .find(|tuning| !(1e6..=10e9).contains(&tuning.0))
    {
        return Err(scene.fault(
            "tunings",
            format!("{} is none: tune to 1 MHz to 10 GHz", tuning),
        ));
    }
    if let Some(gains) = &setup.gains {
        if gains.len() != setup.tunings.len() {
            let problem = format!(
                "there are {} for {} tunings: give one each",
                gains.len(),
                setup.tunings.len()
            );
            return Err(scene.fault("gains", problem));
        }
        if let Some(gain) = gains.iter().find(|gain| !(-50.0..=100.0).contains(&gain.0)) {
            return Err(scene.fault("gains", format!("{gain} can't be: −50 to 100 dB")));
        }
    }
    let distance_s = setup
        .starts_at
        .duration_since(setup.scene_epoch)
        .as_secs_f64();
    if distance_s.abs() > FARTHEST_S {
        let problem = format!(
            "{} is more than a hundred years from the scene's epoch",
            setup.starts_at
        );
        return Err(scene.fault("starts_at", problem));
    }
    Ok(dwell.round() as u64)
}

fn waveform(
    seed: u64,
    stream: u64,
    transmitter: &Transmitter,
    planner: &mut FftPlanner<f32>,
) -> Waveform {
    let (size, carriers) = match transmitter.standard {
        Sent::Vsb8 => return Waveform::vsb8(seed, stream),
        // Carriers: EN 300 744 (handbook §3.1, rows C).
        Sent::Ofdm2k => (2048, 1705),
        Sent::Ofdm8k => (8192, 6817),
    };
    // A checked scene has a guard wherever there is OFDM.
    let guard_divisor = transmitter.guard.map_or(4, Guard::divisor);
    Waveform::ofdm(
        seed,
        stream,
        (size, carriers),
        guard_divisor,
        transmitter.width_mhz,
        planner,
    )
}
