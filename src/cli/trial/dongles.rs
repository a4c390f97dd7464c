//! One dongle, or two at once.

use std::thread;

use gainsay::capture::dongle::Setting;
use gainsay::channels::Channel;
use gainsay::logbook::Logbook;
use gainsay::reading::Take;
use gainsay::reading::survey::Survey;
use gainsay::trial::Record;
use jiff::Timestamp;

use super::receiver::Receivers;
use crate::cli::Failure;
use crate::cli::live::Live;
use crate::cli::output;
use crate::cli::progress::Stop;

/// Dongles that are open, each with the gains of this trial.
pub struct Dongles {
    dongles: Vec<Live>,
    /// The plan of each; none before gains were looked for.
    plans: Vec<Vec<Setting>>,
    dwell_s: f64,
}

impl Dongles {
    /// Opens the dongles that a trial asks for: the only one where it names none.
    pub fn open(
        record: &Record,
        channels: &[Channel],
        logbook: Option<&Logbook>,
    ) -> Result<Dongles, Failure> {
        let names: Vec<Option<&str>> = match record.receivers.as_slice() {
            [] => vec![None],
            serials => serials.iter().map(|serial| Some(serial.as_str())).collect(),
        };
        Ok(Dongles {
            dongles: (names.into_iter())
                .map(|name| Live::open(name, None, channels, logbook))
                .collect::<Result<_, _>>()?,
            plans: Vec::new(),
            dwell_s: record.dwell_s,
        })
    }

    /// The same on each dongle at once.
    fn each<T: Send>(
        &mut self,
        work: impl Fn(usize, &mut Live) -> Result<T, Failure> + Sync,
    ) -> Result<Vec<T>, Failure> {
        thread::scope(|scope| {
            let working: Vec<_> = (self.dongles.iter_mut().enumerate())
                .map(|(index, live)| {
                    let work = &work;
                    scope.spawn(move || work(index, live))
                })
                .collect();
            // All are waited for, whatever the first says.
            let done: Vec<Result<T, Failure>> = (working.into_iter())
                .map(|one| {
                    one.join()
                        .unwrap_or_else(|panic| std::panic::resume_unwind(panic))
                })
                .collect();
            done.into_iter().collect()
        })
    }
}

impl Receivers for Dongles {
    fn dongles(&self) -> Vec<String> {
        self.dongles.iter().map(Live::dongle).collect()
    }

    fn wants_gains(&self) -> bool {
        self.plans.is_empty()
    }

    fn look(&mut self, stop: &Stop) -> Result<(), Failure> {
        let found = self.each(|_, live| live.look(stop))?;
        // Both dongles, and both antennas on each, at the lowest that any of them needs: so figures can be compared.
        let plans = [std::mem::take(&mut self.plans), found].concat();
        let all = || plans.iter().map(Vec::as_slice);
        self.plans = (self.dongles.iter())
            .map(|live| live.lowest_of(all()))
            .collect();
        Ok(())
    }

    fn reuse(&mut self, takes: &[Take]) -> Result<(), Failure> {
        self.plans = (self.dongles.iter().zip(takes))
            .map(|(live, take)| live.reuse(&take.settings.gains_db))
            .collect::<Result<_, _>>()?;
        Ok(())
    }

    fn pass(
        &mut self,
        _connected: &[Option<&str>],
        _begins: Timestamp,
        stop: &Stop,
    ) -> Result<Vec<Survey>, Failure> {
        let (plans, dwell_s) = (self.plans.clone(), self.dwell_s);
        let surveys =
            self.each(|index, live| Ok(live.pass(&plans[index], dwell_s, None, stop)?))?;
        for problem in surveys.iter().flat_map(|survey| &survey.failed) {
            output::remark(problem);
        }
        Ok(surveys)
    }
}
