//! The inner loop of the estimate: window, square and sum, in one pass over a transformed segment.
//!
//! A window that is a sum of cosines need not be multiplied in before the transform: a cosine of k periods shifts the
//! transform by k bins either way, so that
//!
//! ```text
//! Y[m] = a_0 X[m] + Σ_k (−1)^k a_k/2 (X[m−k] + X[m+k])
//! ```
//!
//! is the transform of the windowed segment, bins counted modulo N (Harris 1978, section on windows as sums of Dirichlet
//! kernels). The mean of a segment stands in X[0] alone, so removing it is setting that bin to zero. That saves two
//! passes over the samples; on a processor where a transform of 4096 points takes 4.5 µs they would take 3 µs more
//! (`cargo bench --bench spectrum`). The loop is compiled for several instruction sets and chosen at run time
//! (`multiversion`), as rustfft's transforms are. The tests hold it against windowing in time, in `f64`.

use multiversion::multiversion;

use crate::capture::Sample;

/// Sums in one cache line.
const LINE: usize = 16;

/// A window made ready for [`add_windowed`]: factors of a bin and of its neighbours at distance 1, 2, …, scaled so that the
/// nearest neighbours' is 1, which saves a multiplication where it counts.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Factors {
    factors: Vec<f32>,
    /// What the sums must be multiplied by to undo the scaling.
    pub scale: f64,
}

impl Factors {
    /// For the terms a_0, a_1, … of a window, of which there are one to five.
    pub fn of(terms: &[f64]) -> Factors {
        let signed = |k: usize| {
            if k.is_multiple_of(2) {
                terms[k] / 2.0
            } else {
                -terms[k] / 2.0
            }
        };
        let nearest = if terms.len() > 1 { signed(1) } else { 1.0 };
        let factor = |k| if k == 0 { terms[0] } else { signed(k) } / nearest;
        Factors {
            factors: (0..terms.len()).map(|k| factor(k) as f32).collect(),
            scale: nearest * nearest,
        }
    }
}

/// Adds to `sum` the squared magnitude of each bin of the windowed transform, but for the window's scale.
///
/// `transformed` is the segment's plain transform.
///
/// # Panics
/// When `sum` is not as long as `transformed`.
pub(super) fn add_windowed(transformed: &[Sample], window: &Factors, sum: &mut [f32]) {
    let factors = &window.factors;
    let bins = transformed.len();
    let reach = factors.len() - 1;
    assert_eq!(sum.len(), bins, "one place for each bin");
    // The bins at both ends reach round to the other end; at the lower one a whole cache line of sums is gone through, so
    // that the inner loop begins on a line.
    let lower = LINE.max(reach).min(bins - reach);
    for m in (0..lower).chain(bins - reach..bins) {
        let mut y = transformed[m] * factors[0];
        for (k, factor) in factors.iter().enumerate().skip(1) {
            y += (transformed[(m + bins - k) % bins] + transformed[(m + k) % bins]) * factor;
        }
        sum[m] += y.norm_sqr();
    }
    let rails = bytemuck::cast_slice(&transformed[lower - reach..]);
    add_inner(rails, factors, &mut sum[lower..bins - reach]);
}

/// The bins that reach round nothing: `sum[i]` belongs to bin `i + reach`; `rails` holds re and im interleaved.
#[multiversion(targets(
    "x86_64+avx512f+avx512vl+avx512bw+avx512dq+avx2+fma",
    "x86_64+avx2+fma",
    "aarch64+neon"
))]
fn add_inner(rails: &[f32], factors: &[f32], sum: &mut [f32]) {
    match *factors {
        [a] => add_terms([a], rails, sum),
        [a, b] => add_terms([a, b], rails, sum),
        [a, b, c] => add_terms([a, b, c], rails, sum),
        [a, b, c, d] => add_terms([a, b, c, d], rails, sum),
        [a, b, c, d, e] => add_terms([a, b, c, d, e], rails, sum),
        _ => panic!("a window of {} terms: expected 1 to 5", factors.len()),
    }
}

#[inline(always)]
fn add_terms<const T: usize>(factors: [f32; T], rails: &[f32], sum: &mut [f32]) {
    // One length for all, known to the compiler, lets it leave out the checks in the loop.
    let bins = sum.len();
    let rails = &rails[..2 * (bins + 2 * (T - 1))];
    for i in 0..bins {
        let at = |bin: usize, rail: usize| rails[2 * (i + bin) + rail];
        let pair = |k: usize, rail: usize| at(T - 1 - k, rail) + at(T - 1 + k, rail);
        let (mut re, mut im) = (factors[0] * at(T - 1, 0), factors[0] * at(T - 1, 1));
        if T > 1 {
            re += pair(1, 0);
            im += pair(1, 1);
        }
        for (k, factor) in factors.iter().enumerate().skip(2) {
            re += factor * pair(k, 0);
            im += factor * pair(k, 1);
        }
        sum[i] += re * re + im * im;
    }
}

/// Adds each of `recent` to its place in `sum`.
#[multiversion(targets(
    "x86_64+avx512f+avx512vl+avx512bw+avx512dq+avx2+fma",
    "x86_64+avx2+fma"
))]
pub(super) fn add_up(recent: &[f32], sum: &mut [f64]) {
    for (sum, recent) in sum.iter_mut().zip(recent) {
        *sum += f64::from(*recent);
    }
}
