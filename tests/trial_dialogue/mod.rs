//! `gainsay trial` as a child of the test: what it says is waited for, and answered. It plays the demo's scene, in that
//! scene's own time.

#![allow(dead_code, reason = "each test binary uses its own share")]

use std::fs;
use std::io::{Read, Write};
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::thread;
use std::time::{Duration, Instant};

use serde_json::Value;

use crate::program::Place;

pub const TAPE: &str = "tape loop";
pub const EARS: &str = "rabbit ears";

/// A folder with the demo's scene in it, without what plugging in anew changes.
pub fn place() -> Place {
    let place = Place::new();
    let scene = include_str!("../../demo-data/scene.toml")
        .replace("mating_sigma_db = 0.05", "mating_sigma_db = 0.0");
    fs::write(place.path("scene.toml"), scene).expect("written");
    place
}

/// The arguments of a trial on channels 20 to 23, with more.
pub fn trial<'a>(more: &[&'a str]) -> Vec<&'a str> {
    let mut arguments = vec![
        "trial",
        "--a",
        TAPE,
        "--b",
        EARS,
        "--spot",
        "north window",
        "--from",
        "scene.toml",
        "--channels",
        "20-23",
        "--begins",
        "2026-05-09T10:00:00Z",
    ];
    arguments.extend(more);
    arguments
}

/// A trial that runs, and what it says meanwhile.
pub struct Running {
    pub child: Child,
    said: Arc<Mutex<String>>,
    /// How much of that was waited for already.
    heard: usize,
}

impl Running {
    pub fn start(place: &Place, arguments: &[&str]) -> Running {
        let mut command = place.command();
        command.args(arguments);
        Running::of(command)
    }

    /// A program that was made ready otherwise.
    pub fn of(mut command: Command) -> Running {
        let mut child = command
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("it starts");
        let said = Arc::new(Mutex::new(String::new()));
        let mut from = child.stderr.take().expect("standard error");
        let into = Arc::clone(&said);
        thread::spawn(move || {
            let mut bytes = [0; 4096];
            while let Ok(count @ 1..) = from.read(&mut bytes) {
                let text = String::from_utf8_lossy(&bytes[..count]).into_owned();
                into.lock().expect("no panic").push_str(&text);
            }
        });
        Running {
            child,
            said,
            heard: 0,
        }
    }

    /// Waits until it says this, after what was waited for before.
    #[track_caller]
    pub fn until(&mut self, words: &str) {
        let begun = Instant::now();
        loop {
            let said = self.said.lock().expect("no panic").clone();
            if let Some(place) = said[self.heard..].find(words) {
                self.heard += place + words.len();
                return;
            }
            let ended = self.child.try_wait().expect("a state").is_some();
            assert!(
                !ended && begun.elapsed() < Duration::from_secs(120),
                "never said {words:?}: {said}"
            );
            thread::sleep(Duration::from_millis(20));
        }
    }

    pub fn answer(&mut self, text: &str) {
        let input = self.child.stdin.as_mut().expect("standard input");
        input.write_all(text.as_bytes()).expect("it listens");
        input.flush().expect("it listens");
    }

    /// Presses Enter when asked for this.
    #[track_caller]
    pub fn connect(&mut self, what: &str) {
        self.until(&format!("connect {what}, then press Enter. "));
        self.answer("\n");
    }

    /// Its exit status, standard output and standard error.
    pub fn end(mut self) -> (Option<i32>, String, String) {
        let mut out = String::new();
        let printed = self.child.stdout.as_mut().expect("standard output");
        printed.read_to_string(&mut out).expect("text");
        let status = self.child.wait().expect("it ends").code();
        thread::sleep(Duration::from_millis(50));
        let said = self.said.lock().expect("no panic").clone();
        (status, out, said)
    }
}

/// Antenna by antenna, the takes in the logbook that are not deleted.
pub fn takes(place: &Place) -> Vec<(String, String)> {
    let list = place.json(["log"]);
    let text = |take: &Value, name: &str| take[name].as_str().expect("text").to_owned();
    (list.as_array().expect("takes").iter())
        .map(|take| (text(take, "antenna"), text(take, "note")))
        .collect()
}

pub fn antennas(place: &Place) -> Vec<String> {
    takes(place).into_iter().map(|take| take.0).collect()
}
