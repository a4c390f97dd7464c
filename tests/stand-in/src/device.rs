//! An open dongle: what it is set to, and what became of it. Return values are those of librtlsdr.

use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread::ThreadId;
use std::time::{Duration, Instant};

use crate::clock::Clock;
use crate::config::{Config, Dongle, Kind};
use crate::receiver::{Heard, Place, Setting};
use crate::timeline::{Entry, Level, Timeline};
use crate::{log, plugged};

/// libusb's codes for "no such device", "busy" and "access denied".
pub const NO_DEVICE: i32 = -4;
pub const BUSY: i32 = -6;
pub const ACCESS: i32 = -3;
/// libusb's "not found": what a reading returns when its dongle was pulled out, for nothing was left to cancel.
const NOT_FOUND: i32 = -5;
/// The errno "invalid argument", negative.
pub const INVALID: i32 = -22;

/// The sample rate of a dongle that none was set for.
const FIRST_RATE_HZ: u32 = 2_048_000;
/// How often the file is looked at while samples flow.
const LOOKS_EVERY: Duration = Duration::from_millis(50);

/// Where an asynchronous reading stands.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Reading {
    Inactive,
    Running,
    /// It was told to end, and does so from some moment on.
    Cancelling {
        heeded_s: f64,
    },
}

/// An open dongle.
pub struct Device {
    pub serial: String,
    /// One control transfer at a time.
    pub control: Mutex<()>,
    state: Mutex<State>,
    pub changed: Condvar,
}

/// What a dongle is set to, and what became of it.
pub struct State {
    pub config: Arc<Config>,
    pub own: Dongle,
    pub place: Arc<Place>,
    pub clock: Clock,
    pub timeline: Timeline,
    pub setting: Setting,
    /// Whether a sample rate was ever set.
    pub rate_set: bool,
    /// The gain that was asked for, and the step that is set; no step while the gain is automatic.
    pub gain: i32,
    pub step: Option<i32>,
    pub agc: bool,
    pub test_mode: bool,
    pub direct_sampling: i32,
    pub xtal_hz: (u32, u32),
    pub reading: Reading,
    pub reads_on: Option<ThreadId>,
    /// Once it is pulled out: what a reading then returns.
    pub unplugged: Option<i32>,
    /// Which transfer since it was opened is handed over next, and how many calls there were that set the frequency.
    pub transfer: u64,
    pub tunings: u64,
    looked: Instant,
}

impl State {
    /// Adds a line to the log.
    pub fn note(&self, event: &str, value: impl std::fmt::Display) {
        let file = self.config.log.as_deref();
        log::note(file, self.clock.now_s(), &self.own.serial, event, value);
    }

    /// The fault of this kind, if it acts now; noted.
    pub fn fault(&self, kind: Kind) -> Option<crate::config::Fault> {
        let (fault, first) = plugged::fault(&self.own, kind, self.transfer, self.tunings)?;
        if first {
            self.note("fault", kind.name());
        }
        Some(fault)
    }

    /// Samples that the converter truly takes in a second.
    pub fn rate_hz(&self) -> f64 {
        self.timeline.last().heard.rate_hz
    }

    pub fn level(&self) -> Level {
        let gain_db = self
            .step
            .map_or(self.place.gain_db(), |step| self.own.true_gain_db(step));
        Level {
            gain_db: gain_db + self.own.sensitivity_db - self.place.gain_db(),
            wanders: self.step.is_none() || self.agc,
            test_mode: self.test_mode,
        }
    }

    pub fn levels_changed(&mut self) {
        let (now_s, level) = (self.clock.now_s(), self.level());
        self.timeline.change(now_s, |entry| entry.level = level);
    }

    /// What is heard at a setting. Time stands still while samples are prepared.
    pub fn hear(&mut self, setting: Setting) -> Result<Arc<Heard>, i32> {
        self.clock.stop();
        let heard = Heard::new(&self.place, &self.config, &self.own, setting)
            .and_then(|heard| heard.prepare().map(|()| heard));
        self.clock.go_on();
        heard.map(Arc::new).map_err(|problem| {
            eprintln!("rtlsdr-stand-in: {}: {problem}", self.own.serial);
            INVALID
        })
    }

    /// Looks at the file, now and then: another antenna, other faults, or the dongle gone from it.
    pub fn look(&mut self) {
        if self.looked.elapsed() < LOOKS_EVERY {
            return;
        }
        self.looked = Instant::now();
        let config = plugged::config();
        if Arc::ptr_eq(&config, &self.config) {
            return;
        }
        let own = config
            .devices
            .iter()
            .find(|own| own.serial == self.own.serial);
        let Some(own) = own.cloned() else {
            self.note("gone", "");
            self.pull_out(None);
            return;
        };
        self.config = config;
        self.own = own;
        if let Ok(heard) = self.hear(self.setting) {
            let now_s = self.clock.now_s();
            self.timeline.retune(now_s, heard, 0.0);
            self.levels_changed();
        }
        self.note("antenna", self.own.antenna.as_deref().unwrap_or("none"));
    }

    /// The plug is pulled; a reading then returns `code`.
    pub fn pull_out(&mut self, code: Option<i32>) {
        plugged::pull_out(&self.own.serial);
        self.unplugged.get_or_insert(code.unwrap_or(NOT_FOUND));
    }

    /// Whether a reading is to end, and heeds it.
    pub fn cancelled(&self) -> bool {
        matches!(self.reading, Reading::Cancelling { heeded_s } if self.clock.now_s() >= heeded_s)
    }
}

impl Device {
    /// Opens the dongle at a place in the list.
    pub fn open(index: u32) -> Result<Arc<Device>, i32> {
        let config = plugged::config();
        let dongles = plugged::dongles();
        let own = dongles.get(index as usize).ok_or(-1)?.clone();
        if plugged::denied(&own) {
            eprintln!("usb_open error {ACCESS}");
            return Err(ACCESS);
        }
        let busy = plugged::fault(&own, Kind::Busy, 0, 0).is_some();
        if busy || !plugged::take_hold(&own.serial) {
            eprintln!("usb_claim_interface error {BUSY}");
            return Err(BUSY);
        }
        let serial = own.serial.clone();
        let opened = Device::with(config, own);
        if opened.is_err() {
            plugged::let_go(&serial);
        }
        opened.map_err(|problem| {
            eprintln!("rtlsdr-stand-in: {serial}: {problem}");
            INVALID
        })
    }

    fn with(config: Arc<Config>, own: Dongle) -> Result<Arc<Device>, String> {
        let place = Arc::new(Place::new(&config)?);
        let setting = Setting {
            centre_hz: 0,
            rate_hz: FIRST_RATE_HZ,
            correction_ppm: 0,
        };
        let heard = Arc::new(Heard::new(&place, &config, &own, setting)?);
        let level = Level {
            gain_db: own.sensitivity_db,
            wanders: true,
            test_mode: false,
        };
        let clock = Clock::new(config.pace);
        let state = State {
            timeline: Timeline::new(Entry {
                from_s: 0.0,
                heard,
                level,
                settles_s: None,
            }),
            clock,
            place,
            setting,
            rate_set: false,
            gain: 0,
            step: None,
            agc: false,
            test_mode: false,
            direct_sampling: 0,
            xtal_hz: (28_800_000, 28_800_000),
            reading: Reading::Inactive,
            reads_on: None,
            unplugged: None,
            transfer: 1,
            tunings: 0,
            looked: Instant::now(),
            config,
            own,
        };
        state.note("open", "");
        Ok(Arc::new(Device {
            serial: state.own.serial.clone(),
            control: Mutex::new(()),
            state: Mutex::new(state),
            changed: Condvar::new(),
        }))
    }

    pub fn state(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Closes the dongle; while it is plugged in, not before a reading has ended.
    pub fn close(&self) {
        while self.state().reading != Reading::Inactive && self.state().unplugged.is_none() {
            std::thread::sleep(Duration::from_millis(1));
        }
        self.state().note("close", "");
        plugged::let_go(&self.serial);
    }
}
