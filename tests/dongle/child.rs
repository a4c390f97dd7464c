//! This file's binary, started again where the stand-in is found in place of the driver; what it does there.
//!
//! A child gets its orders as JSON in an environment variable and prints what came of them on one line. One that doesn't
//! end is killed, which fails the test.

use std::io::Read;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use gainsay::capture::dongle::{self, Choice, LiveSource, Patience, Receiver, Setting, Settings};
use gainsay::capture::{Sample, Source};
use gainsay::units::{Decibels, Hertz};
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};

use super::stand_in_support::StandIn;

const ORDERS: &str = "GAINSAY_TEST_ORDERS";
const CAME: &str = "CAME OF IT: ";

/// No child takes as long as this, however busy the machine is.
const LIMIT: Duration = Duration::from_secs(120);

/// Starts `test` of this binary as a child with the stand-in, and returns what it printed with [`say`].
pub fn child<T: DeserializeOwned>(test: &str, orders: &impl Serialize, stand_in: &StandIn) -> T {
    let mut child = Command::new(std::env::current_exe().expect("a path"))
        .args([test, "--exact", "--ignored", "--nocapture"])
        .envs(stand_in.environment())
        .env(ORDERS, serde_json::to_string(orders).expect("JSON"))
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .spawn()
        .expect("a child");
    let mut stdout = child.stdout.take().expect("a pipe");
    let reader = std::thread::spawn(move || {
        let mut text = String::new();
        stdout.read_to_string(&mut text).map(|_| text)
    });
    let until = Instant::now() + LIMIT;
    let status = loop {
        if let Some(status) = child.try_wait().expect("a child") {
            break status;
        }
        if Instant::now() > until {
            child.kill().ok();
            panic!("{test} hangs; the stand-in's log:\n{}", stand_in.log());
        }
        std::thread::sleep(Duration::from_millis(5));
    };
    let text = reader.join().expect("a thread").expect("text");
    assert!(status.success(), "{test} failed: {text}");
    let came = text
        .lines()
        .find_map(|line| Some(line.split_once(CAME)?.1))
        .unwrap_or_else(|| panic!("{test} said nothing: {text}"));
    serde_json::from_str(came).expect("JSON")
}

/// The orders of this process, where it is a child; `None` elsewhere.
pub fn orders<T: DeserializeOwned>() -> Option<T> {
    let orders = std::env::var(ORDERS).ok()?;
    Some(serde_json::from_str(&orders).expect("JSON"))
}

/// Tells the parent what came of it.
pub fn say(came: &impl Serialize) {
    println!("\n{CAME}{}", serde_json::to_string(came).expect("JSON"));
}

/// One or more passes over a plan of tunings.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Pass {
    /// Which dongle, in words.
    pub choice: Option<String>,
    pub sample_rate: u32,
    /// Frequency in MHz and gain in dB of each tuning.
    pub plan: Vec<(f64, f64)>,
    pub dwell_ms: f64,
    /// Samples to drop, as if they had been measured.
    pub stale: Option<u64>,
    pub settling: Option<u64>,
    /// How long to wait for samples and for calls.
    pub patience_ms: (u64, u64),
    /// How often to go over the plan.
    pub passes: usize,
}

impl Pass {
    /// Over tunings of 10 ms each, at a gain of 29.7 dB.
    pub fn over(mhz: &[f64]) -> Pass {
        Pass {
            choice: None,
            sample_rate: 2_400_000,
            plan: mhz.iter().map(|&mhz| (mhz, 29.7)).collect(),
            dwell_ms: 10.0,
            stale: None,
            settling: None,
            patience_ms: (1000, 3000),
            passes: 1,
        }
    }

    pub fn settings(&self) -> Settings {
        Settings {
            stale: self.stale,
            settling: self.settling,
            patience: Patience {
                samples: Duration::from_millis(self.patience_ms.0),
                call: Duration::from_millis(self.patience_ms.1),
            },
            ..Settings::at_rate(self.sample_rate)
        }
    }

    pub fn choice(&self) -> Choice {
        self.choice
            .as_deref()
            .map_or(Choice::TheOnlyOne, Choice::in_words)
    }
}

/// What came of a tuning.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Came {
    pub mhz: f64,
    pub samples: u64,
    /// Power of the strongest and the weakest stretch of 64 samples, in dBFS.
    pub strongest_dbfs: f64,
    pub weakest_dbfs: f64,
    /// Why it failed, or the dongle.
    pub error: Option<String>,
}

/// What came of passes.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
pub struct Passed {
    /// Why the dongle could not be opened or used.
    pub error: Option<String>,
    pub tunings: Vec<Came>,
    /// Time from the first order until the last sample was read, in seconds.
    pub took_s: f64,
}

impl Passed {
    /// All errors, in order.
    pub fn errors(&self) -> Vec<&str> {
        let of_tunings = self.tunings.iter().map(|came| &came.error);
        std::iter::once(&self.error)
            .chain(of_tunings)
            .flatten()
            .map(String::as_str)
            .collect()
    }
}

/// Has a child make passes.
pub fn passes(pass: &Pass, stand_in: &StandIn) -> Passed {
    child("child::passes_over_a_plan", pass, stand_in)
}

#[test]
#[ignore = "started as a child by the tests of this folder"]
fn passes_over_a_plan() {
    let Some(pass) = orders::<Pass>() else { return };
    say(&open_and_pass(&pass));
}

fn open_and_pass(pass: &Pass) -> Passed {
    let mut passed = Passed::default();
    match Receiver::open(&pass.choice(), pass.settings()) {
        Ok(mut receiver) => go_over(&mut receiver, pass, &mut passed),
        Err(error) => passed.error = Some(error.to_string()),
    }
    passed
}

/// Has a child make passes with two dongles at the same time.
pub fn two_at_once(pass: &Pass, serials: [&str; 2], stand_in: &StandIn) -> Vec<Passed> {
    let both = serials.map(|serial| Pass {
        choice: Some(serial.into()),
        ..pass.clone()
    });
    child("child::passes_with_two_dongles", &both, stand_in)
}

#[test]
#[ignore = "started as a child by the tests of this folder"]
fn passes_with_two_dongles() {
    let Some(both) = orders::<Vec<Pass>>() else {
        return;
    };
    let threads: Vec<_> = both
        .into_iter()
        .map(|pass| std::thread::spawn(move || open_and_pass(&pass)))
        .collect();
    let passed: Vec<Passed> = threads
        .into_iter()
        .map(|thread| thread.join().expect("a thread"))
        .collect();
    say(&passed);
}

fn go_over(receiver: &mut Receiver, pass: &Pass, passed: &mut Passed) {
    let begun = Instant::now();
    for _ in 0..pass.passes {
        let plan = pass.plan.iter().map(|&(mhz, gain)| Setting {
            centre: Hertz::from_mhz(mhz),
            gain: Decibels(gain),
        });
        let dwell = Duration::from_secs_f64(pass.dwell_ms / 1e3);
        let mut source = match LiveSource::new(&mut *receiver, plan.collect(), dwell) {
            Ok(source) => source,
            Err(error) => {
                passed.error = Some(error.to_string());
                return;
            }
        };
        loop {
            let mut came = Came::default();
            match source.next_tuning() {
                Ok(None) => break,
                Ok(Some(tuning)) => {
                    came.mhz = tuning.centre.mhz();
                    read(&mut source, &mut came);
                }
                Err(error) => came.error = Some(error.to_string()),
            }
            passed.tunings.push(came);
        }
        drop(source);
        if receiver.has_ended() {
            break;
        }
    }
    passed.took_s = begun.elapsed().as_secs_f64();
}

fn read(source: &mut dyn Source, came: &mut Came) {
    let mut block = vec![Sample::default(); 64];
    (came.strongest_dbfs, came.weakest_dbfs) = (f64::NEG_INFINITY, f64::INFINITY);
    loop {
        let count = match source.read(&mut block) {
            Ok(0) => return,
            Ok(count) => count,
            Err(error) => {
                came.error = Some(error.to_string());
                return;
            }
        };
        let sum: f64 = block[..count].iter().map(|x| f64::from(x.norm_sqr())).sum();
        let dbfs = 10.0 * (sum / count as f64).max(1e-12).log10();
        came.samples += count as u64;
        // A stump at the end of a piece says little.
        if count == block.len() {
            came.strongest_dbfs = came.strongest_dbfs.max(dbfs);
            came.weakest_dbfs = came.weakest_dbfs.min(dbfs);
        }
    }
}

/// What the driver lists.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Found {
    pub serial: Option<String>,
    pub product: Option<String>,
    /// Its tuner and how many gains it has, or why that can't be told.
    pub tuner: Result<(String, usize), String>,
}

/// Has a child list what is plugged in.
pub fn list(stand_in: &StandIn) -> Vec<Found> {
    child("child::lists_what_is_plugged_in", &(), stand_in)
}

#[test]
#[ignore = "started as a child by the tests of this folder"]
fn lists_what_is_plugged_in() {
    if orders::<()>().is_none() {
        return;
    }
    let limit = Duration::from_secs(5);
    let found: Vec<Found> = dongle::list(limit)
        .expect("a list")
        .into_iter()
        .map(|listed| Found {
            tuner: dongle::tuner(&listed, limit)
                .map(|tuner| (tuner.name.to_owned(), tuner.gains.len()))
                .map_err(|error| error.to_string()),
            serial: listed.serial,
            product: listed.product,
        })
        .collect();
    say(&found);
}
