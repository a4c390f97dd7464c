//! A dongle's time: how fast it runs beside the clock on the wall, and when it stands still.

use std::sync::{LazyLock, Mutex};
use std::time::{Duration, Instant};

use jiff::Timestamp;
use serde::Deserialize;

/// When the process first asked for the time; every dongle's time counts from here.
static BEGAN: LazyLock<(Instant, Timestamp)> = LazyLock::new(|| (Instant::now(), Timestamp::now()));
/// How far time has come in this process at no particular pace: a dongle opened again goes on from there.
static FAST_S: Mutex<f64> = Mutex::new(0.0);

/// How fast time runs.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
#[serde(try_from = "PaceInWords")]
pub enum Pace {
    /// So many times as fast as on the wall; 1 is real.
    Factor(f64),
    /// As fast as samples are taken off: time moves on with each transfer and each call, and stands still otherwise.
    Fast,
}

#[derive(Deserialize)]
#[serde(untagged)]
enum PaceInWords {
    Factor(f64),
    Word(String),
}

impl TryFrom<PaceInWords> for Pace {
    type Error = String;

    fn try_from(words: PaceInWords) -> Result<Self, String> {
        match words {
            PaceInWords::Factor(factor) if (0.01..=1000.0).contains(&factor) => {
                Ok(Pace::Factor(factor))
            }
            PaceInWords::Word(word) if word == "real" => Ok(Pace::Factor(1.0)),
            PaceInWords::Word(word) if word == "fast" => Ok(Pace::Fast),
            _ => Err("pace must be \"real\", \"fast\" or a factor of 0.01 to 1000".to_owned()),
        }
    }
}

/// Seconds from `epoch` until every dongle's time began.
pub fn began_after_s(epoch: Timestamp) -> f64 {
    BEGAN.1.duration_since(epoch).as_secs_f64()
}

/// The time of one dongle in seconds since the process began.
#[derive(Debug)]
pub struct Clock {
    pace: Pace,
    /// How far it is behind the wall's time, paced.
    behind_s: f64,
    fast_s: f64,
    stopped_at_s: Option<f64>,
}

impl Clock {
    pub fn new(pace: Pace) -> Self {
        LazyLock::force(&BEGAN);
        Clock {
            pace,
            behind_s: 0.0,
            fast_s: *FAST_S
                .lock()
                .unwrap_or_else(|poisoned| poisoned.into_inner()),
            stopped_at_s: None,
        }
    }

    pub fn now_s(&self) -> f64 {
        match (self.stopped_at_s, self.pace) {
            (Some(stopped_s), _) => stopped_s,
            (None, Pace::Factor(factor)) => {
                BEGAN.0.elapsed().as_secs_f64() * factor - self.behind_s
            }
            (None, Pace::Fast) => self.fast_s,
        }
    }

    /// How long to wait, on the wall, until it is `time_s`; `None` when it is, or when it is enough to
    /// [`reach`](Clock::reach) for it.
    pub fn wait_for(&self, time_s: f64) -> Option<Duration> {
        if self.stopped_at_s.is_some() {
            return Some(Duration::from_millis(5));
        }
        let Pace::Factor(factor) = self.pace else {
            return None;
        };
        let missing_s = (time_s - self.now_s()) / factor;
        (missing_s > 0.0).then(|| Duration::from_secs_f64(missing_s))
    }

    /// How long `time_s` lasts on the wall, at no particular pace no time at all.
    pub fn on_the_wall(&self, time_s: f64) -> Duration {
        match self.pace {
            Pace::Factor(factor) => Duration::from_secs_f64(time_s / factor),
            Pace::Fast => Duration::ZERO,
        }
    }

    /// At no particular pace: makes it `time_s`, unless it is later already.
    pub fn reach(&mut self, time_s: f64) {
        if self.pace == Pace::Fast && self.stopped_at_s.is_none() {
            self.fast_s = self.fast_s.max(time_s);
            let mut fast_s = FAST_S
                .lock()
                .unwrap_or_else(|poisoned| poisoned.into_inner());
            *fast_s = fast_s.max(self.fast_s);
        }
    }

    /// Puts it back by `time_s`.
    pub fn fall_behind(&mut self, time_s: f64) {
        self.behind_s += time_s;
    }

    /// Lets time stand still.
    pub fn stop(&mut self) {
        self.stopped_at_s = Some(self.now_s());
    }

    /// Lets time run again from where it stood.
    pub fn go_on(&mut self) {
        if let Some(stopped_s) = self.stopped_at_s.take() {
            self.behind_s += self.now_s() - stopped_s;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn time_stands_still_when_stopped_and_goes_on_from_there() {
        let mut clock = Clock::new(Pace::Factor(100.0));
        clock.stop();
        let stopped_s = clock.now_s();
        std::thread::sleep(Duration::from_millis(5));
        assert_eq!(clock.now_s(), stopped_s);
        clock.go_on();
        let now_s = clock.now_s();
        // 5 ms at this pace would have been half a second.
        assert!((stopped_s..stopped_s + 0.4).contains(&now_s));
    }

    #[test]
    fn at_no_particular_pace_time_moves_only_forwards_and_only_when_told() {
        let mut clock = Clock::new(Pace::Fast);
        let now_s = clock.now_s();
        clock.reach(now_s + 2.0);
        clock.reach(now_s + 1.0);
        assert_eq!(clock.now_s(), now_s + 2.0);
        assert_eq!(clock.wait_for(now_s + 9.0), None);
    }
}
