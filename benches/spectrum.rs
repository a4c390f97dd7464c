//! How much the whole way from 8-bit samples to an averaged spectrum costs over the bare transforms that it contains.
//!
//! `transforms` runs the rustfft transforms alone, as many as there are segments and the way the estimate runs them: out of
//! place. `transforms_in_place` runs as many in place, rustfft's usual way; which of the two is faster differs from run to
//! run. `samples_to_spectrum` starts from bytes: conversion, mean, window, transform, squared magnitude, average,
//! sub-dwells. All run on one thread over the same megabyte ten times. The last line gives the ratios from runs taken in
//! turn; the machine must be idle for it, since the second-level cache counts.

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

/// Room for a segment and for moving its beginning to a cache line.
fn buffer() -> Vec<Sample> {
    vec![Sample::default(); LENGTH + 8]
}

/// The part of a buffer that begins on a cache line.
fn on_a_line(buffer: &mut [Sample]) -> &mut [Sample] {
    let off = buffer.as_ptr().align_offset(64);
    &mut buffer[off..off + LENGTH]
}

fn main() {
    let bytes: &'static [u8] = bytes().leak();
    let segments = (PASSES * BYTES / 2 - LENGTH) / (LENGTH / 2) + 1;
    let mut welch = Welch::new(WelchSettings::of_length(LENGTH));
    let transform = FftPlanner::<f32>::new().plan_fft_forward(LENGTH);
    // On cache lines, as the estimate's own buffers are: the bare transforms get every advantage.
    let [mut segment, mut scratch, mut input, mut output] = [(); 4].map(|()| buffer());
    let [segment, scratch, input, output] =
        [&mut segment, &mut scratch, &mut input, &mut output].map(|buffer| on_a_line(buffer));
    let scratch = &mut scratch[..transform.get_inplace_scratch_len()];
    let mut in_place = || {
        segment.fill(Sample::new(1e-3, -2e-3));
        for _ in 0..segments {
            transform.process_with_scratch(segment, scratch);
            black_box(&mut *segment);
        }
    };
    let mut out_of_place = || {
        input.fill(Sample::new(1e-3, -2e-3));
        for _ in 0..segments {
            transform.process_outofplace_with_scratch(input, output, &mut []);
            black_box(&mut *output);
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
        group.bench_function("transforms", |bencher| bencher.iter(&mut out_of_place));
        group.bench_function("transforms_in_place", |bencher| bencher.iter(&mut in_place));
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
    let mut times: [Vec<Duration>; 3] = Default::default();
    for _ in 0..60 {
        times[0].push(timed(&mut in_place));
        times[1].push(timed(&mut out_of_place));
        times[2].push(timed(&mut || {
            let bins = black_box(samples_to_spectrum(black_box(bytes), &mut welch));
            assert_eq!(bins.len(), LENGTH);
        }));
    }
    let [in_place, out_of_place, whole] = times.map(|mut times| {
        times.sort();
        times[times.len() / 2].as_secs_f64() * 1e3
    });
    println!(
        "spectrum: samples to spectrum {whole:.2} ms; bare transforms {out_of_place:.2} ms, in place \
         {in_place:.2} ms (medians of 60 in turn): {:.3} and {:.3} of their speed",
        out_of_place / whole,
        in_place / whole
    );
}
