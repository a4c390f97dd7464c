//! How much the whole way from 8-bit samples to an averaged spectrum costs over the bare transforms that it contains.
//!
//! `transforms` runs the rustfft transforms alone (4096 points, as many as there are segments); `samples_to_spectrum`
//! starts from bytes: conversion, mean, window, transform, squared magnitude, average, sub-dwells. Both run on one
//! thread over the same 10 MB. The last line gives the ratio of the two from runs taken in turn.

use std::hint::black_box;
use std::io::Cursor;
use std::time::{Duration, Instant};

use criterion::{Criterion, Throughput};
use gainsay::capture::recording::Recording;
use gainsay::capture::{Sample, Source};
use gainsay::spectrum::{Welch, WelchSettings};
use gainsay::units::Hertz;
use rustfft::FftPlanner;

const LENGTH: usize = 4096;
const BYTES: usize = 10_000_000;

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

fn samples_to_spectrum(bytes: &'static [u8], welch: &mut Welch, block: &mut [Sample]) -> Vec<f64> {
    let input = Box::new(Cursor::new(bytes));
    let mut recording =
        Recording::stream("bench", input, Hertz(2.4e6), Hertz(515e6)).expect("a stream");
    welch.reset();
    recording.next_tuning().expect("a tuning");
    loop {
        match recording.read(block).expect("samples") {
            0 => return welch.psd(2.4e6).bins,
            count => welch.push(&block[..count]),
        }
    }
}

fn main() {
    let bytes: &'static [u8] = bytes().leak();
    let segments = (BYTES / 2 - LENGTH) / (LENGTH / 2) + 1;
    let mut welch = Welch::new(WelchSettings::of_length(LENGTH));
    let mut block = vec![Sample::default(); 8 * 1024];
    let transform = FftPlanner::<f32>::new().plan_fft_forward(LENGTH);
    let mut scratch = vec![Sample::default(); transform.get_inplace_scratch_len()];
    let mut segment = vec![Sample::new(0.1, -0.2); LENGTH];
    let bare = |segment: &mut [Sample], scratch: &mut [Sample]| {
        for _ in 0..segments {
            transform.process_with_scratch(segment, scratch);
            // Keeps the values from growing without bound over the repeats.
            segment[0] = Sample::new(0.1, -0.2);
            black_box(&mut *segment);
        }
    };

    let mut criterion = Criterion::default()
        .configure_from_args()
        .measurement_time(Duration::from_secs(3));
    {
        let mut group = criterion.benchmark_group("spectrum");
        group
            .sample_size(20)
            .throughput(Throughput::Elements(BYTES as u64 / 2));
        group.bench_function("transforms", |bencher| {
            bencher.iter(|| {
                segment.fill(Sample::new(1e-3, -2e-3));
                bare(&mut segment, &mut scratch);
            });
        });
        group.bench_function("samples_to_spectrum", |bencher| {
            bencher.iter(|| samples_to_spectrum(black_box(bytes), &mut welch, &mut block));
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
    for _ in 0..40 {
        segment.fill(Sample::new(1e-3, -2e-3));
        alone.push(timed(&mut || bare(&mut segment, &mut scratch)));
        whole.push(timed(&mut || {
            let bins = black_box(samples_to_spectrum(
                black_box(bytes),
                &mut welch,
                &mut block,
            ));
            assert_eq!(bins.len(), LENGTH);
        }));
    }
    alone.sort();
    whole.sort();
    let (alone, whole) = (alone[alone.len() / 2], whole[whole.len() / 2]);
    println!(
        "spectrum: bare transforms {:.2} ms, samples to spectrum {:.2} ms (medians of 40 in turn): {:.3} of their speed",
        alone.as_secs_f64() * 1e3,
        whole.as_secs_f64() * 1e3,
        alone.as_secs_f64() / whole.as_secs_f64()
    );
}
