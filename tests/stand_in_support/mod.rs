//! Puts the stand-in for librtlsdr (`tests/stand-in/`) in the system library's place for a program that a test starts.
//!
//! ```ignore
//! let stand_in = StandIn::new("[[device]]\nantenna = 'tape loop'");
//! Command::new(program).envs(stand_in.environment()).assert().success();
//! assert_eq!(stand_in.logged("lost"), [""; 0]);
//! ```

#![allow(dead_code, reason = "each test binary uses its own share")]

use std::ffi::OsString;
use std::fs;
use std::os::unix::fs::symlink;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::LazyLock;
use std::time::UNIX_EPOCH;

use tempfile::TempDir;

/// Names under which programs look for librtlsdr, on one system or another.
const NAMES: [&str; 3] = ["librtlsdr.so", "librtlsdr.so.0", "librtlsdr.so.2"];

/// The stand-in's library, built once a process.
static LIBRARY: LazyLock<PathBuf> = LazyLock::new(build);

/// What is plugged in for one program after another; the folder is gone when dropped.
pub struct StandIn {
    folder: TempDir,
}

impl StandIn {
    /// `text` is the TOML that `tests/stand-in/README.md` describes; log, cache and epoch are set already.
    pub fn new(text: &str) -> StandIn {
        let stand_in = StandIn {
            folder: tempfile::tempdir().expect("a folder"),
        };
        let links = stand_in.path("lib");
        fs::create_dir(&links).expect("a folder");
        for name in NAMES {
            symlink(&*LIBRARY, links.join(name)).expect("a link");
        }
        fs::write(stand_in.path("epoch"), jiff::Timestamp::now().to_string()).expect("a file");
        stand_in.plug(text);
        stand_in
    }

    /// Changes what is plugged in, also for a program that runs.
    pub fn plug(&self, text: &str) {
        let epoch = fs::read_to_string(self.path("epoch")).expect("a file");
        let cache = cache();
        let head = format!(
            "log = 'log'\ncache = '{}'\nepoch = '{epoch}'\n",
            cache.display()
        );
        fs::write(self.path("new"), head + text).expect("a file");
        fs::rename(self.path("new"), self.path("plugged.toml")).expect("a file");
    }

    /// The environment of a program that is to find the stand-in.
    pub fn environment(&self) -> [(&'static str, OsString); 2] {
        let mut paths = self.path("lib").into_os_string();
        if let Some(others) = std::env::var_os("LD_LIBRARY_PATH") {
            paths.push(":");
            paths.push(others);
        }
        let plugged = self.path("plugged.toml").into_os_string();
        [("LD_LIBRARY_PATH", paths), ("RTLSDR_STAND_IN", plugged)]
    }

    /// The values of an event in the log, in order.
    pub fn logged(&self, event: &str) -> Vec<String> {
        let lines = self.log();
        let lines = lines.lines().filter_map(|line| {
            let mut words = line.splitn(4, ' ').skip(2);
            (words.next() == Some(event)).then(|| words.next().unwrap_or("").to_owned())
        });
        lines.collect()
    }

    /// The whole log.
    pub fn log(&self) -> String {
        fs::read_to_string(self.path("log")).unwrap_or_default()
    }

    /// A path in the folder, which scenes can be written to as well.
    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }
}

/// Builds the library as this test was built, in the same target folder.
fn build() -> PathBuf {
    let own = std::env::current_exe().expect("a path");
    let target = own.ancestors().nth(3).expect("target/PROFILE/deps/TEST");
    let mut cargo = Command::new(env!("CARGO"));
    cargo
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .args([
            "build",
            "--package",
            "rtlsdr-stand-in",
            "--message-format",
            "json",
        ])
        .arg("--target-dir")
        .arg(target)
        .stderr(Stdio::inherit());
    if !cfg!(debug_assertions) {
        cargo.arg("--release");
    }
    let output = cargo.output().expect("cargo");
    assert!(
        output.status.success(),
        "the stand-in for librtlsdr can't be built"
    );
    let messages = String::from_utf8(output.stdout).expect("JSON");
    messages
        .lines()
        .filter_map(|line| serde_json::from_str::<serde_json::Value>(line).ok())
        .filter(|message| message["target"]["name"] == "rtlsdr_stand_in")
        .flat_map(|message| message["filenames"].as_array().cloned().unwrap_or_default())
        .filter_map(|name| name.as_str().map(PathBuf::from))
        .find(|path| path.extension().is_some_and(|extension| extension == "so"))
        .expect("a shared library")
}

/// Prepared samples are kept from run to run, but not beyond the library that made them.
fn cache() -> PathBuf {
    const PREFIX: &str = "stand-in-cache-";
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR"));
    let built = fs::metadata(&*LIBRARY).and_then(|about| about.modified());
    let built = built
        .expect("a time")
        .duration_since(UNIX_EPOCH)
        .expect("a time");
    let name = format!("{PREFIX}{}", built.as_nanos());
    for entry in fs::read_dir(folder).expect("a folder").flatten() {
        let other = entry.file_name();
        if other.to_string_lossy().starts_with(PREFIX) && other != *name {
            // Another process may be at it too.
            fs::remove_dir_all(entry.path()).ok();
        }
    }
    folder.join(name)
}
