//! Takes straight from recordings.

use std::path::Path;
use std::thread;

use gainsay::channels::Channel;
use gainsay::reading::Take;
use gainsay::reading::assemble::{Subject, Wanted, assemble, assemble_pair};
use gainsay::reading::survey::Survey;
use jiff::Timestamp;

use super::{Arguments, Material};
use crate::cli::Failure;
use crate::cli::input;
use crate::cli::progress::Stop;

/// Recordings are read so many at a time: each is a thread, and has its spectra in memory.
const AT_ONCE: usize = 2;

/// One take a recording.
pub fn load(arguments: &Arguments) -> Result<Material, Failure> {
    let plan = arguments.channels.plan()?;
    let wanted = arguments.channels.wanted(&plan)?;
    let stop = Stop::watch();
    let channels = wanted.channels();
    let survey =
        |name: &str, channels: &[Channel]| input::survey(name, arguments.raw, channels, &stop);
    let names = arguments.antennas();
    let mut surveys = Vec::new();
    let mut terminated = None;
    for names in names.chunks(AT_ONCE) {
        let plug = arguments
            .terminated
            .as_deref()
            .filter(|_| terminated.is_none());
        let (some, plug) = thread::scope(|scope| {
            let running: Vec<_> = (names.iter())
                .map(|name| scope.spawn(|| survey(name, channels)))
                .collect();
            let plug = plug.map(|name| survey(name, &[]));
            (running.into_iter().map(joined).collect::<Vec<_>>(), plug)
        });
        for one in some {
            surveys.push(one?);
        }
        terminated = terminated.or(plug.transpose()?);
    }
    if let (Some(terminated), Some(first)) = (&terminated, surveys.first()) {
        terminated.serves(first)?;
    }
    let now = Timestamp::now();
    let subjects = labels(&names, &surveys)
        .into_iter()
        .zip(&names)
        .map(|(antenna, name)| Subject {
            antenna,
            spot: arguments.spot.clone().unwrap_or_default(),
            taken_at: input::time_of(name, now),
            ..Subject::default()
        })
        .collect();
    let takes = takes(&surveys, terminated.as_ref(), &wanted, subjects);
    if let (Some(first), true) = (
        surveys.first(),
        (takes.iter()).all(|take| surveys[0].covers_any(&take.readings, &wanted).is_err()),
    ) {
        first.covers_any(&takes[0].readings, &wanted)?;
    }
    let spectra = takes.iter().map(|take| take.spectrum.clone()).collect();
    Ok(Material {
        takes: takes.into_iter().map(|take| vec![take]).collect(),
        spectra,
        tie: None,
    })
}

/// Two recordings are read over what both cover; of more, each over its own cover, and a channel that they cover
/// differently says so.
fn takes(
    surveys: &[Survey],
    terminated: Option<&Survey>,
    wanted: &Wanted,
    subjects: Vec<Subject>,
) -> Vec<Take> {
    if let ([a, b], [of_a, of_b]) = (surveys, subjects.as_slice()) {
        let subjects = [of_a.clone(), of_b.clone()];
        return assemble_pair([a, b], terminated, wanted, subjects).into();
    }
    (surveys.iter().zip(subjects))
        .map(|(survey, subject)| assemble(survey, terminated, wanted, None, subject))
        .collect()
}

fn joined<T>(handle: thread::ScopedJoinHandle<Result<T, Failure>>) -> Result<T, Failure> {
    handle
        .join()
        .unwrap_or_else(|panic| std::panic::resume_unwind(panic))
}

/// What to call recordings: by the antennas they name, else by their files; never two the same.
fn labels(paths: &[String], surveys: &[Survey]) -> Vec<String> {
    let stem = |path: &String| {
        Path::new(path).file_stem().map_or_else(
            || path.to_owned(),
            |stem| stem.to_string_lossy().into_owned(),
        )
    };
    let differ = |names: &[String]| (1..names.len()).all(|at| !names[..at].contains(&names[at]));
    let named: Vec<String> = (paths.iter().zip(surveys))
        .map(|(path, survey)| survey.about.antenna.clone().unwrap_or_else(|| stem(path)))
        .collect();
    if differ(&named) {
        return named;
    }
    let stems: Vec<String> = paths.iter().map(stem).collect();
    if differ(&stems) {
        stems
    } else {
        paths.to_vec()
    }
}
