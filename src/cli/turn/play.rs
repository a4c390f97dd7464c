//! A rotation from recordings, or from a scene that is played with the antenna turned.

use std::path::Path;

use gainsay::capture::simulated::{Scene, SimulatedSource};
use gainsay::channels::Channel;
use gainsay::logbook::{Logbook, LogbookError};
use gainsay::reading::assemble::{Subject, Wanted, assemble};
use gainsay::reading::survey::Survey;
use gainsay::reading::{Bearing, Take};
use gainsay::units::Degrees;
use jiff::{SignedDuration, Timestamp};

use super::Asked;
use crate::cli::Failure;
use crate::cli::input;
use crate::cli::progress::Stop;

/// From one take to the next in a scene's own time: a person turns an antenna.
const BETWEEN_TAKES: SignedDuration = SignedDuration::from_secs(20);
/// A scene is played at these bearings where no --every says otherwise.
const USUAL_STEP_DEG: f64 = 30.0;

/// A take at every bearing, kept one by one.
pub fn takes(asked: &Asked) -> Result<Vec<Take>, Failure> {
    let arguments = asked.arguments;
    let parts = parts(asked)?;
    let plan = arguments.channels.plan()?;
    let wanted = arguments.channels.wanted(&plan)?;
    let stop = Stop::watch();
    let begins = arguments.begins.unwrap_or_else(Timestamp::now);
    let terminated = (arguments.terminated.as_deref())
        .map(|name| survey(asked, name, None, begins, &wanted, &stop))
        .transpose()?;
    let mut logbook = match arguments.no_log {
        true => None,
        false => Some(open(&arguments.log.path()?)?),
    };
    let mut takes: Vec<Take> = Vec::new();
    for (n, (bearing_deg, name)) in parts.iter().enumerate() {
        // The terminated take of a scene comes before the first.
        let at = begins + BETWEEN_TAKES * (n as i32 + i32::from(terminated.is_some()));
        let survey = survey(asked, name, Some(*bearing_deg), at, &wanted, &stop)
            .map_err(|failure| so_far(failure, &takes, logbook.is_some()))?;
        if let Some(terminated) = &terminated {
            terminated.serves(&survey)?;
        }
        let take = take(
            asked,
            &survey,
            terminated.as_ref(),
            &wanted,
            (*bearing_deg, at, name),
        );
        survey.covers_any(&take.readings, &wanted)?;
        takes.push(keep(&mut logbook, take)?);
    }
    Ok(takes)
}

/// A failure, with what is kept nevertheless.
fn so_far(failure: Failure, takes: &[Take], keeps: bool) -> Failure {
    match failure {
        Failure::Failed(problem) if keeps && !takes.is_empty() => Failure::Failed(format!(
            "{problem}; the {} bearing(s) before it are kept in the logbook",
            takes.len()
        )),
        other => other,
    }
}

/// A logbook that can be used, made where there is none.
fn open(path: &Path) -> Result<Logbook, LogbookError> {
    Logbook::open(path)
}

/// Puts a take into the logbook, unless it is there already with this bearing: the same recording may be there as a take of
/// no rotation.
fn keep(logbook: &mut Option<Logbook>, mut take: Take) -> Result<Take, Failure> {
    if let Some(logbook) = logbook {
        let known = match logbook.find_same(&take)? {
            Some(id) => Some((id, logbook.take(id)?.bearing)),
            None => None,
        };
        take.id = match known {
            Some((id, bearing)) if bearing == take.bearing => Some(id),
            _ => Some(logbook.append(&take)?),
        };
    }
    Ok(take)
}

/// Bearing, clockwise, and source of each take.
fn parts(asked: &Asked) -> Result<Vec<(f64, String)>, Failure> {
    let arguments = asked.arguments;
    let named: Vec<(Option<f64>, &str)> = arguments.from.iter().map(|text| named(text)).collect();
    if let [(None, scene)] = named.as_slice()
        && input::names_scene(scene)
    {
        let mut bearings = asked.bearings(arguments.every.unwrap_or(USUAL_STEP_DEG));
        // The first once more: that shows the drift.
        bearings.extend(bearings.first().copied());
        return Ok((bearings.into_iter())
            .map(|bearing| (bearing, (*scene).to_owned()))
            .collect());
    }
    let own = named
        .iter()
        .filter(|(bearing, _)| bearing.is_some())
        .count();
    if own != 0 && own != named.len() {
        return Err(Failure::usage(
            "some of --from say their bearing (90=west.sigmf-meta) and some don't: give it for all or for none",
        ));
    }
    if own == 0 && arguments.every.is_none() {
        return Err(Failure::usage(
            "how far apart are the bearings of these recordings? Give --every 30, or name each: --from 90=west.sigmf-meta",
        ));
    }
    if own != 0 && arguments.every.is_some() {
        return Err(Failure::usage(
            "--every is told by the bearings of --from: leave it out",
        ));
    }
    let every = arguments.every.unwrap_or(0.0);
    Ok((named.into_iter().enumerate())
        .map(|(n, (bearing, name))| {
            let bearing = bearing.unwrap_or(arguments.start + n as f64 * every);
            (asked.clockwise(bearing), name.to_owned())
        })
        .collect())
}

/// `90=west.sigmf-meta`, or a name alone.
fn named(text: &str) -> (Option<f64>, &str) {
    match text.split_once('=') {
        Some((bearing, name)) => match bearing.trim_end_matches('°').trim().parse::<f64>() {
            Ok(bearing) if bearing.is_finite() => (Some(bearing), name),
            _ => (None, text),
        },
        None => (None, text),
    }
}

/// One pass: the antenna at a bearing, or a terminator.
fn survey(
    asked: &Asked,
    name: &str,
    bearing_deg: Option<f64>,
    at: Timestamp,
    wanted: &Wanted,
    stop: &Stop,
) -> Result<Survey, Failure> {
    let listened: &[Channel] = match bearing_deg {
        Some(_) => wanted.channels(),
        None => &[],
    };
    if !input::names_scene(name) {
        if asked.arguments.dwell.is_some() {
            return Err(Failure::usage(format!(
                "{name}: a recording says its own dwells: leave --dwell out"
            )));
        }
        return input::survey(name, asked.arguments.raw, listened, stop);
    }
    let scene = Scene::read(Path::new(name))?;
    let antenna = bearing_deg.map(|_| asked.antenna.as_str());
    let channels = wanted.channels();
    let mut setup = input::setup(&scene, antenna, &asked.spot, channels, at, asked.dwell_s())?;
    if let Some(bearing_deg) = bearing_deg {
        // A scene's bearings are from north; what another 0° is it can't know: there it is the way the antenna looks.
        let looks_deg = match asked.zero == "north" {
            true => scene.antenna(&asked.antenna)?.look_deg,
            false => 0.0,
        };
        setup.turned = Degrees(bearing_deg - looks_deg);
    }
    let mut source = SimulatedSource::new(&scene, setup)?;
    input::pass(name, &mut source, None, listened, stop)
}

fn take(
    asked: &Asked,
    survey: &Survey,
    terminated: Option<&Survey>,
    wanted: &Wanted,
    (bearing_deg, at, name): (f64, Timestamp, &str),
) -> Take {
    let scene = input::names_scene(name);
    let subject = Subject {
        antenna: asked.antenna.clone(),
        spot: asked.spot.clone(),
        taken_at: match scene || asked.arguments.begins.is_some() {
            true => at,
            false => input::time_of(name, at),
        },
        bearing: Some(Bearing {
            degrees: bearing_deg,
            from: asked.zero.clone(),
        }),
        ..Subject::default()
    };
    assemble(survey, terminated, wanted, None, subject)
}
