//! The driver, librtlsdr: what is plugged in, and opening one.
//!
//! # Two crates for one library
//!
//! `rtlsdr_mt` opens a dongle, sets it and reads from it; `rtlsdr_sys`, the bare functions beneath it, is used beside it
//! for what the former lacks or what could go wrong in it (version 2.2.0):
//!
//! - It lists names of models only: serial numbers are read here.
//! - Its errors are `()`: why a dongle can't be opened is found by opening it once here, where the driver's code is seen.
//!   While that is done, the tuner and its gains are asked for.
//! - Its `tuner_gains` lets the driver write into 32 places, however many it has, and then asserts that there were between
//!   1 and 32. It is never called: the table is asked for in two steps here, the number first.
//! - Its `read_async` calls the closure, which it holds by a shared reference, as if it held it alone. Rust allows that only
//!   where all that the closure has is inside a cell; ours has a `RefCell` and nothing else.
//! - Its device is closed when the controller and the reader are both dropped, and the driver waits in closing until reading
//!   has ended. So a reader that hangs is left alone with its thread, and what it holds is never closed under it.
//!
//! Both crates declare the tuner's type as an enum, which a number from a newer driver would break: it is declared as a
//! number here.

use std::ffi::{CStr, c_char, c_int};
use std::sync::mpsc;
use std::time::Duration;

use rtlsdr_mt::{Controller, Reader};
use rtlsdr_sys as sys;

use super::choice::{Choice, Listed};
use super::error::DongleError;
use super::gains::GainTable;

/// More dongles than this are a fault of the driver's.
const MOST_DONGLES: u32 = 64;
/// More gains than this are a fault of the driver's; the longest table known has 29.
const MOST_GAINS: usize = 256;
/// Bytes for each string of a dongle; the driver asks for 256.
const STRING_BYTES: usize = 512;

/// Codes of libusb that the driver passes on.
const ACCESS: c_int = -3;
const BUSY: c_int = -6;

unsafe extern "C" {
    /// As in the driver's header; see the module's documentation for why it is declared here.
    fn rtlsdr_get_tuner_type(device: sys::rtlsdr_dev_t) -> c_int;
}

/// The tuner of a dongle.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Tuner {
    /// Its name.
    pub name: &'static str,
    /// The gains that it has.
    pub gains: GainTable,
}

/// An open dongle: one half sets it, the other reads from it on a thread of its own.
pub(super) struct Device {
    pub controller: Controller,
    pub reader: Reader,
}

/// Runs `call` on a thread of its own and waits for it; after `limit` the thread is left alone.
///
/// # Errors
/// [`DongleError::Hangs`] where it doesn't come back.
pub(super) fn within<T: Send + 'static>(
    limit: Duration,
    dongle: &str,
    doing: &'static str,
    call: impl FnOnce() -> T + Send + 'static,
) -> Result<T, DongleError> {
    let (done, waiting) = mpsc::sync_channel(1);
    std::thread::Builder::new()
        .name("dongle call".into())
        .spawn(move || {
            // Nobody waits any more where it took too long.
            let _ = done.send(call());
        })
        .map_err(|error| DongleError::NoThread(error.to_string()))?;
    waiting.recv_timeout(limit).map_err(|_| DongleError::Hangs {
        dongle: dongle.to_owned(),
        doing,
        waited_s: limit.as_secs_f64(),
    })
}

/// The dongles that are plugged in, in the driver's order. `limit` is how long to wait for the driver.
///
/// # Errors
/// [`DongleError::Hangs`] where the driver doesn't come back.
pub fn list(limit: Duration) -> Result<Vec<Listed>, DongleError> {
    within(limit, "list", "listing dongles", list_here)
}

/// The same on this thread, for as long as it takes.
pub(super) fn list_here() -> Vec<Listed> {
    // SAFETY: no arguments; may be called at any time.
    let count = unsafe { sys::rtlsdr_get_device_count() };
    (0..count.min(MOST_DONGLES)).map(listed).collect()
}

/// The one of `found` that is chosen.
///
/// # Errors
/// Where there is none, or more than one: the message lists what there is.
pub fn choose(choice: &Choice, found: &[Listed]) -> Result<Listed, DongleError> {
    let all = || found.to_vec();
    if found.is_empty() {
        return Err(DongleError::NonePlugged);
    }
    match choice {
        Choice::TheOnlyOne => match found {
            [only] => Ok(only.clone()),
            _ => Err(DongleError::Several { found: all() }),
        },
        Choice::Index(index) => found
            .iter()
            .find(|listed| listed.index == *index)
            .cloned()
            .ok_or_else(|| DongleError::NoSuchIndex {
                index: *index,
                found: all(),
            }),
        Choice::Serial(serial) => {
            let same: Vec<Listed> = found
                .iter()
                .filter(|listed| listed.serial.as_ref() == Some(serial))
                .cloned()
                .collect();
            match same.as_slice() {
                [] => Err(DongleError::NoSuchSerial {
                    serial: serial.clone(),
                    found: all(),
                }),
                [only] => Ok(only.clone()),
                _ => Err(DongleError::SameSerial {
                    serial: serial.clone(),
                    found: same,
                }),
            }
        }
    }
}

fn listed(index: u32) -> Listed {
    let mut strings = [[0 as c_char; STRING_BYTES]; 3];
    let [manufacturer, product, serial] = &mut strings;
    // SAFETY: each has room for more than the 256 bytes that the driver writes at most.
    let told = unsafe {
        sys::rtlsdr_get_device_usb_strings(
            index,
            manufacturer.as_mut_ptr(),
            product.as_mut_ptr(),
            serial.as_mut_ptr(),
        )
    } == 0;
    // SAFETY: returns null or a text that lives as long as the library.
    let model = unsafe {
        let name = sys::rtlsdr_get_device_name(index);
        (!name.is_null()).then(|| CStr::from_ptr(name))
    };
    let [manufacturer, product, serial] =
        strings.map(|string| told.then(|| until_nul(&string)).flatten());
    Listed {
        index,
        model: model
            .and_then(|name| clean(name.to_bytes()))
            .unwrap_or_else(|| "unknown".into()),
        manufacturer,
        product,
        serial,
    }
}

fn until_nul(string: &[c_char]) -> Option<String> {
    let bytes: Vec<u8> = string
        .iter()
        .map(|&byte| byte as u8)
        .take_while(|&byte| byte != 0)
        .collect();
    clean(&bytes)
}

/// Text without control characters and space around it; `None` where nothing is left.
fn clean(bytes: &[u8]) -> Option<String> {
    let text = String::from_utf8_lossy(bytes).replace(char::is_control, "");
    let text = text.trim();
    (!text.is_empty()).then(|| text.to_owned())
}

/// Opens a dongle, asks for its tuner, and closes it again. `limit` is how long to wait for the driver.
///
/// # Errors
/// Where it can't be opened, or its tuner or gains can't be used: the message says why and what to do.
pub fn tuner(dongle: &Listed, limit: Duration) -> Result<Tuner, DongleError> {
    let asked = dongle.clone();
    within(limit, &dongle.name(), "opening it", move || {
        tuner_here(&asked)
    })?
}

fn tuner_here(dongle: &Listed) -> Result<Tuner, DongleError> {
    let opened = Bare::open(dongle)?;
    let name = match opened.tuner_type() {
        1 => "E4000",
        2 => "FC0012",
        3 => "FC0013",
        4 => "FC2580",
        5 => "R820T",
        6 => "R828D",
        _ => {
            return Err(DongleError::NoTuner {
                dongle: dongle.name(),
            });
        }
    };
    let gains =
        opened
            .gains()
            .and_then(GainTable::new)
            .map_err(|problem| DongleError::GainTable {
                dongle: dongle.name(),
                problem,
            })?;
    Ok(Tuner { name, gains })
}

/// Opens a dongle for use. It reads nothing yet.
///
/// # Errors
/// As [`tuner`].
pub(super) fn open(dongle: &Listed) -> Result<(Device, Tuner), DongleError> {
    let tuner = tuner_here(dongle)?;
    if let Ok((controller, reader)) = rtlsdr_mt::open(dongle.index) {
        return Ok((Device { controller, reader }, tuner));
    }
    // It doesn't say why; opening it once more does, where it is not about emptying its buffer.
    Bare::open(dongle)?;
    Err(DongleError::CantOpen {
        dongle: dongle.name(),
        code: -1,
    })
}

/// A dongle opened by the bare functions; closed when dropped.
struct Bare(sys::rtlsdr_dev_t);

impl Bare {
    fn open(dongle: &Listed) -> Result<Bare, DongleError> {
        let mut device = std::ptr::null_mut();
        // SAFETY: `device` is a place for a pointer.
        let code = unsafe { sys::rtlsdr_open(&mut device, dongle.index) };
        let name = dongle.name();
        match code {
            0 if !device.is_null() => Ok(Bare(device)),
            ACCESS => Err(DongleError::NoPermission { dongle: name }),
            BUSY => Err(DongleError::Busy { dongle: name }),
            code => Err(DongleError::CantOpen { dongle: name, code }),
        }
    }

    fn tuner_type(&self) -> c_int {
        // SAFETY: open until dropped.
        unsafe { rtlsdr_get_tuner_type(self.0) }
    }

    /// Gains in tenths of a decibel, or what is odd about what the driver says.
    fn gains(&self) -> Result<Vec<i32>, String> {
        // SAFETY: open until dropped; with a null pointer only the number is returned.
        let count = unsafe { sys::rtlsdr_get_tuner_gains(self.0, std::ptr::null_mut()) };
        let places = usize::try_from(count)
            .ok()
            .filter(|count| (1..=MOST_GAINS).contains(count))
            .ok_or_else(|| format!("it says that there are {count} gains"))?;
        // Room to spare, in case it writes more than it said.
        let mut gains = vec![0; MOST_GAINS.max(2 * places)];
        // SAFETY: as above; there is room for more than the number it returned.
        let written = unsafe { sys::rtlsdr_get_tuner_gains(self.0, gains.as_mut_ptr()) };
        if written != count {
            return Err(format!(
                "it says that there are {count} gains, then {written}"
            ));
        }
        gains.truncate(places);
        Ok(gains)
    }
}

impl Drop for Bare {
    fn drop(&mut self) {
        // SAFETY: opened by `open`, closed only here.
        unsafe { sys::rtlsdr_close(self.0) };
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn dongle(index: u32, serial: &str) -> Listed {
        Listed {
            index,
            model: "Generic".into(),
            manufacturer: None,
            product: None,
            serial: (!serial.is_empty()).then(|| serial.into()),
        }
    }

    #[test]
    fn one_is_chosen_or_the_message_lists_what_there_is() {
        let two = [dongle(0, "NORTH"), dongle(1, "SOUTH")];
        let said = |choice: Choice, found: &[Listed]| match choose(&choice, found) {
            Ok(listed) => listed.name(),
            Err(error) => error.to_string(),
        };
        let serial = |text: &str| Choice::Serial(text.into());
        assert_eq!(said(Choice::TheOnlyOne, &two[..1]), "NORTH");
        assert_eq!(said(serial("SOUTH"), &two), "SOUTH");
        assert_eq!(said(Choice::Index(1), &two), "SOUTH");
        assert!(said(Choice::TheOnlyOne, &[]).starts_with("no dongle is plugged in"));
        assert_eq!(
            said(Choice::TheOnlyOne, &two),
            "several dongles are plugged in (#0: serial NORTH, #1: serial SOUTH): name one with --dongle SERIAL"
        );
        assert_eq!(
            said(serial("EAST"), &two),
            "no dongle has the serial number EAST; plugged in: #0: serial NORTH, #1: serial SOUTH"
        );
        assert_eq!(
            said(Choice::Index(7), &[dongle(0, "")]),
            "there is no dongle #7; plugged in: #0: serial unknown"
        );
        assert_eq!(
            said(
                serial("00000001"),
                &[dongle(0, "00000001"), dongle(1, "00000001")]
            ),
            "several dongles have the serial number 00000001 (#0: serial 00000001, #1: serial 00000001): choose one by its \
             place, such as --dongle '#0'"
        );
    }

    #[test]
    fn a_call_that_does_not_come_back_is_said_to_hang() {
        let error = within(Duration::from_millis(20), "X", "opening it", || {
            std::thread::park_timeout(Duration::from_secs(5))
        })
        .unwrap_err();
        assert_eq!(
            error.to_string(),
            "dongle X: the driver hangs while opening it, for 0.0 s now: plug the dongle out and in again"
        );
    }

    #[test]
    fn strings_lose_what_is_no_text() {
        assert_eq!(clean(b" Real\x07tek \n").as_deref(), Some("Realtek"));
        assert_eq!(clean(b" \x01"), None);
    }
}
