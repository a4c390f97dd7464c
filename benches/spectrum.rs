//! How much the whole way from 8-bit samples to an averaged spectrum costs over the bare transforms that it contains.
//!
//! `transforms` runs the rustfft transforms alone (4096 points, as many as there are segments, out of place from a buffer
//! that stays in the cache: the fastest of rustfft's ways here, and the one that the estimate uses); `samples_to_spectrum`
//! starts from bytes: conversion, mean, window, transform, squared magnitude, average, sub-dwells. Both run on one
//! thread over the same megabyte ten times. The last line gives the ratio of the two from runs taken in turn.

use std::hint::black_box;
use std::time::{Duration, Instant};

use criterion::{Criterion, Throughput};
use gainsay::capture::Sample;
use gainsay::capture::bytes::to_samples;
use gainsay::spectrum::{Welch, WelchSettings};
use rustfft::FftPlanner;

const LENGTH: usize = 4096;
/// One megabyte stays in the second-level cache, as samples do that a receiver has just handed over.
const BYTES: usize = 1 << 20;

/// The megabyte is gone through so many times, as ten megabytes would be.
const PASSES: usize = 10;

/// Bytes like a busy channel's: a fixed sequence that covers the middle of the converter's range.
fn bytes() -> Vec<u8> {
    let mut state = 1u32;
    (0..BYTES)
        .map(|_| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            128 + ((state >> 24) as u8 >> 2) - 32
        })
        .collect()
}

fn samples_to_spectrum(bytes: &[u8], welch: &mut Welch) -> Vec<f64> {
    welch.reset();
    for _ in 0..PASSES {
        let mut bytes = bytes;
        while !bytes.is_empty() {
            let space = welch.space();
            let count = space.len().min(bytes.len() / 2);
            let (now, rest) = bytes.split_at(2 * count);
            to_samples(now, &mut space[..count]);
            welch.advance(count);
            bytes = rest;
        }
    }
    welch.psd(2.4e6).bins
}

fn main() {
    let bytes: &'static [u8] = bytes().leak();
    let segments = (PASSES * BYTES / 2 - LENGTH) / (LENGTH / 2) + 1;
    let mut welch = Welch::new(WelchSettings::of_length(LENGTH));
    let transform = FftPlanner::<f32>::new().plan_fft_forward(LENGTH);
    let mut scratch = vec![Sample::default(); transform.get_outofplace_scratch_len()];
    let mut segment = vec![Sample::new(0.1, -0.2); LENGTH];
    let mut out = vec![Sample::default(); LENGTH];
    let mut bare = |segment: &mut [Sample], scratch: &mut [Sample]| {
        for _ in 0..segments {
            transform.process_outofplace_with_scratch(segment, &mut out, scratch);
            // Keeps the values from growing without bound over the repeats.
            segment[0] = Sample::new(0.1, -0.2);
            black_box(&mut out);
        }
    };

    let mut criterion = Criterion::default()
        .configure_from_args()
        .measurement_time(Duration::from_secs(3));
    {
        let mut group = criterion.benchmark_group("spectrum");
        group
            .sample_size(20)
            .throughput(Throughput::Elements((PASSES * BYTES) as u64 / 2));
        group.bench_function("transforms", |bencher| {
            bencher.iter(|| {
                segment.fill(Sample::new(1e-3, -2e-3));
                bare(&mut segment, &mut scratch);
            });
        });
        group.bench_function("samples_to_spectrum", |bencher| {
            bencher.iter(|| samples_to_spectrum(black_box(bytes), &mut welch));
        });
        group.finish();
    }
    criterion.final_summary();

    let timed = |run: &mut dyn FnMut()| {
        let start = Instant::now();
        run();
        start.elapsed()
    };
    let (mut alone, mut whole) = (Vec::new(), Vec::new());
    for _ in 0..60 {
        segment.fill(Sample::new(1e-3, -2e-3));
        alone.push(timed(&mut || bare(&mut segment, &mut scratch)));
        whole.push(timed(&mut || {
            let bins = black_box(samples_to_spectrum(black_box(bytes), &mut welch));
            assert_eq!(bins.len(), LENGTH);
        }));
    }
    alone.sort();
    whole.sort();
    let (alone, whole) = (alone[alone.len() / 2], whole[whole.len() / 2]);
    println!(
        "spectrum: bare transforms {:.2} ms, samples to spectrum {:.2} ms (medians of 60 in turn): {:.3} of their speed",
        alone.as_secs_f64() * 1e3,
        whole.as_secs_f64() * 1e3,
        alone.as_secs_f64() / whole.as_secs_f64()
    );
}
