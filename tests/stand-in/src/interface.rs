//! The C interface, as `rtl-sdr.h` declares it.
//!
//! # Safety
//! As in C: a `dev` is null or came from [`rtlsdr_open`] and was not closed since; a pointer to fill is null or has the
//! room that the header asks for.

#![allow(
    clippy::missing_safety_doc,
    reason = "it is the same for all, and stands above"
)]

use std::ffi::{c_char, c_int, c_uchar, c_void};
use std::sync::Arc;

use crate::device::{Device, NO_DEVICE};
use crate::listing::fill_strings;
pub use crate::listing::*;
use crate::transfers;

/// What a `rtlsdr_dev_t *` points to.
pub struct Handle(Arc<Device>);

/// Called with each transfer: its bytes, their number, and the context.
pub type Callback = unsafe extern "C" fn(*mut c_uchar, u32, *mut c_void);

/// `RTLSDR_TUNER_R820T`
const R820T: c_int = 5;

unsafe fn device<'a>(dev: *const Handle) -> Option<&'a Device> {
    unsafe { dev.as_ref() }.map(|handle| &*handle.0)
}

/// What `call` returns, or `null` where there is no device.
unsafe fn with<T>(dev: *const Handle, null: T, call: impl FnOnce(&Device) -> T) -> T {
    unsafe { device(dev) }.map_or(null, call)
}

#[unsafe(no_mangle)]
pub unsafe extern "C" fn rtlsdr_open(dev: *mut *mut Handle, index: u32) -> c_int {
    match Device::open(index) {
        Ok(device) => {
            eprintln!("Found Rafael Micro R820T tuner");
            unsafe { dev.write(Box::into_raw(Box::new(Handle(device)))) };
            0
        }
        Err(code) => code,
    }
}

#[unsafe(no_mangle)]
pub unsafe extern "C" fn rtlsdr_close(dev: *mut Handle) -> c_int {
    if dev.is_null() {
        return -1;
    }
    let handle = unsafe { Box::from_raw(dev) };
    handle.0.close();
    0
}

#[unsafe(no_mangle)]
pub unsafe extern "C" fn rtlsdr_set_xtal_freq(dev: *mut Handle, rtl: u32, tuner: u32) -> c_int {
    unsafe {
        with(dev, -1, |device| {
            if rtl > 0 && rtl.abs_diff(28_800_000) > 1000 {
                return -2;
            }
            device.set_other(|state| state.xtal_hz = (rtl, tuner))
        })
    }
}

#[unsafe(no_mangle)]
pub unsafe extern "C" fn rtlsdr_get_xtal_freq(
    dev: *mut Handle,
    rtl: *mut u32,
    tuner: *mut u32,
) -> c_int {
    unsafe {
        with(dev, -1, |device| {
            let xtal_hz = device.state().xtal_hz;
            if let Some(rtl) = rtl.as_mut() {
                *rtl = xtal_hz.0;
            }
            if let Some(tuner) = tuner.as_mut() {
                *tuner = xtal_hz.1;
            }
            0
        })
    }
}

#[unsafe(no_mangle)]
pub unsafe extern "C" fn rtlsdr_get_usb_strings(
    dev: *mut Handle,
    manufact: *mut c_char,
    product: *mut c_char,
    serial: *mut c_char,
) -> c_int {
    unsafe {
        with(dev, -1, |device| {
            fill_strings(&device.state().own, [manufact, product, serial]);
            0
        })
    }
}

/// There is no EEPROM.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn rtlsdr_write_eeprom(dev: *mut Handle, _: *mut u8, _: u8, _: u16) -> c_int {
    unsafe { with(dev, -1, |_| -3) }
}

/// There is no EEPROM.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn rtlsdr_read_eeprom(dev: *mut Handle, _: *mut u8, _: u8, _: u16) -> c_int {
    unsafe { with(dev, -1, |_| -3) }
}

#[unsafe(no_mangle)]
pub unsafe extern "C" fn rtlsdr_set_center_freq(dev: *mut Handle, freq: u32) -> c_int {
    unsafe { with(dev, -1, |device| device.set_centre(freq)) }
}

#[unsafe(no_mangle)]
pub unsafe extern "C" fn rtlsdr_get_center_freq(dev: *mut Handle) -> u32 {
    unsafe { with(dev, 0, |device| device.state().setting.centre_hz) }
}

#[unsafe(no_mangle)]
pub unsafe extern "C" fn rtlsdr_set_freq_correction(dev: *mut Handle, ppm: c_int) -> c_int {
    unsafe { with(dev, -1, |device| device.set_correction(ppm)) }
}

#[unsafe(no_mangle)]
pub unsafe extern "C" fn rtlsdr_get_freq_correction(dev: *mut Handle) -> c_int {
    unsafe { with(dev, 0, |device| device.state().setting.correction_ppm) }
}

#[unsafe(no_mangle)]
pub unsafe extern "C" fn rtlsdr_get_tuner_type(dev: *mut Handle) -> c_int {
    unsafe { with(dev, 0, |_| R820T) }
}

#[unsafe(no_mangle)]
pub unsafe extern "C" fn rtlsdr_get_tuner_gains(dev: *mut Handle, gains: *mut c_int) -> c_int {
    unsafe {
        with(dev, -1, |device| {
            let own = device.state().own.clone();
            if !gains.is_null() {
                gains.copy_from_nonoverlapping(own.gains.as_ptr(), own.gains.len());
            }
            own.gains_returned.unwrap_or(own.gains.len() as c_int)
        })
    }
}

#[unsafe(no_mangle)]
pub unsafe extern "C" fn rtlsdr_set_tuner_gain(dev: *mut Handle, gain: c_int) -> c_int {
    unsafe { with(dev, -1, |device| device.set_gain(gain)) }
}

#[unsafe(no_mangle)]
pub unsafe extern "C" fn rtlsdr_set_tuner_bandwidth(dev: *mut Handle, _: u32) -> c_int {
    unsafe { with(dev, -1, |device| device.set_other(|_| {})) }
}

#[unsafe(no_mangle)]
pub unsafe extern "C" fn rtlsdr_get_tuner_gain(dev: *mut Handle) -> c_int {
    unsafe { with(dev, 0, Device::gain) }
}

#[unsafe(no_mangle)]
pub unsafe extern "C" fn rtlsdr_set_tuner_if_gain(dev: *mut Handle, _: c_int, _: c_int) -> c_int {
    unsafe { with(dev, -1, |_| 0) }
}

#[unsafe(no_mangle)]
pub unsafe extern "C" fn rtlsdr_set_tuner_gain_mode(dev: *mut Handle, manual: c_int) -> c_int {
    unsafe { with(dev, -1, |device| device.set_gain_mode(manual != 0)) }
}

#[unsafe(no_mangle)]
pub unsafe extern "C" fn rtlsdr_set_sample_rate(dev: *mut Handle, rate: u32) -> c_int {
    unsafe { with(dev, -1, |device| device.set_rate(rate)) }
}

#[unsafe(no_mangle)]
pub unsafe extern "C" fn rtlsdr_get_sample_rate(dev: *mut Handle) -> u32 {
    unsafe { with(dev, 0, Device::rate) }
}

#[unsafe(no_mangle)]
pub unsafe extern "C" fn rtlsdr_set_testmode(dev: *mut Handle, on: c_int) -> c_int {
    unsafe { with(dev, -1, |device| device.set_test_mode(on != 0)) }
}

#[unsafe(no_mangle)]
pub unsafe extern "C" fn rtlsdr_set_agc_mode(dev: *mut Handle, on: c_int) -> c_int {
    unsafe { with(dev, -1, |device| device.set_agc(on != 0)) }
}

#[unsafe(no_mangle)]
pub unsafe extern "C" fn rtlsdr_set_direct_sampling(dev: *mut Handle, on: c_int) -> c_int {
    unsafe {
        with(dev, -1, |device| {
            device.set_other(|state| state.direct_sampling = on)
        })
    }
}

#[unsafe(no_mangle)]
pub unsafe extern "C" fn rtlsdr_get_direct_sampling(dev: *mut Handle) -> c_int {
    unsafe { with(dev, -1, |device| device.state().direct_sampling) }
}

/// An R820T has none.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn rtlsdr_set_offset_tuning(dev: *mut Handle, _: c_int) -> c_int {
    unsafe { with(dev, -1, |_| -2) }
}

#[unsafe(no_mangle)]
pub unsafe extern "C" fn rtlsdr_get_offset_tuning(dev: *mut Handle) -> c_int {
    unsafe { with(dev, -1, |_| 0) }
}

/// As in the real library, 0 even where the dongle is gone.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn rtlsdr_reset_buffer(dev: *mut Handle) -> c_int {
    unsafe {
        with(dev, -1, |device| {
            device.set_other(|_| {});
            0
        })
    }
}

#[unsafe(no_mangle)]
pub unsafe extern "C" fn rtlsdr_read_sync(
    dev: *mut Handle,
    buf: *mut c_void,
    len: c_int,
    n_read: *mut c_int,
) -> c_int {
    unsafe {
        with(dev, -1, |device| {
            let Ok(length) = usize::try_from(len) else {
                return NO_DEVICE;
            };
            let code =
                transfers::read_now(device, std::slice::from_raw_parts_mut(buf.cast(), length));
            n_read.write(if code == 0 { len } else { 0 });
            code
        })
    }
}

#[unsafe(no_mangle)]
pub unsafe extern "C" fn rtlsdr_wait_async(
    dev: *mut Handle,
    cb: Option<Callback>,
    ctx: *mut c_void,
) -> c_int {
    unsafe { rtlsdr_read_async(dev, cb, ctx, 0, 0) }
}

#[unsafe(no_mangle)]
pub unsafe extern "C" fn rtlsdr_read_async(
    dev: *mut Handle,
    cb: Option<Callback>,
    ctx: *mut c_void,
    buf_num: u32,
    buf_len: u32,
) -> c_int {
    let mut hand_over = |bytes: &mut [u8]| {
        if let Some(callback) = cb {
            unsafe { callback(bytes.as_mut_ptr(), bytes.len() as u32, ctx) };
        }
    };
    unsafe {
        with(dev, -1, |device| {
            transfers::read(device, buf_num, buf_len, &mut hand_over)
        })
    }
}

#[unsafe(no_mangle)]
pub unsafe extern "C" fn rtlsdr_cancel_async(dev: *mut Handle) -> c_int {
    unsafe { with(dev, -1, transfers::cancel) }
}

#[unsafe(no_mangle)]
pub unsafe extern "C" fn rtlsdr_set_bias_tee(dev: *mut Handle, _: c_int) -> c_int {
    unsafe { with(dev, -1, |_| 0) }
}

#[unsafe(no_mangle)]
pub unsafe extern "C" fn rtlsdr_set_bias_tee_gpio(dev: *mut Handle, _: c_int, _: c_int) -> c_int {
    unsafe { with(dev, -1, |_| 0) }
}
