//! Blocks as HTML.

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use maud::{Markup, PreEscaped, html};

use super::super::block::{Block, Cell, Download, Figure, Set, Table};

/// More letters than this in a row's head are words to read, and not a name to find.
const LONG: usize = 24;

/// One block; `id` is one that no other has.
pub(super) fn block(block: &Block, id: &str) -> Markup {
    match block {
        Block::Lead(text) => html! { p.lead { (tied(text)) } },
        Block::Text(text) => html! { p { (tied(text)) } },
        Block::Sentences(sentences) => sentences_of(sentences),
        Block::Remarks(title, sentences) => html! {
            div.remarks { h3 { (title) } (sentences_of(sentences)) }
        },
        Block::Facts(facts) => html! {
            dl {
                @for (name, values) in facts {
                    div { dt { (name) } @for value in values { dd { bdi { (tied(value)) } } } }
                }
            }
        },
        Block::Figure(one) => figure(one),
        Block::Table(one) => table(one, id),
        Block::Heading(text) => html! { h3 { (text) } },
        Block::Folded(summary, blocks) => html! {
            details {
                summary { (summary) }
                @for (n, one) in blocks.iter().enumerate() { (self::block(one, &format!("{id}-{n}"))) }
            }
        },
        Block::Command(text) => html! { pre tabindex="0" { code { (text) } } },
        Block::Download(one) => download(one),
    }
}

/// Units that stay on the line of their number.
const UNITS: [&str; 8] = ["dB", "dBFS", "Hz", "kHz", "MHz", "ms", "m", "%"];

/// The text with a no-break space between a number and its unit.
fn tied(text: &str) -> String {
    let mut words = text.split(' ');
    let mut tied = words.next().unwrap_or_default().to_owned();
    for word in words {
        let unit = word.trim_end_matches(|c: char| c.is_ascii_punctuation() && c != '%');
        let after_number = tied.ends_with(|c: char| c.is_ascii_digit());
        tied.push(if after_number && UNITS.contains(&unit) {
            '\u{a0}'
        } else {
            ' '
        });
        tied += word;
    }
    tied
}

fn sentences_of(sentences: &[String]) -> Markup {
    html! { ul { @for sentence in sentences { li { (tied(sentence)) } } } }
}

/// A figure in a box of its own, in which a narrow screen scrolls.
fn figure(figure: &Figure) -> Markup {
    let inline = figure.svg.inline(&format!("figure-{}", figure.name));
    let class = if inline.restyled {
        "scroll"
    } else {
        "scroll on-white"
    };
    html! {
        figure {
            div class=(class) role="group" aria-label={ "Figure: " (inline.title) } tabindex="0" {
                (PreEscaped(&inline.element))
            }
            figcaption {
                (tied(&figure.caption))
                @if let Some((section, title)) = &figure.numbers { " Its numbers: " a href={ "#" (section) } { (title) } "." }
            }
        }
    }
}

fn table(table: &Table, id: &str) -> Markup {
    let drawn = table.head.iter().any(|(_, set)| *set == Set::Drawing);
    let heads = table.rows.iter().filter_map(|row| row.first());
    let long = heads.map(|head| head.text.chars().count()).max() > Some(LONG);
    html! {
        div.scroll role="group" aria-labelledby={ (id) "-caption" } tabindex="0" {
            table.drawn[drawn] {
                caption id={ (id) "-caption" } { (tied(&table.caption)) }
                thead {
                    tr {
                        @for (cell, set) in &table.head {
                            th scope="col" class=[class(*set)] {
                                @if *set == Set::Drawing { span.unseen { "Drawn" } }
                                (inside(cell))
                            }
                        }
                    }
                }
                tbody {
                    @for row in &table.rows {
                        tr {
                            @for (n, (cell, (_, set))) in row.iter().zip(&table.head).enumerate() {
                                @if n == 0 {
                                    th scope="row" class=[if long { Some("long") } else { class(*set) }] { (inside(cell)) }
                                } @else {
                                    td class=[class(*set)] { (inside(cell)) }
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn class(set: Set) -> Option<&'static str> {
    match set {
        Set::Words => None,
        Set::Number => Some("number"),
        Set::Drawing => Some("drawing"),
    }
}

fn inside(cell: &Cell) -> Markup {
    html! {
        (cell.text)
        @if !cell.small.is_empty() { " " span.small { (cell.small) } }
        (PreEscaped(&cell.drawing))
    }
}

/// A link that holds the file itself: it works without network and without script (RFC 2397).
fn download(download: &Download) -> Markup {
    let data = STANDARD.encode(&download.bytes);
    html! {
        p.download {
            a download=(download.file) href={ "data:" (download.media_type) ";charset=utf-8;base64," (data) } {
                (download.label)
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_number_keeps_its_unit_and_other_words_stay_apart() {
        let said = tied("by 1.5 dB to 5.4 dB, at 95 % and 3 m. A m, 5 members of 3");
        assert_eq!(
            said,
            "by 1.5\u{a0}dB to 5.4\u{a0}dB, at 95\u{a0}% and 3\u{a0}m. A m, 5 members of 3"
        );
    }
}
