//! Where the logbook is when nobody says.

use std::ffi::OsString;
use std::path::PathBuf;

use super::LogbookError;

/// Name of the environment variable that holds the logbook's path.
pub const PATH_VARIABLE: &str = "GAINSAY_LOG";

/// The logbook's place by the platform's convention for a user's data: `gainsay/logbook.sqlite` in
/// `$XDG_DATA_HOME` or `~/.local/share` on Linux, `~/Library/Application Support` on macOS, the roaming application
/// data on Windows.
///
/// # Errors
/// [`LogbookError::NoHome`] where the user has no home folder.
pub fn default_path() -> Result<PathBuf, LogbookError> {
    let folders = directories::ProjectDirs::from("", "", "gainsay").ok_or(LogbookError::NoHome)?;
    Ok(folders.data_dir().join("logbook.sqlite"))
}

/// The logbook to use: the one given as an option, else the value of [`PATH_VARIABLE`] (where it is set and not
/// empty), else [`default_path`].
///
/// # Errors
/// [`LogbookError::NoHome`] where neither is given and the user has no home folder.
pub fn resolve(
    option: Option<PathBuf>,
    variable: Option<OsString>,
) -> Result<PathBuf, LogbookError> {
    match (option, variable) {
        (Some(path), _) => Ok(path),
        (None, Some(path)) if !path.is_empty() => Ok(PathBuf::from(path)),
        _ => default_path(),
    }
}
