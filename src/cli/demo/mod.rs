//! `gainsay demo`: the whole job on the invented scene in `demo-data/`.

mod takes;

use std::fs;
use std::path::{Path, PathBuf};

use clap::Args;
use gainsay::capture::simulated::{Scene, SimulatedSource};
use gainsay::capture::writer::{IfThere, Labels, write_sigmf};
use gainsay::channels::{Channel, Plan, Thresholds};
use gainsay::compare::{self, Options};
use gainsay::draw::{self, FloorPlan, Line as DrawnLine, Svg};
use gainsay::logbook::{Filter, Logbook};
use gainsay::reading::Take;
use gainsay::reading::assemble::Wanted;
use gainsay::reading::survey::Survey;
use gainsay::survey::{spots, turn};

use super::progress::Stop;
use super::spots::floor::{self, Shown};
use super::turn::{self as turn_command, print};
use super::wanted;
use super::{
    Failure, compare as compare_command, output, readings, report as report_command,
    spots as spots_command,
};
use takes::{Diary, EARS, LOOP, Planned, SPOT};

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

pub fn run(arguments: &Arguments) -> Result<(), Failure> {
    let out = &arguments.out;
    let scene = Scene::demo()?;
    let plan = Plan::find(&scene.plan)?;
    fs::create_dir_all(out)
        .map_err(|error| Failure::Failed(format!("{}: can't be made: {error}", out.display())))?;
    let mut demo = Demo {
        scene: &scene,
        plan: &plan,
        out,
        logbook: Logbook::open(&out.join("logbook.sqlite"))?,
        stop: Stop::watch(),
        written: vec![out.join("logbook.sqlite")],
    };
    output::print(&format!(
        "{}: an invented place. Stations, antennas and figures are invented; the measuring is real.\n\n",
        scene.title
    ))?;
    let mut diary = Diary::begin(&scene)?;
    let all = plan.choose("14-36")?;
    let trial = diary.trial(&all);
    let plug = diary.terminated(&all);
    let terminated = demo.terminated(&plug, &all)?;
    let takes = demo.take("trial", &trial, &terminated, &all)?;
    demo.compare(&takes)?;

    let used: Vec<Channel> = (all.into_iter())
        .filter(|channel| takes.iter().any(|take| finds(take, channel)))
        .collect();
    demo.spots(&diary.spots(&used), &terminated, &used)?;
    let rotations = [LOOP, EARS].map(|antenna| diary.rotation(antenna, &used));
    for rotation in rotations {
        demo.take("rotation", &rotation?, &terminated, &used)?;
    }
    demo.turn()?;
    demo.report()?;
    demo.recordings(&plug)?;
    demo.close()
}

/// The channels that the invented household wants: those that some spot can give it.
const WANTED: &str = "14,18,20,21,23,25,27,31,36";

/// The room of the scene.
const FLOOR: &str = include_str!("../../../demo-data/floor.toml");

/// Whether a take found a signal in a channel.
fn finds(take: &Take, channel: &Channel) -> bool {
    (take.readings.iter()).any(|reading| reading.channel == channel.id && reading.found)
}

/// The demo under way.
struct Demo<'d> {
    scene: &'d Scene,
    plan: &'d Plan,
    out: &'d Path,
    logbook: Logbook,
    stop: Stop,
    /// Files written so far.
    written: Vec<PathBuf>,
}

impl Demo<'_> {
    /// The noise floor.
    fn terminated(&self, plug: &Planned, channels: &[Channel]) -> Result<Survey, Failure> {
        takes::survey(self.scene, &plug.setup, channels, &self.stop, &mut || {})
    }

    /// Plays takes and keeps them, each once however often the demo runs into one folder.
    fn take(
        &mut self,
        what: &str,
        planned: &[Planned],
        terminated: &Survey,
        channels: &[Channel],
    ) -> Result<Vec<Take>, Failure> {
        let wanted = Wanted {
            plan: self.plan,
            chosen: Some(channels.to_vec()),
            thresholds: Thresholds::default(),
        };
        let mut takes = takes::play(what, self.scene, planned, terminated, &wanted, &self.stop)?;
        for take in &mut takes {
            take.id = match self.logbook.find_same(take)? {
                Some(id) => Some(id),
                None => Some(self.logbook.append(take)?),
            };
        }
        Ok(takes)
    }

    /// Writes a figure as SVG and as PNG.
    fn draw(&mut self, name: &str, figure: &Svg) -> Result<(), Failure> {
        for ending in ["svg", "png"] {
            let path = self.out.join(name).with_extension(ending);
            figure.write(&path)?;
            self.written.push(path);
        }
        Ok(())
    }

    /// The loop against the ears.
    fn compare(&mut self, takes: &[Take]) -> Result<(), Failure> {
        let of = |antenna: &str| -> Vec<Take> {
            let of_it = takes.iter().filter(|take| take.antenna == antenna);
            of_it.cloned().collect()
        };
        let (of_loop, of_ears) = (of(LOOP), of(EARS));
        if let Some(last) = of_loop.last() {
            output::print(&(readings::heading(last, None) + &readings::readings(last) + "\n"))?;
        }
        let comparison = compare::compare(&of_loop, &of_ears, &Options::default())?;
        output::print(&compare_command::as_text(&comparison))?;
        self.draw("comparison", &draw::comparison(&comparison)?)?;
        let spectrum = |takes: &'_ [Take]| takes.last().and_then(|take| take.spectrum.clone());
        if let (Some(a), Some(b)) = (spectrum(&of_loop), spectrum(&of_ears)) {
            let line = |name, trace| DrawnLine { name, trace };
            let bands = compare_command::bands(&comparison);
            let figure = draw::spectrum(line(LOOP, &a), Some(line(EARS, &b)), None, &bands)?;
            self.draw("spectrum", &figure)?;
        }
        Ok(())
    }

    /// The loop at every spot: where to put it.
    fn spots(
        &mut self,
        planned: &[Planned],
        terminated: &Survey,
        channels: &[Channel],
    ) -> Result<(), Failure> {
        self.take("spots", planned, terminated, channels)?;
        // All of them count, those of the trial too: as in `gainsay spots` by hand.
        let mut takes = self.logbook.load(&Filter {
            antenna: Some(LOOP.into()),
            ..Filter::default()
        })?;
        turn::leave_out_turned(&mut takes);
        let wanted = wanted::Wanted::of(Some(WANTED), None, &self.plan.name)?;
        let ranking = spots::rank(&takes, wanted.channels.as_deref(), &Default::default())?;
        let path = self.out.join("floor.toml");
        fs::write(&path, FLOOR)?;
        let plan = FloorPlan::read(&path)?;
        self.written.push(path);
        wanted.keep(&mut self.logbook, &self.plan.name);
        let mapped = floor::mapped(&ranking, &plan, Shown::Weakest);
        output::print(&format!(
            "\n{}",
            spots_command::as_text(&ranking, wanted.whose, &mapped)
        ))?;
        let figure = floor::figure(&ranking, &plan, Shown::Weakest, &mapped, false)?;
        self.draw("spots", &figure)
    }

    /// The loop and the ears turned round: where to aim them.
    fn turn(&mut self) -> Result<(), Failure> {
        let options = turn::Options {
            wanted: wanted::kept(&self.logbook, &self.plan.name)?,
            ..turn::Options::default()
        };
        let mut rotations = Vec::new();
        for antenna in [LOOP, EARS] {
            let last = turn_command::rotations(&self.logbook, antenna, SPOT, None)?.pop();
            rotations.push(turn::pattern(&last.unwrap_or_default(), &options)?);
        }
        for rotation in &rotations {
            output::print(&format!("\n{}", print::as_text(rotation)))?;
        }
        self.draw("rotation", &draw::polar(&rotations[0], rotations.get(1))?)
    }

    /// What to publish.
    fn report(&mut self) -> Result<(), Failure> {
        let path = self.out.join("report.html");
        let plan = FloorPlan::read(&self.out.join("floor.toml"))?;
        report_command::write(&self.logbook, [LOOP, EARS], SPOT, &plan, &path)?;
        self.written.push(path);
        Ok(())
    }

    /// Three small recordings, one of either antenna and one of the terminator: the trial's first two takes, and its plug.
    fn recordings(&mut self, plug: &Planned) -> Result<(), Failure> {
        let few = self.plan.choose("20-23")?;
        let trial = Diary::begin(self.scene)?.trial(&few);
        let plug = plug.clone().over(self.scene, &few);
        for (name, planned) in [
            ("tape-loop", &trial[0]),
            ("rabbit-ears", &trial[1]),
            ("terminated", &plug),
        ] {
            let mut source = SimulatedSource::new(self.scene, planned.setup.clone())?;
            let labels = Labels {
                description: Some("invented: gainsay demo".into()),
                ..Labels::default()
            };
            let path = self.out.join(name);
            let files = write_sigmf(&mut source, &path, &labels, IfThere::Replace)?;
            self.written.push(files.meta);
        }
        Ok(())
    }

    fn close(&self) -> Result<(), Failure> {
        let list: String = self
            .written
            .iter()
            .map(|path| format!("  {}\n", path.display()))
            .collect();
        output::print(&format!(
            "\nWritten:\n{list}\nThe recordings hold channels 20–23 for trying the commands by hand, for example\n  \
             gainsay compare {0}/tape-loop.sigmf-meta {0}/rabbit-ears.sigmf-meta --terminated {0}/terminated.sigmf-meta\n",
            self.out.display()
        ))
    }
}
