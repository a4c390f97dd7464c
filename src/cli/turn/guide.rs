//! A rotation live: says where to turn the antenna, takes, keeps, and shows how it stands.

use gainsay::reading::Take;

use super::Asked;
use crate::cli::Failure;

#[cfg(not(feature = "dongle"))]
pub fn takes(_: &Asked, _every_deg: f64) -> Result<Vec<Take>, Failure> {
    Err(crate::cli::live::unavailable())
}

#[cfg(feature = "dongle")]
pub fn takes(asked: &Asked, every_deg: f64) -> Result<Vec<Take>, Failure> {
    with_dongle::takes(asked, every_deg)
}

#[cfg(feature = "dongle")]
mod with_dongle {
    use gainsay::capture::CaptureError;
    use gainsay::capture::dongle::Setting;
    use gainsay::logbook::{Filter, Logbook};
    use gainsay::reading::assemble::{Subject, Wanted, assemble, stations};
    use gainsay::reading::survey::Survey;
    use gainsay::reading::{Bearing, Health, State, Take};
    use gainsay::survey::turn::{self, LEAST_BEARINGS, Options, same_bearing};
    use jiff::Timestamp;

    use super::super::{Asked, PAUSE};
    use crate::cli::live::Live;
    use crate::cli::output;
    use crate::cli::progress::Stop;
    use crate::cli::trial::report::{self, CAUTION, CAUTIONS};
    use crate::cli::trial::wait::{Keyboard, Pace, Waited, say};
    use crate::cli::{Failure, input};

    /// Draws for what is shown on the way.
    const DRAWS_ON_THE_WAY: usize = 100;

    /// A rotation under way.
    struct Session<'a> {
        asked: &'a Asked<'a>,
        wanted: Wanted<'a>,
        logbook: Logbook,
        pace: Pace,
        stop: Stop,
        /// Bearings to take, the first once more at the end.
        order: Vec<f64>,
        done: Vec<Take>,
        /// What the notes of this rotation's takes begin with.
        mark: String,
    }

    /// What came of a take.
    enum Taken {
        /// It is kept.
        Kept,
        /// It clipped, and lower gains, which are these, would not.
        TooStrong(Vec<Setting>),
    }

    /// Takes at every bearing that is missing.
    pub fn takes(asked: &Asked, every_deg: f64) -> Result<Vec<Take>, Failure> {
        let arguments = asked.arguments;
        let plan = arguments.channels.plan()?;
        let wanted = arguments.channels.wanted(&plan)?;
        let stop = Stop::watch();
        let mut order = asked.bearings(every_deg);
        order.extend(order.first().copied());
        let path = arguments.log.path()?;
        let known = Logbook::open_existing(&path).ok();
        let rate = arguments.raw.rate;
        let mut live = Live::open(
            arguments.dongle.as_deref(),
            rate,
            wanted.channels(),
            known.as_ref(),
        )?;
        let logbook = Logbook::open(&path)?;
        let pace = match arguments.after {
            Some(time) => Pace::After(time),
            None => Pace::Enter(Keyboard::new()),
        };
        let done = if arguments.anew {
            Vec::new()
        } else {
            begun(&logbook, asked, live.name())?
        };
        match (arguments.outdoors, done.is_empty()) {
            (true, _) => say(CAUTIONS),
            (false, true) => say(CAUTION),
            (false, false) => {}
        }
        let mut session = Session {
            mark: (done.iter().find_map(turn::mark_of))
                .map_or_else(|| turn::mark(Timestamp::now()), str::to_owned),
            done,
            asked,
            wanted,
            logbook,
            pace,
            stop,
            order,
        };
        session.run(&mut live)?;
        Ok(session.done)
    }

    /// Takes of this rotation that were made, with the same dongle, before it was stopped.
    fn begun(logbook: &Logbook, asked: &Asked, source: &str) -> Result<Vec<Take>, Failure> {
        let filter = Filter {
            antenna: Some(asked.antenna.clone()),
            spot: Some(asked.spot.clone()),
            deleted: false,
        };
        let mut takes = logbook.load(&filter)?;
        takes.retain(|take| take.source == source);
        let goes_on = |takes: &Vec<Take>| {
            takes.last().is_some_and(|last| {
                Timestamp::now().duration_since(last.taken_at) <= PAUSE
                    && last.bearing.as_ref().is_some_and(|b| b.from == asked.zero)
            })
        };
        let last = turn::rotations(takes, PAUSE).pop();
        Ok(last.filter(goes_on).unwrap_or_default())
    }

    /// Whether the converter clipped in any channel.
    fn clipped(take: &Take) -> bool {
        let clipped = |health: &Health| matches!(health, Health::Clipped { .. });
        take.readings.iter().any(|r| r.health.iter().any(clipped))
    }

    /// A bearing in words: whole degrees, or as fine as need be.
    fn degrees(bearing_deg: f64) -> String {
        format!("{}°", (bearing_deg * 10.0).round() / 10.0)
    }

    impl Session<'_> {
        fn run(&mut self, live: &mut Live) -> Result<(), Failure> {
            let missing = self.missing();
            say(&format!(
                "{}   at {}: {} takes, bearings clockwise from {} (seen from above){}. Ctrl-C keeps what is taken.\n",
                self.asked.antenna,
                self.asked.spot,
                self.order.len(),
                self.asked.zero,
                match self.order.len() - missing.len() {
                    0 => String::new(),
                    made => format!("; {made} made already, --anew begins another rotation"),
                }
            ));
            let Some(&(_, first)) = missing.first() else {
                return Ok(());
            };
            let mut plan = self.gains(live, first)?;
            let terminated = self.terminated(live, &plan)?;
            // Where the gains were looked for and no terminator came after, the antenna is on and looks the right way.
            let terminator_is_on =
                terminated.is_some() && self.asked.arguments.terminated.is_none();
            let mut ready = self.done.is_empty() && !terminator_is_on;
            let mut connected = ready;
            while let Some(&next) = self.missing().first() {
                if !std::mem::take(&mut ready) {
                    let prompt = self.prompt(next.0, next.1, connected);
                    self.wait(&prompt)?;
                }
                connected = true;
                if let Taken::TooStrong(lower) =
                    self.take(live, &plan, terminated.as_ref(), next)?
                {
                    self.begin_from(next, &plan, &lower)?;
                    plan = lower;
                    // It looks there already.
                    ready = true;
                }
            }
            Ok(())
        }

        /// Goes round from this bearing on, the earlier ones after it: their takes were made with gains that clip here. They
        /// are put aside.
        fn begin_from(
            &mut self,
            (place, bearing_deg): (usize, f64),
            plan: &[Setting],
            lower: &[Setting],
        ) -> Result<(), Failure> {
            let lowered = (plan.iter().zip(lower)).filter(|(old, new)| old.gain != new.gain);
            let most_db = (lowered.clone())
                .map(|(old, new)| old.gain.0 - new.gain.0)
                .fold(0.0, f64::max);
            say(&format!(
                "The converter clips at {}: more arrives here than where the gains were found. {} of {} tunings get up to \
                 {most_db:.1} dB less gain from here on.\n",
                degrees(bearing_deg),
                lowered.count(),
                plan.len()
            ));
            let mut numbers = Vec::new();
            for take in self.done.drain(..) {
                if let Some(id) = take.id {
                    self.logbook.delete(id, Timestamp::now())?;
                    numbers.push(id.to_string());
                }
            }
            if !numbers.is_empty() {
                say(&format!(
                    "The bearings taken before come again after the others, at the same gains; their takes (numbers {}) \
                     are put aside, and `gainsay log restore` brings them back.\n",
                    numbers.join(", ")
                ));
            }
            // The last is the first once more.
            self.order.pop();
            let round = self.order.len();
            self.order.rotate_left(place % round);
            self.order.push(bearing_deg);
            Ok(())
        }

        fn prompt(&self, place: usize, bearing_deg: f64, connected: bool) -> String {
            let (antenna, of) = (&self.asked.antenna, self.order.len());
            let turn = match connected {
                true => format!("turn {antenna} to"),
                false => format!("connect {antenna} and turn it to"),
            };
            format!(
                "Take {} of {of}: {turn} {}{}",
                place + 1,
                degrees(bearing_deg),
                if place + 1 == of { " once more" } else { "" }
            )
        }

        /// Place and bearing of what is still to be taken: a bearing that stands twice in the order is wanted twice.
        fn missing(&self) -> Vec<(usize, f64)> {
            let mut left: Vec<f64> = (self.done.iter())
                .filter_map(|take| Some(take.bearing.as_ref()?.degrees))
                .collect();
            let mut missing = Vec::new();
            for (place, &bearing_deg) in self.order.iter().enumerate() {
                match left
                    .iter()
                    .position(|&have| same_bearing(have, bearing_deg))
                {
                    Some(at) => drop(left.swap_remove(at)),
                    None => missing.push((place, bearing_deg)),
                }
            }
            missing
        }

        fn stopped(&self, why: &str) -> Failure {
            Failure::Failed(format!(
                "{why}; {} of {} takes are kept in {}; the same command goes on with those that are missing",
                self.done.len(),
                self.order.len(),
                self.logbook.path().display()
            ))
        }

        /// What went well; else why the rotation stops here.
        fn checked<T>(&self, result: Result<T, CaptureError>) -> Result<T, Failure> {
            result.map_err(|error| self.stopped(&error.to_string()))
        }

        fn wait(&mut self, prompt: &str) -> Result<(), Failure> {
            match self.pace.wait(prompt, &mut self.logbook, &self.stop)? {
                Waited::GoOn => Ok(()),
                Waited::Stopped => Err(self.stopped("stopped")),
                Waited::InputEnded => Err(self.stopped(
                    "standard input has ended, so that nobody can press Enter (--after 10s needs none)",
                )),
            }
        }

        /// The gains of the takes so far, else what suits the first bearing.
        fn gains(&mut self, live: &mut Live, first_deg: f64) -> Result<Vec<Setting>, Failure> {
            if !self.done.is_empty() {
                return self.gains_so_far(live);
            }
            self.wait(&format!(
                "To find the gains: connect {} and turn it to {}",
                self.asked.antenna,
                degrees(first_deg)
            ))?;
            self.look(live)
        }

        /// The gains of the takes so far, each of which may lack tunings that failed.
        fn gains_so_far(&self, live: &Live) -> Result<Vec<Setting>, Failure> {
            let gains_db: Vec<(f64, f64)> = (self.done.iter())
                .flat_map(|take| take.settings.gains_db.iter().copied())
                .collect();
            live.reuse(&gains_db).map_err(|_| {
                Failure::usage(format!(
                    "the {} take(s) of this rotation so far were made of other channels or at another rate: go on with \
                     the same --channels and --rate, or begin another rotation with --anew",
                    self.done.len()
                ))
            })
        }

        fn terminated(
            &mut self,
            live: &mut Live,
            plan: &[Setting],
        ) -> Result<Option<Survey>, Failure> {
            let arguments = self.asked.arguments;
            if let Some(name) = &arguments.terminated {
                return input::survey(name, arguments.raw, &[], &self.stop).map(Some);
            }
            if arguments.no_terminator {
                return Ok(None);
            }
            self.wait("Put the terminator on")?;
            let mut survey = self.pass(live, plan)?;
            self.checked(survey.serves(&survey))?;
            let heard = stations(&survey, &self.wanted);
            if !heard.is_empty() {
                output::remark(&report::not_terminated(
                    &heard,
                    "the same command with --anew",
                ));
                return Ok(None);
            }
            survey.about.name += &format!(", terminated {:.3}", Timestamp::now());
            Ok(Some(survey))
        }

        fn pass(&self, live: &mut Live, plan: &[Setting]) -> Result<Survey, Failure> {
            match live.pass(plan, self.asked.dwell_s(), None, &self.stop) {
                _ if self.stop.asked() => Err(self.stopped("stopped")),
                survey => self.checked(survey),
            }
        }

        fn take(
            &mut self,
            live: &mut Live,
            plan: &[Setting],
            terminated: Option<&Survey>,
            (place, bearing_deg): (usize, f64),
        ) -> Result<Taken, Failure> {
            let begins = Timestamp::now();
            let survey = self.pass(live, plan)?;
            for problem in &survey.failed {
                output::remark(problem);
            }
            if let Some(terminated) = terminated {
                self.checked(terminated.serves(&survey))?;
            }
            let subject = Subject {
                antenna: self.asked.antenna.clone(),
                spot: self.asked.spot.clone(),
                note: self.mark.clone(),
                taken_at: begins,
                bearing: Some(Bearing {
                    degrees: bearing_deg,
                    from: self.asked.zero.clone(),
                }),
                ..Subject::default()
            };
            let mut take = assemble(&survey, terminated, &self.wanted, None, subject);
            self.checked(survey.covers_any(&take.readings, &self.wanted))?;
            if clipped(&take)
                && let Some(lower) = self.lower(live, plan)?
            {
                return Ok(Taken::TooStrong(lower));
            }
            take.id = Some(self.logbook.append(&take)?);
            self.tell(place, bearing_deg, &take);
            self.done.push(take);
            self.tell_best();
            Ok(Taken::Kept)
        }

        /// Gains that suit what arrives here as well; `None` where they are as low already.
        fn lower(
            &self,
            live: &mut Live,
            plan: &[Setting],
        ) -> Result<Option<Vec<Setting>>, Failure> {
            let found = self.look(live)?;
            let lower = live.lowest_of([plan, found.as_slice()]);
            Ok((lower != plan).then_some(lower))
        }

        /// Looks for the gains here.
        fn look(&self, live: &mut Live) -> Result<Vec<Setting>, Failure> {
            match live.look(&self.stop) {
                _ if self.stop.asked() => Err(self.stopped("stopped")),
                Err(Failure::Failed(problem)) => Err(self.stopped(&problem)),
                found => found,
            }
        }

        fn tell(&self, place: usize, bearing_deg: f64, take: &Take) {
            let firm = take
                .readings
                .iter()
                .filter(|r| r.state == Some(State::Firm))
                .count();
            say(&format!(
                "Take {} of {} ({}) is kept as number {}: {firm} channel(s) firm.\n",
                place + 1,
                self.order.len(),
                degrees(bearing_deg),
                take.id.unwrap_or_default()
            ));
            if clipped(take) {
                say(
                    "The converter clipped at the lowest gain too: put an attenuator before the dongle.\n",
                );
            }
        }

        /// Where to aim as far as is known.
        fn tell_best(&self) {
            if self.done.len() < LEAST_BEARINGS {
                return;
            }
            let options = Options {
                draws: DRAWS_ON_THE_WAY,
                ..Options::default()
            };
            let Ok(rotation) = turn::pattern(&self.done, &options) else {
                return;
            };
            if let Some(sentence) = rotation.meaning.first() {
                say(&format!("So far: {sentence}\n"));
            }
        }
    }
}
