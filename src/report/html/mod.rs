//! A report as one HTML file.

mod blocks;
mod theme;

use maud::{DOCTYPE, Markup, PreEscaped, html};

use super::block::Section;
use super::sections::{made_with, where_and_when};
use super::words::{Names, counted};
use super::{Content, ReportError};
use crate::compare::Comparison;
use crate::draw::{FAMILY, font_faces};

const STYLE: &str = include_str!("style.css");

/// Nothing may be loaded from anywhere and no script run (Content Security Policy Level 3); the page has its own style.
const POLICY: &str = "default-src 'none'; style-src 'unsafe-inline'; font-src data:; img-src data:; base-uri 'none'; \
                      form-action 'none'";

/// What stands above a report of what was not received.
const INVENTED: &str = "Invented data. These stations, antennas and figures belong to no place and no product: a scene was played by \
                        the program, to show how it works. Draw no conclusions about real antennas from it.";

/// The report as an HTML document.
///
/// # Errors
/// Where a figure can't be drawn or the takes not be written as CSV.
pub fn html(content: &Content) -> Result<String, ReportError> {
    let sections = content.sections()?;
    let names = content.names();
    let title = content.title();
    let body = html! {
        body {
            a.skip href="#answer" { "Skip to the answer" }
            header { (head_of_page(content, &names, &title)) }
            nav aria-label="Contents" { (contents(&sections)) }
            main {
                @for section in &sections {
                    section id=(section.id) aria-labelledby={ (section.id) "-title" } {
                        h2 id={ (section.id) "-title" } { (section.title) }
                        div.body {
                            @for (n, block) in section.blocks.iter().enumerate() {
                                (blocks::block(block, &format!("{}-{n}", section.id)))
                            }
                        }
                    }
                }
            }
        }
    };
    let style = style(&body.0);
    let description = format!("{title}, {}", where_and_when(content, &names));
    let document = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta http-equiv="Content-Security-Policy" content=(POLICY);
                meta name="referrer" content="no-referrer";
                meta name="color-scheme" content="light dark";
                meta name="generator" content={ "gainsay " (env!("CARGO_PKG_VERSION")) };
                meta name="description" content=(description);
                link rel="icon" href="data:,";
                title { (title) }
                style { (PreEscaped(&style)) }
            }
            (body)
        }
    };
    Ok(document.into_string())
}

fn head_of_page(content: &Content, names: &Names, title: &str) -> Markup {
    html! {
        @if content.invented() {
            p.invented role="note" { (INVENTED) }
        }
        p.kind { "Antennas compared by measurement" }
        h1 { (title) }
        p.where { (where_and_when(content, names)) }
        @if let (None, Some(comparison)) = (&content.several, content.first()) {
            (key(comparison, names))
        }
        p.made { (made_with(content)) }
    }
}

/// What stands for A and B in the figures, and on how many channels each is better.
fn key(comparison: &Comparison, names: &Names) -> Markup {
    let summary = &comparison.summary;
    let sides = [("a", "A", summary.a_better), ("b", "B", summary.b_better)];
    html! {
        p.key {
            @for ((which, letter, better), name) in sides.into_iter().zip(&names.all) {
                span { (mark(which)) " " (letter) ": " bdi { (name) } (tally(better, "better on")) }
                " "
            }
            @if summary.undecided > 0 {
                span { (mark("undecided")) " undecided on " (counted(summary.undecided, "channel")) }
            }
        }
    }
}

/// `, better on 9 channels`.
fn tally(count: usize, what: &str) -> Markup {
    let channels = match count {
        0 => "no channel".to_owned(),
        _ => counted(count, "channel"),
    };
    html! { ", " span.tally { (what) " " (channels) } }
}

/// A's round, B's diamond or the square of what is undecided, as in the figures.
fn mark(which: &str) -> Markup {
    html! {
        svg.mark aria-hidden="true" focusable="false" viewBox="-9 -9 18 18" width="18" height="18" {
            @match which {
                "a" => { circle r="7" fill="#0072B2" {} },
                "b" => { path d="M8 0L0 8L-8 0L0 -8Z" fill="#D55E00" {} },
                _ => { path d="M5 5L-5 5L-5 -5L5 -5Z" fill="#FFFFFF" stroke="#6E7378" stroke-width="2.5" {} },
            }
        }
    }
}

fn contents(sections: &[Section]) -> Markup {
    html! {
        ul {
            @for section in sections {
                li { a href={ "#" (section.id) } { (section.title) } }
            }
        }
    }
}

/// All of the page's style: its fonts, as far as the text needs them, its colours, its rules.
fn style(body: &str) -> String {
    format!(
        "{}{}:root{{--family:{FAMILY}}}\n.on-white{{{}}}\n{STYLE}",
        font_faces(body),
        theme::css(),
        theme::untouched()
    )
}
