//! A trial on its way: connect, take, keep, ask, look.

use gainsay::channels::{Channel, ChannelId};
use gainsay::compare::{Antenna, Options};
use gainsay::logbook::{Filter, Logbook};
use gainsay::reading::Take;
use gainsay::reading::assemble::{Subject, Wanted, assemble, stations};
use gainsay::reading::survey::Survey;
use gainsay::trial::look::Advice;
use gainsay::trial::order::other;
use gainsay::trial::receivers::{self, Block, ReceiversDifference, Round};
use gainsay::trial::record::Terminator;
use gainsay::trial::swap::{self, Case, Doubt};
use gainsay::trial::{Look, Plan, Record, Step, look};
use jiff::Timestamp;

use super::receiver::{Clock, Receivers};
use super::report::{self, Outcome};
use super::wait::{Pace, Waited, say};
use super::{forget, keep};
use crate::cli::Failure;
use crate::cli::input::{self, RawArguments};
use crate::cli::output::{Format, remark};
use crate::cli::progress::Stop;

/// In the note of a take that was kept in doubt.
const DOUBTED: &str = "; doubt: ";
/// In the note of a take that somebody was asked about and kept.
const VOUCHED: &str = "; kept on being asked: ";

/// A trial with all that it needs.
pub struct Session<'p> {
    record: Record,
    order: Plan,
    logbook: Logbook,
    wanted: Wanted<'p>,
    receivers: Box<dyn Receivers>,
    pace: Pace,
    stop: Stop,
    clock: Clock,
    /// The terminated take of each receiver; none where the noise is estimated, `None` before that is known.
    terminated: Option<Vec<Survey>>,
    /// The takes of each step so far, one a receiver; none where a step's take was deleted.
    done: Vec<Vec<Take>>,
    /// What is on each receiver; `None` where that isn't known.
    connected: Option<Vec<Antenna>>,
}

/// What becomes of a step's takes.
enum Fate {
    Stay,
    TakeAgain,
}

impl<'p> Session<'p> {
    pub fn new(
        record: Record,
        logbook: Logbook,
        wanted: Wanted<'p>,
        receivers: Box<dyn Receivers>,
        pace: Pace,
        stop: Stop,
    ) -> Session<'p> {
        Session {
            order: record.order(),
            clock: Clock::new(record.begins),
            record,
            logbook,
            wanted,
            receivers,
            pace,
            stop,
            terminated: None,
            done: Vec::new(),
            connected: None,
        }
    }

    /// Runs the trial from where it is to its end, and prints the result.
    pub fn run(mut self, stop_when_decided: bool, format: Format) -> Result<(), Failure> {
        self.done = self.taken()?;
        say(&report::heading(&self.record, self.takes_done()));
        if let Fate::TakeAgain = self.examine_last()? {
            self.connected = None;
        }
        if self.receivers.wants_gains() && self.done.len() < self.order.steps.len() {
            self.find_gains()?;
        }
        while self.done.len() < self.order.steps.len() {
            if self.terminated.is_none() {
                self.terminated = Some(self.terminate()?);
            }
            let before = self.order.whole_blocks(self.done.len());
            if let Fate::TakeAgain = self.step()? {
                continue;
            }
            let blocks = self.order.whole_blocks(self.done.len());
            if blocks > before
                && blocks < self.order.blocks
                && self.enough(blocks, stop_when_decided)?
            {
                break;
            }
        }
        self.finish(format)
    }

    fn takes_done(&self) -> usize {
        self.done.iter().map(Vec::len).sum()
    }

    /// What the logbook has of this trial.
    fn taken(&self) -> Result<Vec<Vec<Take>>, Failure> {
        let filter = Filter {
            spot: Some(self.record.spot.clone()),
            ..Filter::default()
        };
        let entries = self.logbook.list(&filter)?;
        let own = entries
            .iter()
            .filter(|entry| [&self.record.a, &self.record.b].contains(&&entry.antenna))
            .map(|entry| (entry.id, entry.note.as_str()));
        let take = |id: i64| Ok(self.logbook.take(id)?);
        (self.record.steps_done(own).into_iter())
            .map(|step| step.into_iter().map(take).collect())
            .collect()
    }

    /// Ctrl-C, or no input any more: says what is kept and how to go on.
    fn stopped(&self, why: &str) -> Failure {
        Failure::Failed(format!(
            "{why}; {} of {} takes are kept in {}; go on with gainsay trial --resume",
            self.takes_done(),
            self.order.takes(),
            self.logbook.path().display()
        ))
    }

    fn wait(&mut self, prompt: &str) -> Result<(), Failure> {
        match self.pace.wait(prompt, &mut self.logbook, &self.stop)? {
            Waited::GoOn => Ok(()),
            Waited::Stopped => Err(self.stopped("stopped")),
            Waited::InputEnded => Err(self.stopped(
                "standard input has ended, so that nobody can press Enter (--after 10s or --wait-for-go need none)",
            )),
        }
    }

    /// A pass on each receiver.
    fn pass(
        &mut self,
        connected: &[Option<&str>],
        number: usize,
    ) -> Result<(Timestamp, Vec<Survey>), Failure> {
        let begins = self.clock.at(number);
        match self.receivers.pass(connected, begins, &self.stop) {
            _ if self.stop.asked() => Err(self.stopped("stopped")),
            Err(Failure::Failed(problem)) => Err(self.stopped(&problem)),
            surveys => Ok((begins, surveys?)),
        }
    }

    /// Finds the gains: those of the takes so far, else what suits both antennas.
    fn find_gains(&mut self) -> Result<(), Failure> {
        if let Some(takes) = self
            .done
            .iter()
            .find(|takes| takes.len() == self.order.receivers)
        {
            return self.receivers.reuse(takes);
        }
        // The first step's antennas last, though a terminator comes between.
        let first = self.order.steps[0].connected.clone();
        let swapped: Vec<Antenna> = first.iter().map(|&antenna| other(antenna)).collect();
        for connected in [swapped, first] {
            let names: Vec<&str> = connected
                .iter()
                .map(|&antenna| self.name_of(antenna))
                .collect();
            let prompt = match (names.as_slice(), self.record.receivers.as_slice()) {
                ([one, two], [first, second]) => {
                    format!(
                        "To find the gains: connect {one} to dongle {first} and {two} to dongle {second}"
                    )
                }
                _ => format!("To find the gains: connect {}", names.join(", ")),
            };
            self.wait(&prompt)?;
            match self.receivers.look(&self.stop) {
                _ if self.stop.asked() => return Err(self.stopped("stopped")),
                Err(Failure::Failed(problem)) => return Err(self.stopped(&problem)),
                found => found?,
            }
        }
        Ok(())
    }

    /// Finds out the noise.
    fn terminate(&mut self) -> Result<Vec<Survey>, Failure> {
        let terminator = self.record.terminator.clone();
        Ok(match terminator {
            Terminator::Absent => Vec::new(),
            Terminator::Recording(name) => vec![self.recorded(&name)?],
            Terminator::First => {
                self.connected = None;
                self.wait(match self.order.receivers {
                    2 => "Put a terminator on each dongle",
                    _ => "Put the terminator on",
                })?;
                let (begins, mut surveys) = self.pass(&vec![None; self.order.receivers], 0)?;
                // Errors of one terminated take are common to all takes that it serves, so each needs a name of its own.
                for survey in &mut surveys {
                    (survey.serves(survey)).map_err(|error| self.stopped(&error.to_string()))?;
                    survey.about.name += &format!(", terminated {begins:.3}");
                }
                let heard: Option<Vec<ChannelId>> = (surveys.iter())
                    .map(|survey| stations(survey, &self.wanted))
                    .find(|heard| !heard.is_empty());
                if let Some(heard) = heard {
                    remark(&report::not_terminated(&heard, "gainsay trial --resume"));
                    surveys.clear();
                }
                surveys
            }
        })
    }

    fn recorded(&self, name: &str) -> Result<Survey, Failure> {
        if !input::names_scene(name) {
            let raw = RawArguments {
                rate: None,
                tuned: None,
            };
            return input::survey(name, raw, &[], &self.stop);
        }
        let (spot, channels) = (&self.record.spot, self.wanted.channels());
        let mut source = input::scene(
            name,
            None,
            spot,
            channels,
            self.clock.at(0),
            self.record.dwell_s,
        )?;
        input::pass(name, &mut source, None, &[] as &[Channel], &self.stop)
    }

    fn name_of(&self, antenna: Antenna) -> &str {
        match antenna {
            Antenna::A => &self.record.a,
            Antenna::B => &self.record.b,
        }
    }

    /// Asks for the antennas of the next step, takes, and keeps; what is in doubt may have to be taken again.
    fn step(&mut self) -> Result<Fate, Failure> {
        let index = self.done.len();
        let step = self.order.steps[index].clone();
        if self.connected.as_ref() != Some(&step.connected) {
            self.wait(&self.prompt(index, &step))?;
            self.connected = Some(step.connected.clone());
        }
        let takes = self.take(index, &step)?;
        self.done.push(takes);
        let fate = self.examine_last()?;
        if let Fate::TakeAgain = fate {
            self.connected = None;
            self.clock.again();
        }
        Ok(fate)
    }

    fn prompt(&self, index: usize, step: &Step) -> String {
        let (first, of) = (index * self.order.receivers + 1, self.order.takes());
        let name = |antenna: &Antenna| self.name_of(*antenna);
        match (step.connected.as_slice(), self.record.receivers.as_slice()) {
            ([one, two], [first_dongle, second_dongle]) => format!(
                "Takes {first} and {} of {of}: connect {} to dongle {first_dongle} and {} to dongle {second_dongle}",
                first + 1,
                name(one),
                name(two)
            ),
            (connected, _) => {
                let names: Vec<&str> = connected.iter().map(name).collect();
                format!("Take {first} of {of}: connect {}", names.join(", "))
            }
        }
    }

    /// Makes the takes of a step and keeps them.
    fn take(&mut self, index: usize, step: &Step) -> Result<Vec<Take>, Failure> {
        let names: Vec<String> = (step.connected.iter())
            .map(|&antenna| self.name_of(antenna).to_owned())
            .collect();
        let connected: Vec<Option<&str>> = names.iter().map(|name| Some(name.as_str())).collect();
        let (begins, surveys) = self.pass(&connected, index + 1)?;
        let first_place = index * self.order.receivers;
        let mut takes = Vec::new();
        for (receiver, (survey, antenna)) in surveys.iter().zip(&names).enumerate() {
            let terminated = self.terminated.as_ref().and_then(|all| all.get(receiver));
            if let Some(terminated) = terminated {
                terminated.serves(survey)?;
            }
            let subject = Subject {
                antenna: antenna.clone(),
                spot: self.record.spot.clone(),
                note: self.record.mark(first_place + receiver),
                taken_at: begins,
                ..Subject::default()
            };
            let take = assemble(survey, terminated, &self.wanted, None, subject);
            survey.covers_any(&take.readings, &self.wanted)?;
            takes.push(take);
        }
        let ids = self.logbook.append_all(&takes)?;
        for (take, id) in takes.iter_mut().zip(&ids) {
            take.id = Some(*id);
        }
        for (place, &id) in (first_place..).zip(&ids) {
            self.record.keep(place, id);
        }
        keep(&mut self.logbook, &self.record)?;
        for (take, place) in takes.iter().zip(first_place..) {
            let id = take.id.unwrap_or_default();
            say(&format!(
                "Take {} of {} ({}) is kept as number {id}.\n",
                place + 1,
                self.order.takes(),
                take.antenna
            ));
        }
        Ok(takes)
    }

    /// Whether the last step's takes look like the other antenna, and what becomes of them then.
    fn examine_last(&mut self) -> Result<Fate, Failure> {
        let Some((takes, earlier)) = self.done.split_last() else {
            return Ok(Fate::Stay);
        };
        let asked = |take: &Take| take.note.contains(DOUBTED) || take.note.contains(VOUCHED);
        if takes.is_empty() || takes.iter().any(asked) {
            return Ok(Fate::Stay);
        }
        let step = &self.order.steps[earlier.len()];
        let cases: Vec<Case> = (takes.iter().zip(&step.connected).enumerate())
            .map(|(receiver, (take, &should))| {
                let of = |antenna| self.earlier(earlier, receiver, antenna);
                Case {
                    take,
                    same: of(should),
                    other: of(other(should)),
                }
            })
            .collect();
        let Some(doubt) = swap::doubt(&cases) else {
            return Ok(Fate::Stay);
        };
        let should = step.connected[0];
        self.settle(&doubt, should)
    }

    /// Earlier takes of an antenna on a receiver that are not in doubt themselves.
    fn earlier<'t>(
        &self,
        steps: &'t [Vec<Take>],
        receiver: usize,
        antenna: Antenna,
    ) -> Vec<&'t Take> {
        (steps.iter().zip(&self.order.steps))
            .filter(|(_, step)| step.connected[receiver] == antenna)
            .filter_map(|(takes, _)| takes.get(receiver))
            .filter(|take| !take.note.contains(DOUBTED))
            .collect()
    }

    /// Asks about a doubt; where nobody can be asked, the takes stay and their notes say so.
    fn settle(&mut self, doubt: &Doubt, should: Antenna) -> Result<Fate, Failure> {
        let why = report::doubt(doubt, self.name_of(should), self.name_of(other(should)));
        let last = self.done.len();
        remark(&format!(
            "was the plug swapped before take {}? {why}",
            self.first_number(last - 1)
        ));
        // Of the first takes of both, either may be the one that is wrong.
        let question = "[k]eep it as it is, take it [a]gain, or was it the [o]ther antenna? Or was it the one [b]efore: both \
                        again?";
        match self.pace.ask(question, "kaob", &self.stop) {
            Some('k') => self.note_last(VOUCHED, &why).map(|()| Fate::Stay),
            Some('a') => self.put_aside(false),
            Some('b') => {
                self.put_aside(false)?;
                self.put_aside(false)
            }
            Some(_) => self.put_aside(true),
            None if self.stop.asked() => Err(self.stopped("stopped")),
            None => {
                remark("it is kept, with the doubt in its note");
                self.note_last(DOUBTED, &why).map(|()| Fate::Stay)
            }
        }
    }

    fn first_number(&self, step: usize) -> usize {
        step * self.order.receivers + 1
    }

    fn note_last(&mut self, word: &str, why: &str) -> Result<(), Failure> {
        for take in self.done.last_mut().into_iter().flatten() {
            take.note += &format!("{word}{why}");
            if let Some(id) = take.id {
                self.logbook.note(id, &take.note)?;
            }
        }
        Ok(())
    }

    /// Takes the last step's takes out of the trial; they can be restored. Where they are the other antenna's they are put
    /// aside under its name.
    fn put_aside(&mut self, is_other: bool) -> Result<Fate, Failure> {
        let Some(takes) = self.done.pop() else {
            return Ok(Fate::TakeAgain);
        };
        for mut take in takes {
            let Some(mut id) = take.id else { continue };
            if is_other {
                let was = take.antenna.clone();
                let is = if was == self.record.a {
                    &self.record.b
                } else {
                    &self.record.a
                };
                take.antenna = is.clone();
                take.note = format!("{is}, taken for {was} in a trial at first");
                let renamed = self.logbook.append(&take)?;
                self.logbook.delete(renamed, Timestamp::now())?;
                self.logbook.delete(id, Timestamp::now())?;
                id = renamed;
            } else {
                self.logbook.delete(id, Timestamp::now())?;
            }
            say(&format!(
                "Put aside as a take of {}; `gainsay log restore {id}` brings it back.\n",
                take.antenna
            ));
        }
        Ok(Fate::TakeAgain)
    }

    /// Shows what the takes say after so many blocks, and whether that is enough.
    fn enough(&mut self, blocks: usize, stop_when_decided: bool) -> Result<bool, Failure> {
        let (look, _) = self.look(blocks)?;
        say(&report::running(&look, &self.record));
        let (why, by_itself) = match look.advice {
            Advice::AllDecided => (
                "All channels that can be compared are decided.",
                stop_when_decided,
            ),
            Advice::WontHelp => (
                "More blocks of this trial can't be expected to decide more.",
                false,
            ),
            Advice::GoOn | Advice::Done => return Ok(false),
        };
        say(&format!("{why}\n"));
        let stops =
            by_itself || self.pace.ask("Stop here? [y]es, [n]o", "yn", &self.stop) == Some('y');
        if self.stop.asked() {
            return Err(self.stopped("stopped"));
        }
        Ok(stops)
    }

    /// The comparison after so many blocks, and what the receivers differ by where there are two.
    fn look(&self, blocks: usize) -> Result<(Look, Option<ReceiversDifference>), Failure> {
        let options = Options {
            verdict_level: Some(self.record.verdict_level),
            ..Options::default()
        };
        let (a, b, receivers) = if self.order.receivers == 2 {
            let blocks = self.blocks_of_two();
            let (a, b) = receivers::side_by_side(&blocks)?;
            (a, b, Some(receivers::difference(&blocks)))
        } else {
            let of = |antenna| self.earlier_all(antenna);
            (of(Antenna::A), of(Antenna::B), None)
        };
        let look = look(&a, &b, blocks, self.order.blocks, &options)?;
        Ok((look, receivers))
    }

    /// All takes of an antenna on a single receiver.
    fn earlier_all(&self, antenna: Antenna) -> Vec<Take> {
        (self.done.iter().zip(&self.order.steps))
            .filter(|(_, step)| step.connected[0] == antenna)
            .flat_map(|(takes, _)| takes.iter().cloned())
            .collect()
    }

    /// The blocks that are whole, with two receivers.
    fn blocks_of_two(&self) -> Vec<Block> {
        let round = |takes: &Vec<Take>, step: &Step| {
            let takes: [Take; 2] = takes.clone().try_into().ok()?;
            let connected: [Antenna; 2] = step.connected.clone().try_into().ok()?;
            Some(Round { connected, takes })
        };
        (self
            .done
            .chunks_exact(2)
            .zip(self.order.steps.chunks_exact(2)))
        .filter_map(|(takes, steps)| {
            Some([round(&takes[0], &steps[0])?, round(&takes[1], &steps[1])?])
        })
        .collect()
    }

    /// Prints the result; the trial is no longer under way.
    fn finish(mut self, format: Format) -> Result<(), Failure> {
        let blocks = self.order.whole_blocks(self.done.len());
        let (look, receivers) = self.look(blocks)?;
        let outcome = Outcome {
            look: &look,
            receivers: receivers.as_ref(),
            record: &self.record,
            takes: self
                .done
                .iter()
                .flatten()
                .filter_map(|take| take.id)
                .collect(),
        };
        outcome.print(format)?;
        forget(&mut self.logbook)
    }
}
