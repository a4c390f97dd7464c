//! A finished figure, and writing it to a file.

use std::fs::{self, File};
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use super::{DrawError, png};

/// A finished figure: an SVG document, 1600 px wide.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Svg(pub String);

impl Svg {
    /// The figure as a PNG of exactly 1600 px width, drawn with the bundled fonts.
    ///
    /// # Errors
    /// [`DrawError::Render`] where the document is not valid SVG, which no figure of this module is.
    pub fn to_png(&self) -> Result<Vec<u8>, DrawError> {
        png::render(&self.0)
    }

    /// Writes the figure as SVG or PNG, by the file's ending (`.svg` or `.png`, in any case).
    ///
    /// It is written under another name in the same folder and then renamed: the file is there whole or not at all.
    ///
    /// # Errors
    /// [`DrawError::Ending`] for any other ending, before anything is drawn or written; [`DrawError::Write`] where the
    /// system refuses; [`DrawError::Render`] as for [`Svg::to_png`].
    pub fn write(&self, path: &Path) -> Result<(), DrawError> {
        match ending(path)? {
            Ending::Svg => put(path, self.0.as_bytes()),
            Ending::Png => put(path, &self.to_png()?),
        }
        .map_err(|source| DrawError::Write {
            path: path.display().to_string(),
            source,
        })
    }
}

/// Writes `bytes` under a passing name beside `path`, then renames: the file is there whole or not at all.
pub(crate) fn put(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let passing = passing_name(path);
    let result = File::create(&passing)
        .and_then(|mut file| file.write_all(bytes).and_then(|()| file.sync_all()))
        .and_then(|()| fs::rename(&passing, path));
    if result.is_err() {
        // The first error is the one to report; whether the rest can be cleared away changes nothing.
        let _ = fs::remove_file(&passing);
    }
    result
}

/// `dir/name.svg` becomes `dir/.name.svg.<process>.part`.
fn passing_name(path: &Path) -> PathBuf {
    let mut name = std::ffi::OsString::from(".");
    name.push(path.file_name().unwrap_or_default());
    name.push(format!(".{}.part", std::process::id()));
    path.with_file_name(name)
}

/// What a figure's file can be.
enum Ending {
    Svg,
    Png,
}

fn ending(path: &Path) -> Result<Ending, DrawError> {
    let ending = path
        .extension()
        .and_then(|e| e.to_str())
        .map(str::to_ascii_lowercase);
    match ending.as_deref() {
        Some("svg") => Ok(Ending::Svg),
        Some("png") => Ok(Ending::Png),
        _ => Err(DrawError::Ending {
            path: path.display().to_string(),
        }),
    }
}

/// Whether a figure can be written to a file of this name, as far as its ending goes: to be asked before long work.
///
/// # Errors
/// [`DrawError::Ending`] where it ends neither in `.svg` nor in `.png`.
pub fn check_ending(path: &Path) -> Result<(), DrawError> {
    ending(path).map(|_| ())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn small() -> Svg {
        Svg(r#"<svg xmlns="http://www.w3.org/2000/svg" width="1600" height="10" viewBox="0 0 1600 10"/>"#.into())
    }

    fn names_in(folder: &Path) -> Vec<String> {
        let mut names: Vec<_> = fs::read_dir(folder)
            .unwrap()
            .map(|e| e.unwrap().file_name().to_string_lossy().into_owned())
            .collect();
        names.sort();
        names
    }

    #[test]
    fn the_ending_chooses_the_format_and_nothing_else_is_left_behind() {
        let folder = tempfile::tempdir().unwrap();
        small().write(&folder.path().join("a.svg")).unwrap();
        small().write(&folder.path().join("b.PNG")).unwrap();
        assert_eq!(names_in(folder.path()), ["a.svg", "b.PNG"]);
        assert_eq!(
            fs::read_to_string(folder.path().join("a.svg")).unwrap(),
            small().0
        );
        assert!(
            fs::read(folder.path().join("b.PNG"))
                .unwrap()
                .starts_with(b"\x89PNG\r\n\x1a\n")
        );
    }

    #[test]
    fn another_ending_is_refused_by_name_and_writes_nothing() {
        let folder = tempfile::tempdir().unwrap();
        for name in ["plot.pdf", "plot", ".svg"] {
            let message = small()
                .write(&folder.path().join(name))
                .unwrap_err()
                .to_string();
            assert!(
                message.contains(name) && message.contains(".svg or .png"),
                "{message}"
            );
        }
        assert!(names_in(folder.path()).is_empty());
    }

    #[test]
    fn a_folder_that_is_not_there_is_named_in_the_message() {
        let folder = tempfile::tempdir().unwrap();
        let message = small()
            .write(&folder.path().join("nowhere/plot.svg"))
            .unwrap_err()
            .to_string();
        assert!(
            message.contains("plot.svg") && message.contains("can't be written"),
            "{message}"
        );
    }

    #[test]
    fn a_failed_write_leaves_the_old_file_and_no_remains() {
        let folder = tempfile::tempdir().unwrap();
        // A folder stands where the file should go: the rename fails after the writing.
        fs::create_dir(folder.path().join("plot.svg")).unwrap();
        fs::write(folder.path().join("plot.svg/kept"), "kept").unwrap();
        assert!(small().write(&folder.path().join("plot.svg")).is_err());
        assert_eq!(names_in(folder.path()), ["plot.svg"]);
        assert_eq!(
            fs::read_to_string(folder.path().join("plot.svg/kept")).unwrap(),
            "kept"
        );
    }
}
