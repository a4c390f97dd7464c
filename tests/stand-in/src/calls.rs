//! The calls that set a dongle: how long they take, when they hold, what they return.

use std::sync::{Arc, PoisonError};
use std::time::{Duration, Instant};

use crate::config::{Dongle, Kind};
use crate::device::{BUSY, Device, INVALID, Reading, State};
use crate::receiver::{Heard, Setting};
use crate::timeline::{Entry, Timeline};

/// What an R820T can be tuned to.
const TUNES_HZ: std::ops::RangeInclusive<u32> = 24_000_000..=1_766_000_000;
/// Longest that a call waits, at no particular pace, for a stream that doesn't move on.
const WAITS_AT_MOST: Duration = Duration::from_millis(100);

impl Device {
    /// Waits until `takes_ms` of the dongle's time have passed since `from_s`.
    fn wait(&self, from_s: f64, takes_ms: f64) {
        let until_s = from_s + takes_ms / 1e3;
        let begun = Instant::now();
        loop {
            let mut state = self.state();
            if state.clock.now_s() >= until_s {
                return;
            }
            let streams = state.reading == Reading::Running;
            let wait = match state.clock.wait_for(until_s) {
                Some(wait) => wait,
                // At no particular pace the stream moves time on, where there is one.
                None if streams && begun.elapsed() < WAITS_AT_MOST => Duration::from_millis(1),
                None => return state.clock.reach(until_s),
            };
            drop(self.changed.wait_timeout(state, wait));
        }
    }

    /// A call that takes `takes_ms`: `prepare` at its beginning, `set` at its end.
    fn call<T>(
        &self,
        takes_ms: impl Fn(&Dongle) -> f64,
        prepare: impl FnOnce(&mut State) -> Result<T, i32>,
        set: impl FnOnce(&mut State, T),
    ) -> i32 {
        let _one_at_a_time = self.control.lock().unwrap_or_else(PoisonError::into_inner);
        let mut state = self.state();
        state.look();
        if state.unplugged.is_some() {
            return -1;
        }
        if state.reads_on == Some(std::thread::current().id()) {
            // libusb handles no transfer within the callback of another.
            return BUSY;
        }
        let prepared = match prepare(&mut state) {
            Ok(prepared) => prepared,
            Err(code) => return code,
        };
        let (from_s, takes_ms) = (state.clock.now_s(), takes_ms(&state.own));
        drop(state);
        self.wait(from_s, takes_ms);
        set(&mut self.state(), prepared);
        0
    }

    pub fn set_centre(&self, centre_hz: u32) -> i32 {
        let code = self.call(
            |own| own.retune_ms,
            |state| {
                state.tunings += 1;
                if let Some(fault) = state.fault(Kind::TuningRefused) {
                    return Err(fault.returns.unwrap_or(INVALID));
                }
                if let Some(fault) = state.fault(Kind::Unplugged) {
                    state.pull_out(fault.returns);
                    return Err(-1);
                }
                if !TUNES_HZ.contains(&centre_hz) {
                    return Err(INVALID);
                }
                let setting = Setting {
                    centre_hz,
                    ..state.setting
                };
                state.hear(setting).map(|heard| (setting, heard))
            },
            |state, (setting, heard)| {
                state.setting = setting;
                let (now_s, lock_s) = (state.clock.now_s(), state.own.lock_ms / 1e3);
                state.timeline.retune(now_s, heard, lock_s);
                state.note("tuned", centre_hz);
            },
        );
        if code < 0 {
            self.state().setting.centre_hz = 0;
        }
        code
    }

    pub fn set_correction(&self, correction_ppm: i32) -> i32 {
        if self.state().setting.correction_ppm == correction_ppm {
            return -2;
        }
        self.call(
            |own| own.retune_ms,
            |state| {
                let setting = Setting {
                    correction_ppm,
                    ..state.setting
                };
                state.hear(setting).map(|heard| (setting, heard))
            },
            |state, (setting, heard)| {
                state.set_all(setting, heard.clone());
                let (now_s, lock_s) = (state.clock.now_s(), state.own.lock_ms / 1e3);
                state.timeline.retune(now_s, heard, lock_s);
            },
        )
    }

    pub fn set_rate(&self, asked_hz: u32) -> i32 {
        if !matches!(asked_hz, 225_001..=300_000 | 900_001..=3_200_000) {
            eprintln!("Invalid sample rate: {asked_hz} Hz");
            return INVALID;
        }
        let exact_hz = exact_rate_hz(asked_hz);
        if exact_hz != f64::from(asked_hz) {
            eprintln!("Exact sample rate is: {exact_hz:.6} Hz");
        }
        self.call(
            |own| own.rate_ms,
            |state| {
                let setting = Setting {
                    rate_hz: exact_hz as u32,
                    ..state.setting
                };
                state.hear(setting).map(|heard| (setting, heard))
            },
            |state, (setting, heard)| {
                state.rate_set = true;
                state.set_all(setting, heard);
                state.note("rate", setting.rate_hz);
            },
        )
    }

    pub fn set_gain(&self, tenths: i32) -> i32 {
        let code = self.set_step(|own| Some(own.step(tenths)));
        self.state().gain = if code == 0 { tenths } else { 0 };
        code
    }

    /// As the real library does it, manual mode begins with a gain of 0 dB.
    pub fn set_gain_mode(&self, manual: bool) -> i32 {
        self.set_step(|own| manual.then(|| own.step(0)))
    }

    fn set_step(&self, step: impl Fn(&Dongle) -> Option<i32>) -> i32 {
        self.call(
            |own| own.gain_ms,
            |_| Ok(()),
            |state, ()| {
                state.step = step(&state.own);
                state.levels_changed();
                match state.step {
                    Some(step) => state.note("gain", step),
                    None => state.note("gain", "automatic"),
                }
            },
        )
    }

    pub fn set_agc(&self, on: bool) -> i32 {
        self.set_level(|state| state.agc = on)
    }

    pub fn set_test_mode(&self, on: bool) -> i32 {
        self.set_level(|state| state.test_mode = on)
    }

    fn set_level(&self, set: impl FnOnce(&mut State)) -> i32 {
        self.call(
            |_| 1.0,
            |_| Ok(()),
            |state, ()| {
                set(state);
                state.levels_changed();
            },
        )
    }

    /// Any other call: it takes a millisecond and changes nothing that is heard.
    pub fn set_other(&self, set: impl FnOnce(&mut State)) -> i32 {
        self.call(|_| 1.0, |_| Ok(()), |state, ()| set(state))
    }

    /// The gain that was asked for last, as the library remembers it.
    pub fn gain(&self) -> i32 {
        self.state().gain
    }

    /// The sample rate that was set; 0 before.
    pub fn rate(&self) -> u32 {
        let state = self.state();
        if state.rate_set {
            state.setting.rate_hz
        } else {
            0
        }
    }
}

impl State {
    /// Sample rate, or correction: samples are counted afresh, so nothing of before is kept.
    fn set_all(&mut self, setting: Setting, heard: Arc<Heard>) {
        self.setting = setting;
        self.timeline = Timeline::new(Entry {
            from_s: 0.0,
            heard,
            level: self.level(),
            settles_s: None,
        });
    }
}

/// The rate that the resampler makes of the one asked for.
fn exact_rate_hz(asked_hz: u32) -> f64 {
    const SCALED: f64 = 28_800_000.0 * (1u32 << 22) as f64;
    let ratio = (SCALED / f64::from(asked_hz)) as u32 & 0x0fff_fffc;
    SCALED / f64::from(ratio | ((ratio & 0x0800_0000) << 1))
}
