//! The commands from outside: the program is run on recordings whose truth is known, and what it prints is read.
//!
//! Source of the truth: `fixtures/truth.json` and `fixtures/recordings-README.md` (waveforms not of this project's making).

mod channels;
mod compare;
mod compare_many;
mod help;
#[cfg(unix)]
mod kill;
mod log;
mod over_time;
mod partial;
#[path = "../program/mod.rs"]
mod program;
mod report;
mod signals;
mod take;
mod turn;
