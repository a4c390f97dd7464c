//! Memory stays small however long a recording is.

#![cfg(target_os = "linux")]

use std::fs;
use std::io::Write;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

/// Peak resident memory of a running process in KiB (`VmHWM`, proc(5)).
fn peak_kib(pid: u32) -> u64 {
    let status = fs::read_to_string(format!("/proc/{pid}/status")).expect("the process runs");
    let line = status
        .lines()
        .find(|line| line.starts_with("VmHWM:"))
        .expect("a peak");
    line.split_whitespace()
        .nth(1)
        .expect("a number")
        .parse()
        .expect("KiB")
}

#[test]
fn a_long_stream_takes_no_more_memory_than_a_short_one() {
    let mut child = Command::new(env!("CARGO_BIN_EXE_gainsay"))
        .args(["take", "--from", "-", "--rate", "2.4M", "--tuned", "507M"])
        .args([
            "--antenna",
            "a",
            "--spot",
            "s",
            "--no-log",
            "--format",
            "json",
        ])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("gainsay runs");
    let mut input = child.stdin.take().expect("a pipe");
    let block: Vec<u8> = (0..1 << 20)
        .map(|n: u32| 96 + (n.wrapping_mul(2_654_435_761) >> 26) as u8)
        .collect();
    let mut feed = |megabytes: usize| {
        for _ in 0..megabytes {
            input.write_all(&block).expect("the stream is read");
        }
    };
    feed(4);
    let short = peak_kib(child.id());
    feed(60);
    let long = peak_kib(child.id());
    // As asked: under 40 MiB. The second bound would catch growth by as little as a twentieth of what was read.
    assert!(long < 40 * 1024, "{long} KiB");
    assert!(
        long < short + 3 * 1024,
        "{short} KiB after 4 MB, {long} KiB after 64 MB"
    );
    drop(input);
    let started = Instant::now();
    let out = child.wait_with_output().expect("an exit");
    assert!(out.status.success());
    assert!(
        started.elapsed() < Duration::from_secs(60),
        "hangs at the end of the stream"
    );
    let take: serde_json::Value = serde_json::from_slice(&out.stdout).expect("JSON");
    assert_eq!(take["channels"][0]["channel"], 20);
}
