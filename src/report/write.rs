//! Writing a report: whole or not at all.

use std::path::{Path, PathBuf};

use super::markdown::{Post, markdown};
use super::{Content, ReportError, html};
use crate::draw::put;

/// Endings of a report's file.
const HTML: (&[&str], &str) = (&["html", "htm"], ".html");
const MARKDOWN: (&[&str], &str) = (&["md", "markdown"], ".md");

/// Whether a report can be written to a file of this name: as HTML, or, with `as_markdown`, as Markdown.
///
/// # Errors
/// [`ReportError::Ending`] where the name ends otherwise.
pub fn check_ending(path: &Path, as_markdown: bool) -> Result<(), ReportError> {
    let (endings, wanted) = if as_markdown { MARKDOWN } else { HTML };
    let ending = path
        .extension()
        .and_then(|ending| ending.to_str())
        .map(str::to_ascii_lowercase);
    match ending {
        Some(ending) if endings.contains(&ending.as_str()) => Ok(()),
        _ => Err(ReportError::Ending {
            path: path.display().to_string(),
            wanted,
        }),
    }
}

/// Writes the report as one HTML file and gives its size in bytes.
///
/// # Errors
/// [`ReportError::Ending`] before anything is made; [`ReportError::Write`] where the system refuses, and then a file that
/// was there is still there; else as [`html`].
pub fn write_html(content: &Content, path: &Path) -> Result<usize, ReportError> {
    check_ending(path, false)?;
    let document = html(content)?;
    put(path, document.as_bytes()).map_err(|source| ReportError::write(path, source))?;
    Ok(document.len())
}

/// Writes the report as Markdown, its pictures beside it, and gives all files written, the text last.
///
/// # Errors
/// As [`write_html`]; each file is written whole or not at all, the text only when all its pictures are there.
pub fn write_markdown(content: &Content, path: &Path) -> Result<Vec<PathBuf>, ReportError> {
    check_ending(path, true)?;
    let post = markdown(content, &stem(path))?;
    let mut written = Vec::new();
    for figure in &post.figures {
        let picture = path.with_file_name(Post::picture(&stem(path), &figure.name));
        figure.svg.write(&picture)?;
        written.push(picture);
    }
    put(path, post.text.as_bytes()).map_err(|source| ReportError::write(path, source))?;
    written.push(path.to_owned());
    Ok(written)
}

/// The files that [`write_markdown`] would write.
///
/// # Errors
/// As [`markdown`].
pub fn pictures(content: &Content, path: &Path) -> Result<Vec<PathBuf>, ReportError> {
    let post = markdown(content, &stem(path))?;
    Ok(post
        .figures
        .iter()
        .map(|figure| path.with_file_name(Post::picture(&stem(path), &figure.name)))
        .collect())
}

fn stem(path: &Path) -> String {
    path.file_stem()
        .map_or_else(String::new, |stem| stem.to_string_lossy().into_owned())
}
