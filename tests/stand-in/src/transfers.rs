//! The stream: transfers that are filled in order, queue, and are handed over by the thread that reads.
//!
//! A transfer begins to be filled when the one before it is full, or when the callback gave it back, whichever is later;
//! samples that come in between are lost. A full transfer is handed over when [`queued`](crate::config::Dongle) more are
//! full, and its bytes are made only then, from what held when they were taken.

use std::collections::VecDeque;
use std::time::{Duration, Instant};

use crate::config::{Kind, SlowCallback};
use crate::device::{Device, NO_DEVICE, Reading, State};
use crate::receiver::Mixer;

/// librtlsdr's defaults.
const TRANSFERS: u32 = 15;
const TRANSFER_BYTES: u32 = 16 * 32 * 512;
/// A lost transfer takes some more with it: a whole one would not show in the test mode's counter.
const LOST_BESIDES: u64 = 74;
/// How long librtlsdr waits for events before it looks whether it was cancelled.
const EVENTS_S: f64 = 1.0;

/// A stream of transfers.
struct Stream<'a> {
    device: &'a Device,
    mixer: Mixer,
    buffer: Vec<u8>,
    /// First sample of each transfer that is full and not handed over.
    full: VecDeque<u64>,
    /// When each transfer was given back, earliest first.
    given_back_s: VecDeque<f64>,
    /// The sample that comes next, counted at this rate from the beginning of time.
    next: u64,
    rate_hz: f64,
    queued: usize,
}

/// Reads until cancelled; returns what `rtlsdr_read_async` does.
pub fn read(device: &Device, count: u32, length: u32, callback: &mut dyn FnMut(&mut [u8])) -> i32 {
    let count = if count == 0 { TRANSFERS } else { count } as usize;
    let length = if length == 0 || !length.is_multiple_of(512) {
        TRANSFER_BYTES
    } else {
        length
    } as usize;
    let mut state = device.state();
    if state.reading != Reading::Inactive {
        return -2;
    }
    if state.unplugged.is_some() {
        return NO_DEVICE;
    }
    state.reading = Reading::Running;
    state.reads_on = Some(std::thread::current().id());
    state.note("start", format!("{count} x {length}"));
    let now_s = state.clock.now_s();
    let mut stream = Stream {
        device,
        mixer: Mixer::default(),
        buffer: vec![0; length],
        full: VecDeque::with_capacity(count),
        given_back_s: VecDeque::from(vec![now_s; count]),
        next: (now_s * state.rate_hz()).ceil() as u64,
        rate_hz: state.rate_hz(),
        queued: state.own.queued_transfers.min(count.saturating_sub(2)),
    };
    drop(state);
    let code = stream.run(callback);
    let mut state = device.state();
    state.reading = Reading::Inactive;
    state.reads_on = None;
    state.note("stop", code);
    device.changed.notify_all();
    code
}

/// Tells a reading to end; returns what `rtlsdr_cancel_async` does.
pub fn cancel(device: &Device) -> i32 {
    let mut state = device.state();
    if state.reading != Reading::Running {
        return -2;
    }
    let ignored = state.fault(Kind::CancelIgnored);
    let ignored_ms = ignored.and_then(|fault| fault.for_ms).unwrap_or(0.0);
    let heeded_s = state.clock.now_s() + ignored_ms / 1e3;
    state.reading = Reading::Cancelling { heeded_s };
    state.note("cancel", "");
    device.changed.notify_all();
    0
}

/// Fills `into` with what comes next; returns what `rtlsdr_read_sync` does.
pub fn read_now(device: &Device, into: &mut [u8]) -> i32 {
    let state = device.state();
    if state.unplugged.is_some() {
        return NO_DEVICE;
    }
    let rate_hz = state.rate_hz();
    let first = (state.clock.now_s() * rate_hz).ceil() as u64;
    drop(state);
    let mut stream = Stream {
        device,
        mixer: Mixer::default(),
        buffer: vec![0; into.len()],
        full: VecDeque::new(),
        given_back_s: VecDeque::from([0.0]),
        next: first,
        rate_hz,
        queued: 0,
    };
    stream.fill_next();
    let filled = stream.make(first);
    into.copy_from_slice(&stream.buffer);
    if filled { 0 } else { -1 }
}

impl Stream<'_> {
    fn samples(&self) -> u64 {
        self.buffer.len() as u64 / 2
    }

    fn run(&mut self, callback: &mut dyn FnMut(&mut [u8])) -> i32 {
        loop {
            let mut state = self.device.state();
            state.look();
            if let Some(code) = self.ends(&mut state) {
                return code;
            }
            if state.fault(Kind::Silent).is_some() {
                drop(state);
                self.wait_for_cancelling();
                continue;
            }
            let stuck = state.fault(Kind::Stuck).is_some();
            drop(state);
            if !self.fill_next() || self.full.len() <= self.queued {
                continue;
            }
            let Some(first) = self.full.pop_front() else {
                continue;
            };
            if !stuck && !self.make(first) {
                return -1;
            }
            callback(&mut self.buffer);
            let mut state = self.device.state();
            state.transfer += 1;
            self.given_back_s.push_back(state.clock.now_s());
        }
    }

    /// What the reading returns, if it is over.
    fn ends(&mut self, state: &mut State) -> Option<i32> {
        if let Some(fault) = state.fault(Kind::Unplugged) {
            state.pull_out(fault.returns);
        }
        match state.unplugged {
            Some(code) => Some(code),
            None => state.cancelled().then_some(0),
        }
    }

    /// Nothing arrives; librtlsdr looks only now and then whether it was cancelled.
    fn wait_for_cancelling(&self) {
        let state = self.device.state();
        let wait = state
            .clock
            .on_the_wall(EVENTS_S)
            .max(Duration::from_millis(5));
        drop(state);
        let begun = Instant::now();
        while begun.elapsed() < wait {
            std::thread::sleep(Duration::from_millis(5).min(wait));
        }
    }

    /// Fills the next transfer, and waits until it is full; false if it no longer will be.
    fn fill_next(&mut self) -> bool {
        let samples = self.samples();
        let mut state = self.device.state();
        let rate_hz = state.rate_hz();
        if rate_hz != self.rate_hz {
            // Samples are counted afresh, and those taken at the old rate are gone.
            let dropped = self.full.len();
            self.full.clear();
            self.rate_hz = rate_hz;
            let now_s = state.clock.now_s();
            self.given_back_s
                .extend(std::iter::repeat_n(now_s, dropped));
            self.next = (now_s * rate_hz).ceil() as u64;
        }
        if let Some(free_s) = self.given_back_s.pop_front() {
            let late_s = free_s - self.next as f64 / rate_hz;
            if late_s > 0.0 && state.config.slow_callback() == SlowCallback::Waits {
                state.clock.fall_behind(late_s);
                let at_s = self.next as f64 / rate_hz;
                state.timeline.fall_behind(at_s, late_s);
                self.given_back_s
                    .iter_mut()
                    .for_each(|free_s| *free_s -= late_s);
            } else if late_s > 0.0 {
                self.lose(&state, (late_s * rate_hz).ceil() as u64);
            }
        }
        if let Some(fault) = state.fault(Kind::Lost) {
            self.lose(&state, fault.samples.unwrap_or(samples + LOST_BESIDES));
        }
        self.full.push_back(self.next);
        self.next += samples;
        let full_s = self.next as f64 / rate_hz;
        loop {
            let Some(wait) = state.clock.wait_for(full_s) else {
                state.clock.reach(full_s);
                self.device.changed.notify_all();
                return true;
            };
            if state.cancelled() || state.unplugged.is_some() {
                return false;
            }
            state = match self.device.changed.wait_timeout(state, wait) {
                Ok((state, _)) => state,
                Err(poisoned) => poisoned.into_inner().0,
            };
        }
    }

    fn lose(&mut self, state: &State, samples: u64) {
        self.next += samples;
        state.note("lost", samples);
    }

    /// Makes the bytes of the transfer that begins with sample `first`.
    fn make(&mut self, first: u64) -> bool {
        let mut state = self.device.state();
        let rate_hz = state.rate_hz();
        state.timeline.forget(first as f64 / rate_hz);
        let made = self
            .mixer
            .fill(&state.timeline, first, rate_hz, &mut self.buffer);
        if let Err(error) = &made {
            eprintln!("rtlsdr-stand-in: {}: {error}", self.device.serial);
        }
        made.is_ok()
    }
}
