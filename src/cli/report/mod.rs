//! `gainsay report`: the answer to publish, as one HTML file or as Markdown with pictures.

mod further;

use std::path::{Path, PathBuf};

use clap::Args;
use gainsay::channels::Thresholds;
use gainsay::compare::{self, Against, Comparison, Options};
use gainsay::draw::{self, FloorPlan, Line as DrawnLine, Svg};
use gainsay::logbook::{Entry, Filter, Logbook};
use gainsay::reading::{Take, Trace};
use gainsay::report::{self, Content};
use jiff::Timestamp;

use super::compare::{bands, shared_spot, takes_and_remarks};
use super::input::{LogArguments, ThresholdArguments};
use super::spots::floor;
use super::{Failure, output};

/// Write a report to publish: one HTML file that needs nothing else, or Markdown for a forum with pictures beside it.
///
/// It says what was compared, where, when and with what, the answer in plain words, plots, tables, what the uncertainty is made
/// of and how it was measured, and holds the takes themselves, so that others can compare them again.
#[derive(Debug, Args)]
#[command(
    override_usage = "gainsay report [OPTIONS] OUT.html [A B …]\n       gainsay report [OPTIONS] --markdown OUT.md [A B …]",
    after_help = "Examples:\n  \
    gainsay report gain.html \"tape loop\" \"rabbit ears\" --spot \"north window\" --by \"J. Doe\"\n  \
    gainsay report --markdown gain.md\n\n\
    Where no antennas are named and the logbook has two at the spot, these are compared, the one taken first as A."
)]
pub struct Arguments {
    /// File to write, ending in .html, then the antennas in the logbook: A, B to compare it with, and more.
    #[arg(value_name = "OUT.html A B …")]
    words: Vec<String>,
    /// Write Markdown for a forum into this file, and a picture beside it for each plot.
    #[arg(long, value_name = "OUT.md")]
    markdown: Option<PathBuf>,
    /// Of more than two antennas, the one that the others are held against [default: the last named].
    #[arg(long, value_name = "ANTENNA")]
    reference: Option<String>,
    /// Compare each antenna with each other, not only with the reference.
    #[arg(long)]
    all_pairs: bool,
    /// The spot of the takes [default: the only one that all these antennas were at].
    #[arg(long, value_name = "NAME")]
    spot: Option<String>,
    /// Title of the report [default: the antennas' names].
    #[arg(long, value_name = "TEXT")]
    title: Option<String>,
    /// Who measured.
    #[arg(long, value_name = "NAME")]
    by: Option<String>,
    /// Channels to report, such as 14-36 or 7,9,20-23 [default: all that were taken].
    #[arg(long, value_name = "CHANNELS")]
    channels: Option<String>,
    /// The floor to draw spots on: a plan in TOML, as `gainsay spots --help` shows.
    #[arg(long, value_name = "PLAN.toml")]
    floor: Option<PathBuf>,
    /// Replace files that are there already.
    #[arg(long)]
    force: bool,
    #[command(flatten)]
    judged: ThresholdArguments,
    #[command(flatten)]
    log: LogArguments,
}

pub fn run(arguments: &Arguments) -> Result<(), Failure> {
    let (page, antennas) = files_and_antennas(arguments)?;
    if let Some(page) = &page {
        report::check_ending(page, false).map_err(Failure::usage)?;
        is_free(page, arguments.force)?;
    }
    if let Some(post) = &arguments.markdown {
        report::check_ending(post, true).map_err(Failure::usage)?;
        is_free(post, arguments.force)?;
    }
    let floor = floor::plan(arguments.floor.as_deref())?;
    let logbook = Logbook::open_existing(&arguments.log.path()?)?;
    let chosen = choose(&logbook, antennas, arguments.spot.as_deref())?;
    let mut content = content(
        &logbook,
        &chosen,
        arguments.channels.as_deref(),
        &arguments.judged.thresholds()?,
        against(&chosen, arguments)?,
        &floor,
    )?;
    content.title = arguments.title.clone();
    content.by = arguments.by.clone();
    let mut written = Vec::new();
    if let Some(post) = &arguments.markdown {
        for picture in report::pictures(&content, post)? {
            is_free(&picture, arguments.force)?;
        }
        written.extend(report::write_markdown(&content, post)?);
    }
    if let Some(page) = page {
        report::write_html(&content, &page)?;
        written.push(page);
    }
    for path in written {
        output::print(&format!("Written: {}\n", path.display()))?;
    }
    Ok(())
}

/// The HTML file, where one is asked for, and the antennas named.
fn files_and_antennas(arguments: &Arguments) -> Result<(Option<PathBuf>, &[String]), Failure> {
    let is_page = |word: &String| report::check_ending(Path::new(word), false).is_ok();
    match arguments.words.split_first() {
        Some((first, antennas)) if is_page(first) => Ok((Some(PathBuf::from(first)), antennas)),
        _ if arguments.markdown.is_some() => Ok((None, &arguments.words)),
        Some((first, _)) => Err(Failure::usage(format!(
            "{first}: name the file to write first, ending in .html, then the antennas; or write Markdown with --markdown \
             OUT.md"
        ))),
        None => Err(Failure::usage(
            "name the file to write, such as gain.html, or write Markdown with --markdown gain.md",
        )),
    }
}

/// A file that is there already is somebody's.
fn is_free(path: &Path, force: bool) -> Result<(), Failure> {
    if path.exists() && !force {
        return Err(Failure::Failed(format!(
            "{}: is there already: choose another name, or replace it with --force",
            path.display()
        )));
    }
    Ok(())
}

/// Antennas and the spot at which they are compared.
struct Chosen {
    antennas: Vec<String>,
    spot: String,
}

/// The antennas named, or the only two at the spot.
fn choose(logbook: &Logbook, named: &[String], spot: Option<&str>) -> Result<Chosen, Failure> {
    if let Some(spot) = spot {
        logbook.check_spot(spot)?;
    }
    for antenna in named {
        logbook.check_antenna(antenna)?;
    }
    let antennas = match named {
        [] => the_only_two(logbook, spot)?,
        [one] => {
            return Err(Failure::usage(format!(
                "{one:?} needs another antenna to be compared with: name two, or none where the logbook has just two"
            )));
        }
        several => several.to_vec(),
    };
    let spot = match spot {
        Some(spot) => spot.to_owned(),
        None => shared_spot(logbook, &antennas)?,
    };
    Ok(Chosen { antennas, spot })
}

/// The two antennas of the logbook, or of the spot, the one taken first as A.
fn the_only_two(logbook: &Logbook, spot: Option<&str>) -> Result<Vec<String>, Failure> {
    let entries = logbook.list(&Filter {
        spot: spot.map(str::to_owned),
        ..Filter::default()
    })?;
    let mut antennas: Vec<String> = Vec::new();
    for Entry {
        antenna, bearing, ..
    } in entries
    {
        // One that was only turned round is compared with nothing.
        if bearing.is_none() && !antennas.contains(&antenna) {
            antennas.push(antenna);
        }
    }
    let place = spot.map_or_else(
        || "the logbook".to_owned(),
        |spot| format!("the logbook at {spot:?}"),
    );
    match antennas.as_slice() {
        [_, _] => Ok(antennas),
        [] => Err(Failure::Failed(format!(
            "{place} holds no take: make some with gainsay take"
        ))),
        [one] => Err(Failure::Failed(format!(
            "{place} holds takes of {one:?} alone: take another antenna at the same spot to compare it with"
        ))),
        [a, b, ..] => Err(Failure::usage(format!(
            "{place} holds {}: name those to report, such as gainsay report OUT.html {a:?} {b:?}",
            antennas
                .iter()
                .map(|name| format!("{name:?}"))
                .collect::<Vec<_>>()
                .join(", "),
        ))),
    }
}

/// Writes the report of two antennas at a spot, in the place of what is there.
pub fn write(
    logbook: &Logbook,
    antennas: [&str; 2],
    spot: &str,
    floor: &FloorPlan,
    path: &Path,
) -> Result<(), Failure> {
    let chosen = Chosen {
        antennas: antennas.map(String::from).to_vec(),
        spot: spot.to_owned(),
    };
    let content = content(
        logbook,
        &chosen,
        None,
        &Thresholds::default(),
        Against::Reference(1),
        floor,
    )?;
    report::write_html(&content, path)?;
    Ok(())
}

/// The takes chosen, compared.
fn content(
    logbook: &Logbook,
    chosen: &Chosen,
    channels: Option<&str>,
    thresholds: &Thresholds,
    against: Against,
    floor: &FloorPlan,
) -> Result<Content, Failure> {
    let (mut takes, mut remarks) = (Vec::new(), Vec::new());
    for antenna in &chosen.antennas {
        let (own, said) = takes_and_remarks(logbook, antenna, &chosen.spot, channels, thresholds)?;
        takes.push(own);
        remarks.extend(said.iter().map(|remark| format!("{remark}.")));
    }
    let (options, now) = (Options::default(), Timestamp::now());
    let mut content = match <[Vec<Take>; 2]>::try_from(takes) {
        Ok([a, b]) => Content::of_two(compare::compare(&a, &b, &options)?, a, b, now),
        Err(takes) => {
            let many = compare::compare_many(&takes, against, &options)?;
            Content::of_several(many, takes, now)
        }
    };
    for compared in &mut content.compared {
        compared.spectrum = spectrum(logbook, &content.takes, &compared.comparison)?;
    }
    further::add(logbook, &mut content, &chosen.spot, thresholds, floor)?;
    Ok(Content { remarks, ..content })
}

fn against(chosen: &Chosen, arguments: &Arguments) -> Result<Against, Failure> {
    let antennas = &chosen.antennas;
    if antennas.len() == 2 && (arguments.all_pairs || arguments.reference.is_some()) {
        return Err(Failure::usage(
            "--reference and --all-pairs go with three antennas or more",
        ));
    }
    let reference = match &arguments.reference {
        None => antennas.len() - 1,
        Some(wanted) => antennas
            .iter()
            .position(|antenna| antenna == wanted)
            .ok_or_else(|| {
                Failure::usage(format!(
                    "--reference {wanted:?} is none of the antennas named"
                ))
            })?,
    };
    Ok(match arguments.all_pairs {
        true => Against::AllPairs { reference },
        false => Against::Reference(reference),
    })
}

/// The spectra of the last take of either antenna.
fn spectrum(
    logbook: &Logbook,
    takes: &[Vec<Take>],
    comparison: &Comparison,
) -> Result<Option<Svg>, Failure> {
    let trace = |antenna: &str| -> Result<Option<Trace>, Failure> {
        let last =
            (takes.iter().filter_map(|takes| takes.last())).find(|take| take.antenna == antenna);
        let whole = last.and_then(|take| take.id).map(|id| logbook.take(id));
        Ok(whole.transpose()?.and_then(|take| take.spectrum))
    };
    let (Some(a), Some(b)) = (trace(&comparison.a)?, trace(&comparison.b)?) else {
        return Ok(None);
    };
    let line = |name, trace| DrawnLine { name, trace };
    let (a, b) = (line(&comparison.a, &a), line(&comparison.b, &b));
    Ok(Some(draw::spectrum(a, Some(b), None, &bands(comparison))?))
}
