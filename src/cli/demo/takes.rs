//! The demo's takes: what is set up for each, and playing them.

use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};
use std::thread;

use gainsay::capture::simulated::{Scene, Setup, SimulatedSource};
use gainsay::capture::tuning::tile;
use gainsay::channels::Channel;
use gainsay::reading::assemble::{Subject, Wanted, assemble};
use gainsay::reading::survey::Survey;
use gainsay::reading::{Bearing, Position, Take};
use gainsay::units::{Degrees, Hertz};
use jiff::{SignedDuration, Timestamp};

use super::super::Failure;
use super::super::progress::{Line, Stop};

pub const LOOP: &str = "tape loop";
pub const EARS: &str = "rabbit ears";
pub const SPOT: &str = "north window";
/// When the invented measurement began.
const BEGINS: &str = "2026-05-09T10:00:00Z";
/// Time from one take to the next: a person swaps a plug, or moves the antenna.
const BETWEEN_TAKES: SignedDuration = SignedDuration::from_secs(40);
const DWELL_S: f64 = 0.02;

/// Step of the rotations.
const EVERY_DEG: u32 = 30;

/// Where the takes at a spot are, from its middle, in metres: the corners of a small square and its middle.
const CLUSTER_M: [(f64, f64); 5] = [
    (0.0, 0.0),
    (-0.12, -0.12),
    (0.12, -0.12),
    (0.12, 0.12),
    (-0.12, 0.12),
];

/// One after another, each take at its time.
pub struct Diary<'s> {
    scene: &'s Scene,
    begins: Timestamp,
    /// How many takes there are so far.
    takes: u64,
}

/// A take to be played, and what the logbook is told of it besides.
#[derive(Clone)]
pub struct Planned {
    pub setup: Setup,
    bearing: Option<Bearing>,
}

impl<'s> Diary<'s> {
    pub fn begin(scene: &'s Scene) -> Result<Diary<'s>, Failure> {
        Ok(Diary {
            scene,
            begins: BEGINS.parse()?,
            takes: 0,
        })
    }

    fn next(&mut self, antenna: Option<&str>, spot: &str, channels: &[Channel]) -> Planned {
        let index = self.takes;
        self.takes += 1;
        Planned {
            setup: Setup {
                antenna: antenna.map(String::from),
                tunings: tunings(self.scene, channels),
                dwell_s: DWELL_S,
                scene_epoch: self.begins,
                take_seed: index,
                ..Setup::terminated(spot, self.begins + BETWEEN_TAKES * index as i32)
            },
            bearing: None,
        }
    }

    /// Twice A B B A, B A A B: four blocks, whose spread is known well enough for useful intervals.
    pub fn trial(&mut self, channels: &[Channel]) -> Vec<Planned> {
        [LOOP, EARS, EARS, LOOP, EARS, LOOP, LOOP, EARS]
            .repeat(2)
            .into_iter()
            .map(|antenna| self.next(Some(antenna), SPOT, channels))
            .collect()
    }

    /// A terminator in the antenna's place.
    pub fn terminated(&mut self, channels: &[Channel]) -> Planned {
        self.next(None, SPOT, channels)
    }

    /// The loop at every spot that has a position, five takes each.
    pub fn spots(&mut self, channels: &[Channel]) -> Vec<Planned> {
        let scene = self.scene;
        let placed = scene
            .spots
            .iter()
            .filter_map(|spot| Some((&spot.name, spot.position_m?)));
        let takes = placed.flat_map(|(name, (x_m, y_m))| {
            CLUSTER_M.map(|(right_m, up_m)| (name, (x_m + right_m, y_m + up_m)))
        });
        takes
            .map(|(name, at)| {
                let mut planned = self.next(Some(LOOP), name, channels);
                planned.setup.position_m = Some(at);
                planned
            })
            .collect()
    }

    /// An antenna once round, and the first bearing again at the end.
    pub fn rotation(
        &mut self,
        antenna: &str,
        channels: &[Channel],
    ) -> Result<Vec<Planned>, Failure> {
        let looks_deg = self.scene.antenna(antenna)?.look_deg;
        Ok((0..=360)
            .step_by(EVERY_DEG as usize)
            .map(|turned| {
                let degrees = f64::from(turned % 360);
                let mut planned = self.next(Some(antenna), SPOT, channels);
                planned.setup.turned = Degrees(degrees - looks_deg);
                planned.bearing = Some(Bearing {
                    degrees,
                    from: "north".into(),
                });
                planned
            })
            .collect())
    }
}

/// The tunings that cover the channels.
fn tunings(scene: &Scene, channels: &[Channel]) -> Vec<Hertz> {
    let edges: Vec<(Hertz, Hertz)> = channels
        .iter()
        .map(|channel| (channel.low, channel.high))
        .collect();
    tile(&edges, Hertz(f64::from(scene.dongle.sample_rate_hz)))
}

/// Plays one take and surveys it, calling `tuned` at each tuning.
pub fn survey(
    scene: &Scene,
    setup: &Setup,
    channels: &[Channel],
    stop: &Stop,
    tuned: &mut dyn FnMut(),
) -> Result<Survey, Failure> {
    let mut source = SimulatedSource::new(scene, setup.clone())?;
    let mut centre = Hertz(0.0);
    // A terminator has no stations to be listened for.
    let channels = match setup.antenna {
        Some(_) => channels,
        None => &[],
    };
    let survey = Survey::run(&mut source, channels, &|| stop.asked(), &mut |progress| {
        if progress.centre != centre {
            centre = progress.centre;
            tuned();
        }
    })?;
    if stop.asked() {
        return Err(Failure::Failed(
            "demo: stopped; the next run starts afresh".into(),
        ));
    }
    Ok(survey)
}

/// Plays every take and reads it, as many at a time as there are processors; in the order planned.
pub fn play(
    what: &str,
    scene: &Scene,
    planned: &[Planned],
    terminated: &Survey,
    wanted: &Wanted,
    stop: &Stop,
) -> Result<Vec<Take>, Failure> {
    let total: u64 = planned
        .iter()
        .map(|one| one.setup.tunings.len() as u64)
        .sum();
    let line = Line::start(what, Some(total));
    let waiting = Mutex::new(planned.iter().enumerate());
    let done = Mutex::new(Vec::new());
    let tunings = AtomicU64::new(0);
    let work = || -> Result<(), Failure> {
        loop {
            let next = unpoisoned(waiting.lock()).next();
            let Some((index, one)) = next else {
                return Ok(());
            };
            let says = format!("{what}: take {} of {}", index + 1, planned.len());
            let mut tuned = || {
                let tunings = tunings.fetch_add(1, Ordering::Relaxed) + 1;
                line.advance(&says, tunings.min(total));
            };
            let survey = survey(scene, &one.setup, wanted.channels(), stop, &mut tuned)?;
            let take = assemble(&survey, Some(terminated), wanted, None, one.subject());
            unpoisoned(done.lock()).push((index, take));
        }
    };
    thread::scope(|scope| {
        let workers: Vec<_> = (1..thread::available_parallelism().map_or(1, usize::from))
            .map(|_| scope.spawn(work))
            .collect();
        let own = work();
        workers.into_iter().fold(own, |result, worker| {
            result.and(
                worker
                    .join()
                    .unwrap_or_else(|panic| std::panic::resume_unwind(panic)),
            )
        })
    })?;
    let mut takes = unpoisoned(done.into_inner());
    takes.sort_by_key(|(index, _)| *index);
    Ok(takes.into_iter().map(|(_, take)| take).collect())
}

/// A worker that panicked takes the whole demo with it, so what it held doesn't matter.
fn unpoisoned<T>(lock: Result<T, std::sync::PoisonError<T>>) -> T {
    lock.unwrap_or_else(|poisoned| poisoned.into_inner())
}

impl Planned {
    /// The same take over other channels.
    pub fn over(mut self, scene: &Scene, channels: &[Channel]) -> Planned {
        self.setup.tunings = tunings(scene, channels);
        self
    }

    fn subject(&self) -> Subject {
        Subject {
            antenna: self.setup.antenna.clone().unwrap_or_default(),
            spot: self.setup.spot.clone(),
            note: "demo: invented".into(),
            taken_at: self.setup.starts_at,
            position: self.setup.position_m.map(|(x_m, y_m)| Position {
                x_m,
                y_m,
                height_m: None,
            }),
            bearing: self.bearing.clone(),
            scan_count: None,
        }
    }
}
