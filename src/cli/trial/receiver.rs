//! What makes the passes of a trial: a scene that is played, or a dongle.

use std::path::Path;

use gainsay::capture::simulated::{Scene, SimulatedSource};
use gainsay::channels::Channel;
use gainsay::logbook::Logbook;
use gainsay::reading::Take;
use gainsay::reading::survey::Survey;
use gainsay::trial::Record;
use gainsay::units::Decibels;
use jiff::{SignedDuration, Timestamp};

#[cfg(feature = "dongle")]
use super::dongles::Dongles;
use crate::cli::Failure;
use crate::cli::input;
#[cfg(not(feature = "dongle"))]
use crate::cli::live;
use crate::cli::progress::Stop;

/// What makes passes over the wanted channels: one receiver, or two at once.
pub trait Receivers {
    /// By which names the dongles in use are found again; none where a scene is played.
    fn dongles(&self) -> Vec<String> {
        Vec::new()
    }

    /// Whether gains must be found before the first pass.
    fn wants_gains(&self) -> bool {
        false
    }

    /// Looks for gains that suit what is connected now, and all that was before.
    fn look(&mut self, _stop: &Stop) -> Result<(), Failure> {
        Ok(())
    }

    /// Takes over the gains of earlier takes, one a receiver.
    fn reuse(&mut self, _takes: &[Take]) -> Result<(), Failure> {
        Ok(())
    }

    /// One pass on each receiver, all at once; `connected` is what is on each, `None` a terminator. Gives a survey of each.
    ///
    /// Each survey's source carries a name that differs from receiver to receiver.
    fn pass(
        &mut self,
        connected: &[Option<&str>],
        begins: Timestamp,
        stop: &Stop,
    ) -> Result<Vec<Survey>, Failure>;
}

/// The receivers that a trial asks for.
pub fn open(
    record: &Record,
    channels: &[Channel],
    logbook: Option<&Logbook>,
) -> Result<Box<dyn Receivers>, Failure> {
    match &record.from {
        Some(name) => Ok(Box::new(Played::new(name, record, channels)?)),
        #[cfg(feature = "dongle")]
        None => Ok(Box::new(Dongles::open(record, channels, logbook)?)),
        #[cfg(not(feature = "dongle"))]
        None => {
            let _ = logbook;
            Err(live::unavailable())
        }
    }
}

/// By how much a scene's second dongle reads more than its first, and listens higher.
const SECOND_GAIN_DB: f64 = 1.5;
const SECOND_PPM: f64 = -41.0;

/// A scene, with one dongle or two. It is read again for every pass, so that a change in the place shows.
struct Played {
    name: String,
    serials: Vec<String>,
    spot: String,
    channels: Vec<Channel>,
    dwell_s: f64,
}

impl Played {
    fn new(name: &str, record: &Record, channels: &[Channel]) -> Result<Played, Failure> {
        let scene = Scene::read(Path::new(name))?;
        scene.spot(&record.spot)?;
        for antenna in [&record.a, &record.b] {
            scene.antenna(antenna)?;
        }
        Ok(Played {
            name: name.to_owned(),
            serials: record.receivers.clone(),
            spot: record.spot.clone(),
            channels: channels.to_vec(),
            dwell_s: record.dwell_s,
        })
    }

    /// The scene as each dongle has it.
    fn scenes(&self) -> Result<Vec<Scene>, Failure> {
        let scene = Scene::read(Path::new(&self.name))?;
        Ok(match self.serials.as_slice() {
            [first, second] => vec![named(&scene, first), second_of(&named(&scene, second))],
            _ => vec![scene],
        })
    }
}

fn named(scene: &Scene, serial: &str) -> Scene {
    Scene {
        name: format!("{}, dongle {serial}", scene.name),
        ..scene.clone()
    }
}

/// The same scene with another dongle of the same nominal gain.
fn second_of(scene: &Scene) -> Scene {
    let mut scene = scene.clone();
    // Levels hold at this gain, so that the same gain as the first's gives more.
    scene.dongle.gain_db -= SECOND_GAIN_DB;
    scene.dongle.frequency_error_ppm += SECOND_PPM;
    scene
}

impl Receivers for Played {
    fn pass(
        &mut self,
        connected: &[Option<&str>],
        begins: Timestamp,
        stop: &Stop,
    ) -> Result<Vec<Survey>, Failure> {
        let scenes = self.scenes()?;
        let nominal_db = scenes[0].dongle.gain_db;
        (scenes.iter().zip(connected).zip(0..))
            .map(|((scene, antenna), index)| {
                let mut setup = input::setup(
                    scene,
                    *antenna,
                    &self.spot,
                    &self.channels,
                    begins,
                    self.dwell_s,
                )?;
                setup.gains = Some(vec![Decibels(nominal_db); setup.tunings.len()]);
                // Each dongle has noise and a connector of its own.
                setup.take_seed ^= index << 62;
                let mut source = SimulatedSource::new(scene, setup)?;
                let what = antenna.unwrap_or("terminator");
                input::pass(what, &mut source, None, &self.channels, stop)
            })
            .collect()
    }
}

/// When passes are made: by the clock, or in a scene's own time.
pub struct Clock {
    begins: Option<Timestamp>,
    again: i32,
}

/// From one take to the next in a scene's own time: a person swaps a plug.
const BETWEEN_TAKES: SignedDuration = SignedDuration::from_secs(40);
/// From a take to the same once more.
const AGAIN: SignedDuration = SignedDuration::from_secs(7);

impl Clock {
    /// A clock that begins then; `None` for the time that it is.
    pub fn new(begins: Option<Timestamp>) -> Clock {
        Clock { begins, again: 0 }
    }

    /// The time of the `number`th pass, the terminator being number 0.
    pub fn at(&self, number: usize) -> Timestamp {
        match self.begins {
            Some(begins) => begins + BETWEEN_TAKES * number as i32 + AGAIN * self.again,
            None => Timestamp::now(),
        }
    }

    /// A pass is made once more.
    pub fn again(&mut self) {
        self.again += 1;
    }
}
