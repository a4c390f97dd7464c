//! A scene: what a TOML file says of transmitters, antennas, spots and the dongle, checked.
//!
//! Levels are in dBFS at the receiver, as an antenna of 0 dB in every direction would deliver them at the dongle's
//! `gain_db`; another gain shifts signals and noise alike. Bearings are in degrees clockwise from north. Unknown fields
//! are refused. `demo-data/scene.toml` shows every field.

use std::path::Path;

use serde::{Deserialize, Serialize};

use crate::capture::CaptureError;
use crate::channels::ChannelId;
use crate::units::{Dbfs, Hertz};

/// A place with its transmitters, the antennas to try there, and the receiver; invented.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Scene {
    /// What messages call it: the file it came from.
    #[serde(skip)]
    pub name: String,
    /// Title in words.
    pub title: String,
    /// Must be true: a scene is invented and says so.
    pub invented: bool,
    /// Short name of the channel plan that the channels belong to.
    pub plan: String,
    /// Seed of everything that the transmitters do.
    pub seed: u64,
    /// The receiver.
    pub dongle: Dongle,
    /// Who sends.
    #[serde(default, rename = "transmitter")]
    pub transmitters: Vec<Transmitter>,
    /// The antennas that can be connected.
    #[serde(default, rename = "antenna")]
    pub antennas: Vec<Antenna>,
    /// The places where an antenna can stand.
    #[serde(default, rename = "spot")]
    pub spots: Vec<Spot>,
}

/// A point of a curve: where (MHz or degrees), and the gain there in dB.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Point(pub f64, pub f64);

/// A receiver with an 8-bit converter.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Dongle {
    /// Complex samples a second; 2.4 million unless stated.
    #[serde(default = "usual_sample_rate")]
    pub sample_rate_hz: u32,
    /// Gain at which the levels of the scene hold, in dB; nominal, 0 unless stated.
    #[serde(default)]
    pub gain_db: f64,
    /// Noise in 1 MHz where the passband is flat, before rounding to 8 bits.
    pub noise_dbfs_per_mhz: f64,
    /// By how many millionths the dongle listens too high.
    #[serde(default)]
    pub frequency_error_ppm: f64,
    /// How far the image (the spectrum mirrored about 0 Hz) lies below the signal; none unless stated.
    pub image_rejection_db: Option<f64>,
    /// The spike at 0 Hz, real and imaginary part of full scale; not raised by the gain.
    #[serde(default)]
    pub centre_spike: (f64, f64),
    /// Rise of the gain with time since the scene's epoch.
    #[serde(default)]
    pub gain_drift_db_per_minute: f64,
    /// Half-width of the flat part of the passband; a third of the sample rate unless stated.
    pub flat_mhz: Option<f64>,
    /// Where the passband has fallen by 3 dB; half the sample rate unless stated.
    pub half_power_mhz: Option<f64>,
    /// Spurious carriers of the dongle's own, there also with a terminator.
    #[serde(default, rename = "spur")]
    pub spurs: Vec<Spur>,
}

/// A carrier that the dongle makes itself.
///
/// It comes from the dongle's own crystal, so it stands where the dongle believes `frequency_mhz` to be.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Spur {
    /// Nominal frequency.
    pub frequency_mhz: f64,
    /// Level where the passband is flat.
    pub level_dbfs: f64,
}

/// What a transmitter sends.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
pub enum Sent {
    /// 8-VSB (ATSC A/53).
    #[serde(rename = "8vsb")]
    Vsb8,
    /// OFDM of 1705 carriers (EN 300 744, 2k).
    #[serde(rename = "ofdm-2k")]
    Ofdm2k,
    /// OFDM of 6817 carriers (EN 300 744, 8k).
    #[serde(rename = "ofdm-8k")]
    Ofdm8k,
}

/// Guard interval of OFDM, as a fraction of the useful duration.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
pub enum Guard {
    /// One quarter.
    #[serde(rename = "1/4")]
    Quarter,
    /// One eighth.
    #[serde(rename = "1/8")]
    Eighth,
    /// One sixteenth.
    #[serde(rename = "1/16")]
    Sixteenth,
    /// One thirty-second.
    #[serde(rename = "1/32")]
    ThirtySecond,
}

impl Guard {
    pub(super) fn divisor(self) -> usize {
        match self {
            Guard::Quarter => 4,
            Guard::Eighth => 8,
            Guard::Sixteenth => 16,
            Guard::ThirtySecond => 32,
        }
    }
}

/// One station.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Transmitter {
    /// Its name, invented.
    pub name: String,
    /// The channel's name in the plan.
    pub channel: ChannelId,
    /// Lower edge of the channel.
    pub low_mhz: f64,
    /// Width of the channel: 6, 7 or 8.
    pub width_mhz: u32,
    /// What it sends.
    pub standard: Sent,
    /// Guard interval; with OFDM only, and needed there.
    pub guard: Option<Guard>,
    /// Power of all that arrives over the channel, echoes included, at the spot through an antenna of 0 dB.
    pub power_dbfs: f64,
    /// Where it stands, seen from the spots.
    pub bearing_deg: f64,
    /// Deliberate offset of its frequency.
    #[serde(default)]
    pub frequency_offset_hz: f64,
    /// Echoes beside the direct path.
    #[serde(default, rename = "echo")]
    pub echoes: Vec<Echo>,
    /// Slow fading.
    pub fading: Option<FadingSpec>,
}

/// A second path from the transmitter.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Echo {
    /// How much later it arrives.
    pub delay_us: f64,
    /// Its level relative to the direct path.
    pub level_db: f64,
    /// Its phase at the middle of the channel, relative to the direct path.
    #[serde(default)]
    pub phase_deg: f64,
}

/// How a transmitter's level wanders: normally distributed in dB.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FadingSpec {
    /// Standard deviation.
    pub sigma_db: f64,
    /// After this time the correlation has fallen to exp(−1/2).
    pub correlation_s: f64,
}

/// An antenna that can be connected.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Antenna {
    /// Its name.
    pub name: String,
    /// Gain in the direction it looks, as points of MHz and dB, ascending; straight lines between, level beyond.
    #[serde(default)]
    pub gain: Vec<Point>,
    /// Bearing that it looks at, when a take does not turn it.
    #[serde(default)]
    pub look_deg: f64,
    /// Loss by angle, as points of degrees (clockwise from where it looks, 0 to under 360, ascending) and dB; none
    /// means the same all round.
    #[serde(default)]
    pub pattern: Vec<Point>,
    /// Standard deviation of what plugging it in again changes, one draw a take.
    #[serde(default)]
    pub mating_sigma_db: f64,
}

/// A place for the antenna.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Spot {
    /// Its name.
    pub name: String,
    /// Where its middle is, in metres right and up on a floor plan; the demo takes its takes about it.
    pub position_m: Option<(f64, f64)>,
    /// What all levels gain or lose here.
    #[serde(default)]
    pub offset_db: f64,
    /// What single channels gain or lose besides (the field stands in waves), as pairs of channel and dB.
    #[serde(default)]
    pub channel_offsets_db: Vec<(ChannelId, f64)>,
    /// Waves that come back from the room, relative to the direct one: they make levels differ from one place to the next,
    /// where a take says its place. None unless stated.
    pub scattered_db: Option<f64>,
}

fn usual_sample_rate() -> u32 {
    2_400_000
}

/// The scene that the demo plays.
const DEMO: &str = include_str!("../../../demo-data/scene.toml");
const DEMO_NAME: &str = "demo-data/scene.toml";

impl Scene {
    /// The invented scene that the demo plays, embedded.
    ///
    /// # Errors
    /// None, unless the embedded file is broken; a test sees to that.
    pub fn demo() -> Result<Scene, CaptureError> {
        Scene::parse(DEMO_NAME, DEMO)
    }

    /// Reads and checks the scene in a TOML file.
    ///
    /// # Errors
    /// When the file can't be read, or as [`Scene::parse`].
    pub fn read(path: &Path) -> Result<Scene, CaptureError> {
        let name = path.display().to_string();
        match std::fs::read_to_string(path) {
            Ok(text) => Scene::parse(&name, &text),
            Err(error) => Err(CaptureError::Unreadable {
                path: name,
                problem: format!("can't be read as a scene: {error}"),
            }),
        }
    }

    /// Parses and checks a scene; `name` is what messages call it.
    ///
    /// # Errors
    /// [`CaptureError::Unreadable`] with the line where it is no TOML or a field is missing, unknown or of another type;
    /// [`CaptureError::Field`] where a value is out of range.
    pub fn parse(name: &str, text: &str) -> Result<Scene, CaptureError> {
        let mut scene: Scene = toml::from_str(text).map_err(|error| {
            let start = error.span().map_or(0, |span| span.start.min(text.len()));
            let line = text
                .get(..start)
                .map_or(1, |before| before.matches('\n').count() + 1);
            let shown = text.lines().nth(line - 1).unwrap_or("").trim();
            let message = error.message().replace('\n', "; ");
            CaptureError::Unreadable {
                path: name.to_owned(),
                problem: format!("line {line} ({shown}): {message}"),
            }
        })?;
        scene.name = name.to_owned();
        scene.check()?;
        Ok(scene)
    }

    /// The channels in use, each once, ascending by frequency, with their edges.
    pub fn channels(&self) -> Vec<(ChannelId, Hertz, Hertz)> {
        let mut channels: Vec<_> = self
            .transmitters
            .iter()
            .map(|t| (t.channel.clone(), t.low(), t.high()))
            .collect();
        channels.sort_by(|a, b| a.1.0.total_cmp(&b.1.0));
        channels.dedup_by(|a, b| a.0 == b.0);
        channels
    }

    /// The antenna of this name.
    ///
    /// # Errors
    /// When there is none; the nearest name is suggested.
    pub fn antenna(&self, name: &str) -> Result<&Antenna, CaptureError> {
        self.named("antenna", name, &self.antennas, |antenna| &antenna.name)
    }

    /// The spot of this name.
    ///
    /// # Errors
    /// When there is none; the nearest name is suggested.
    pub fn spot(&self, name: &str) -> Result<&Spot, CaptureError> {
        self.named("spot", name, &self.spots, |spot| &spot.name)
    }

    fn named<'a, T>(
        &self,
        kind: &str,
        name: &str,
        all: &'a [T],
        of: impl Fn(&T) -> &str,
    ) -> Result<&'a T, CaptureError> {
        if let Some(found) = all.iter().find(|item| of(item) == name) {
            return Ok(found);
        }
        let nearest = all
            .iter()
            .map(|item| {
                (
                    strsim::jaro_winkler(&name.to_lowercase(), &of(item).to_lowercase()),
                    of(item),
                )
            })
            .max_by(|a, b| a.0.total_cmp(&b.0));
        let problem = match nearest {
            Some((likeness, nearest)) if likeness > 0.7 => {
                format!("there is no {name:?}; did you mean {nearest:?}?")
            }
            Some(_) => {
                let names: Vec<String> = all.iter().map(|item| format!("{:?}", of(item))).collect();
                format!("there is no {name:?}; the scene has {}", names.join(", "))
            }
            None => format!("there is no {name:?}; the scene has none at all"),
        };
        Err(self.fault(kind, problem))
    }

    /// An error that names this scene and `field`.
    pub(super) fn fault(&self, field: &str, problem: String) -> CaptureError {
        CaptureError::Field {
            path: self.name.clone(),
            field: field.to_owned(),
            problem,
        }
    }
}

impl Transmitter {
    /// Lower edge of its channel.
    pub fn low(&self) -> Hertz {
        Hertz::from_mhz(self.low_mhz)
    }

    /// Upper edge of its channel.
    pub fn high(&self) -> Hertz {
        Hertz::from_mhz(self.low_mhz + f64::from(self.width_mhz))
    }
}

impl Spot {
    pub(super) fn offset_db(&self, channel: &ChannelId) -> f64 {
        let own = self
            .channel_offsets_db
            .iter()
            .filter(|(name, _)| name == channel)
            .map(|(_, db)| db);
        self.offset_db + own.sum::<f64>()
    }
}

impl Dongle {
    /// Noise over a stretch of this width, before rounding to 8 bits.
    pub fn noise_in(&self, width: Hertz) -> Dbfs {
        Dbfs(self.noise_dbfs_per_mhz + 10.0 * width.mhz().log10())
    }
}
