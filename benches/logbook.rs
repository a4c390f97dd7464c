//! A logbook of 10 000 takes × 36 channels, of which two fifths have a shape and an identity, and one third a pilot: listing it (under 0.2 s is wanted), and loading all of it, which a
//! comparison of two antennas at one spot must do at worst (0.5 s is wanted for both steps together).

use criterion::{Criterion, criterion_group, criterion_main};
use gainsay::logbook::{Filter, Logbook};
use std::hint::black_box;

#[path = "../tests/logbook_takes/mod.rs"]
mod logbook_takes;

const TAKES: u32 = 10_000;
const CHANNELS: u16 = 36;

fn large_logbook(c: &mut Criterion) {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("large.sqlite");
    let takes: Vec<_> = (0..TAKES)
        .map(|number| logbook_takes::whole(number, CHANNELS))
        .collect();
    Logbook::open(&path)
        .and_then(|mut logbook| logbook.append_all(&takes))
        .expect("a large logbook");
    drop(takes);

    let antenna = |name: &str| Filter {
        antenna: Some(name.into()),
        spot: Some("north window".into()),
        deleted: false,
    };
    let mut group = c.benchmark_group("10 000 takes × 36 channels");
    group.sample_size(10);
    group.bench_function("open and list", |b| {
        b.iter(|| {
            let logbook = Logbook::open_existing(&path).expect("a logbook");
            let entries = logbook.list(&Filter::default()).expect("a list");
            assert_eq!(entries.len(), TAKES as usize);
            black_box(entries)
        });
    });
    group.bench_function("open and load both antennas", |b| {
        b.iter(|| {
            let logbook = Logbook::open_existing(&path).expect("a logbook");
            let a = logbook.load(&antenna("tape loop")).expect("takes");
            let b = logbook.load(&antenna("rabbit ears")).expect("takes");
            assert_eq!(
                (a.len() + b.len(), a[0].readings.len()),
                (TAKES as usize, CHANNELS as usize)
            );
            black_box((a, b))
        });
    });
    group.finish();

    let mut logbook = Logbook::open(&folder.path().join("new.sqlite")).expect("a logbook");
    let take = logbook_takes::whole(0, CHANNELS);
    c.bench_function("append one take of 36 channels", |b| {
        b.iter(|| logbook.append(&take).expect("a number"));
    });
}

criterion_group!(benches, large_logbook);
criterion_main!(benches);
