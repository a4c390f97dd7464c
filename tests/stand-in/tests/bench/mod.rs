//! A bench with dongles on it: the file that says what is plugged in, and the C interface made handy.

#![allow(dead_code, reason = "each test binary uses its own share")]

use std::ffi::{c_uchar, c_void};
use std::path::PathBuf;
use std::sync::{LazyLock, Mutex, MutexGuard, PoisonError};

use num_complex::Complex;
use rtlsdr_stand_in::interface::*;
use tempfile::TempDir;

/// One scene for all: a carrier at 500.1 MHz of the dongle's own, one channel 20, an antenna, drift and fading none.
pub const SCENE: &str = r#"
title = "One channel and one carrier"
invented = true
plan = "us"
seed = 3

[dongle]
gain_db = 29.7
noise_dbfs_per_mhz = -44
flat_mhz = 0.8
half_power_mhz = 1.2

[[dongle.spur]]
frequency_mhz = 500.1
level_dbfs = -20

[[transmitter]]
name = "Station"
channel = 20
low_mhz = 506
width_mhz = 6
standard = "8vsb"
power_dbfs = -16
bearing_deg = 0

[[antenna]]
name = "rod"

[[antenna]]
name = "loop"
gain = [[500, 6]]

[[spot]]
name = "window"
"#;

/// Put before the rest, it leaves [`SCENE`] out: the demo's is played.
pub const DEMO: &str = "# demo\n";

/// The environment belongs to the whole process.
static ONE_AT_A_TIME: Mutex<()> = Mutex::new(());
/// Prepared samples, for all tests.
static CACHE: LazyLock<TempDir> = LazyLock::new(|| tempfile::tempdir().expect("a folder"));

/// A folder with a file that says what is plugged in.
pub struct Bench {
    folder: TempDir,
    _guard: MutexGuard<'static, ()>,
}

impl Bench {
    /// With this in the file, besides the scene, the log and the folder for prepared samples.
    pub fn new(text: &str) -> Bench {
        let guard = ONE_AT_A_TIME.lock().unwrap_or_else(PoisonError::into_inner);
        let bench = Bench {
            folder: tempfile::tempdir().expect("a folder"),
            _guard: guard,
        };
        std::fs::write(bench.folder.path().join("scene.toml"), SCENE).expect("a scene");
        bench.plug(text);
        // SAFETY: tests of this binary that use the environment hold the lock.
        unsafe { std::env::set_var("RTLSDR_STAND_IN", bench.path("plugged.toml")) };
        bench
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// Writes the file anew.
    pub fn plug(&self, text: &str) {
        let cache = CACHE.path().display();
        // The demo's scene is the one that is played where none is named.
        let scene = match text.strip_prefix(DEMO) {
            Some(_) => "",
            None => "scene = 'scene.toml'\n",
        };
        let text = text.strip_prefix(DEMO).unwrap_or(text);
        let text = format!("{scene}log = 'log'\ncache = '{cache}'\n{text}");
        std::fs::write(self.path("new"), text).expect("a file");
        std::fs::rename(self.path("new"), self.path("plugged.toml")).expect("a file");
    }

    /// Values of an event in the log, in order.
    pub fn logged(&self, event: &str) -> Vec<String> {
        let lines = self.log(event).into_iter();
        lines.map(|(_, value)| value).collect()
    }

    /// When an event happened, in seconds of the dongle's time.
    pub fn logged_at(&self, event: &str) -> Vec<f64> {
        let lines = self.log(event).into_iter();
        lines.map(|(time_s, _)| time_s).collect()
    }

    fn log(&self, event: &str) -> Vec<(f64, String)> {
        let log = std::fs::read_to_string(self.path("log")).unwrap_or_default();
        let lines = log.lines().filter_map(|line| {
            let words: Vec<&str> = line.splitn(4, ' ').collect();
            let value = words.get(3).copied().unwrap_or_default();
            (words[2] == event).then(|| (words[0].parse().expect("seconds"), value.to_owned()))
        });
        lines.collect()
    }

    pub fn open(&self, index: u32) -> Result<Dongle, i32> {
        let mut dev = std::ptr::null_mut();
        match unsafe { rtlsdr_open(&raw mut dev, index) } {
            0 => Ok(Dongle(dev)),
            code => Err(code),
        }
    }

    /// The first dongle at 2.4 MS/s and a gain of 29.7 dB.
    pub fn ready(&self) -> Dongle {
        let dongle = self.open(0).expect("a dongle");
        unsafe {
            assert_eq!(rtlsdr_set_sample_rate(dongle.0, 2_400_000), 0);
            assert_eq!(rtlsdr_set_tuner_gain_mode(dongle.0, 1), 0);
            assert_eq!(rtlsdr_set_tuner_gain(dongle.0, 297), 0);
        }
        dongle
    }
}

/// An open dongle; closed when dropped.
pub struct Dongle(pub *mut Handle);

// SAFETY: the interface may be called from several threads.
unsafe impl Send for Dongle {}
unsafe impl Sync for Dongle {}

/// What a callback gets: the bytes, and their number from 0.
struct Context<'a>(&'a mut dyn FnMut(usize, &[u8]), usize);

unsafe extern "C" fn hand_over(bytes: *mut c_uchar, length: u32, context: *mut c_void) {
    let context = unsafe { &mut *context.cast::<Context>() };
    (context.0)(context.1, unsafe {
        std::slice::from_raw_parts(bytes, length as usize)
    });
    context.1 += 1;
}

impl Dongle {
    pub fn tune(&self, hz: u32) -> i32 {
        unsafe { rtlsdr_set_center_freq(self.0, hz) }
    }

    pub fn gain(&self, tenths: i32) -> i32 {
        unsafe { rtlsdr_set_tuner_gain(self.0, tenths) }
    }

    pub fn cancel(&self) -> i32 {
        unsafe { rtlsdr_cancel_async(self.0) }
    }

    /// Reads until cancelled, `count` transfers of `length` bytes at a time.
    pub fn read(&self, count: u32, length: u32, mut each: impl FnMut(usize, &[u8])) -> i32 {
        let mut context = Context(&mut each, 0);
        unsafe {
            rtlsdr_read_async(
                self.0,
                Some(hand_over),
                (&raw mut context).cast(),
                count,
                length,
            )
        }
    }

    /// So many transfers of 16384 bytes, one after another, out of a reading of its own.
    pub fn transfers(&self, wanted: usize) -> Vec<u8> {
        let mut bytes = Vec::new();
        let code = self.read(15, 16_384, |index, transfer| {
            if index < wanted {
                bytes.extend_from_slice(transfer);
            }
            if index + 1 == wanted {
                assert_eq!(self.cancel(), 0);
            }
        });
        assert_eq!(code, 0);
        bytes
    }
}

impl Drop for Dongle {
    fn drop(&mut self) {
        unsafe { rtlsdr_close(self.0) };
    }
}

/// Mean |x|² of bytes, in dBFS.
pub fn power_db(bytes: &[u8]) -> f64 {
    let sum: f64 = samples(bytes).map(|x| x.norm_sqr()).sum();
    10.0 * (sum / (bytes.len() / 2) as f64).log10()
}

/// Power of a carrier at `f_hz` in samples at `rate_hz`, in dBFS.
pub fn carrier_db(bytes: &[u8], f_hz: f64, rate_hz: f64) -> f64 {
    let sum: Complex<f64> = samples(bytes)
        .enumerate()
        .map(|(n, x)| x * Complex::cis(-std::f64::consts::TAU * f_hz / rate_hz * n as f64))
        .sum();
    20.0 * (sum.norm() / (bytes.len() / 2) as f64).log10()
}

fn samples(bytes: &[u8]) -> impl Iterator<Item = Complex<f64>> {
    let rail = |byte: u8| (f64::from(byte) - 127.5) / 127.5;
    bytes
        .chunks_exact(2)
        .map(move |pair| Complex::new(rail(pair[0]), rail(pair[1])))
}

/// One dongle with these lines.
pub fn one(pace: &str, lines: &str) -> Bench {
    Bench::new(&format!(
        "pace = {pace}\n[[device]]\nfrequency_error_ppm = 0\n{lines}"
    ))
}

/// Bytes of so many transfers, those dropped that show how the tuner settles.
pub fn settled(dongle: &Dongle, transfers: usize) -> Vec<u8> {
    dongle.transfers(transfers + 10).split_off(10 * 16_384)
}
