//! Samples prepared for playing: the noise of a sample rate, and the signals of a tuning.

use std::io;
use std::path::Path;

use gainsay::capture::Source;
use gainsay::capture::simulated::{self, Scene, Setup, SimulatedSource};
use gainsay::units::{Degrees, Hertz};
use jiff::Timestamp;

use crate::config::{Config, Dongle};
use crate::loops::{self, Head, Loops, PartHead, Writer};
use crate::receiver::Setting;

/// Samples of noise made at a time.
const PIECE: usize = 4096;
/// How long prepared noise lasts before it is repeated.
const NOISE_S: f64 = 2.0;

/// The scene with its dongle as `own` is set, and the sample rate to more than a hertz.
///
/// One crystal clocks tuner and converter: with an error e and a correction c both run at (1 + e)/(1 + c) of what was
/// asked for. The passband goes with the sample rate. The crystal's own harmonics stand at (1 + e) of their frequency.
pub fn as_set(scene: &Scene, own: &Dongle, setting: Setting) -> (Scene, f64) {
    let mut scene = scene.clone();
    // The plug's fit is drawn elsewhere: prepared samples last longer than a take.
    scene
        .antennas
        .iter_mut()
        .for_each(|antenna| antenna.mating_sigma_db = 0.0);
    let dongle = &mut scene.dongle;
    let error = own
        .frequency_error_ppm
        .unwrap_or(dongle.frequency_error_ppm)
        * 1e-6;
    let correction = f64::from(setting.correction_ppm) * 1e-6;
    let true_to_nominal = (1.0 + error) / (1.0 + correction);
    let rate_hz = f64::from(setting.rate_hz) * true_to_nominal;
    let wider = rate_hz / f64::from(dongle.sample_rate_hz);
    dongle.flat_mhz = dongle.flat_mhz.map(|mhz| mhz * wider);
    dongle.half_power_mhz = dongle.half_power_mhz.map(|mhz| mhz * wider);
    dongle.sample_rate_hz = rate_hz.round() as u32;
    dongle.frequency_error_ppm = (true_to_nominal - 1.0) * 1e6;
    let centre_mhz = f64::from(setting.centre_hz) / 1e6;
    for spur in &mut dongle.spurs {
        let offset_mhz = spur.frequency_mhz * (1.0 + correction) - centre_mhz;
        spur.frequency_mhz = centre_mhz + offset_mhz * true_to_nominal;
    }
    (scene, rate_hz)
}

fn in_words(error: gainsay::capture::CaptureError) -> io::Error {
    io::Error::other(error.to_string())
}

/// The noise of the scene's dongle, set as `dongle`; it depends on no frequency.
pub fn noise(scene: &Scene, dongle: &simulated::Dongle, cache: &Path) -> io::Result<Loops> {
    let mut scene = scene.clone();
    scene.dongle = dongle.clone();
    scene.dongle.spurs.clear();
    let name = loops::name("noise", format!("{:?} {}", scene.dongle, scene.seed));
    Loops::open(cache, &name, |writer| {
        let spot = scene.spots[0].name.clone();
        let setup = Setup {
            tunings: vec![Hertz::from_mhz(500.0)],
            ..Setup::terminated(&spot, Timestamp::UNIX_EPOCH)
        };
        let mut source = SimulatedSource::new(&scene, setup).map_err(in_words)?;
        source.next_tuning().map_err(in_words)?;
        let pieces = (NOISE_S * f64::from(scene.dongle.sample_rate_hz)) as usize / PIECE;
        let mut scale = None;
        for _ in 0..pieces {
            let samples = source.take_apart(PIECE).noise;
            let scale = *scale.get_or_insert_with(|| Writer::scale(&samples));
            writer.add(&samples, scale)?;
        }
        Ok(Head {
            length: (pieces * PIECE) as u64,
            parts: vec![PartHead {
                transmitter: 0,
                carrier_turns: 0.0,
                scale: scale.unwrap_or(1.0),
            }],
            carriers: Vec::new(),
        })
    })
}

/// What `own` hears of the transmitters and spurs, tuned to `centre_hz`.
pub fn signals(scene: &Scene, config: &Config, own: &Dongle, centre_hz: u32) -> io::Result<Loops> {
    let spot = own.spot.as_deref().unwrap_or(&scene.spots[0].name);
    let what = format!(
        "{scene:?} {centre_hz} {:?} {spot} {} {}",
        own.antenna, own.turned_deg, config.loop_ms
    );
    Loops::open(&config.cache, &loops::name("signals", what), |writer| {
        let setup = Setup {
            antenna: own.antenna.clone(),
            turned: Degrees(own.turned_deg),
            tunings: vec![Hertz(f64::from(centre_hz))],
            dwell_s: config.loop_ms / 1e3,
            ..Setup::terminated(spot, Timestamp::UNIX_EPOCH)
        };
        let mut source = SimulatedSource::new(scene, setup).map_err(in_words)?;
        source.next_tuning().map_err(in_words)?;
        let length = (config.loop_ms / 1e3 * f64::from(scene.dongle.sample_rate_hz)) as usize;
        let parts = source.take_apart(length);
        let mut heads = Vec::new();
        for part in &parts.transmitters {
            let scale = Writer::scale(&part.samples);
            writer.add(&part.samples, scale)?;
            heads.push(PartHead {
                transmitter: part.transmitter,
                carrier_turns: part.carrier_turns,
                scale,
            });
        }
        let carriers = parts.spurs.iter().map(|spur| (spur.turns, spur.amplitude));
        Ok(Head {
            length: length as u64,
            parts: heads,
            carriers: carriers.collect(),
        })
    })
}
