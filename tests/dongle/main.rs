//! The dongle through its driver's interface, with the stand-in for librtlsdr (`tests/stand-in/`) in the driver's place.

mod checking;
mod child;
mod commands;
mod faults;
mod finding;
mod mixing;
#[path = "../stand_in_support/mod.rs"]
mod stand_in_support;
