//! From spectrum to what a channel reads: power, noise, signal, carrier-to-noise ratio, state and health.
//!
//! A [`Reading`] is one channel in one [`Take`]; a take is one pass over the wanted channels with one antenna at one
//! spot. Powers inside are linear (mean |x|², 0 dBFS = 1); levels in dBFS are derived. What was not measured is `None`.

pub mod amplitude;
pub mod assemble;
pub mod evaluate;
mod floor;
pub mod guard;
mod health;
mod judge;
pub mod linearity;
mod lines;
pub mod listen;
mod noise;
pub mod pilot;
mod power;
pub mod precision;
pub mod scan;
pub mod shape;
mod signals;
pub mod spurs;
mod state;
pub mod survey;
mod take;
mod within;

pub use state::State;
pub use take::{
    Bearing, Estimate, Fall, FrequencyReading, GainCheck, Health, Identity, NoiseSource,
    OutlyingStation, Part, PilotReading, Position, Reading, Settings, SpurReading, Take, Trace,
    TuningReading,
};
