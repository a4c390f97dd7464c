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
//! passes over the samples; on a processor where a transform of 4096 points takes 5 µs they would take nearly as long
//! (`cargo bench --bench spectrum`). The loop is compiled for several instruction sets and chosen at run time
//! (`multiversion`), as rustfft's transforms are. The tests hold it against windowing in time, in `f64`.

use multiversion::multiversion;

use crate::capture::Sample;

/// Adds to `sum`, which holds re and im interleaved, the squares of the windowed transform's rails.
///
/// `transformed` is the segment's plain transform and `terms` the window's a_0, a_1, …, of which there are fewer than
/// `transformed.len() / 2`.
///
/// # Panics
/// When `sum` is not twice as long as `transformed`, or there are more than five terms.
pub(super) fn add_windowed(transformed: &[Sample], terms: &[f32], sum: &mut [f32]) {
    let bins = transformed.len();
    let reach = terms.len() - 1;
    assert_eq!(sum.len(), 2 * bins, "one place for each rail of each bin");
    // The bins at both ends reach round to the other end.
    for m in (0..reach).chain(bins - reach..bins) {
        let mut y = transformed[m] * terms[0];
        for (k, a) in terms.iter().enumerate().skip(1) {
            let half = if k % 2 == 0 { a / 2.0 } else { -a / 2.0 };
            y += (transformed[(m + bins - k) % bins] + transformed[(m + k) % bins]) * half;
        }
        sum[2 * m] += y.re * y.re;
        sum[2 * m + 1] += y.im * y.im;
    }
    let floats: &[f32] = bytemuck::cast_slice(transformed);
    add_inner(floats, terms, &mut sum[2 * reach..2 * (bins - reach)]);
}

/// The bins that reach round nothing: `sum[i]` belongs to `x[i + 2·reach]`.
#[multiversion(targets("x86_64+avx512f+avx512vl+avx2+fma", "x86_64+avx2+fma", "aarch64+neon"))]
fn add_inner(x: &[f32], terms: &[f32], sum: &mut [f32]) {
    match *terms {
        [a] => add_terms([a], x, sum),
        [a, b] => add_terms([a, b], x, sum),
        [a, b, c] => add_terms([a, b, c], x, sum),
        [a, b, c, d] => add_terms([a, b, c, d], x, sum),
        [a, b, c, d, e] => add_terms([a, b, c, d, e], x, sum),
        _ => panic!("a window of {} terms: expected 1 to 5", terms.len()),
    }
}

#[inline(always)]
fn add_terms<const T: usize>(terms: [f32; T], x: &[f32], sum: &mut [f32]) {
    let count = sum.len();
    let factors: [f32; T] = std::array::from_fn(|k| match k {
        0 => terms[0],
        _ if k % 2 == 0 => terms[k] / 2.0,
        _ => -terms[k] / 2.0,
    });
    let below: [&[f32]; T] = std::array::from_fn(|k| &x[2 * (T - 1 - k)..][..count]);
    let above: [&[f32]; T] = std::array::from_fn(|k| &x[2 * (T - 1 + k)..][..count]);
    for i in 0..count {
        let mut y = factors[0] * above[0][i];
        for k in 1..T {
            y += factors[k] * (below[k][i] + above[k][i]);
        }
        sum[i] += y * y;
    }
}
