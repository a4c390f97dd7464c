//! Takes killed at any moment.

use std::process::Stdio;
use std::thread;
use std::time::{Duration, Instant};

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::program::{Place, fixture};

fn check_integrity(place: &Place) {
    let connection = rusqlite::Connection::open(place.logbook()).expect("a file");
    let answer: String = connection
        .query_row("PRAGMA integrity_check", [], |row| row.get(0))
        .expect("an answer");
    assert_eq!(answer, "ok");
}

#[test]
fn a_killed_take_is_kept_whole_or_not_at_all_and_older_ones_stay() {
    let place = Place::new();
    let from = fixture("ofdm-a");
    let arguments = |spot: &str| {
        [
            "take",
            "--from",
            &from,
            "--antenna",
            "loop",
            "--plan",
            "europe",
            "--spot",
            spot,
        ]
        .map(String::from)
    };
    // How long one lasts here and now, so that the kills fall anywhere within it.
    let begun = Instant::now();
    place.text(arguments("the first"));
    let lasts = begun.elapsed();
    place.text(arguments("the second"));
    let first = place.json(["log", "show", "1"]);

    let mut random = ChaCha8Rng::seed_from_u64(6);
    let (mut finished, mut there) = (0, 2);
    for round in 0..25 {
        let mut child = place
            .command()
            .args(arguments(&format!("spot {round}")))
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("it starts");
        // Most of them near the end, where the take is written.
        let share = 1.3 * random.random_range(0.0..1.0_f64).sqrt();
        thread::sleep(Duration::from_secs_f64(lasts.as_secs_f64() * share));
        child.kill().expect("it can be killed");
        let done = child.wait().expect("it ends").success();
        finished += usize::from(done);

        let takes = place.json(["log"]);
        let takes = takes.as_array().expect("takes");
        assert!(takes.len() <= there + 1, "round {round}");
        assert!(
            takes.len() >= there + usize::from(done),
            "round {round}: a take is lost"
        );
        there = takes.len();
        for take in takes {
            assert_eq!(take["channels"], 3, "each take is there whole: {take}");
        }
        check_integrity(&place);
    }
    assert!(finished < 25, "no kill came in time");
    assert_eq!(place.json(["log", "show", "1"]), first);
    let next = place.json(arguments("the last"));
    assert_eq!(
        place.json(["log"]).as_array().map(Vec::len),
        Some(there + 1)
    );
    assert_eq!(next["channels"].as_array().map(Vec::len), Some(3));
}
