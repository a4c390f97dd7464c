//! The 8-bit converter's scale: byte `b` is (b − 127.5) / 127.5 on each rail, I before Q.

use multiversion::multiversion;

use super::Sample;

/// The byte nearest to 127.5 + 127.5·`rail`, at most 255 and at least 0; 0 for NaN.
pub(crate) fn from_rail(rail: f32) -> u8 {
    // A cast to u8 cuts towards zero and stays within 0..=255: adding one half makes it round.
    (rail * 127.5 + 128.0) as u8
}

/// The sample that a pair of bytes stands for.
pub(crate) fn to_sample(pair: [u8; 2]) -> Sample {
    let mut sample = [Sample::default()];
    to_samples(&pair, &mut sample);
    sample[0]
}

/// Turns 8-bit bytes, I and Q in turn, into samples: `into` has one place for each pair.
#[multiversion(targets(
    "x86_64+avx512f+avx512vl+avx512bw+avx512dq+avx2+fma",
    "x86_64+avx2+fma",
    "aarch64+neon"
))]
pub fn to_samples(bytes: &[u8], into: &mut [Sample]) {
    const SCALE: f32 = 1.0 / 127.5;
    let rails: &mut [f32] = bytemuck::cast_slice_mut(into);
    for (rail, &byte) in rails.iter_mut().zip(bytes) {
        *rail = (f32::from(byte) - 127.5) * SCALE;
    }
}

/// Rounds samples to bytes, clipping at the ends: `into` takes two bytes a sample.
pub(crate) fn from_samples(samples: &[Sample], into: &mut [u8]) {
    for (sample, pair) in samples.iter().zip(into.chunks_exact_mut(2)) {
        pair[0] = from_rail(sample.re);
        pair[1] = from_rail(sample.im);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_byte_survives_the_way_to_a_sample_and_back() {
        for value in 0..=255u8 {
            let there = to_sample([value, 255 - value]);
            let mut back = [0u8; 2];
            from_samples(&[there], &mut back);
            assert_eq!(back, [value, 255 - value]);
        }
    }

    #[test]
    fn what_exceeds_full_scale_is_clipped() {
        let mut bytes = [0u8; 4];
        from_samples(
            &[
                Sample::new(1.2, -1.2),
                Sample::new(f32::INFINITY, f32::NEG_INFINITY),
            ],
            &mut bytes,
        );
        assert_eq!(bytes, [255, 0, 255, 0]);
    }
}
