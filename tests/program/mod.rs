//! The program in a folder of its own: a fresh home and logbook, and recordings made from the fixtures.

#![allow(dead_code, reason = "each test binary uses its own share")]

use std::collections::BTreeMap;
use std::ffi::OsStr;
use std::path::{Path, PathBuf};
use std::{fs, process};

use assert_cmd::Command;
use serde_json::{Value, json};
use tempfile::TempDir;

/// The fixtures' tunings: 48 000 samples each.
pub const DWELL: usize = 48_000;
/// The fixtures' sample rate.
pub const RATE: f64 = 2.4e6;

/// The metadata of one of the fixtures.
pub fn fixture(name: &str) -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("fixtures")
        .join(name)
        .with_extension("sigmf-meta");
    path.to_str().expect("a plain path").to_owned()
}

/// The samples of one of the fixtures, as they stand in its file.
pub fn fixture_bytes(name: &str) -> Vec<u8> {
    fs::read(Path::new(&fixture(name)).with_extension("sigmf-data")).expect("a fixture")
}

/// `fixtures/truth.json`, the set `vsb` or `ofdm`.
pub fn truth(set: &str) -> Value {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/truth.json");
    let truth: Value = serde_json::from_slice(&fs::read(path).expect("truth.json")).expect("JSON");
    truth["sets"][set].clone()
}

/// A folder with a home and a logbook of its own; gone when dropped.
pub struct Place {
    folder: TempDir,
}

impl Place {
    pub fn new() -> Place {
        Place {
            folder: tempfile::tempdir().expect("a folder"),
        }
    }

    /// A place with the takes "loop" (of vsb-a) and "ears" (of vsb-b) at "window" in its logbook.
    pub fn with_takes() -> Place {
        let place = Place::new();
        for (antenna, recording) in [("loop", "vsb-a"), ("ears", "vsb-b")] {
            place.take(antenna, recording);
        }
        place
    }

    /// Takes a fixture, with the terminated one.
    pub fn take(&self, antenna: &str, recording: &str) {
        let (from, terminated) = (fixture(recording), fixture("vsb-terminated"));
        self.run([
            "take",
            "--from",
            &from,
            "--antenna",
            antenna,
            "--spot",
            "window",
        ])
        .args(["--terminated", &terminated])
        .assert()
        .success();
    }

    pub fn folder(&self) -> &Path {
        self.folder.path()
    }

    pub fn path(&self, name: impl AsRef<Path>) -> PathBuf {
        self.folder.path().join(name)
    }

    /// The same as text, for arguments.
    pub fn named(&self, name: &str) -> String {
        self.path(name).to_str().expect("a plain path").to_owned()
    }

    pub fn logbook(&self) -> PathBuf {
        self.path("logbook.sqlite")
    }

    /// The program, to be run in this folder; nothing of the user's own settings reaches it.
    pub fn command(&self) -> process::Command {
        self.command_of(Path::new(env!("CARGO_BIN_EXE_gainsay")))
    }

    /// The same for a copy of the program, or for another that starts it.
    pub fn command_of(&self, program: &Path) -> process::Command {
        let mut command = process::Command::new(program);
        command
            .current_dir(self.folder())
            .env("HOME", self.folder())
            .env("GAINSAY_LOG", self.logbook())
            .env_remove("XDG_DATA_HOME")
            .env_remove("GAINSAY_PLAN");
        command
    }

    pub fn run<I: AsRef<OsStr>>(&self, arguments: impl IntoIterator<Item = I>) -> Command {
        let mut command = self.command();
        command.args(arguments);
        Command::from_std(command)
    }

    /// Runs it, expects success, and returns what it printed.
    #[track_caller]
    pub fn text<I: AsRef<OsStr>>(&self, arguments: impl IntoIterator<Item = I>) -> String {
        let output = self.run(arguments).assert().success().get_output().clone();
        String::from_utf8(output.stdout).expect("text")
    }

    /// Runs it with `--format json` and returns what it printed.
    #[track_caller]
    pub fn json<I: AsRef<OsStr>>(&self, arguments: impl IntoIterator<Item = I>) -> Value {
        let arguments: Vec<_> = arguments
            .into_iter()
            .map(|argument| argument.as_ref().to_owned())
            .chain(["--format", "json"].map(Into::into))
            .collect();
        serde_json::from_str(&self.text(arguments)).expect("JSON")
    }

    /// Runs it with `--format csv` and returns the rows by the names of their columns.
    #[track_caller]
    pub fn csv<I: AsRef<OsStr>>(
        &self,
        arguments: impl IntoIterator<Item = I>,
    ) -> Vec<BTreeMap<String, String>> {
        let arguments: Vec<_> = arguments
            .into_iter()
            .map(|argument| argument.as_ref().to_owned())
            .chain(["--format", "csv"].map(Into::into))
            .collect();
        csv::Reader::from_reader(self.text(arguments).as_bytes())
            .deserialize()
            .collect::<Result<_, _>>()
            .expect("CSV")
    }

    /// The logbook's files that hold takes, with their bytes: itself, and the one of takes written ahead if any is in it.
    /// (The third, -shm, is an index that SQLite makes anew.)
    pub fn logbook_files(&self) -> BTreeMap<PathBuf, Vec<u8>> {
        fs::read_dir(self.folder())
            .expect("the folder")
            .map(|entry| entry.expect("an entry").path())
            .filter(|path| {
                let name = path.to_string_lossy();
                name.contains("logbook.sqlite") && !name.ends_with("-shm")
            })
            .map(|path| {
                let bytes = fs::read(&path).expect("a file");
                (path, bytes)
            })
            .filter(|(path, bytes)| *path == self.logbook() || !bytes.is_empty())
            .collect()
    }

    /// Runs what must be refused: nothing on standard output, exactly one line on standard error with all of `says`, and
    /// the logbook as it was to the last byte.
    #[track_caller]
    pub fn refuses<I: AsRef<OsStr>>(
        &self,
        status: i32,
        arguments: impl IntoIterator<Item = I>,
        says: &[&str],
    ) {
        self.refused(status, self.run(arguments), says);
    }

    /// The same for a command that was made ready otherwise.
    #[track_caller]
    pub fn refused(&self, status: i32, mut command: Command, says: &[&str]) {
        let before = self.logbook_files();
        let output = command.output().expect("it runs");
        let error = String::from_utf8(output.stderr).expect("text");
        let what = format!("{command:?}\n{error}");
        assert_eq!(error.lines().count(), 1, "one line: {what}");
        assert!(
            error.ends_with('\n') && error.starts_with("gainsay: "),
            "{what}"
        );
        assert!(!error.contains("panicked"), "{what}");
        assert_eq!(output.status.code(), Some(status), "{what}");
        assert!(
            output.stdout.is_empty(),
            "{what}\n{}",
            String::from_utf8_lossy(&output.stdout)
        );
        for word in says {
            assert!(error.contains(word), "{word:?} is not in: {what}");
        }
        assert!(
            self.logbook_files() == before,
            "the logbook was touched: {what}"
        );
    }
}

/// A SigMF recording to be written into a place.
#[derive(Clone)]
pub struct Made {
    pub meta: Value,
    pub data: Vec<u8>,
}

impl Made {
    /// A fixture as it is.
    pub fn of(name: &str) -> Made {
        Made {
            meta: serde_json::from_slice(&fs::read(fixture(name)).expect("a fixture"))
                .expect("JSON"),
            data: fixture_bytes(name),
        }
    }

    /// A fixture's tunings at these places only, counted from 0.
    pub fn tunings_of(name: &str, places: impl IntoIterator<Item = usize>) -> Made {
        let whole = Made::of(name);
        let (mut captures, mut data) = (Vec::new(), Vec::new());
        for place in places {
            let mut capture = whole.meta["captures"][place].clone();
            capture["core:sample_start"] = json!(data.len() / 2);
            captures.push(capture);
            data.extend(&whole.data[place * DWELL * 2..(place + 1) * DWELL * 2]);
        }
        let mut made = Made { data, ..whole };
        made.meta["captures"] = json!(captures);
        made.without_hash()
    }

    pub fn without_hash(mut self) -> Made {
        self.meta["global"]
            .as_object_mut()
            .expect("an object")
            .remove("core:sha512");
        self
    }

    /// With another value at a JSON pointer such as `/global/core:sample_rate`.
    pub fn with(mut self, pointer: &str, value: Value) -> Made {
        *self.meta.pointer_mut(pointer).expect("a field there") = value;
        self
    }

    /// The same samples in another datatype.
    pub fn converted(self, datatype: &str) -> Made {
        // As the recording readers define it: 127.5 is nothing, 127.5 away from it is full scale.
        let rail = |byte: u8| (f64::from(byte) - 127.5) / 127.5;
        let data = self.data.iter().flat_map(|&byte| match datatype {
            "ci8" => vec![byte.wrapping_sub(128)],
            "ci16_le" => ((rail(byte) * 32768.0).round().min(32767.0) as i16)
                .to_le_bytes()
                .to_vec(),
            "cf32_le" => (rail(byte) as f32).to_le_bytes().to_vec(),
            other => panic!("{other}: no such datatype"),
        });
        Made {
            data: data.collect(),
            ..self
        }
        .without_hash()
        .with("/global/core:datatype", json!(datatype))
    }

    /// Writes both files and returns the metadata's path.
    pub fn write(&self, place: &Place, name: &str) -> String {
        fs::write(place.path(format!("{name}.sigmf-data")), &self.data).expect("written");
        let meta = place.named(&format!("{name}.sigmf-meta"));
        fs::write(&meta, serde_json::to_vec_pretty(&self.meta).expect("JSON")).expect("written");
        meta
    }
}

/// The entry of a channel in the `channels` of a printed take or comparison.
#[track_caller]
pub fn channel(printed: &Value, number: u64) -> &Value {
    printed["channels"]
        .as_array()
        .expect("channels")
        .iter()
        .find(|channel| channel["channel"] == number)
        .unwrap_or_else(|| panic!("no channel {number} in {printed}"))
}

/// The numbers of the channels of a printed take or comparison.
pub fn numbers(printed: &Value) -> Vec<u64> {
    printed["channels"]
        .as_array()
        .expect("channels")
        .iter()
        .map(|channel| channel["channel"].as_u64().expect("a number"))
        .collect()
}

/// A number under a name.
#[track_caller]
pub fn figure(of: &Value, name: &str) -> f64 {
    of[name]
        .as_f64()
        .unwrap_or_else(|| panic!("no number {name} in {of}"))
}
