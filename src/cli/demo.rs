//! `gainsay demo`: the whole job on the invented scene in `demo-data/`.

use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};
use std::thread;

use clap::Args;
use gainsay::capture::simulated::{Scene, Setup, SimulatedSource};
use gainsay::capture::tuning::tile;
use gainsay::capture::writer::{IfThere, Labels, write_sigmf};
use gainsay::channels::{Channel, Plan, Thresholds};
use gainsay::compare::{self, Options};
use gainsay::draw::{self, Line as DrawnLine};
use gainsay::logbook::{Filter, Logbook};
use gainsay::reading::assemble::{Subject, Wanted, assemble};
use gainsay::reading::survey::Survey;
use gainsay::units::Hertz;
use jiff::{SignedDuration, Timestamp};

use super::progress::{Line, Stop};
use super::{Failure, compare as compare_command, output, readings};

/// Play the whole job on an invented scene: takes, comparison, plots. No dongle needed.
///
/// The place, the stations, the antennas and their figures are invented. A homemade loop is measured against rabbit ears at
/// one window, in blocks A B B A and B A A B, so that drift cancels; a terminated take gives the noise floor. Everything is
/// simulated down to the dongle's 8-bit samples and then measured like a recording.
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  gainsay demo --out my-demo\n\nThen try the other commands on what it wrote:\n  \
    gainsay log --log my-demo/logbook.sqlite\n  \
    gainsay compare my-demo/tape-loop.sigmf-meta my-demo/rabbit-ears.sigmf-meta --terminated my-demo/terminated.sigmf-meta"
)]
pub struct Arguments {
    /// Folder to write into.
    #[arg(long, value_name = "FOLDER", default_value = "gainsay-demo")]
    out: PathBuf,
}

const LOOP: &str = "tape loop";
const EARS: &str = "rabbit ears";
const SPOT: &str = "north window";
/// When the invented measurement began.
const BEGINS: &str = "2026-05-09T10:00:00Z";
/// Time from one take to the next: a person swaps a plug.
const BETWEEN_TAKES: SignedDuration = SignedDuration::from_secs(40);
const DWELL_S: f64 = 0.02;

pub fn run(arguments: &Arguments) -> Result<(), Failure> {
    let out = &arguments.out;
    let scene = Scene::demo()?;
    let plan = Plan::find(&scene.plan)?;
    let chosen = plan.choose("14-36")?;
    fs::create_dir_all(out)
        .map_err(|error| Failure::Failed(format!("{}: can't be made: {error}", out.display())))?;
    let mut logbook = Logbook::open(&out.join("logbook.sqlite"))?;
    let stop = Stop::watch();
    output::print(&format!(
        "{}: an invented place. Stations, antennas and figures are invented; the measuring is real.\n\n",
        scene.title
    ))?;

    let edges: Vec<(Hertz, Hertz)> = chosen
        .iter()
        .map(|channel| (channel.low, channel.high))
        .collect();
    let begins: Timestamp = BEGINS.parse()?;
    let setups = setups(
        begins,
        &tile(&edges, Hertz(f64::from(scene.dongle.sample_rate_hz))),
        DWELL_S,
    );
    let total: u64 = setups.iter().map(|setup| setup.tunings.len() as u64).sum();
    let line = Line::start("taking", Some(total));
    let surveys = play(&scene, &chosen, &setups, &stop, &line, total)?;
    drop(line);

    let wanted = Wanted {
        plan: &plan,
        chosen: Some(chosen),
        thresholds: Thresholds::default(),
    };
    let (terminated, takes) = surveys
        .split_last()
        .ok_or_else(|| Failure::Failed("no take was made".into()))?;
    let mut last = [None, None];
    for (survey, setup) in takes.iter().zip(&setups) {
        let antenna = setup.antenna.clone().unwrap_or_default();
        let side = usize::from(antenna == EARS);
        let subject = Subject {
            antenna,
            spot: SPOT.into(),
            note: "demo: invented".into(),
            taken_at: setup.starts_at,
            ..Subject::default()
        };
        let mut take = assemble(survey, Some(terminated), &wanted, None, subject);
        take.id = match logbook.find_same(&take)? {
            Some(id) => Some(id),
            None => Some(logbook.append(&take)?),
        };
        last[side] = Some(take);
    }
    let [Some(of_loop), Some(of_ears)] = &last else {
        return Err(Failure::Failed(
            "the scene lacks a take of either antenna".into(),
        ));
    };
    output::print(&(readings::heading(of_loop, None) + &readings::readings(of_loop) + "\n"))?;

    let filter = |antenna: &str| Filter {
        antenna: Some(antenna.into()),
        spot: Some(SPOT.into()),
        deleted: false,
    };
    let comparison = compare::compare(
        &logbook.load(&filter(LOOP))?,
        &logbook.load(&filter(EARS))?,
        &Options::default(),
    )?;
    output::print(&compare_command::as_text(&comparison))?;

    let mut written = vec![out.join("logbook.sqlite")];
    let figure = draw::comparison(&comparison)?;
    let mut figures = vec![("comparison", figure)];
    if let (Some(a), Some(b)) = (&of_loop.spectrum, &of_ears.spectrum) {
        let (a, b) = (
            DrawnLine {
                name: LOOP,
                trace: a,
            },
            DrawnLine {
                name: EARS,
                trace: b,
            },
        );
        figures.push((
            "spectrum",
            draw::spectrum(a, Some(b), None, &compare_command::bands(&comparison))?,
        ));
    }
    for (name, figure) in &figures {
        for ending in ["svg", "png"] {
            let path = out.join(name).with_extension(ending);
            figure.write(&path)?;
            written.push(path);
        }
    }
    written.extend(recordings(&scene, &plan, begins, out)?);
    let list: String = written
        .iter()
        .map(|path| format!("  {}\n", path.display()))
        .collect();
    output::print(&format!(
        "\nWritten:\n{list}\nThe recordings hold channels 20–23 for trying the commands by hand, for example\n  \
         gainsay compare {0}/tape-loop.sigmf-meta {0}/rabbit-ears.sigmf-meta --terminated {0}/terminated.sigmf-meta\n",
        out.display()
    ))
}

/// Sixteen takes in four blocks that cancel drift, then the terminated one.
fn setups(begins: Timestamp, tunings: &[Hertz], dwell_s: f64) -> Vec<Setup> {
    // Twice A B B A, B A A B: four blocks, whose spread is known well enough for useful intervals.
    [LOOP, EARS, EARS, LOOP, EARS, LOOP, LOOP, EARS]
        .repeat(2)
        .into_iter()
        .map(Some)
        .chain([None])
        .zip(0..)
        .map(|(antenna, index)| Setup {
            antenna: antenna.map(String::from),
            tunings: tunings.to_vec(),
            dwell_s,
            scene_epoch: begins,
            take_seed: index,
            ..Setup::terminated(SPOT, begins + BETWEEN_TAKES * index as i32)
        })
        .collect()
}

/// Plays every setup and surveys it, as many at a time as there are processors.
fn play(
    scene: &Scene,
    channels: &[Channel],
    setups: &[Setup],
    stop: &Stop,
    line: &Line,
    total: u64,
) -> Result<Vec<Survey>, Failure> {
    let waiting = Mutex::new(setups.iter().enumerate());
    let done = Mutex::new(Vec::new());
    let tuned = AtomicU64::new(0);
    let work = || -> Result<(), Failure> {
        loop {
            let next = waiting
                .lock()
                .unwrap_or_else(|poisoned| poisoned.into_inner())
                .next();
            let Some((index, setup)) = next else {
                return Ok(());
            };
            let what = setup.antenna.as_deref().unwrap_or("terminator");
            let mut source = SimulatedSource::new(scene, setup.clone())?;
            let mut centre = Hertz(0.0);
            let channels = match setup.antenna {
                Some(_) => channels,
                None => &[],
            };
            let survey = Survey::run(&mut source, channels, &|| stop.asked(), &mut |progress| {
                if progress.centre != centre {
                    centre = progress.centre;
                    line.advance(
                        &format!("take {} of {}, {what}", index + 1, setups.len()),
                        (tuned.fetch_add(1, Ordering::Relaxed) + 1).min(total),
                    );
                }
            });
            if stop.asked() {
                return Err(Failure::Failed(
                    "demo: stopped; the next run starts afresh".into(),
                ));
            }
            done.lock()
                .unwrap_or_else(|poisoned| poisoned.into_inner())
                .push((index, survey?));
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
    let mut surveys = done
        .into_inner()
        .unwrap_or_else(|poisoned| poisoned.into_inner());
    surveys.sort_by_key(|(index, _)| *index);
    Ok(surveys.into_iter().map(|(_, survey)| survey).collect())
}

/// Writes three small recordings, one of either antenna and one of the terminator.
fn recordings(
    scene: &Scene,
    plan: &Plan,
    begins: Timestamp,
    out: &Path,
) -> Result<Vec<PathBuf>, Failure> {
    let edges: Vec<(Hertz, Hertz)> = plan
        .choose("20-23")?
        .iter()
        .map(|channel| (channel.low, channel.high))
        .collect();
    let all = setups(
        begins,
        &tile(&edges, Hertz(f64::from(scene.dongle.sample_rate_hz))),
        DWELL_S,
    );
    let mut written = Vec::new();
    for (name, index) in [
        ("tape-loop", 0),
        ("rabbit-ears", 1),
        ("terminated", all.len() - 1),
    ] {
        let mut source = SimulatedSource::new(scene, all[index].clone())?;
        let labels = Labels {
            description: Some("invented: gainsay demo".into()),
            ..Labels::default()
        };
        written.push(write_sigmf(&mut source, &out.join(name), &labels, IfThere::Replace)?.meta);
    }
    Ok(written)
}
