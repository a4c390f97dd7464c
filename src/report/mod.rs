//! A report to publish: one HTML file that needs nothing else, or Markdown for a forum with pictures beside it.
//!
//! [`Content`] is what a report is made from, plain data. [`Content::sections`] puts it into words, tables and figures
//! ([`Section`], [`Block`]), the same for both forms; [`html`] and [`markdown`] set them. Nothing here reads a clock or a
//! logbook: the same content gives the same bytes.
//!
//! The HTML file holds its style, fonts and figures, has no script and asks the network for nothing, which its own content
//! security policy forbids. It is valid by the HTML standard (WHATWG) and keeps to the contrast of WCAG 2.2, 1.4.3 (level
//! AA), light and dark; `tests/page/` checks that in a browser.
//!
//! What comes from a user (names, notes, sources) is cleaned of control characters and escaped.

mod block;
mod content;
mod error;
mod html;
mod markdown;
mod sections;
mod words;
mod write;

pub use block::{Block, Cell, Download, Figure, Section, Set, Table};
pub use content::{Compared, Content};
pub use error::ReportError;
pub use html::html;
pub use markdown::{Post, markdown};
pub use sections::{rotations, scans, spots};
pub use write::{check_ending, pictures, write_html, write_markdown};
