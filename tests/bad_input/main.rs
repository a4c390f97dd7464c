//! Bad input: each fault gets exactly one line on standard error that names what is at fault, a non-zero status (2 for wrong
//! usage, 1 for a failure), no panic, and leaves the logbook as it was.

#[cfg(unix)]
mod disk;
mod metadata;
#[path = "../program/mod.rs"]
mod program;
mod samples;
#[cfg(unix)]
mod system;
mod takes;

use program::{Place, fixture};

/// A recording is refused wherever one is taken: as the take, as the terminated take, and on either side of a comparison.
#[track_caller]
fn refuses_recording(place: &Place, recording: &str, says: &[&str]) {
    let good = fixture("vsb-a");
    let take = |from: &str, more: &[&str]| {
        let start = [
            "take",
            "--from",
            from,
            "--antenna",
            "loop",
            "--spot",
            "roof",
        ];
        place.refuses(1, start.iter().chain(more), says);
    };
    take(recording, &[]);
    take(&good, &["--terminated", recording]);
    place.refuses(1, ["compare", &good, recording], says);
    place.refuses(1, ["compare", recording, &good], says);
    place.refuses(
        1,
        ["compare", &good, &good, "--terminated", recording],
        says,
    );
}

/// A recording is refused as the take.
#[track_caller]
fn refuses_take(place: &Place, recording: &str, says: &[&str]) {
    place.refuses(
        1,
        [
            "take",
            "--from",
            recording,
            "--antenna",
            "loop",
            "--spot",
            "roof",
        ],
        says,
    );
}
