//! What the path did to one channel's spectrum, from the pieces that cover it.

use super::guard::Ofdm;
use super::lines::OVERLAP_SPREAD;
use super::noise::PieceLevel;
use super::power::Piece;
use super::shape::{
    ChannelDensity, Echo, HANN_BIN_SPREAD, LARGEST_PASSBAND_RIPPLE, NoiseDensity, Regular, Shape,
    Transmitted, echo_beside, shape,
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
    /// The OFDM signal in it, where it carries one.
    pub ofdm: Option<&'w Ofdm>,
    /// How the pieces stand to each other, with the noise in them, and where that came from.
    pub levels: &'w [PieceLevel],
    pub noise_source: NoiseSource,
}

impl Within<'_> {
    /// The channel's shape and echo, where its signal has a known shape.
    pub fn look(&self, identity: &Identity) -> (Option<Shape>, Option<Echo>) {
        let Some(transmitted) = transmitted(self.channel, identity) else {
            return (None, None);
        };
        let Some(Stitched {
            step_hz,
            density,
            noise: flat_noise,
            averages,
        }) = self.stitched()
        else {
            return (None, None);
        };
        // A bound is no noise figure: what is no more than that is not taken off.
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
        let own: Vec<Regular> = (self.unknown_passband())
            .into_iter()
            .chain(self.ofdm.and_then(pilots))
            .collect();
        let echo = echo_beside(&channel, transmitted, &own);
        (shape(&channel, transmitted), echo)
    }

    /// The passband, which repeats from tuning to tuning, where it is not known and so not divided out.
    fn unknown_passband(&self) -> Option<Regular> {
        let (first, last) = (self.pieces.first()?, self.pieces.last()?);
        let steps = self.pieces.len() - 1;
        let apart_hz = last.tuning.centre_hz - first.tuning.centre_hz;
        (!self.flat.is_known() && steps > 0 && apart_hz > 0.0).then(|| Regular {
            every_hz: apart_hz / steps as f64,
            largest: LARGEST_PASSBAND_RIPPLE,
        })
    }

    /// The pieces side by side.
    fn stitched(&self) -> Option<Stitched> {
        let first = self.pieces.first()?.tuning;
        let step_hz = self.rate_hz / first.density.len() as f64;
        let count = (self.channel.width().0 / step_hz) as usize;
        let seen_as = |hz: f64| hz / (1.0 + self.ppm * 1e-6);
        let at = |point: usize| {
            let hz = seen_as(self.channel.low.0 + (point as f64 + 0.5) * step_hz);
            let covers = |(piece, _): &(&Piece, &PieceLevel)| {
                (piece.stretch.low_hz..piece.stretch.high_hz).contains(&hz)
            };
            let Some((Piece { tuning, .. }, level)) =
                self.pieces.iter().zip(self.levels).find(covers)
            else {
                return (f64::NAN, f64::NAN);
            };
            let length = tuning.density.len();
            let bin = ((hz - tuning.centre_hz) / self.rate_hz * length as f64).round()
                + length as f64 / 2.0;
            let bin = (bin.max(0.0) as usize).min(length - 1);
            let density = tuning.density[bin] / self.flat.gain(bin, length);
            (density * level.ratio, level.noise)
        };
        let segments = self
            .pieces
            .iter()
            .map(|piece| piece.tuning.segments)
            .min()?;
        let (density, noise) = (0..count).map(at).unzip();
        Some(Stitched {
            step_hz,
            density,
            noise,
            averages: segments as f64 / OVERLAP_SPREAD,
        })
    }
}

/// The pieces' densities, flat field divided out and at one gain, each with the noise in it, side by side on one grid that
/// begins at the channel's lower edge; not a number where nothing is covered.
struct Stitched {
    step_hz: f64,
    density: Vec<f64>,
    noise: Vec<f64>,
    /// Effective averages of a point.
    averages: f64,
}

/// The pilots of OFDM, which give a ripple of their own. DVB-T2 puts them on every 3rd, 6th, 12th or 24th carrier (EN 302 755,
/// pilot patterns PP1 to PP8, from memory), of which only its sizes to 4k come at delays of echoes; the other systems'
/// stand beyond 37 µs.
fn pilots(ofdm: &Ofdm) -> Option<Regular> {
    ofdm.fft.map(|_| Regular {
        every_hz: 24.0 / ofdm.useful_s,
        largest: f64::INFINITY,
    })
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
