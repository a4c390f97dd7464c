//! What a report is set from: sections of blocks, before they become HTML or Markdown.
//!
//! Texts are plain: whoever sets them escapes them.

use crate::draw::Svg;

/// A part of a report under a heading.
#[derive(Debug, Clone, PartialEq)]
pub struct Section {
    /// Name for links within the report: lower-case letters, digits and hyphens, one that no other section has.
    pub id: String,
    /// Its heading.
    pub title: String,
    /// What stands in it.
    pub blocks: Vec<Block>,
}

impl Section {
    /// A section of these blocks.
    pub fn new(id: &str, title: &str, blocks: Vec<Block>) -> Section {
        Section {
            id: id.to_owned(),
            title: title.to_owned(),
            blocks,
        }
    }
}

/// One piece of a section.
#[derive(Debug, Clone, PartialEq)]
pub enum Block {
    /// The sentence that matters most, set large.
    Lead(String),
    /// A paragraph.
    Text(String),
    /// Sentences, one a line.
    Sentences(Vec<String>),
    /// What must not be overlooked, under a heading of its own.
    Remarks(String, Vec<String>),
    /// Names and what they stand for; several values stand below each other.
    Facts(Vec<(String, Vec<String>)>),
    /// A figure.
    Figure(Figure),
    /// A table.
    Table(Table),
    /// A lesser heading.
    Heading(String),
    /// What is folded away until it is asked for, behind a summary.
    Folded(String, Vec<Block>),
    /// A command to type.
    Command(String),
    /// A file within the report.
    Download(Download),
}

/// A figure with its caption; its text alternative is the SVG's own.
#[derive(Debug, Clone, PartialEq)]
pub struct Figure {
    /// Name for a picture beside the report and for ids: lower-case letters, digits and hyphens, one that no other figure
    /// has.
    pub name: String,
    /// The figure.
    pub svg: Svg,
    /// What it shows.
    pub caption: String,
    /// The section that has its numbers: id and title.
    pub numbers: Option<(String, String)>,
}

/// A table. The first cell of each row is the row's head.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Table {
    /// What it shows.
    pub caption: String,
    /// The columns: their heads, and how they are set.
    pub head: Vec<(Cell, Set)>,
    /// The rows, as long as the head.
    pub rows: Vec<Vec<Cell>>,
}

/// How a column is set.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Set {
    /// Words.
    Words,
    /// Numbers, to the right.
    Number,
    /// A drawing beside the numbers that it shows.
    Drawing,
}

/// One cell.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Cell {
    /// What it says.
    pub text: String,
    /// What is said smaller below that; may be empty.
    pub small: String,
    /// An `svg` element from [`draw`](crate::draw); empty where there is none. Markdown leaves it out.
    pub drawing: String,
}

impl Cell {
    /// A cell that says this.
    pub fn new(text: impl Into<String>) -> Cell {
        Cell {
            text: text.into(),
            ..Cell::default()
        }
    }

    /// The same with this below it.
    pub fn with(text: impl Into<String>, small: impl Into<String>) -> Cell {
        Cell {
            text: text.into(),
            small: small.into(),
            drawing: String::new(),
        }
    }

    /// A drawing.
    pub fn drawing(drawing: String) -> Cell {
        Cell {
            drawing,
            ..Cell::default()
        }
    }
}

/// A file within the report.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Download {
    /// Its name.
    pub file: String,
    /// Its media type.
    pub media_type: &'static str,
    /// What it holds.
    pub bytes: Vec<u8>,
    /// What it is.
    pub label: String,
}

impl Block {
    /// The figures in this block, those folded away too.
    pub(super) fn figures(&self) -> Vec<&Figure> {
        match self {
            Block::Figure(figure) => vec![figure],
            Block::Folded(_, blocks) => blocks.iter().flat_map(Block::figures).collect(),
            _ => Vec::new(),
        }
    }
}
