//! `gainsay report`: the answer to publish, as one HTML file or as Markdown with pictures.

use std::path::{Path, PathBuf};

use clap::Args;
use gainsay::channels::Plan;
use gainsay::compare::{self, Options};
use gainsay::draw::{self, Line as DrawnLine};
use gainsay::logbook::{Entry, Filter, Logbook};
use gainsay::reading::Take;
use gainsay::report::{self, Compared, Content};
use jiff::Timestamp;

use super::input::LogArguments;
use super::{Failure, compare as compare_command, output};

/// Write a report to publish: one HTML file that needs nothing else, or Markdown for a forum with pictures beside it.
///
/// It says what was compared, where, when and with what, the answer in plain words, plots, tables, what the uncertainty is made
/// of and how it was measured, and holds the takes themselves, so that others can compare them again.
#[derive(Debug, Args)]
#[command(
    override_usage = "gainsay report [OPTIONS] OUT.html [A B]\n       gainsay report [OPTIONS] --markdown OUT.md [A B]",
    after_help = "Examples:\n  \
    gainsay report gain.html \"tape loop\" \"rabbit ears\" --spot \"north window\" --by \"J. Doe\"\n  \
    gainsay report --markdown gain.md\n\n\
    Where no antennas are named and the logbook has two at the spot, these are compared, the one taken first as A."
)]
pub struct Arguments {
    /// File to write, ending in .html, then the antennas in the logbook: A, and B to compare it with.
    #[arg(value_name = "OUT.html A B")]
    words: Vec<String>,
    /// Write Markdown for a forum into this file, and a picture beside it for each plot.
    #[arg(long, value_name = "OUT.md")]
    markdown: Option<PathBuf>,
    /// The spot of the takes [default: the only one that both antennas were at].
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
    /// Replace files that are there already.
    #[arg(long)]
    force: bool,
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
    let logbook = Logbook::open_existing(&arguments.log.path()?)?;
    let chosen = choose(&logbook, antennas, arguments.spot.as_deref())?;
    let content = Content {
        title: arguments.title.clone(),
        by: arguments.by.clone(),
        made_at: Timestamp::now(),
        compared: compared(&logbook, &chosen, arguments)?,
        further: Vec::new(),
    };
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

/// Two antennas and the spot at which they are compared.
struct Chosen {
    antennas: [String; 2],
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
        [a, b] => [a.clone(), b.clone()],
        [] => the_only_two(logbook, spot)?,
        [one] => {
            return Err(Failure::usage(format!(
                "{one:?} needs another antenna to be compared with: name two, or none where the logbook has just two"
            )));
        }
        more => {
            return Err(Failure::usage(format!(
                "{} antennas are named: a report compares two",
                more.len()
            )));
        }
    };
    let spot = match spot {
        Some(spot) => spot.to_owned(),
        None => compare_command::shared_spot(logbook, &antennas)?,
    };
    Ok(Chosen { antennas, spot })
}

/// The two antennas of the logbook, or of the spot, the one taken first as A.
fn the_only_two(logbook: &Logbook, spot: Option<&str>) -> Result<[String; 2], Failure> {
    let entries = logbook.list(&Filter {
        spot: spot.map(str::to_owned),
        ..Filter::default()
    })?;
    let mut antennas: Vec<&str> = Vec::new();
    for Entry { antenna, .. } in &entries {
        if !antennas.contains(&antenna.as_str()) {
            antennas.push(antenna);
        }
    }
    let place = spot.map_or_else(
        || "the logbook".to_owned(),
        |spot| format!("the logbook at {spot:?}"),
    );
    match antennas.as_slice() {
        [a, b] => Ok([(*a).to_owned(), (*b).to_owned()]),
        [] => Err(Failure::Failed(format!(
            "{place} holds no take: make some with gainsay take"
        ))),
        [one] => Err(Failure::Failed(format!(
            "{place} holds takes of {one:?} alone: take another antenna at the same spot to compare it with"
        ))),
        several => Err(Failure::usage(format!(
            "{place} holds {}: name two of them, such as gainsay report OUT.html {:?} {:?}",
            several
                .iter()
                .map(|name| format!("{name:?}"))
                .collect::<Vec<_>>()
                .join(", "),
            several[0],
            several[1]
        ))),
    }
}

fn compared(
    logbook: &Logbook,
    chosen: &Chosen,
    arguments: &Arguments,
) -> Result<Compared, Failure> {
    let [(takes_a, left_out_a), (takes_b, left_out_b)] = [&chosen.antennas[0], &chosen.antennas[1]]
        .map(|antenna| {
            takes_of(
                logbook,
                antenna,
                &chosen.spot,
                arguments.channels.as_deref(),
            )
        })
        .into_iter()
        .collect::<Result<Vec<_>, Failure>>()?
        .try_into()
        .unwrap_or_else(|_| unreachable!("two antennas have two lists of takes"));
    let comparison = compare::compare(&takes_a, &takes_b, &Options::default())?;
    let last = |takes: &[Take]| takes.last().and_then(|take| take.id);
    let whole = |id: Option<i64>| id.map(|id| logbook.take(id)).transpose();
    let (last_a, last_b) = (whole(last(&takes_a))?, whole(last(&takes_b))?);
    let trace = |take: &Option<Take>| take.as_ref().and_then(|take| take.spectrum.clone());
    let spectrum = match (trace(&last_a), trace(&last_b)) {
        (Some(a), Some(b)) => {
            let line = |name, trace| DrawnLine { name, trace };
            let bands = compare_command::bands(&comparison);
            Some(draw::spectrum(
                line(&comparison.a, &a),
                Some(line(&comparison.b, &b)),
                None,
                &bands,
            )?)
        }
        _ => None,
    };
    Ok(Compared {
        comparison,
        takes_a,
        takes_b,
        spectrum,
        remarks: left_out_a.into_iter().chain(left_out_b).collect(),
    })
}

/// The takes of an antenna at the spot, narrowed to the channels asked for, and what was left out.
fn takes_of(
    logbook: &Logbook,
    antenna: &str,
    spot: &str,
    channels: Option<&str>,
) -> Result<(Vec<Take>, Option<String>), Failure> {
    let mut takes = logbook.load(&Filter {
        antenna: Some(antenna.to_owned()),
        spot: Some(spot.to_owned()),
        deleted: false,
    })?;
    if takes.is_empty() {
        return Err(Failure::Failed(format!(
            "there is no take of {antenna:?} at {spot:?}: make one with gainsay take"
        )));
    }
    let twins = compare::leave_out_twins(&mut takes);
    if let Some(choice) = channels {
        for take in &mut takes {
            let plan = Plan::find(&take.settings.plan)?;
            let chosen = plan.choose(choice).map_err(Failure::usage)?;
            take.readings
                .retain(|reading| chosen.iter().any(|channel| channel.id == reading.channel));
        }
    }
    let left_out = (twins > 0).then(|| {
        format!("{twins} take(s) of {antenna} are in the logbook more than once; each counts once.")
    });
    Ok((takes, left_out))
}
