//! A dongle in use: it reads without pause, and tunings are captured on order.
//!
//! Three threads take part. The caller's gives orders and gets captures. A *control* thread, which alone sets the dongle,
//! carries the orders out one after another: it tunes, reckons from where on the samples are good, and has that stretch
//! copied. The *reading* thread is the driver's; what runs there is in `handler`. Orders can be given ahead, so that the
//! next tuning is captured while the caller works on the last one. Memory is what the captures under way hold.
//!
//! # Which samples are dropped after tuning
//!
//! When the driver's call returns, samples from before are still on their way. Where nothing was measured, as many are
//! dropped as transfers can hold, which can't be too few. Where [`DongleFigures`](super::DongleFigures) says how many were
//! stale at most, so many are dropped and a margin, and besides as many as the clock says that this time more are waiting
//! than then. After these come those of a synthesiser that has not settled.
//!
//! What was measured once may hold no longer: at another computer, or another port. So the beginning of each capture that
//! rests on it is held against the rest of the capture. One that is unlike it is taken again, and from then on as many samples are
//! dropped as where nothing was measured, until that is done anew ([`Receiver::set_discards`]).
//!
//! # Faults
//!
//! Every wait has an end. A call of the driver's that doesn't come back is left alone with its thread, which does not keep
//! the process from ending. A tuning that is refused, or in which samples were lost, is tried [`ATTEMPTS`] times.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::mpsc::{self, Receiver as Incoming, RecvTimeoutError, SyncSender};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use jiff::Timestamp;

use super::choice::{Choice, Listed};
use super::control;
use super::driver::{self, Tuner};
use super::error::DongleError;
use super::figures::DongleFigures;
use super::handler::{Told, Transfers};
use crate::capture::bytes::to_samples;
use crate::capture::{About, Sample};
use crate::units::{Decibels, Hertz};

/// How often a tuning is tried.
pub const ATTEMPTS: u32 = 5;

/// Samples of a synthesiser that has not settled are taken to come for this long where it was not measured. Common
/// practice (a few milliseconds), doubled; no source.
pub const UNMEASURED_SETTLING: Duration = Duration::from_millis(10);

/// Orders that may be under way at once.
pub(super) const MOST_ORDERS: usize = 4;

/// How often to look whether the driver holds the control thread up.
const LOOK: Duration = Duration::from_millis(100);

/// How long to wait before something is a fault.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Patience {
    /// For a call of the driver's to come back.
    pub call: Duration,
    /// For samples to come.
    pub samples: Duration,
}

impl Default for Patience {
    /// 5 s for a call, 1 s for samples.
    fn default() -> Self {
        Patience {
            call: Duration::from_secs(5),
            samples: Duration::from_secs(1),
        }
    }
}

/// How a dongle is used.
#[derive(Debug, Clone, PartialEq)]
pub struct Settings {
    /// Samples a second.
    pub sample_rate: u32,
    /// Transfers under way.
    pub transfers: Transfers,
    /// Samples of the old tuning that came at most after tuning, as measured; `None` where it was not.
    pub stale: Option<u64>,
    /// Samples of a synthesiser that had not settled that came at most after those, as measured; `None` where it was not.
    pub settling: Option<u64>,
    /// When waiting becomes a fault.
    pub patience: Patience,
}

impl Settings {
    /// What serves where nothing was measured.
    pub fn at_rate(sample_rate: u32) -> Settings {
        Settings {
            sample_rate,
            transfers: Transfers::at_rate(f64::from(sample_rate)),
            stale: None,
            settling: None,
            patience: Patience::default(),
        }
    }

    /// The same with what was measured of the dongle, where that holds at this rate and with these transfers.
    pub fn measured(mut self, figures: &DongleFigures) -> Settings {
        if let Some(retuning) = figures.retuning
            && retuning.sample_rate_hz.round() == f64::from(self.sample_rate)
            && (retuning.transfers, retuning.transfer_bytes)
                == (self.transfers.count, self.transfers.bytes)
        {
            self.stale = Some(retuning.stale_samples);
            self.settling = retuning.settling_samples;
        }
        self
    }
}

/// The dongle in use.
#[derive(Debug, Clone, PartialEq)]
pub struct Dongle {
    /// What it is called.
    pub listed: Listed,
    /// Its tuner and gains.
    pub tuner: Tuner,
    /// The sample rate that it truly has, by its own crystal, in samples a second.
    pub sample_rate: u32,
}

impl Dongle {
    /// Its serial number, or its place in the list.
    pub fn name(&self) -> String {
        self.listed.name()
    }

    /// What a source of its samples says of itself.
    pub fn about(&self) -> About {
        About {
            name: format!("dongle {}", self.name()),
            sample_rate: Hertz(f64::from(self.sample_rate)),
            step: Some(1.0 / 127.5),
            antenna: None,
            hardware: Some(format!(
                "{}, tuner {}, serial {}",
                self.listed.product.as_deref().unwrap_or(&self.listed.model),
                self.tuner.name,
                self.listed.serial.as_deref().unwrap_or("unknown")
            )),
        }
    }
}

/// A frequency and a gain.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Setting {
    /// Frequency in the middle; the dongle is tuned to whole hertz.
    pub centre: Hertz,
    /// A gain that the tuner has.
    pub gain: Decibels,
}

/// From where on samples are captured after tuning.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Begin {
    /// From where they are good.
    Good,
    /// From the moment at which the driver's call returned: stale ones and all, to see how many there are. Tried once.
    Tuned,
}

/// Samples of one tuning.
#[derive(Debug, Clone)]
pub struct Capture {
    /// As they come from the converter: unsigned bytes, I and Q in turn.
    pub bytes: Vec<u8>,
    /// When the first was taken.
    pub taken_at: Timestamp,
    /// How many samples were waiting, by the clock, when the driver's call returned; `None` where nothing was tuned.
    pub waiting: Option<f64>,
    /// How long the driver's calls took; `None` where nothing was tuned.
    pub call: Option<Duration>,
}

impl Capture {
    /// The samples, full scale 1 on each rail.
    pub fn samples(&self) -> Vec<Sample> {
        let mut samples = vec![Sample::default(); self.bytes.len() / 2];
        to_samples(&self.bytes, &mut samples);
        samples
    }
}

/// A dongle that is open and reading.
pub struct Receiver {
    dongle: Dongle,
    settings: Settings,
    orders: Option<SyncSender<control::Order>>,
    replies: Incoming<control::Reply>,
    thread: Option<JoinHandle<()>>,
    shared: Arc<Shared>,
    next_id: u64,
    under_way: usize,
    /// Length of the longest capture that was ordered, in seconds.
    longest_s: f64,
    /// Set once it is of no use any more.
    ended: Option<DongleError>,
}

/// What all threads see.
#[derive(Debug)]
pub(super) struct Shared {
    pub told: Arc<Told>,
    /// Orders up to this number are not wanted any more.
    pub given_up: AtomicU64,
    /// Whether what was measured of the dongle was found to hold no longer.
    pub distrusted: AtomicBool,
    /// What times count from.
    start: Instant,
    /// When the call of the driver's that sets the dongle began, in milliseconds after the start and one more; 0 without one.
    calling_from_ms: AtomicU64,
}

impl Shared {
    fn new() -> Shared {
        Shared {
            told: Arc::default(),
            given_up: AtomicU64::new(0),
            distrusted: AtomicBool::new(false),
            start: Instant::now(),
            calling_from_ms: AtomicU64::new(0),
        }
    }

    /// Lets the caller's thread see how long a call of the driver's takes.
    pub(super) fn watched<T>(&self, call: impl FnOnce() -> T) -> T {
        let now_ms = self.start.elapsed().as_millis() as u64;
        self.calling_from_ms.store(now_ms + 1, Ordering::Release);
        let result = call();
        self.calling_from_ms.store(0, Ordering::Release);
        result
    }

    fn calling_for(&self) -> Option<Duration> {
        let from_ms = self.calling_from_ms.load(Ordering::Acquire);
        let from = Duration::from_millis(from_ms.checked_sub(1)?);
        Some(self.start.elapsed().saturating_sub(from))
    }
}

impl std::fmt::Debug for Receiver {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Receiver")
            .field("dongle", &self.dongle)
            .field("settings", &self.settings)
            .finish_non_exhaustive()
    }
}

impl Receiver {
    /// Opens the dongle that is chosen and starts reading.
    ///
    /// # Errors
    /// Where none or several fit the choice, it can't be opened or set, or gives no samples.
    pub fn open(choice: &Choice, settings: Settings) -> Result<Receiver, DongleError> {
        let found = driver::list(settings.patience.call)?;
        let listed = driver::choose(choice, &found)?;
        let shared = Arc::new(Shared::new());
        let (orders, order_queue) = mpsc::sync_channel(MOST_ORDERS);
        let (reply, replies) = mpsc::sync_channel(MOST_ORDERS + 1);
        let (opened, opening) = mpsc::sync_channel(1);
        let thread = {
            let (listed, settings, shared) = (listed.clone(), settings.clone(), shared.clone());
            std::thread::Builder::new()
                .name("dongle control".into())
                .spawn(move || {
                    control::run(&listed, &settings, &shared, &opened, &order_queue, &reply);
                })
                .map_err(|error| DongleError::NoThread(error.to_string()))?
        };
        // Opening takes several calls: each may take its time.
        let limit = settings.patience.call * 2 + settings.patience.samples;
        let (tuner, sample_rate) = match opening.recv_timeout(limit) {
            Ok(result) => result?,
            Err(RecvTimeoutError::Timeout) => {
                return Err(DongleError::Hangs {
                    dongle: listed.name(),
                    doing: "opening it",
                    waited_s: limit.as_secs_f64(),
                });
            }
            Err(RecvTimeoutError::Disconnected) => {
                return Err(DongleError::Ended {
                    dongle: listed.name(),
                });
            }
        };
        Ok(Receiver {
            dongle: Dongle {
                listed,
                tuner,
                sample_rate,
            },
            settings,
            orders: Some(orders),
            replies,
            thread: Some(thread),
            shared,
            next_id: 1,
            under_way: 0,
            longest_s: 0.0,
            ended: None,
        })
    }

    /// The dongle.
    pub fn dongle(&self) -> &Dongle {
        &self.dongle
    }

    /// How it is used.
    pub fn settings(&self) -> &Settings {
        &self.settings
    }

    /// Whether it is of no use any more: every order fails.
    pub fn has_ended(&self) -> bool {
        self.ended.is_some()
    }

    /// From now on drops so many samples after tuning, as they were measured.
    pub fn set_discards(&mut self, stale: Option<u64>, settling: Option<u64>) {
        self.settings.stale = stale;
        self.settings.settling = settling;
        self.shared.distrusted.store(false, Ordering::Release);
    }

    /// Whether samples of another tuning, or of a synthesiser that had not settled, came where none were expected: then what
    /// was measured of the dongle holds no longer, and more is dropped until it is measured anew.
    pub fn distrusts(&self) -> bool {
        self.shared.distrusted.load(Ordering::Acquire)
    }

    /// Captures so many samples and waits for them.
    ///
    /// # Errors
    /// Where the tuning fails, or the dongle; [`DongleError::ends_it`] tells these apart.
    pub fn capture(
        &mut self,
        setting: Setting,
        begin: Begin,
        samples: usize,
    ) -> Result<Capture, DongleError> {
        self.give_up();
        self.order(setting, begin, vec![0; 2 * samples])?;
        self.next()
    }

    /// By how many seconds transfers come later than the sample rate says, at the least over the last 12 to 24 ms,
    /// counted from some moment; `None` before there are any. It grows by the length of what is lost.
    pub fn lateness_s(&self) -> Option<f64> {
        let lateness_ns = self.shared.told.least_lateness_ns()?;
        Some(lateness_ns as f64 * 1e-9)
    }

    /// Orders a capture as long as `buffer`; [`Receiver::next`] hands it out in its turn.
    pub(super) fn order(
        &mut self,
        setting: Setting,
        begin: Begin,
        buffer: Vec<u8>,
    ) -> Result<(), DongleError> {
        if let Some(ended) = &self.ended {
            return Err(ended.clone());
        }
        let length_s = buffer.len() as f64 / 2.0 / f64::from(self.dongle.sample_rate);
        let gain_tenths = self
            .dongle
            .tuner
            .gains
            .tenths(setting.gain, &self.dongle.name())?;
        let order = control::Order {
            id: self.next_id,
            // A cast from a float stays within the range; what the tuner doesn't reach it refuses.
            centre_hz: setting.centre.0.round() as u32,
            gain_tenths,
            begin,
            stale: self.settings.stale,
            settling: self.settings.settling.unwrap_or_else(|| {
                (UNMEASURED_SETTLING.as_secs_f64() * f64::from(self.dongle.sample_rate)) as u64
            }),
            buffer,
        };
        self.next_id += 1;
        self.longest_s = self.longest_s.max(length_s);
        let sent = self
            .orders
            .as_ref()
            .is_some_and(|orders| orders.try_send(order).is_ok());
        if !sent {
            return Err(self.end(DongleError::Ended {
                dongle: self.dongle.name(),
            }));
        }
        self.under_way += 1;
        Ok(())
    }

    /// Captures that are ordered and not yet handed out.
    pub(super) fn under_way(&self) -> usize {
        self.under_way
    }

    /// The next capture that was ordered.
    pub(super) fn next(&mut self) -> Result<Capture, DongleError> {
        if let Some(ended) = &self.ended {
            return Err(ended.clone());
        }
        let reply = self.reply();
        self.under_way = self.under_way.saturating_sub(1);
        reply.map_err(|error| {
            if error.ends_it() {
                self.end(error)
            } else {
                error
            }
        })
    }

    /// Waits for what the control thread replies, and watches that it isn't held up by the driver.
    fn reply(&self) -> control::Reply {
        let name = || self.dongle.name();
        let hangs = |waited: Duration| DongleError::Hangs {
            dongle: name(),
            doing: "tuning it",
            waited_s: waited.as_secs_f64(),
        };
        let limit = self.limit();
        let begun = Instant::now();
        loop {
            match self.replies.recv_timeout(LOOK) {
                Ok(reply) => return reply,
                Err(RecvTimeoutError::Disconnected) => {
                    return Err(DongleError::Ended { dongle: name() });
                }
                Err(RecvTimeoutError::Timeout) => {}
            }
            if let Some(waited) = self.shared.calling_for()
                && waited > self.settings.patience.call
            {
                return Err(hangs(waited));
            }
            if begun.elapsed() > limit {
                return Err(hangs(begun.elapsed()));
            }
        }
    }

    /// Gives up what is under way, so that other orders can be given.
    pub(super) fn give_up(&mut self) {
        self.shared
            .given_up
            .store(self.next_id.saturating_sub(1), Ordering::Release);
        while self.under_way > 0 && self.ended.is_none() {
            // What comes is of no use; what ends the dongle is kept by `next`.
            let _ = self.next();
        }
    }

    /// How long an order may take at most, with all its attempts: the control thread watches for samples itself.
    fn limit(&self) -> Duration {
        let Patience { call, samples } = self.settings.patience;
        ATTEMPTS * (call + 3 * samples + Duration::from_secs_f64(2.0 * self.longest_s))
    }

    fn end(&mut self, error: DongleError) -> DongleError {
        self.ended.get_or_insert(error).clone()
    }
}

impl Drop for Receiver {
    fn drop(&mut self) {
        self.shared.given_up.store(u64::MAX, Ordering::Release);
        self.orders = None;
        let Some(thread) = self.thread.take() else {
            return;
        };
        // The control thread ends by itself, within a limit of its own, unless the driver hangs under it.
        let limit = self.settings.patience.call + self.settings.patience.samples;
        let until = Instant::now() + limit;
        loop {
            match self
                .replies
                .recv_timeout(until.saturating_duration_since(Instant::now()))
            {
                Ok(_) => {}
                Err(RecvTimeoutError::Disconnected) => {
                    let _ = thread.join();
                    return;
                }
                Err(RecvTimeoutError::Timeout) => return,
            }
        }
    }
}
