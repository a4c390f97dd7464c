//! The file that tells what happened, a line each: seconds of the dongle's time, its serial, the event, its value.

use std::fmt::Display;
use std::fs::OpenOptions;
use std::io::Write;
use std::path::Path;

/// Adds a line to the file, where there is one.
pub fn note(file: Option<&Path>, time_s: f64, serial: &str, event: &str, value: impl Display) {
    let Some(path) = file else {
        return;
    };
    let line = format!("{time_s:.6} {serial} {event} {value}");
    let written = OpenOptions::new()
        .append(true)
        .create(true)
        .open(path)
        .and_then(|mut file| file.write_all(format!("{}\n", line.trim_end()).as_bytes()));
    if let Err(error) = written {
        eprintln!("rtlsdr-stand-in: {}: {error}", path.display());
    }
}
