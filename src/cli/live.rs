//! Samples live from a dongle.

use std::path::{Path, PathBuf};

use clap::Args;
use gainsay::channels::Channel;
use gainsay::reading::Reading;
use gainsay::reading::survey::Survey;
use gainsay::units::Hertz;

use super::Failure;

/// How to take live.
#[derive(Debug, Clone, Default, Args)]
pub struct LiveArguments {
    /// Dongle to take with: its serial number, or # and its place in the list of `gainsay dongle` [default: the only one].
    #[arg(long, value_name = "SERIAL", conflicts_with = "from")]
    pub dongle: Option<String>,
    /// Gains of another take, so that a comparison is fair: its number in the logbook, or a JSON file with its `gains_db`
    /// [default: looked for, the highest that leaves 6 dB before clipping].
    #[arg(long, value_name = "TAKE|FILE", conflicts_with = "from")]
    pub gains: Option<String>,
    /// Keep the samples as a SigMF recording of this name.
    #[arg(long, value_name = "FILE", conflicts_with = "from")]
    pub keep_iq: Option<PathBuf>,
    /// Repeat the pass until each channel's level is known with this standard error, such as 0.1dB, or can't be.
    #[arg(long, value_name = "DB", value_parser = decibels, conflicts_with = "from")]
    pub until: Option<f64>,
}

/// A number of decibels above zero, such as 0.1dB.
fn decibels(text: &str) -> Result<f64, String> {
    let number = text.trim().to_lowercase();
    match number.trim_end_matches("db").trim().parse::<f64>() {
        Ok(value) if value > 0.0 && value.is_finite() => Ok(value),
        _ => Err("write a number of decibels above zero, such as 0.1dB".to_owned()),
    }
}

/// What is wanted of a live pass.
#[cfg_attr(
    not(feature = "dongle"),
    expect(dead_code, reason = "read by live passes only")
)]
pub struct Wish<'w> {
    pub arguments: &'w LiveArguments,
    pub antenna: &'w str,
    pub channels: &'w [Channel],
    pub rate: Option<Hertz>,
    pub dwell_s: f64,
    /// The logbook, where there may be one: it knows what was measured of dongles, and the gains of takes.
    pub log: Option<&'w Path>,
    /// Reads the channels off what there is so far.
    pub read: &'w dyn Fn(&Survey) -> Vec<Reading>,
}

#[cfg(not(feature = "dongle"))]
pub fn take(_: &Wish, _: &super::progress::Stop) -> Result<Survey, Failure> {
    Err(unavailable())
}

/// Why nothing can be taken live.
#[cfg(not(feature = "dongle"))]
pub fn unavailable() -> Failure {
    Failure::usage(
        "this gainsay was built without the dongle, so it takes from recordings and scenes only: name one with --from; for \
         live takes install librtlsdr's development files and build it with `cargo build --release --features dongle`",
    )
}

#[cfg(feature = "dongle")]
pub use with_dongle::{Live, take};

#[cfg(feature = "dongle")]
mod with_dongle {
    use std::fs;
    use std::time::Duration;

    use gainsay::capture::CaptureError;
    use gainsay::capture::dongle::{
        Choice, DongleError, DongleFigures, LiveSource, Receiver, Setting, Settings,
    };
    use gainsay::capture::tuning::tile;
    use gainsay::capture::writer::{IfThere, Labels, Recorded, Recorder};
    use gainsay::channels::Channel;
    use gainsay::live::{Outcome, Planned, measure_retuning, plan_gains, same_in_channels};
    use gainsay::logbook::Logbook;
    use gainsay::reading::Reading;
    use gainsay::reading::precision::{Outlook, precision};
    use gainsay::reading::survey::Survey;
    use gainsay::units::{Decibels, Hertz};

    use super::super::output;
    use super::super::progress::{Line, Stop};
    use super::{Failure, Wish};

    /// So often it is tuned to and fro to see what comes after it.
    const TRIALS: usize = 12;

    /// The sample rate where none is asked for, in samples a second.
    const USUAL_RATE: u32 = 2_400_000;

    /// A dongle that is open, with the tunings that the channels take.
    pub struct Live {
        receiver: Receiver,
        centres: Vec<Hertz>,
        channels: Vec<Channel>,
        name: String,
        /// Whether it is known what comes after tuning.
        known: bool,
    }

    impl Live {
        /// Opens the dongle of this name (the only one where there is none), at so many samples a second. The logbook, where
        /// there is one, knows what was measured of it.
        pub fn open(
            name: Option<&str>,
            rate: Option<Hertz>,
            channels: &[Channel],
            logbook: Option<&Logbook>,
        ) -> Result<Live, Failure> {
            let choice = name.map_or(Choice::TheOnlyOne, Choice::in_words);
            let rate = rate.map_or(USUAL_RATE, |rate| rate.0.round() as u32);
            let mut receiver = Receiver::open(&choice, Settings::at_rate(rate))?;
            let known = match logbook {
                Some(logbook) => know(&mut receiver, logbook)?,
                None => false,
            };
            let edges: Vec<(Hertz, Hertz)> = channels
                .iter()
                .map(|channel| (channel.low, channel.high))
                .collect();
            let centres = tile(&edges, Hertz(f64::from(receiver.dongle().sample_rate)));
            Ok(Live {
                name: format!("dongle {}", receiver.dongle().name()),
                receiver,
                centres,
                channels: channels.to_vec(),
                known,
            })
        }

        /// Its name, which is also the source of its takes.
        pub fn name(&self) -> &str {
            &self.name
        }

        /// By which name its dongle is found again: its serial number, where it has one.
        pub fn dongle(&self) -> String {
            self.receiver.dongle().name()
        }

        /// Looks for the gains, with what is connected now.
        pub fn look(&mut self, stop: &Stop) -> Result<Vec<Setting>, Failure> {
            let what = format!("{}: looking for gains", self.name);
            let line = Line::start(&what, Some(self.centres.len() as u64));
            let planned = plan_gains(&mut self.receiver, &self.centres, &mut |done| {
                line.advance(&what, done as u64);
                !stop.asked()
            })?;
            drop(line);
            if planned.len() < self.centres.len() {
                return Err(Failure::Failed(
                    "stopped while looking for gains; nothing was taken".into(),
                ));
            }
            for Planned {
                setting, outcome, ..
            } in &planned
            {
                match outcome {
                    Outcome::Fits => {}
                    Outcome::TooStrong => output::remark(&format!(
                        "{:.3} MHz: too strong even at the lowest gain: put an attenuator before the dongle",
                        setting.centre.mhz()
                    )),
                    Outcome::Failed(error) => output::remark(&error.to_string()),
                }
            }
            let settings = planned.iter().map(|planned| planned.setting).collect();
            let rate_hz = f64::from(self.receiver.dongle().sample_rate);
            Ok(same_in_channels(settings, &self.channels, rate_hz))
        }

        /// The lowest gain that any of several plans over the same tunings has at each, one gain for all of a channel. Where
        /// this tuner doesn't have that gain, it is the next lower one that it has.
        pub fn lowest_of<'p>(
            &self,
            plans: impl IntoIterator<Item = &'p [Setting]>,
        ) -> Vec<Setting> {
            let all: Vec<&Setting> = plans.into_iter().flatten().collect();
            let gains = &self.receiver.dongle().tuner.gains;
            let lowest = |&centre: &Hertz| {
                let same = (all.iter()).filter(|one| (one.centre.0 - centre.0).abs() < 1e3);
                let most = same.map(|one| one.gain.0).min_by(f64::total_cmp)?;
                let gain = gains.at_most(Decibels(most));
                Some(Setting { centre, gain })
            };
            let plan = self.centres.iter().filter_map(lowest).collect();
            let rate_hz = f64::from(self.receiver.dongle().sample_rate);
            same_in_channels(plan, &self.channels, rate_hz)
        }

        /// The plan with the gains of another take.
        pub fn reuse(&self, gains_db: &[(f64, f64)]) -> Result<Vec<Setting>, Failure> {
            let gain = |centre: &Hertz| gains_db.iter().find(|(hz, _)| (hz - centre.0).abs() < 1e3);
            (self.centres.iter())
                .map(|centre| {
                    let (_, gain_db) = gain(centre).ok_or_else(|| {
                        Failure::usage(format!(
                            "--gains: no gain is given for the tuning at {:.3} MHz: take the same channels as that take, or \
                             let the gains be looked for",
                            centre.mhz()
                        ))
                    })?;
                    Ok(Setting {
                        centre: *centre,
                        gain: Decibels(*gain_db),
                    })
                })
                .collect()
        }

        /// Finds out how many samples after tuning are of no use, where nobody has: what is dropped for safety otherwise takes
        /// longer than a short dwell.
        fn learn(&mut self, plan: &[Setting], stop: &Stop) -> Result<(), DongleError> {
            let distrusts = self.receiver.distrusts();
            if std::mem::replace(&mut self.known, true) && !distrusts {
                return Ok(());
            }
            if distrusts {
                self.receiver.set_discards(None, None);
            }
            let line = Line::start(&format!("{}: tuning to and fro", self.name), None);
            let measured =
                match measure_retuning(&mut self.receiver, plan, TRIALS, &mut |_| !stop.asked()) {
                    Ok(measured) => measured,
                    Err(error) if error.ends_it() => return Err(error),
                    // A tuning that failed: what is dropped for safety will do.
                    Err(_) => None,
                };
            drop(line);
            if let Some(retuning) = measured {
                self.receiver
                    .set_discards(Some(retuning.stale_samples), retuning.settling_samples);
            }
            Ok(())
        }

        /// One pass over a plan. Pilots and guard intervals are listened for, with a terminator too: there are none then.
        pub fn pass(
            &mut self,
            plan: &[Setting],
            dwell_s: f64,
            recorder: Option<&mut Recorder>,
            stop: &Stop,
        ) -> Result<Survey, CaptureError> {
            self.learn(plan, stop)?;
            let dwell = Duration::from_secs_f64(dwell_s);
            let mut source = LiveSource::new(&mut self.receiver, plan.to_vec(), dwell)?;
            let channels = &self.channels;
            let mut line = Line::start(&self.name, Some(source.samples()));
            let mut show = |progress| line.show(&self.name, progress);
            let asked = || stop.asked();
            let survey = match recorder {
                Some(recorder) => {
                    let mut recorded = Recorded {
                        source: &mut source,
                        recorder,
                    };
                    Survey::run(&mut recorded, channels, &asked, &mut show)
                }
                None => Survey::run(&mut source, channels, &asked, &mut show),
            };
            drop(source);
            drop(line);
            if self.receiver.distrusts() {
                output::remark(&format!(
                    "{}: more samples are stale after tuning than were measured of it, so more are dropped (`gainsay dongle \
                     check` measures them anew)",
                    self.name
                ));
            }
            survey
        }
    }

    /// Makes one pass, or as many as it takes.
    pub fn take(wish: &Wish, stop: &Stop) -> Result<Survey, Failure> {
        let logbook = match wish.log {
            Some(path) if path.exists() => Some(Logbook::open_existing(path)?),
            _ => None,
        };
        let given = (wish.arguments.gains.as_deref())
            .map(|name| gains(name, logbook.as_ref()))
            .transpose()?;
        let mut recorder = (wish.arguments.keep_iq.as_deref())
            .map(|path| Recorder::create(path, IfThere::Refuse))
            .transpose()?;
        let name = wish.arguments.dongle.as_deref();
        let mut live = Live::open(name, wish.rate, wish.channels, logbook.as_ref())?;
        let plan = match given {
            Some(given) => live.reuse(&given)?,
            None => live.look(stop)?,
        };
        let survey = passes(wish, &mut live, &plan, recorder.as_mut(), stop)?;
        if let Some(recorder) = recorder {
            let labels = Labels {
                antenna: Some(wish.antenna.to_owned()),
                ..Labels::default()
            };
            let written = recorder.finish(&survey.about, &labels)?;
            output::remark(&format!("samples kept in {}", written.meta.display()));
        }
        Ok(survey)
    }

    /// As many passes as are wanted, together; what a failure or Ctrl-C leaves of them is good.
    fn passes(
        wish: &Wish,
        live: &mut Live,
        plan: &[Setting],
        mut recorder: Option<&mut Recorder>,
        stop: &Stop,
    ) -> Result<Survey, Failure> {
        let mut whole: Option<Survey> = None;
        for passes in 1.. {
            let survey = match (
                live.pass(plan, wish.dwell_s, recorder.as_deref_mut(), stop),
                &whole,
            ) {
                (Ok(_), None) if stop.asked() => {
                    return Err(Failure::Failed(format!(
                        "{}: stopped before the end of its first pass; nothing was kept of it",
                        live.name
                    )));
                }
                (Ok(_), Some(_)) if stop.asked() => {
                    output::remark("stopped: the passes before this one are kept");
                    break;
                }
                (Ok(survey), _) => survey,
                (Err(error), Some(_)) => {
                    output::remark(&format!(
                        "pass {passes} failed ({error}): what was measured before it is kept"
                    ));
                    break;
                }
                (Err(error), None) => return Err(error.into()),
            };
            for problem in &survey.failed {
                output::remark(problem);
            }
            let joined = match whole.take() {
                Some(mut whole) => {
                    whole.join(survey);
                    whole
                }
                None => survey,
            };
            let enough = (wish.arguments.until)
                .is_none_or(|wanted_db| known(&(wish.read)(&joined), wanted_db, passes));
            whole = Some(joined);
            if enough {
                break;
            }
        }
        whole.ok_or_else(|| Failure::Failed(format!("{}: no pass was made", live.name)))
    }

    /// What was measured of this dongle before: how much to drop after tuning. False where nothing was.
    fn know(receiver: &mut Receiver, logbook: &Logbook) -> Result<bool, Failure> {
        let Some(text) = logbook.setting(&DongleFigures::key(&receiver.dongle().name()))? else {
            return Ok(false);
        };
        let figures: DongleFigures = serde_json::from_str(&text)?;
        let fitted = receiver.settings().clone().measured(&figures);
        receiver.set_discards(fitted.stale, fitted.settling);
        Ok(fitted.stale.is_some())
    }

    /// The gains that a take or a file names.
    fn gains(name: &str, logbook: Option<&Logbook>) -> Result<Vec<(f64, f64)>, Failure> {
        let none = || Failure::usage(format!("--gains {name}: it doesn't say its gains"));
        if let Ok(number) = name.parse::<i64>() {
            let take = logbook
                .ok_or_else(|| {
                    Failure::usage(format!(
                        "--gains {name}: there is no logbook yet to look take {name} up in"
                    ))
                })?
                .take(number)?;
            return Some(take.settings.gains_db)
                .filter(|gains| !gains.is_empty())
                .ok_or_else(none);
        }
        let text = fs::read_to_string(name).map_err(|error| {
            Failure::usage(format!(
                "--gains {name}: no take's number, and no file that can be read: {error}"
            ))
        })?;
        let json: serde_json::Value = serde_json::from_str(&text).map_err(|error| {
            Failure::usage(format!("--gains {name}: {error}: give the JSON of a take"))
        })?;
        let list = [&json["gains_db"], &json["takes"][0]["gains_db"]]
            .into_iter()
            .find(|list| list.is_array());
        let gains: Vec<(f64, f64)> = serde_json::from_value(list.cloned().unwrap_or_default())
            .map_err(|_| {
                Failure::usage(format!(
                    "--gains {name}: there is no list gains_db in it: give the JSON of a take"
                ))
            })?;
        Some(gains)
            .filter(|gains| !gains.is_empty())
            .ok_or_else(none)
    }

    /// Whether every channel is known well enough, or will never be; says which will not.
    fn known(readings: &[Reading], wanted_db: f64, passes: u64) -> bool {
        let precisions = precision(readings, wanted_db, passes);
        let ready = (precisions.iter()).all(|one| !matches!(one.outlook, Outlook::Passes(_)));
        if ready {
            for one in &precisions {
                let why = match (one.outlook, one.standard_error_db) {
                    (Outlook::Never, Some(error_db)) => format!(
                        "can't be known to {wanted_db} dB: it stands at {error_db:.2} dB after {passes} pass(es), and no \
                         sensible number more would do"
                    ),
                    (Outlook::NotFound, _) => {
                        "nothing was found whose level could be known".to_owned()
                    }
                    _ => continue,
                };
                output::remark(&format!("channel {}: {why}", one.channel));
            }
        }
        ready
    }
}
