//! Recordings that the program writes, checked from outside: field by field, and by the Python package `sigmf`.

use std::path::Path;
use std::process::Command;

use gainsay::capture::simulated::{Scene, Setup, SimulatedSource};
use gainsay::capture::writer::{IfThere, Labels, write_sigmf};
use gainsay::capture::{About, CaptureError, Sample, Source, Tuning};
use gainsay::units::Hertz;
use sha2::{Digest, Sha512};

fn source(antenna: Option<&str>) -> SimulatedSource {
    let scene = Scene::demo().unwrap();
    let setup = Setup {
        antenna: antenna.map(str::to_owned),
        tunings: vec![Hertz::from_mhz(507.0), Hertz::from_mhz(509.0)],
        dwell_s: 0.005,
        ..Setup::terminated("north window", "2026-05-09T10:00:00Z".parse().unwrap())
    };
    SimulatedSource::new(&scene, setup).unwrap()
}

fn names(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> = std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    names
}

#[test]
fn a_recording_holds_the_sources_bytes_and_says_what_they_are() {
    let folder = tempfile::tempdir().unwrap();
    let labels = Labels {
        description: Some("a test".to_owned()),
        ..Labels::default()
    };
    let base = folder.path().join("take.2");
    let written = write_sigmf(
        &mut source(Some("tape loop")),
        &base,
        &labels,
        IfThere::Refuse,
    )
    .unwrap();
    assert_eq!(
        (written.tunings, written.samples, written.clipped),
        (2, 24_000, 0)
    );
    assert_eq!(
        names(folder.path()),
        ["take.2.sigmf-data", "take.2.sigmf-meta"]
    );

    let bytes = std::fs::read(&written.data).unwrap();
    let mut same = source(Some("tape loop"));
    let mut expected = vec![0u8; 48_000];
    for tuning in 0..2 {
        same.next_tuning().unwrap();
        assert_eq!(same.read_bytes(&mut expected[tuning * 24_000..]), 24_000);
    }
    assert_eq!(bytes, expected);

    let meta: serde_json::Value =
        serde_json::from_slice(&std::fs::read(&written.meta).unwrap()).unwrap();
    let global = &meta["global"];
    assert_eq!(global["core:version"], "1.2.5");
    assert_eq!(global["core:datatype"], "cu8");
    assert_eq!(global["core:sample_rate"], 2.4e6);
    assert_eq!(global["core:description"], "a test");
    assert_eq!(global["antenna:model"], "tape loop");
    assert_eq!(global["core:extensions"][0]["name"], "antenna");
    assert!(global["core:hw"].as_str().unwrap().contains("invented"));
    let digest: String = Sha512::digest(&bytes)
        .iter()
        .map(|byte| format!("{byte:02x}"))
        .collect();
    assert_eq!(global["core:sha512"], digest);
    let captures = meta["captures"].as_array().unwrap();
    assert_eq!(captures.len(), 2);
    assert_eq!(captures[0]["core:sample_start"], 0);
    assert_eq!(captures[1]["core:sample_start"], 12_000);
    assert_eq!(captures[1]["core:frequency"], 509e6);
    assert_eq!(captures[0]["core:datetime"], "2026-05-09T10:00:00Z");
    assert_eq!(captures[1]["core:datetime"], "2026-05-09T10:00:00.005Z");
    assert_eq!(captures[1]["gainsay:gain_db"], 29.7);
}

#[test]
fn a_terminated_recording_names_no_antenna() {
    let folder = tempfile::tempdir().unwrap();
    let written = write_sigmf(
        &mut source(None),
        &folder.path().join("t"),
        &Labels::default(),
        IfThere::Refuse,
    )
    .unwrap();
    let text = std::fs::read_to_string(written.meta).unwrap();
    assert!(!text.contains("antenna"), "{text}");
}

#[test]
fn a_recording_that_is_there_is_kept_unless_it_may_be_replaced() {
    let folder = tempfile::tempdir().unwrap();
    let base = folder.path().join("take.sigmf-meta");
    let labels = Labels::default();
    let first = write_sigmf(&mut source(None), &base, &labels, IfThere::Refuse).unwrap();
    let before = std::fs::read(&first.data).unwrap();
    let refused = write_sigmf(
        &mut source(Some("bow-tie")),
        &base,
        &labels,
        IfThere::Refuse,
    )
    .unwrap_err()
    .to_string();
    assert!(
        refused.contains("take.sigmf-data: is there already"),
        "{refused}"
    );
    assert_eq!(std::fs::read(&first.data).unwrap(), before);
    write_sigmf(
        &mut source(Some("bow-tie")),
        &base,
        &labels,
        IfThere::Replace,
    )
    .unwrap();
    assert_ne!(std::fs::read(&first.data).unwrap(), before);
    assert_eq!(names(folder.path()), ["take.sigmf-data", "take.sigmf-meta"]);
}

/// Hands out one tuning, then fails.
struct Failing {
    about: About,
    tunings: usize,
    sent: bool,
}

impl Source for Failing {
    fn about(&self) -> &About {
        &self.about
    }

    fn next_tuning(&mut self) -> Result<Option<Tuning>, CaptureError> {
        self.tunings += 1;
        self.sent = false;
        if self.tunings > 1 {
            return Err(CaptureError::Unreadable {
                path: "dongle".to_owned(),
                problem: "was unplugged".to_owned(),
            });
        }
        Ok(Some(Tuning {
            centre: Hertz(507e6),
            gain: None,
            taken_at: None,
            samples: None,
        }))
    }

    fn read(&mut self, into: &mut [Sample]) -> Result<usize, CaptureError> {
        if std::mem::replace(&mut self.sent, true) {
            return Ok(0);
        }
        into[..3].copy_from_slice(&[
            Sample::new(2.0, 0.0),
            Sample::new(0.0, -1.5),
            Sample::new(1.0, 1.0),
        ]);
        Ok(3)
    }
}

#[test]
fn a_source_that_fails_leaves_nothing_half_written() {
    let folder = tempfile::tempdir().unwrap();
    let about = About {
        name: "dongle".to_owned(),
        sample_rate: Hertz(2.4e6),
        step: None,
        antenna: None,
        hardware: None,
    };
    let mut source = Failing {
        about,
        tunings: 0,
        sent: false,
    };
    let base = folder.path().join("take");
    let message = write_sigmf(&mut source, &base, &Labels::default(), IfThere::Refuse)
        .unwrap_err()
        .to_string();
    assert_eq!(message, "dongle: was unplugged");
    assert_eq!(names(folder.path()), Vec::<String>::new());
}

#[test]
fn a_folder_that_is_not_there_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let base = folder.path().join("none").join("take");
    let message = write_sigmf(
        &mut source(None),
        &base,
        &Labels::default(),
        IfThere::Refuse,
    )
    .unwrap_err()
    .to_string();
    assert!(
        message.contains("none") && message.contains("can't be created") && !message.contains('\n'),
        "{message}"
    );
}

#[test]
fn the_sigmf_packages_validator_accepts_what_is_written() {
    let importable = Command::new("python3")
        .args(["-c", "import sigmf"])
        .output()
        .is_ok_and(|out| out.status.success());
    if !importable {
        let told = "the Python package sigmf can't be imported: install it with pip to check recordings against it";
        assert!(std::env::var("CI").as_deref() != Ok("true"), "{told}");
        println!("skipped: {told}");
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    // Warnings (an extension used but not declared) count as errors; and it must see the same samples.
    let script = "import sys, warnings; warnings.simplefilter('error'); import sigmf\n\
                  f = sigmf.fromfile(sys.argv[1]); f.validate()\n\
                  print(f.sample_count, len(f.get_captures()), f.get_global_info().get('antenna:model'))";
    for (name, antenna, expected) in [
        ("a", Some("tape loop"), "24000 2 tape loop"),
        ("t", None, "24000 2 None"),
    ] {
        let base = folder.path().join(name);
        let written = write_sigmf(
            &mut source(antenna),
            &base,
            &Labels::default(),
            IfThere::Refuse,
        )
        .unwrap();
        let run = Command::new("python3")
            .arg("-c")
            .arg(script)
            .arg(&written.meta)
            .output()
            .unwrap();
        let said = String::from_utf8_lossy(&run.stdout);
        assert!(
            run.status.success(),
            "{said}{}",
            String::from_utf8_lossy(&run.stderr)
        );
        assert_eq!(said.trim(), expected);
    }
}
