//! What is plugged in: the file that says so, read again whenever it is asked for, and what this process remembers of it.

use std::collections::{HashMap, HashSet};
use std::ffi::{CString, OsString};
use std::path::Path;
use std::sync::{Arc, LazyLock, Mutex, MutexGuard};

use crate::config::{Config, Dongle, Fault, Kind};

/// The environment variable that names the file.
pub const VARIABLE: &str = "RTLSDR_STAND_IN";

static PLUGGED: LazyLock<Mutex<Plugged>> = LazyLock::new(Mutex::default);

#[derive(Default)]
struct Plugged {
    file: Option<OsString>,
    text: String,
    config: Arc<Config>,
    /// Serials of dongles that were pulled out since the file last changed.
    gone: HashSet<String>,
    /// How often each dongle's faults have acted since then, by serial and place in the list.
    acted: HashMap<(String, usize), u64>,
    /// Serials of dongles that this process has open.
    open: HashSet<String>,
    /// Names that were handed out; they must stay where they are.
    names: HashMap<String, &'static std::ffi::CStr>,
}

fn plugged() -> MutexGuard<'static, Plugged> {
    PLUGGED
        .lock()
        .unwrap_or_else(|poisoned| poisoned.into_inner())
}

/// What the file says now; where it can't be read, what it last said, and an error on standard error.
pub fn config() -> Arc<Config> {
    let mut plugged = plugged();
    let file = std::env::var_os(VARIABLE);
    if file != plugged.file {
        *plugged = Plugged {
            file,
            names: std::mem::take(&mut plugged.names),
            open: std::mem::take(&mut plugged.open),
            ..Plugged::default()
        };
    }
    let Some(file) = plugged.file.clone() else {
        return plugged.config.clone();
    };
    let path = Path::new(&file);
    let read = std::fs::read_to_string(path).map_err(|error| error.to_string());
    let news = read.and_then(|text| {
        if text == plugged.text {
            return Ok(None);
        }
        Config::parse(path, &text).map(|config| Some((text, config)))
    });
    match news {
        Ok(None) => {}
        Ok(Some((text, config))) => {
            plugged.text = text;
            plugged.config = Arc::new(config);
            plugged.gone.clear();
            plugged.acted.clear();
        }
        Err(problem) => eprintln!("rtlsdr-stand-in: {}: {problem}", path.display()),
    }
    plugged.config.clone()
}

/// The dongles that are plugged in now, in their order.
pub fn dongles() -> Vec<Dongle> {
    let config = config();
    let plugged = plugged();
    let mut dongles = config.devices.clone();
    dongles.retain(|dongle| !plugged.gone.contains(&dongle.serial));
    dongles
}

/// Pulls the dongle of this serial out, until the file changes.
pub fn pull_out(serial: &str) {
    plugged().gone.insert(serial.to_owned());
}

/// Takes hold of the dongle of this serial; false if this process has it already.
pub fn take_hold(serial: &str) -> bool {
    plugged().open.insert(serial.to_owned())
}

/// Lets go of the dongle of this serial.
pub fn let_go(serial: &str) {
    plugged().open.remove(serial);
}

/// The fault of this kind that acts now, if one does, and whether it is the first time that it acts; `transfer` and
/// `tunings` count those since the dongle was opened.
pub fn fault(own: &Dongle, kind: Kind, transfer: u64, tunings: u64) -> Option<(Fault, bool)> {
    let mut plugged = plugged();
    for (place, fault) in own.faults.iter().enumerate() {
        let acted = plugged
            .acted
            .entry((own.serial.clone(), place))
            .or_default();
        let due = fault.kind == kind
            && fault.at_transfer.is_none_or(|at| transfer >= at)
            && fault.at_tuning.is_none_or(|at| tunings >= at);
        if due && *acted < fault.times() {
            *acted += 1;
            return Some((fault.clone(), *acted == 1));
        }
    }
    None
}

/// Whether the dongle may be opened by nobody here.
pub fn denied(own: &Dongle) -> bool {
    own.faults.iter().any(|fault| fault.kind == Kind::Denied)
}

/// `name` at a place where it stays.
pub fn lasting(name: &str) -> &'static std::ffi::CStr {
    let mut plugged = plugged();
    if let Some(lasting) = plugged.names.get(name) {
        return lasting;
    }
    let lasting: &'static std::ffi::CStr =
        Box::leak(CString::new(name).unwrap_or_default().into_boxed_c_str());
    plugged.names.insert(name.to_owned(), lasting);
    lasting
}
