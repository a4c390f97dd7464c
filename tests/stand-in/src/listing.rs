//! The C interface, so far as it lists dongles without opening them. For its safety see [`crate::interface`].

#![allow(
    clippy::missing_safety_doc,
    reason = "it is the same for all, and stands in the module of the rest"
)]

use std::ffi::{CStr, c_char, c_int};

use crate::config::Dongle;
use crate::device::ACCESS;
use crate::plugged;

unsafe fn fill(text: &str, into: *mut c_char) {
    if into.is_null() {
        return;
    }
    let bytes = text.as_bytes();
    let length = bytes.len().min(255);
    unsafe {
        into.copy_from_nonoverlapping(bytes.as_ptr().cast(), length);
        into.add(length).write(0);
    }
}

/// Fills manufacturer, product and serial, each where there is room.
pub(crate) unsafe fn fill_strings(own: &Dongle, strings: [*mut c_char; 3]) {
    let texts = [&own.manufacturer, &own.product, &own.serial];
    for (text, into) in texts.into_iter().zip(strings) {
        unsafe { fill(text, into) };
    }
}

#[unsafe(no_mangle)]
pub extern "C" fn rtlsdr_get_device_count() -> u32 {
    plugged::dongles().len() as u32
}

#[unsafe(no_mangle)]
pub extern "C" fn rtlsdr_get_device_name(index: u32) -> *const c_char {
    let dongles = plugged::dongles();
    let name = dongles.get(index as usize).map_or("", |own| &own.name);
    plugged::lasting(name).as_ptr()
}

#[unsafe(no_mangle)]
pub unsafe extern "C" fn rtlsdr_get_device_usb_strings(
    index: u32,
    manufact: *mut c_char,
    product: *mut c_char,
    serial: *mut c_char,
) -> c_int {
    let dongles = plugged::dongles();
    let Some(own) = dongles.get(index as usize) else {
        return -2;
    };
    if plugged::denied(own) {
        return ACCESS;
    }
    unsafe { fill_strings(own, [manufact, product, serial]) };
    0
}

#[unsafe(no_mangle)]
pub unsafe extern "C" fn rtlsdr_get_index_by_serial(serial: *const c_char) -> c_int {
    if serial.is_null() {
        return -1;
    }
    let serial = unsafe { CStr::from_ptr(serial) }.to_bytes();
    let dongles = plugged::dongles();
    if dongles.is_empty() {
        return -2;
    }
    let found = dongles
        .iter()
        .position(|own| own.serial.as_bytes() == serial && !plugged::denied(own));
    found.map_or(-3, |index| index as c_int)
}
