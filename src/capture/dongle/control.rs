//! The thread that sets the dongle and carries out orders; see [`receiver`](super::receiver).

use std::cell::RefCell;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::sync::mpsc::{self, Receiver as Incoming, RecvTimeoutError, SyncSender, TryRecvError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use jiff::{SignedDuration, Timestamp};
use rtlsdr_mt::{Controller, Reader};

use super::bands::Analyser;
use super::choice::Listed;
use super::driver::{self, Device, Tuner};
use super::error::DongleError;
use super::handler::{Handler, Transfers, Window};
use super::receiver::{
    ATTEMPTS, Begin, Capture, MOST_ORDERS, Settings, Shared, UNMEASURED_SETTLING,
};
use crate::capture::Sample;
use crate::capture::bytes::to_samples;
use crate::units::{Decibels, Hertz};

/// Repeated transfers in a row that are a fault: some 30 ms of them.
const REPEATS_STUCK: u32 = 128;
/// How often to look whether something is wrong while waiting for samples.
const LOOK: Duration = Duration::from_millis(20);
/// How often to ask the driver to stop reading: it doesn't listen while it begins.
const ASK_TO_STOP: Duration = Duration::from_millis(10);
/// Bytes of a capture that its beginning is held against: 20 ms at 2.4 million samples a second.
const CHECKED_BYTES: usize = 96_000;
/// Number of an order that is never given up while the dongle is in use.
const NEVER_GIVEN_UP: u64 = u64::MAX;

/// A stretch of samples to capture at one tuning.
pub(super) struct Order {
    pub id: u64,
    pub centre_hz: u32,
    pub gain_tenths: i32,
    pub begin: Begin,
    /// Samples to drop after tuning; see [`Settings`].
    pub stale: Option<u64>,
    pub settling: u64,
    pub buffer: Vec<u8>,
}

/// What came of an order.
pub(super) type Reply = Result<Capture, DongleError>;

/// The tuner and the true sample rate of a dongle that was opened, or why it was not.
pub(super) type Opened = Result<(Tuner, u32), DongleError>;

/// Opens the dongle, says so, and carries out orders until there are no more.
pub(super) fn run(
    listed: &Listed,
    settings: &Settings,
    shared: &Arc<Shared>,
    opened: &SyncSender<Opened>,
    orders: &Incoming<Order>,
    replies: &SyncSender<Reply>,
) {
    let (mut control, tuner) = match Control::start(listed, settings, shared) {
        Ok(started) => started,
        Err(error) => {
            let _ = opened.send(Err(error));
            return;
        }
    };
    if opened.send(Ok((tuner, control.rate))).is_ok() {
        while let Ok(order) = orders.recv() {
            if replies.send(control.carry_out(order)).is_err() {
                break;
            }
        }
    }
    control.shut();
}

/// Reads until it is cancelled, on this thread.
fn read(mut reader: Reader, transfers: Transfers, handler: Handler) {
    // The closure may have nothing but this cell: see `driver`.
    let handler = RefCell::new(handler);
    // That it ended is seen by the channel that the handler takes with it; its code is not passed on by the crate.
    let _ = reader.read_async(transfers.count, transfers.bytes, move |bytes| {
        if let Ok(mut handler) = handler.try_borrow_mut() {
            handler.take(bytes);
        }
    });
}

struct Control<'s> {
    listed: &'s Listed,
    settings: &'s Settings,
    shared: &'s Shared,
    controller: Controller,
    /// Samples a second.
    rate: u32,
    /// What the handler's times count from.
    start: Instant,
    windows: SyncSender<Window>,
    full: Incoming<Window>,
    reading: JoinHandle<()>,
    next_window: u64,
    analyser: Analyser,
    /// Frequency and gain in force; `None` where unknown.
    tuned: Option<(u32, i32)>,
}

/// Why a stretch was not captured.
enum Trouble {
    /// Samples are missing in it; the buffer for another attempt.
    Lost(Vec<u8>),
    /// Nobody wants it any more.
    GivenUp,
    /// The dongle is of no use any more.
    End(DongleError),
}

/// The moment at which the driver's call returned.
#[derive(Clone, Copy)]
struct Retuned {
    /// Bytes delivered by then.
    delivered: u64,
    /// How long it took.
    call: Duration,
    /// Samples that were waiting then, by the clock.
    waiting: f64,
}

impl<'s> Control<'s> {
    fn start(
        listed: &'s Listed,
        settings: &'s Settings,
        shared: &'s Shared,
    ) -> Result<(Control<'s>, Tuner), DongleError> {
        let (device, tuner) = driver::open(listed)?;
        let Device {
            mut controller,
            reader,
        } = device;
        let asked = settings.sample_rate;
        let refused = || DongleError::RateRefused {
            dongle: listed.name(),
            rate: asked,
        };
        controller.set_sample_rate(asked).map_err(|()| refused())?;
        let rate = controller.sample_rate();
        if rate.abs_diff(asked) > asked / 1000 {
            return Err(refused());
        }
        // Gains are set by hand: with either control of gain at work, levels would say nothing.
        controller
            .disable_agc()
            .map_err(|()| DongleError::CantOpen {
                dongle: listed.name(),
                code: -1,
            })?;
        let (windows, window_queue) = mpsc::sync_channel(MOST_ORDERS);
        let (done, full) = mpsc::sync_channel(2 * MOST_ORDERS);
        let start = Instant::now();
        let transfers = settings.transfers;
        let handler = Handler::new(
            start,
            transfers,
            f64::from(rate),
            shared.told.clone(),
            window_queue,
            done,
        );
        let reading = std::thread::Builder::new()
            .name("dongle reading".into())
            .spawn(move || read(reader, transfers, handler))
            .map_err(|error| DongleError::NoThread(error.to_string()))?;
        let mut control = Control {
            listed,
            settings,
            shared,
            controller,
            rate,
            start,
            windows,
            full,
            reading,
            next_window: 1,
            analyser: Analyser::new(),
            tuned: None,
        };
        // Samples come before anybody relies on them.
        match control.fill(
            Window::new(0, true, vec![0; transfers.bytes as usize]),
            NEVER_GIVEN_UP,
        ) {
            Err(Trouble::End(error)) => {
                control.shut();
                Err(error)
            }
            _ => Ok((control, tuner)),
        }
    }

    fn carry_out(&mut self, order: Order) -> Reply {
        let retuned = self.tune(&order)?;
        let mut from = match retuned {
            Some(retuned) => retuned.delivered + 2 * self.discard(&order, retuned.waiting),
            None => self.shared.told.delivered(),
        };
        let mut tuned = retuned.is_some();
        let (id, centre_hz) = (order.id, order.centre_hz);
        // What was measured may no longer hold; what is dropped otherwise can't be too little.
        let mut checked = retuned.filter(|_| order.begin == Begin::Good && self.trusts(&order));
        let mut buffer = order.buffer;
        // What follows later is no longer what came after tuning.
        let attempts = match order.begin {
            Begin::Good => ATTEMPTS,
            Begin::Tuned => 1,
        };
        for _ in 0..attempts {
            match self.fill(Window::new(from, tuned, buffer), id) {
                Ok((bytes, taken_at)) => {
                    if let Some(retuned) = checked.take()
                        && !self.begins_as_it_goes_on(&bytes)
                    {
                        self.shared.distrusted.store(true, Ordering::Release);
                        buffer = bytes;
                        from = retuned.delivered + 2 * self.safely();
                        tuned = false;
                        continue;
                    }
                    return Ok(Capture {
                        bytes,
                        taken_at,
                        waiting: retuned.map(|retuned| retuned.waiting),
                        call: retuned.map(|retuned| retuned.call),
                    });
                }
                Err(Trouble::End(error)) => return Err(error),
                Err(Trouble::GivenUp) => break,
                Err(Trouble::Lost(back)) => {
                    buffer = back;
                    // The tuning is the same: nothing is stale.
                    from = self.shared.told.delivered();
                    tuned = false;
                }
            }
        }
        Err(DongleError::SamplesLost {
            dongle: self.listed.name(),
            centre: Hertz(f64::from(centre_hz)),
            attempts,
        })
    }

    /// Sets frequency and gain where they differ from those in force; `None` where they don't.
    fn tune(&mut self, order: &Order) -> Result<Option<Retuned>, DongleError> {
        let wanted = (order.centre_hz, order.gain_tenths);
        if self.tuned == Some(wanted) {
            return Ok(None);
        }
        for _ in 0..ATTEMPTS {
            if self.given_up(order.id) {
                break;
            }
            let called = Instant::now();
            let shared = self.shared;
            if shared.watched(|| self.set(wanted)).is_ok() {
                self.tuned = Some(wanted);
                return Ok(Some(self.now(called)));
            }
            self.tuned = None;
        }
        if self.has_ended() || !self.is_listed() {
            return Err(self.gone());
        }
        Err(DongleError::TuningRefused {
            dongle: self.listed.name(),
            centre: Hertz(f64::from(order.centre_hz)),
            gain: Decibels(f64::from(order.gain_tenths) / 10.0),
            attempts: ATTEMPTS,
        })
    }

    fn set(&mut self, (centre_hz, gain_tenths): (u32, i32)) -> Result<(), ()> {
        let (centre_now, gain_now) = self.tuned.unzip();
        if gain_now != Some(gain_tenths) {
            self.controller.set_tuner_gain(gain_tenths)?;
        }
        if centre_now != Some(centre_hz) {
            self.controller.set_center_freq(centre_hz)?;
            if self.controller.center_freq() != centre_hz {
                return Err(());
            }
        }
        Ok(())
    }

    fn now(&self, called: Instant) -> Retuned {
        let told = &self.shared.told;
        // In this order: what comes in between counts as waiting, and more is dropped.
        let delivered = told.delivered();
        let now_ns = self.start.elapsed().as_nanos() as i64;
        let captured = told.least_lateness_ns().map_or(0.0, |lateness_ns| {
            now_ns.saturating_sub(lateness_ns) as f64 * 1e-9 * f64::from(self.rate)
        });
        Retuned {
            delivered,
            call: called.elapsed(),
            waiting: (captured - delivered as f64 / 2.0).max(0.0),
        }
    }

    /// Samples to drop after tuning.
    fn discard(&self, order: &Order, waiting: f64) -> u64 {
        if order.begin == Begin::Tuned {
            return 0;
        }
        let transfers = self.settings.transfers;
        let at_most = transfers.in_flight();
        match order.stale {
            Some(_) if !self.trusts(order) => self.safely(),
            None => at_most + order.settling,
            Some(stale) => {
                // When it was measured, up to one transfer was waiting, half filled; a quarter of one is the margin.
                let transfer = transfers.samples();
                let more_waiting = (waiting - transfer as f64).max(0.0) as u64;
                (stale + transfer / 4 + more_waiting).min(at_most) + order.settling
            }
        }
    }

    /// Samples to drop after tuning where nothing is known.
    fn safely(&self) -> u64 {
        let settling = UNMEASURED_SETTLING.as_secs_f64() * f64::from(self.rate);
        self.settings.transfers.in_flight() + settling as u64
    }

    /// Whether what was measured of the dongle still holds, where it was.
    fn trusts(&self, order: &Order) -> bool {
        order.stale.is_some() && !self.shared.distrusted.load(Ordering::Acquire)
    }

    fn begins_as_it_goes_on(&mut self, bytes: &[u8]) -> bool {
        let mut samples = vec![Sample::default(); bytes.len().min(CHECKED_BYTES) / 2];
        to_samples(&bytes[..2 * samples.len()], &mut samples);
        self.analyser.begins_as_it_goes_on(&samples)
    }

    /// Has a window filled and waits for it; says when its first sample was taken.
    fn fill(&mut self, mut window: Window, id: u64) -> Result<(Vec<u8>, Timestamp), Trouble> {
        let bytes = window.buffer.len();
        let length_s = bytes as f64 / 2.0 / f64::from(self.rate);
        let longest = 2 * self.settings.patience.samples + Duration::from_secs_f64(2.0 * length_s);
        let began = Instant::now();
        let number = self.next_window;
        self.next_window += 1;
        window.id = number;
        if self.windows.try_send(window).is_err() {
            // None was fetched for as long as it took to send several.
            return Err(Trouble::End(self.silent(self.settings.patience.samples)));
        }
        let mut seen = (self.shared.told.delivered(), Instant::now());
        loop {
            match self.full.recv_timeout(LOOK) {
                Ok(window) if window.id == number => {
                    if !window.spoiled {
                        let taken_at = self.taken_at(&window, length_s);
                        return Ok((window.buffer, taken_at));
                    }
                    self.check_repeats()?;
                    return Err(Trouble::Lost(window.buffer));
                }
                // One that was given up.
                Ok(_) => {}
                Err(RecvTimeoutError::Disconnected) => return Err(Trouble::End(self.gone())),
                Err(RecvTimeoutError::Timeout) => {}
            }
            self.check_repeats()?;
            if self.given_up(id) {
                return Err(Trouble::GivenUp);
            }
            if began.elapsed() > longest {
                // Samples trickle.
                return Err(Trouble::Lost(vec![0; bytes]));
            }
            let delivered = self.shared.told.delivered();
            if delivered != seen.0 {
                seen = (delivered, Instant::now());
            } else if seen.1.elapsed() > self.settings.patience.samples {
                return Err(Trouble::End(self.silent(seen.1.elapsed())));
            }
        }
    }

    fn taken_at(&self, window: &Window, length_s: f64) -> Timestamp {
        let now = Timestamp::now();
        let full_for = self
            .start
            .elapsed()
            .saturating_sub(Duration::from_nanos(window.full_at_ns));
        let ago = full_for.as_secs_f64() + length_s;
        SignedDuration::try_from_secs_f64(ago)
            .ok()
            .and_then(|ago| now.checked_sub(ago).ok())
            .unwrap_or(now)
    }

    fn check_repeats(&self) -> Result<(), Trouble> {
        if self.shared.told.repeats() < REPEATS_STUCK {
            return Ok(());
        }
        Err(Trouble::End(DongleError::Stuck {
            dongle: self.listed.name(),
        }))
    }

    fn given_up(&self, id: u64) -> bool {
        let up_to = self.shared.given_up.load(Ordering::Acquire);
        id <= up_to && id != NEVER_GIVEN_UP
    }

    fn has_ended(&self) -> bool {
        loop {
            match self.full.try_recv() {
                Ok(_) => {}
                Err(TryRecvError::Empty) => return false,
                Err(TryRecvError::Disconnected) => return true,
            }
        }
    }

    /// Whether the driver still lists this dongle; `true` where it can't be told.
    fn is_listed(&self) -> bool {
        let same = |other: &Listed| match &self.listed.serial {
            Some(serial) => other.serial.as_ref() == Some(serial),
            None => other.index == self.listed.index,
        };
        driver::list(self.settings.patience.call).map_or(true, |found| found.iter().any(same))
    }

    fn silent(&self, waited: Duration) -> DongleError {
        if !self.is_listed() {
            return self.gone();
        }
        DongleError::NoSamples {
            dongle: self.listed.name(),
            waited_s: waited.as_secs_f64(),
        }
    }

    fn gone(&self) -> DongleError {
        let dongle = self.listed.name();
        if self.is_listed() {
            DongleError::Ended { dongle }
        } else {
            DongleError::Unplugged { dongle }
        }
    }

    /// Stops reading and closes the dongle; where the driver hangs, leaves it to its thread.
    fn shut(mut self) {
        drop(self.windows);
        let until = Instant::now() + self.settings.patience.call;
        while Instant::now() < until {
            self.controller.cancel_async_read();
            match self.full.recv_timeout(ASK_TO_STOP) {
                Ok(_) | Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => {
                    let _ = self.reading.join();
                    return;
                }
            }
        }
    }
}
