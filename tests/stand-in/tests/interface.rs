//! What is plugged in, and the values that the calls return. Where the header says nothing of a value, it is from memory
//! of librtlsdr's source.

mod bench;

use std::ffi::{CStr, CString, c_char};
use std::ptr::null_mut;

use bench::Bench;
use rtlsdr_stand_in::interface::*;

const TWO: &str = "
pace = 'fast'
[[device]]
serial = 'ONE'
[[device]]
serial = 'TWO'
manufacturer = 'Somebody'
product = 'Something'
name = 'Another'
";

fn index_of(serial: &str) -> i32 {
    let serial = CString::new(serial).unwrap();
    unsafe { rtlsdr_get_index_by_serial(serial.as_ptr()) }
}

fn strings(index: u32) -> Result<[String; 3], i32> {
    let mut texts = [[0 as c_char; 256]; 3];
    let [a, b, c] = &mut texts;
    match unsafe {
        rtlsdr_get_device_usb_strings(index, a.as_mut_ptr(), b.as_mut_ptr(), c.as_mut_ptr())
    } {
        0 => Ok(texts.map(|text| {
            let text = unsafe { CStr::from_ptr(text.as_ptr()) };
            text.to_str().unwrap().to_owned()
        })),
        code => Err(code),
    }
}

fn name(index: u32) -> &'static str {
    let name = unsafe { CStr::from_ptr(rtlsdr_get_device_name(index)) };
    name.to_str().unwrap()
}

#[test]
fn dongles_are_listed_by_place_and_serial() {
    let bench = Bench::new(TWO);
    assert_eq!(rtlsdr_get_device_count(), 2);
    assert_eq!(strings(1).unwrap(), ["Somebody", "Something", "TWO"]);
    assert_eq!(
        (name(0), name(1), name(2)),
        ("Generic RTL2832U OEM", "Another", "")
    );
    assert_eq!(
        (index_of("ONE"), index_of("TWO"), index_of("THREE")),
        (0, 1, -3)
    );
    assert_eq!(strings(2), Err(-2));
    assert_eq!(bench.open(2).err(), Some(-1));
}

#[test]
fn where_nothing_is_plugged_in_the_count_is_0() {
    let bench = Bench::new("");
    assert_eq!(rtlsdr_get_device_count(), 0);
    assert_eq!(index_of("ONE"), -2);
    assert_eq!(unsafe { rtlsdr_get_index_by_serial(null_mut()) }, -1);
    assert_eq!(bench.open(0).err(), Some(-1));
    bench.plug(TWO);
    assert_eq!(rtlsdr_get_device_count(), 2);
}

#[test]
fn a_file_with_a_mistake_leaves_what_was_plugged_in() {
    let bench = Bench::new(TWO);
    assert_eq!(rtlsdr_get_device_count(), 2);
    bench.plug("[[device]]\nantena = 'rod'");
    assert_eq!(rtlsdr_get_device_count(), 2);
}

#[test]
fn an_open_dongle_is_busy_until_closed() {
    let bench = Bench::new(TWO);
    let first = bench.open(0).unwrap();
    assert_eq!(bench.open(0).err(), Some(-6));
    assert!(bench.open(1).is_ok());
    drop(first);
    assert!(bench.open(0).is_ok());
}

#[test]
fn sample_rates_outside_the_ranges_are_refused() {
    let bench = Bench::new(TWO);
    let dongle = bench.open(0).unwrap();
    let set = |rate| unsafe { rtlsdr_set_sample_rate(dongle.0, rate) };
    let get = || unsafe { rtlsdr_get_sample_rate(dongle.0) };
    assert_eq!(get(), 0);
    for refused in [0, 225_000, 300_001, 900_000, 3_200_001] {
        assert_eq!(set(refused), -22, "{refused}");
    }
    assert_eq!(get(), 0);
    for allowed in [225_001, 300_000, 900_001, 1_024_000] {
        assert_eq!(set(allowed), 0, "{allowed}");
        // The resampler makes a rate that is exact to a few hertz.
        assert!(get().abs_diff(allowed) <= 1, "{allowed}: {}", get());
    }
}

#[test]
fn gains_are_the_tuners_29_unless_stated() {
    let bench =
        Bench::new(&TWO.replace("'ONE'", "'ONE'\ngains = [0, 90, 300]\ngains_returned = -1"));
    let gains = |index| {
        let dongle = bench.open(index).unwrap();
        let mut gains = [i32::MIN; 32];
        unsafe {
            let count = rtlsdr_get_tuner_gains(dongle.0, null_mut());
            assert_eq!(rtlsdr_get_tuner_gains(dongle.0, gains.as_mut_ptr()), count);
            (count, gains)
        }
    };
    // Handbook §10, C17.
    let steps = [
        0, 9, 14, 27, 37, 77, 87, 125, 144, 157, 166, 197, 207, 229, 254, 280, 297, 328, 338, 364,
        372, 386, 402, 421, 434, 439, 445, 480, 496,
    ];
    let (count, table) = gains(1);
    assert_eq!((count, &table[..29], table[29]), (29, &steps[..], i32::MIN));
    let (count, table) = gains(0);
    assert_eq!((count, &table[..3]), (-1, &[0, 90, 300][..]));
}

#[test]
fn frequencies_that_the_tuner_does_not_reach_are_refused_and_leave_none() {
    let bench = Bench::new(TWO);
    let dongle = bench.open(0).unwrap();
    let centre = || unsafe { rtlsdr_get_center_freq(dongle.0) };
    assert_eq!((dongle.tune(506_000_000), centre()), (0, 506_000_000));
    assert_eq!((dongle.tune(20_000_000), centre()), (-22, 0));
    assert_eq!(dongle.tune(1_800_000_000), -22);
}

#[test]
fn the_same_correction_again_is_told_by_minus_2() {
    let bench = Bench::new(TWO);
    let dongle = bench.open(0).unwrap();
    let set = |ppm| unsafe { rtlsdr_set_freq_correction(dongle.0, ppm) };
    assert_eq!((set(0), set(12), set(12), set(-3)), (-2, 0, -2, 0));
}

#[test]
fn without_a_dongle_every_call_fails_quietly() {
    let dev = null_mut();
    unsafe {
        assert_eq!(rtlsdr_close(dev), -1);
        assert_eq!(rtlsdr_set_center_freq(dev, 500_000_000), -1);
        assert_eq!(rtlsdr_get_center_freq(dev), 0);
        assert_eq!(rtlsdr_set_tuner_gain(dev, 0), -1);
        assert_eq!(rtlsdr_get_tuner_gain(dev), 0);
        assert_eq!(rtlsdr_get_tuner_gains(dev, null_mut()), -1);
        assert_eq!(rtlsdr_get_tuner_type(dev), 0);
        assert_eq!(rtlsdr_get_sample_rate(dev), 0);
        assert_eq!(rtlsdr_reset_buffer(dev), -1);
        assert_eq!(rtlsdr_read_async(dev, None, null_mut(), 0, 0), -1);
        assert_eq!(rtlsdr_cancel_async(dev), -1);
    }
}
