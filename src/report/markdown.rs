//! A report as Markdown for a forum, with pictures beside it (GitHub Flavored Markdown).

use super::block::{Block, Figure, Table};
use super::sections::{
    IN_ONE_LINE, answer_in_words, difference_table, in_two_sentences, made_with, merit_channels,
    merit_table, reasons, to_bear_in_mind, where_and_when,
};
use super::{Content, ReportError};
use crate::draw::clean;

/// A report for a forum.
#[derive(Debug, Clone, PartialEq)]
pub struct Post {
    /// The text.
    pub text: String,
    /// The figures that it shows, each to be written beside it as a PNG under [`Post::picture`].
    pub figures: Vec<Figure>,
}

impl Post {
    /// The name of a figure's picture beside a text of this name (without its ending).
    pub fn picture(stem: &str, figure: &str) -> String {
        format!("{stem}-{figure}.png")
    }
}

/// The report as Markdown; `stem` is the name of its file without the ending, after which the pictures are named.
///
/// # Errors
/// Where a figure can't be drawn.
pub fn markdown(content: &Content, stem: &str) -> Result<Post, ReportError> {
    let names = content.names();
    let sections = content.sections()?;
    let figures: Vec<Figure> = (sections.iter())
        .flat_map(|section| &section.blocks)
        .flat_map(Block::figures)
        .cloned()
        .collect();
    let (lead, rest) = answer_in_words(content, &names);
    let mut parts = vec![
        format!("# {}", text(&content.title())),
        text(&where_and_when(content, &names)),
    ];
    if content.invented() {
        parts.push("**Invented data:** no such stations and antennas exist; a scene was played to show how it works.".to_owned());
    }
    parts.push(format!("**{}**", text(&lead)));
    if !rest.is_empty() {
        parts.push(bullets(&rest));
    }
    let remarks = to_bear_in_mind(content, &names);
    if !remarks.is_empty() {
        parts.push(format!("To bear in mind:\n\n{}", bullets(&remarks)));
    }
    parts.extend(figures.iter().map(|figure| {
        let alternative = figure.svg.inline(&figure.name);
        format!(
            "![{}]({})",
            text(&format!("{}. {}", alternative.title, figure.caption)),
            address(&Post::picture(stem, &figure.name))
        )
    }));
    match (&content.several, content.first()) {
        (Some(many), _) => parts.extend([
            table(&merit_table(many, &names)),
            table(&merit_channels(many, &names)),
        ]),
        (None, Some(comparison)) => {
            parts.push(table(&difference_table(comparison)));
            let reasons = reasons(comparison, &names);
            if !reasons.is_empty() {
                parts.push(bullets(&reasons));
            }
        }
        (None, None) => {}
    }
    for section in &content.further {
        parts.push(format!("## {}", text(&section.title)));
        parts.extend(section.blocks.iter().filter_map(block));
    }
    parts.push(format!(
        "**How it was measured.** {}",
        text(&in_two_sentences(content))
    ));
    parts.push(format!("**Cautions.** {}", text(IN_ONE_LINE)));
    let by = content.by.as_deref().map(clean).filter(|by| !by.is_empty());
    let by = by.map_or_else(String::new, |by| format!("Measured by {}. ", text(&by)));
    parts.push(format!("{by}{}", text(&made_with(content))));
    Ok(Post {
        text: parts.join("\n\n") + "\n",
        figures,
    })
}

/// A block of a further section; its figures stand above already, and what is folded away is left to the HTML report.
fn block(block: &Block) -> Option<String> {
    match block {
        Block::Lead(words) => Some(format!("**{}**", text(words))),
        Block::Text(words) => Some(text(words)),
        Block::Sentences(sentences) => Some(bullets(sentences)),
        Block::Remarks(title, sentences) => {
            Some(format!("{}:\n\n{}", text(title), bullets(sentences)))
        }
        Block::Facts(facts) => Some(bullets(
            &facts
                .iter()
                .map(|(name, values)| format!("{name}: {}", values.join("; ")))
                .collect::<Vec<_>>(),
        )),
        Block::Table(one) => Some(table(one)),
        Block::Heading(title) => Some(format!("### {}", text(title))),
        Block::Figure(_) | Block::Folded(..) | Block::Command(_) | Block::Download(_) => None,
    }
}

fn bullets(sentences: &[String]) -> String {
    let lines: Vec<String> = sentences
        .iter()
        .map(|sentence| format!("- {}", text(sentence)))
        .collect();
    lines.join("\n")
}

/// A table without its drawings.
fn table(table: &Table) -> String {
    use super::block::Set;
    let kept: Vec<usize> = (0..table.head.len())
        .filter(|&n| table.head[n].1 != Set::Drawing)
        .collect();
    let line = |cells: Vec<String>| format!("| {} |", cells.join(" | "));
    let cell = |cell: &super::Cell| match (cell.text.is_empty(), cell.small.is_empty()) {
        (_, true) => text(&cell.text),
        (true, false) => text(&cell.small),
        (false, false) => text(&format!("{} ({})", cell.text, cell.small)),
    };
    let mut lines = vec![
        line(kept.iter().map(|&n| cell(&table.head[n].0)).collect()),
        line(
            kept.iter()
                .map(|&n| {
                    if table.head[n].1 == Set::Number {
                        "---:"
                    } else {
                        "---"
                    }
                    .to_owned()
                })
                .collect(),
        ),
    ];
    lines.extend(
        table
            .rows
            .iter()
            .map(|row| line(kept.iter().filter_map(|&n| row.get(n)).map(cell).collect())),
    );
    format!("{}:\n\n{}", text(&table.caption), lines.join("\n"))
}

/// Text in which nothing is markup: one line, every character that Markdown or HTML might read escaped.
///
/// A backslash before ASCII punctuation stands for the character itself (CommonMark 0.31, 2.4), within a table too (GitHub
/// Flavored Markdown, 4.10).
fn text(words: &str) -> String {
    let line = words.split_whitespace().collect::<Vec<_>>().join(" ");
    let mut escaped = String::with_capacity(line.len());
    for c in line.chars() {
        if matches!(
            c,
            '\\' | '`'
                | '*'
                | '_'
                | '{'
                | '}'
                | '['
                | ']'
                | '<'
                | '>'
                | '#'
                | '|'
                | '~'
                | '&'
                | '!'
                | '@'
        ) {
            escaped.push('\\');
        }
        escaped.push(c);
    }
    // At the head of a line these would begin a list.
    match escaped.chars().next() {
        Some('+' | '-' | '=') => format!("\\{escaped}"),
        Some(digit) if digit.is_ascii_digit() => escaped.replacen(". ", "\\. ", 1),
        _ => escaped,
    }
}

/// A file's name as a relative address (RFC 3986): everything but unreserved characters is percent-encoded.
fn address(name: &str) -> String {
    name.bytes()
        .map(|byte| match byte {
            b'A'..=b'Z' | b'a'..=b'z' | b'0'..=b'9' | b'-' | b'.' | b'_' | b'~' => {
                (byte as char).to_string()
            }
            _ => format!("%{byte:02X}"),
        })
        .collect()
}
