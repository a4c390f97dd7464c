//! What the path did to one channel's spectrum, from the pieces that cover it.

use super::lines::OVERLAP_SPREAD;
use super::power::Piece;
use super::shape::{
    ChannelDensity, Echo, HANN_BIN_SPREAD, NoiseDensity, Shape, Transmitted, echo, shape,
};
use super::{Identity, NoiseSource};
use crate::channels::{Channel, Standard};
use crate::spectrum::flat::FlatField;

/// Share of a channel's width that every DVB system occupies: 5.705 of 6 MHz, 6.656 of 7, 7.607 of 8 (EN 300 744), a
/// little less so that no edge comes in.
const DVB_SHARE: f64 = 0.94;

/// The same for ATSC 3.0 with the fewest carriers: 5.509 of 6 MHz (ATSC A/322, from memory).
const ATSC3_SHARE: f64 = 0.91;

/// The same for the thirteen segments of ISDB-T: 13/14 of the channel (ARIB STD-B31).
const ISDB_T_SHARE: f64 = 0.92;

/// What a channel's spectrum is looked at with.
pub(super) struct Within<'w> {
    pub channel: &'w Channel,
    pub pieces: &'w [Piece<'w>],
    pub flat: &'w FlatField,
    pub rate_hz: f64,
    /// The receiver's frequency error in parts per million.
    pub ppm: f64,
    /// Noise density in one hertz, linear, with where it came from.
    pub noise: f64,
    pub noise_source: NoiseSource,
}

impl Within<'_> {
    /// The channel's shape and echo, where its signal has a known shape.
    pub fn look(&self, identity: &Identity) -> (Option<Shape>, Option<Echo>) {
        let Some(transmitted) = transmitted(self.channel, identity) else {
            return (None, None);
        };
        let Some((step_hz, density, averages)) = self.density() else {
            return (None, None);
        };
        // A bound is no noise figure: what is no more than that is not taken off.
        let flat_noise = vec![self.noise; density.len()];
        let noise = (self.noise_source != NoiseSource::QuietestStretch).then_some(NoiseDensity {
            density: &flat_noise,
            averages: f64::INFINITY,
        });
        let channel = ChannelDensity {
            first_hz: step_hz / 2.0,
            step_hz,
            density: &density,
            averages,
            bin_spread: HANN_BIN_SPREAD,
            noise,
        };
        (shape(&channel, transmitted), echo(&channel, transmitted))
    }

    /// The pieces' densities, flat field divided out, side by side on one grid that begins at the channel's lower edge,
    /// with its step and the effective averages of a point; not a number where nothing is covered.
    fn density(&self) -> Option<(f64, Vec<f64>, f64)> {
        let first = self.pieces.first()?.tuning;
        let step_hz = self.rate_hz / first.density.len() as f64;
        let count = (self.channel.width().0 / step_hz) as usize;
        let seen_as = |hz: f64| hz / (1.0 + self.ppm * 1e-6);
        let at = |point: usize| {
            let hz = seen_as(self.channel.low.0 + (point as f64 + 0.5) * step_hz);
            let covers =
                |piece: &&Piece| (piece.stretch.low_hz..piece.stretch.high_hz).contains(&hz);
            let Some(Piece { tuning, .. }) = self.pieces.iter().find(covers) else {
                return f64::NAN;
            };
            let length = tuning.density.len();
            let bin = ((hz - tuning.centre_hz) / self.rate_hz * length as f64).round()
                + length as f64 / 2.0;
            let bin = (bin.max(0.0) as usize).min(length - 1);
            tuning.density[bin] / self.flat.gain(bin, length)
        };
        let segments = self
            .pieces
            .iter()
            .map(|piece| piece.tuning.segments)
            .min()?;
        Some((
            step_hz,
            (0..count).map(at).collect(),
            segments as f64 / OVERLAP_SPREAD,
        ))
    }
}

/// The shape in which a signal is sent.
fn transmitted(channel: &Channel, identity: &Identity) -> Option<Transmitted> {
    let width_hz = channel.width().0;
    let share = match identity {
        Identity::Vsb8 => return Some(Transmitted::Vsb8),
        Identity::Ofdm { standards, .. } => match standards.first()? {
            Standard::DvbT | Standard::DvbT2 => DVB_SHARE,
            Standard::IsdbT => ISDB_T_SHARE,
            Standard::Atsc3 => ATSC3_SHARE,
            Standard::Vsb8 => return None,
        },
        Identity::Unidentified => return None,
    };
    let offset_hz = match identity {
        Identity::Ofdm { standards, .. } => standards.first()?.block_offset().0,
        _ => 0.0,
    };
    Some(Transmitted::Flat {
        low_hz: width_hz * (1.0 - share) / 2.0 + offset_hz,
        high_hz: width_hz * (1.0 + share) / 2.0 + offset_hz,
    })
}
