//! Listing and checking, with the feature `dongle`.

use std::time::Duration;

use gainsay::capture::dongle::{self, Choice, DongleError, DongleFigures, Settings};
use gainsay::channels::Plan;
use gainsay::live::check::{CheckProgress, CheckSettings, RATES, Step, check as check_dongle};
use gainsay::logbook::Logbook;
use gainsay::units::Hertz;

use super::super::Failure;
use super::super::output::{self, Format};
use super::super::progress::{Line, Stop};
use super::CheckArguments;
use super::print::{self, Entry};

/// How long to wait for the driver to list what is plugged in, or to open one.
const PATIENCE: Duration = Duration::from_secs(5);

pub fn list(format: Format) -> Result<(), Failure> {
    let found = dongle::list(PATIENCE)?;
    if found.is_empty() {
        output::remark(&DongleError::NonePlugged.to_string());
    }
    let entries: Vec<Entry> = found
        .into_iter()
        .map(|listed| {
            let tuner = dongle::tuner(&listed, PATIENCE);
            if let Err(error) = &tuner {
                output::remark(&error.to_string());
            }
            Entry::new(listed, tuner.ok())
        })
        .collect();
    print::list(&entries, format)
}

pub fn check(arguments: &CheckArguments) -> Result<(), Failure> {
    let plan = Plan::find(&arguments.plan).map_err(Failure::usage)?;
    let channels = match &arguments.channels {
        Some(choice) => plan.choose(choice).map_err(Failure::usage)?,
        None => plan.channels.clone(),
    };
    let choice = arguments
        .dongle
        .as_deref()
        .map_or(Choice::TheOnlyOne, Choice::in_words);
    let rates = match arguments.lost_at.as_slice() {
        [] => RATES.to_vec(),
        rates => rates.iter().map(|rate| whole(*rate)).collect(),
    };
    let with = CheckSettings {
        settings: Settings::at_rate(whole(arguments.rate)),
        channels,
        rates,
    };
    let stop = Stop::watch();
    let line = Line::start("opening the dongle", None);
    let figures = check_dongle(&choice, &with, &mut |progress| {
        line.advance(&in_words(progress), 0);
        !stop.asked()
    })?;
    drop(line);
    if stop.asked() {
        output::remark("stopped: these are the figures measured so far");
    } else {
        let path = arguments.log.path()?;
        let key = DongleFigures::key(&figures.serial);
        Logbook::open(&path)?.set_setting(&key, Some(&serde_json::to_string(&figures)?))?;
        output::remark(&format!("kept in {}", path.display()));
    }
    print::figures(&figures, arguments.format)
}

fn in_words(progress: CheckProgress) -> String {
    let CheckProgress { step, done, of } = progress;
    let doing = match step {
        Step::Gains => "looking for gains: channel",
        Step::Pilots => "listening for pilots: channel",
        Step::Retuning => "tuning to and fro: trial",
        Step::GainSteps => "comparing gains: step",
        Step::Lost => "counting samples: rate",
    };
    format!("{doing} {} of {of}", done + 1)
}

/// In whole samples a second; a rate that no dongle has stays one.
fn whole(rate: Hertz) -> u32 {
    rate.0.round() as u32
}
