//! A pass over a plan of tunings, live.
//!
//! Tunings are captured ahead: while the caller reads one, the next is being taken. A tuning is handed out only once it was
//! captured whole, in pieces of at most [`MOST_SAMPLES`], so that a piece in which samples were lost can be taken again;
//! between two pieces of a tuning some samples may be missing.

use std::borrow::BorrowMut;
use std::time::Duration;

use super::choice::Choice;
use super::error::{DongleError, LOST_TUNINGS};
use super::receiver::{Begin, Capture, Receiver, Setting, Settings};
use crate::capture::bytes::to_samples;
use crate::capture::{About, CaptureError, Sample, Source, Tuning};

/// Samples captured at a time at most: 0.44 s at 2.4 million a second, 2 MiB.
pub const MOST_SAMPLES: u64 = 1 << 20;

/// Captures under way while one is being read.
const AHEAD: usize = 2;

/// A source of live samples: one pass over a plan of tunings, with the same dwell on each.
///
/// After an error that [ends it](DongleError::ends_it) there are no more tunings. After any other, only the tuning in
/// question failed: drop what was read of it, and call [`next_tuning`](Source::next_tuning) again for the one after it.
/// Tunings read to their end before are whole and good in either case.
pub struct LiveSource<R: BorrowMut<Receiver>> {
    receiver: R,
    about: About,
    plan: Vec<Setting>,
    /// Samples in each tuning.
    samples: u64,
    pieces: u64,
    /// The next piece to order, counted over all tunings.
    to_order: u64,
    /// The next piece to come.
    to_come: u64,
    /// The tuning that is read; the plan's length when there are no more.
    tuning: usize,
    started: bool,
    piece: Option<Capture>,
    /// Bytes of the piece that were read.
    read: usize,
    spare: Vec<Vec<u8>>,
    /// Tunings in which samples were lost, while none was captured.
    lost: usize,
    /// Whether any piece was captured.
    any: bool,
}

/// A pass over `plan` with the dongle that is chosen: opens it, and closes it when dropped.
///
/// # Errors
/// As [`Receiver::open`], and where the tuner doesn't have a gain of the plan.
pub fn live(
    choice: &Choice,
    settings: Settings,
    plan: Vec<Setting>,
    dwell: Duration,
) -> Result<LiveSource<Receiver>, DongleError> {
    LiveSource::new(Receiver::open(choice, settings)?, plan, dwell)
}

impl<R: BorrowMut<Receiver>> LiveSource<R> {
    /// A pass over `plan` with an open receiver, which may be lent.
    ///
    /// # Errors
    /// Where the tuner doesn't have a gain of the plan.
    pub fn new(
        receiver: R,
        plan: Vec<Setting>,
        dwell: Duration,
    ) -> Result<LiveSource<R>, DongleError> {
        let dongle = receiver.borrow().dongle();
        for setting in &plan {
            dongle.tuner.gains.tenths(setting.gain, &dongle.name())?;
        }
        let samples = (dwell.as_secs_f64() * f64::from(dongle.sample_rate)).round() as u64;
        let samples = samples.max(1);
        Ok(LiveSource {
            about: dongle.about(),
            receiver,
            plan,
            samples,
            pieces: samples.div_ceil(MOST_SAMPLES),
            to_order: 0,
            to_come: 0,
            tuning: 0,
            started: false,
            piece: None,
            read: 0,
            spare: Vec::new(),
            lost: 0,
            any: false,
        })
    }

    /// Samples in the whole pass.
    pub fn samples(&self) -> u64 {
        self.samples * self.plan.len() as u64
    }

    /// Orders what can be ordered.
    fn order(&mut self) -> Result<(), DongleError> {
        let receiver = self.receiver.borrow_mut();
        while receiver.under_way() < AHEAD && self.to_order < self.pieces * self.plan.len() as u64 {
            let setting = self.plan[(self.to_order / self.pieces) as usize];
            let piece = self.to_order % self.pieces;
            // Even parts, so that no piece is a stump.
            let bounds = [piece, piece + 1].map(|piece| self.samples * piece / self.pieces);
            let mut buffer = self.spare.pop().unwrap_or_default();
            buffer.resize(2 * (bounds[1] - bounds[0]) as usize, 0);
            receiver.order(setting, Begin::Good, buffer)?;
            self.to_order += 1;
        }
        Ok(())
    }

    /// Waits for the next piece of the tuning that is read.
    fn fetch(&mut self) -> Result<(), DongleError> {
        if let Some(piece) = self.piece.take() {
            self.spare.push(piece.bytes);
        }
        self.read = 0;
        loop {
            self.order()?;
            let place = self.to_come;
            self.to_come += 1;
            let came = self.receiver.borrow_mut().next();
            let ended = came.as_ref().is_err_and(DongleError::ends_it);
            if (place / self.pieces) as usize != self.tuning && !ended {
                // Of a tuning that was left early, or failed before.
                self.spare.extend(came.ok().map(|capture| capture.bytes));
                continue;
            }
            self.piece = Some(came?);
            self.any = true;
            return self.order();
        }
    }

    /// Passes an error on, after which the rest of the tuning, or of the plan, is left out.
    fn failed(&mut self, mut error: DongleError) -> CaptureError {
        if let DongleError::SamplesLost { dongle, .. } = &error {
            self.lost += 1;
            if !self.any && self.lost >= LOST_TUNINGS {
                let dongle = dongle.clone();
                error = DongleError::AlwaysLost { dongle };
            }
        }
        if error.ends_it() {
            self.tuning = self.plan.len();
        }
        CaptureError::Dongle(error)
    }
}

impl<R: BorrowMut<Receiver>> Source for LiveSource<R> {
    fn about(&self) -> &About {
        &self.about
    }

    fn next_tuning(&mut self) -> Result<Option<Tuning>, CaptureError> {
        if self.started && self.tuning < self.plan.len() {
            self.tuning += 1;
        }
        self.started = true;
        let Some(&setting) = self.plan.get(self.tuning) else {
            return Ok(None);
        };
        self.fetch().map_err(|error| self.failed(error))?;
        Ok(Some(Tuning {
            centre: crate::units::Hertz(setting.centre.0.round()),
            gain: Some(setting.gain),
            taken_at: self.piece.as_ref().map(|piece| piece.taken_at),
            samples: Some(self.samples),
        }))
    }

    fn read(&mut self, into: &mut [Sample]) -> Result<usize, CaptureError> {
        if into.is_empty() || self.piece.is_none() {
            return Ok(0);
        }
        let whole = |piece: &Capture| piece.bytes.len();
        if self.piece.as_ref().map_or(0, whole) == self.read {
            if self.to_come >= self.pieces * (self.tuning as u64 + 1) {
                return Ok(0);
            }
            self.fetch().map_err(|error| self.failed(error))?;
        }
        let Some(piece) = &self.piece else {
            return Ok(0);
        };
        let left = &piece.bytes[self.read..];
        let count = into.len().min(left.len() / 2);
        to_samples(&left[..2 * count], &mut into[..count]);
        self.read += 2 * count;
        Ok(count)
    }
}

impl<R: BorrowMut<Receiver>> Drop for LiveSource<R> {
    fn drop(&mut self) {
        // A lent receiver is ready for others afterwards.
        self.receiver.borrow_mut().give_up();
    }
}
