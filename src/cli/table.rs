//! Tables for people: columns parted by space, numbers set right, a rule under the head.

use comfy_table::{CellAlignment, ContentArrangement, LineStyle, Table, TableStyle};

/// How a column is set.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Set {
    /// Words.
    Left,
    /// Numbers.
    Right,
}

/// Lays out rows under a head.
pub fn table(head: &[(&str, Set)], rows: impl IntoIterator<Item = Vec<String>>) -> String {
    let mut table = Table::new();
    let rule = LineStyle::none().fill('─').junction('─');
    table
        .load_style(TableStyle::new().header_separator(rule))
        .set_content_arrangement(ContentArrangement::Disabled);
    table.set_header(head.iter().map(|(name, _)| *name));
    for row in rows {
        table.add_row(row);
    }
    for ((_, set), column) in head.iter().zip(table.column_iter_mut()) {
        column.set_cell_alignment(match set {
            Set::Left => CellAlignment::Left,
            Set::Right => CellAlignment::Right,
        });
        column.set_padding((0, 2));
    }
    let mut text = String::new();
    for line in table.lines() {
        text.push_str(line.trim_end());
        text.push('\n');
    }
    text
}

/// A number with so many decimals, a real minus sign, and nothing where there is none.
pub fn number(value: Option<f64>, decimals: usize) -> String {
    value.map_or_else(String::new, |value| gainsay::draw::number(value, decimals))
}

/// A number with its sign, and none before a zero.
pub use gainsay::draw::signed;

/// A channel's edges in MHz: `506–512`.
pub fn edges_mhz(low_hz: f64, high_hz: f64) -> String {
    let mhz = |hz: f64| {
        let text = format!("{:.3}", hz / 1e6);
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    };
    format!("{}–{}", mhz(low_hz), mhz(high_hz))
}

/// Sentences under their titles, indented; a title without any is left out.
pub fn paragraphs(titled: &[(&str, &[String])]) -> String {
    let mut text = String::new();
    for (title, sentences) in titled.iter().filter(|(_, sentences)| !sentences.is_empty()) {
        text += &format!("\n{title}\n");
        for sentence in *sentences {
            text += &format!("  {sentence}\n");
        }
    }
    text
}

/// A value as a cell of CSV; empty for none.
pub fn cell<T: ToString>(value: Option<T>) -> String {
    value.map_or_else(String::new, |value| value.to_string())
}
