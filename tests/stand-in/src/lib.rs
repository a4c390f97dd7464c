//! A stand-in for librtlsdr: the same C interface, with dongles behind it that are simulated in a scene.
//!
//! Programs that link to librtlsdr find it in the library's place when `LD_LIBRARY_PATH` says so, and can't tell the
//! difference. What is plugged in, how it behaves and what goes wrong stands in a TOML file ([`config`]) named in the
//! environment variable `RTLSDR_STAND_IN`. `README.md` beside this crate describes both.
//!
//! From the outside in: [`interface`] is the C interface, with `listing`; [`device`] is an open dongle, `calls` set it, and
//! `transfers` are its stream; [`clock`] keeps the dongle's time and `timeline` what was set when; `receiver` makes the
//! bytes of any moment from samples that are `prepared` and kept in `loops`; `plugged` knows what is plugged in and which
//! faults have acted, and `log` tells.
//!
//! Where the real library's manners are told from memory of its source rather than from its header, the README says so.

mod calls;
pub mod clock;
pub mod config;
pub mod device;
pub mod interface;
mod listing;
mod log;
mod loops;
mod plugged;
mod prepared;
mod receiver;
mod timeline;
mod transfers;
