//! The whole `gainsay compare` of two recordings of 10 MB, process start to exit, with a terminated take beside them.
//!
//! The recordings are the 8-VSB fixtures nine times over (each tuning comes back nine times), with a hash to check.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;

use criterion::{Criterion, criterion_group, criterion_main};
use serde_json::{Value, json};
use sha2::{Digest, Sha512};

const TIMES: u64 = 9;

/// Writes fixture `name`, `TIMES` over, into `folder` and returns the metadata's path.
fn repeated(name: &str, folder: &Path) -> PathBuf {
    let fixtures = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures");
    let data =
        fs::read(fixtures.join(name).with_extension("sigmf-data")).expect("a fixture's data");
    let text =
        fs::read(fixtures.join(name).with_extension("sigmf-meta")).expect("a fixture's metadata");
    let mut meta: Value = serde_json::from_slice(&text).expect("JSON");
    let whole = data.repeat(TIMES as usize);
    let captures = meta["captures"].as_array().expect("captures").clone();
    let samples = data.len() as u64 / 2;
    meta["captures"] = (0..TIMES)
        .flat_map(|time| {
            captures.iter().map(move |capture| {
                let start = capture["core:sample_start"].as_u64().expect("a start");
                json!({"core:sample_start": start + time * samples, "core:frequency": capture["core:frequency"]})
            })
        })
        .collect();
    let hash: String = Sha512::digest(&whole)
        .iter()
        .map(|byte| format!("{byte:02x}"))
        .collect();
    meta["global"]["core:sha512"] = hash.into();
    let path = folder.join(name).with_extension("sigmf-meta");
    fs::write(&path, meta.to_string()).expect("metadata written");
    fs::write(path.with_extension("sigmf-data"), whole).expect("data written");
    path
}

fn compare(criterion: &mut Criterion) {
    let folder = tempfile::tempdir().expect("a folder");
    let [a, b, terminated] =
        ["vsb-a", "vsb-b", "vsb-terminated"].map(|name| repeated(name, folder.path()));
    let mut group = criterion.benchmark_group("compare");
    group
        .sample_size(20)
        .measurement_time(Duration::from_secs(5));
    group.bench_function("two_recordings_of_10_mb_and_a_terminated_one", |bencher| {
        bencher.iter(|| {
            let out = Command::new(env!("CARGO_BIN_EXE_gainsay"))
                .arg("compare")
                .args([&a, &b])
                .arg("--terminated")
                .arg(&terminated)
                .args(["--format", "json"])
                .output()
                .expect("gainsay runs");
            assert!(
                out.status.success(),
                "{}",
                String::from_utf8_lossy(&out.stderr)
            );
            let result: Value = serde_json::from_slice(&out.stdout).expect("JSON");
            assert_eq!(result["channels"][0]["verdict"], "a");
        });
    });
    group.finish();
}

criterion_group!(benches, compare);
criterion_main!(benches);
