//! `gainsay log`: list, show, export, import, annotate and delete takes.

use std::fs::{self, File};
use std::io::{self, BufReader, BufWriter, IsTerminal, Write};
use std::path::{Path, PathBuf};

use clap::{Args, Subcommand};
use gainsay::channels::Thresholds;
use gainsay::logbook::transfer::{export_csv, export_json};
use gainsay::logbook::{Entry, Filter, Logbook};
use gainsay::reading::State;
use jiff::Timestamp;

use super::input::{LogArguments, PlaceArguments, ThresholdArguments};
use super::output::{self, Format};
use super::table::{Set, cell, table};
use super::{Failure, readings};

/// List the takes in the logbook, or show, export, import, annotate and delete them.
#[derive(Debug, Args)]
#[command(
    args_conflicts_with_subcommands = true,
    after_help = "Example:\n  \
    gainsay log --antenna \"tape loop\"\n  gainsay log show 12\n  gainsay log export --format csv --out takes.csv"
)]
pub struct Arguments {
    #[command(subcommand)]
    command: Option<Command>,
    #[command(flatten)]
    list: ListArguments,
}

#[derive(Debug, Args)]
struct ListArguments {
    #[command(flatten)]
    log: LogArguments,
    #[command(flatten)]
    filter: FilterArguments,
    /// List deleted takes too.
    #[arg(long)]
    deleted: bool,
    /// How to print.
    #[arg(long, value_enum, default_value_t)]
    format: Format,
}

#[derive(Debug, Args)]
struct FilterArguments {
    /// Only takes of this antenna.
    #[arg(long, value_name = "NAME")]
    antenna: Option<String>,
    /// Only takes at this spot.
    #[arg(long, value_name = "NAME")]
    spot: Option<String>,
}

impl FilterArguments {
    /// The takes asked for; a name that no take bears is an error that suggests the nearest.
    fn filter(&self, logbook: &Logbook, deleted: bool) -> Result<Filter, Failure> {
        if let Some(antenna) = &self.antenna {
            logbook.check_antenna(antenna)?;
        }
        if let Some(spot) = &self.spot {
            logbook.check_spot(spot)?;
        }
        Ok(Filter {
            antenna: self.antenna.clone(),
            spot: self.spot.clone(),
            deleted,
        })
    }
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Show one take with all its channels.
    #[command(after_help = "Example:\n  gainsay log show 12 --format json")]
    Show {
        /// Number of the take.
        id: i64,
        #[command(flatten)]
        judged: ThresholdArguments,
        #[command(flatten)]
        log: LogArguments,
        /// How to print.
        #[arg(long, value_enum, default_value_t)]
        format: Format,
    },
    /// Write takes as JSON (lossless) or CSV (a row a channel, without spectra, tunings and gain checks).
    #[command(after_help = "Example:\n  gainsay log export --format json --out takes.json")]
    Export {
        #[command(flatten)]
        log: LogArguments,
        #[command(flatten)]
        filter: FilterArguments,
        /// csv or json.
        #[arg(long, value_enum, default_value = "json")]
        format: Format,
        /// File to write [default: standard output].
        #[arg(long, value_name = "FILE")]
        out: Option<PathBuf>,
    },
    /// Take in what `log export` wrote; takes that are there already are passed over.
    #[command(after_help = "Example:\n  gainsay log import takes.json")]
    Import {
        /// File to read: .json or .csv.
        file: PathBuf,
        #[command(flatten)]
        log: LogArguments,
    },
    /// Replace a take's note.
    #[command(after_help = "Example:\n  gainsay log note 12 \"with the new transformer\"")]
    Note {
        /// Number of the take.
        id: i64,
        /// The new note.
        text: String,
        #[command(flatten)]
        log: LogArguments,
    },
    /// Add to a take, or correct, where it stood or what a television's scan found.
    #[command(after_help = "Example:\n  gainsay log amend 12 --at 1.2,3.4 --scan-count 31")]
    Amend {
        /// Number of the take.
        id: i64,
        #[command(flatten)]
        place: PlaceArguments,
        #[command(flatten)]
        log: LogArguments,
    },
    /// Delete a take; `log restore` brings it back until `log purge`.
    #[command(after_help = "Example:\n  gainsay log delete 12")]
    Delete {
        /// Number of the take.
        id: i64,
        #[command(flatten)]
        log: LogArguments,
        /// Don't ask.
        #[arg(long)]
        yes: bool,
    },
    /// Bring a deleted take back.
    #[command(after_help = "Example:\n  gainsay log restore 12")]
    Restore {
        /// Number of the take.
        id: i64,
        #[command(flatten)]
        log: LogArguments,
    },
    /// Remove deleted takes for good.
    #[command(after_help = "Example:\n  gainsay log purge")]
    Purge {
        #[command(flatten)]
        log: LogArguments,
        /// Don't ask.
        #[arg(long)]
        yes: bool,
    },
}

pub fn run(arguments: &Arguments) -> Result<(), Failure> {
    let Some(command) = &arguments.command else {
        return list(&arguments.list);
    };
    match command {
        Command::Show {
            id,
            judged,
            log,
            format,
        } => show(*id, &judged.thresholds()?, &existing(log)?, *format),
        Command::Export {
            log,
            filter,
            format,
            out,
        } => export(&existing(log)?, filter, *format, out.as_deref()),
        Command::Import { file, log } => import(file, &log.path()?),
        Command::Note { id, text, log } => {
            existing(log)?.note(*id, text)?;
            output::print(&format!("Take {id} has a new note.\n"))
        }
        Command::Amend { id, place, log } => {
            let (position, scan_count) = (place.position(), place.scan_count);
            if position.is_none() && scan_count.is_none() {
                return Err(Failure::usage(
                    "nothing to amend: give --at X,Y (with --height, where you like), --scan-count COUNT, or both",
                ));
            }
            existing(log)?.amend(*id, position, scan_count)?;
            output::print(&format!("Take {id} is amended.\n"))
        }
        Command::Delete { id, log, yes } => {
            let mut logbook = existing(log)?;
            let take = logbook.take(*id)?;
            let what = format!(
                "Delete take {id} ({} at {}, {})?",
                take.antenna, take.spot, take.taken_at
            );
            if !agreed(&what, *yes)? {
                return output::print("Nothing was deleted.\n");
            }
            logbook.delete(*id, Timestamp::now())?;
            output::print(&format!(
                "Take {id} is deleted; `gainsay log restore {id}` brings it back until a purge.\n"
            ))
        }
        Command::Restore { id, log } => {
            existing(log)?.restore(*id)?;
            output::print(&format!("Take {id} is back.\n"))
        }
        Command::Purge { log, yes } => {
            let mut logbook = existing(log)?;
            let deleted = logbook.list(&Filter {
                deleted: true,
                ..Filter::default()
            })?;
            let count = deleted
                .iter()
                .filter(|entry| entry.deleted_at.is_some())
                .count();
            if count == 0 {
                return output::print("There are no deleted takes.\n");
            }
            if !agreed(&format!("Remove {count} deleted take(s) for good?"), *yes)? {
                return output::print("Nothing was removed.\n");
            }
            output::print(&format!("{} take(s) removed for good.\n", logbook.purge()?))
        }
    }
}

fn existing(log: &LogArguments) -> Result<Logbook, Failure> {
    Ok(Logbook::open_existing(&log.path()?)?)
}

/// Asks on the terminal; where there is none, only `--yes` agrees.
fn agreed(question: &str, yes: bool) -> Result<bool, Failure> {
    if yes {
        return Ok(true);
    }
    if !io::stdin().is_terminal() {
        return Err(Failure::usage(format!(
            "{question} Nobody is there to answer: add --yes"
        )));
    }
    let _ = write!(io::stderr(), "{question} [y/N] ");
    let mut answer = String::new();
    io::stdin().read_line(&mut answer)?;
    Ok(matches!(answer.trim().to_lowercase().as_str(), "y" | "yes"))
}

const COLUMNS: [&str; 18] = [
    "take",
    "taken_at",
    "antenna",
    "spot",
    "plan",
    "channels",
    "vacant",
    "trace",
    "brink",
    "firm",
    "x_m",
    "y_m",
    "height_m",
    "bearing_deg",
    "scan_count",
    "note",
    "source",
    "deleted_at",
];

fn list(arguments: &ListArguments) -> Result<(), Failure> {
    let logbook = existing(&arguments.log)?;
    let entries = logbook.list(&arguments.filter.filter(&logbook, arguments.deleted)?)?;
    let cells = |entry: &Entry| {
        let mut cells = vec![
            entry.id.to_string(),
            entry.taken_at.to_string(),
            entry.antenna.clone(),
            entry.spot.clone(),
            entry.plan.clone(),
            entry.channels.to_string(),
        ];
        cells.extend(entry.states.iter().map(ToString::to_string));
        let place = entry.position;
        let height_m = place.and_then(|place| place.height_m);
        let bearing_deg = entry.bearing.as_ref().map(|bearing| bearing.degrees);
        cells.extend([
            cell(place.map(|place| place.x_m)),
            cell(place.map(|place| place.y_m)),
            cell(height_m),
            cell(bearing_deg),
            cell(entry.scan_count),
        ]);
        cells.push(entry.note.clone());
        cells.push(entry.source.clone());
        cells.push(
            entry
                .deleted_at
                .map_or_else(String::new, |at| at.to_string()),
        );
        cells
    };
    match arguments.format {
        Format::Json => output::print_json(&entries.iter().map(Listed::from).collect::<Vec<_>>()),
        Format::Csv => {
            let head = COLUMNS.map(String::from).to_vec();
            output::print_csv(std::iter::once(head).chain(entries.iter().map(cells)))
        }
        Format::Table => {
            let mut rows: Vec<Vec<String>> = entries.iter().map(cells).collect();
            // What hardly any list has would only take room.
            let shown: Vec<bool> = (0..COLUMNS.len())
                .map(|index| match COLUMNS[index] {
                    "deleted_at" => arguments.deleted,
                    name if RARE.contains(&name) => rows.iter().any(|row| !row[index].is_empty()),
                    _ => true,
                })
                .collect();
            for row in &mut rows {
                let mut shown = shown.iter();
                row.retain(|_| shown.next().is_some_and(|shown| *shown));
            }
            let head: Vec<(&str, Set)> = (COLUMNS.iter().zip(&shown))
                .filter(|(_, shown)| **shown)
                .map(|(&name, _)| match name {
                    "taken_at" | "antenna" | "spot" | "plan" | "note" | "source" | "deleted_at" => {
                        (name, Set::Left)
                    }
                    _ => (name, Set::Right),
                })
                .collect();
            let takes = entries.len();
            output::print(&format!(
                "{}\n{takes} take(s) in {}\n",
                table(&head, rows),
                logbook.path().display()
            ))
        }
    }
}

/// Columns that the table leaves out where they are empty.
const RARE: [&str; 5] = ["x_m", "y_m", "height_m", "bearing_deg", "scan_count"];

/// An entry under the names of [`COLUMNS`].
#[derive(serde::Serialize)]
struct Listed<'e> {
    take: i64,
    taken_at: Timestamp,
    antenna: &'e str,
    spot: &'e str,
    plan: &'e str,
    channels: usize,
    vacant: usize,
    trace: usize,
    brink: usize,
    firm: usize,
    x_m: Option<f64>,
    y_m: Option<f64>,
    height_m: Option<f64>,
    bearing_deg: Option<f64>,
    scan_count: Option<u32>,
    note: &'e str,
    source: &'e str,
    deleted_at: Option<Timestamp>,
}

impl<'e> From<&'e Entry> for Listed<'e> {
    fn from(entry: &'e Entry) -> Listed<'e> {
        let count = |state: State| entry.states[state as usize];
        Listed {
            take: entry.id,
            taken_at: entry.taken_at,
            antenna: &entry.antenna,
            spot: &entry.spot,
            plan: &entry.plan,
            channels: entry.channels,
            vacant: count(State::Vacant),
            trace: count(State::Trace),
            brink: count(State::Brink),
            firm: count(State::Firm),
            x_m: entry.position.map(|place| place.x_m),
            y_m: entry.position.map(|place| place.y_m),
            height_m: entry.position.and_then(|place| place.height_m),
            bearing_deg: entry.bearing.as_ref().map(|bearing| bearing.degrees),
            scan_count: entry.scan_count,
            note: &entry.note,
            source: &entry.source,
            deleted_at: entry.deleted_at,
        }
    }
}

fn show(
    id: i64,
    thresholds: &Thresholds,
    logbook: &Logbook,
    format: Format,
) -> Result<(), Failure> {
    let mut take = logbook.take(id)?;
    take.judge_anew(thresholds);
    match format {
        Format::Json => output::print_json(&readings::as_json(&take)),
        Format::Csv => {
            let mut bytes = Vec::new();
            export_csv([Ok(take)], &mut bytes)?;
            output::print(&String::from_utf8_lossy(&bytes))
        }
        Format::Table => {
            let text = readings::heading(&take, Some(logbook)) + &readings::readings(&take);
            output::print(&(text + &readings::footing(&take)))
        }
    }
}

fn export(
    logbook: &Logbook,
    filter: &FilterArguments,
    format: Format,
    out: Option<&Path>,
) -> Result<(), Failure> {
    let filter = filter.filter(logbook, false)?;
    let takes = logbook.takes(&filter)?;
    let write = |writer: &mut dyn Write| match format {
        Format::Json => export_json(takes, writer),
        Format::Csv => export_csv(takes, writer),
        Format::Table => Ok(()),
    };
    if format == Format::Table {
        return Err(Failure::usage(
            "an export is csv or json: choose one with --format",
        ));
    }
    match out {
        None => output::stream(|out| {
            let mut writer = BufWriter::new(out);
            write(&mut writer)?;
            writer.flush()?;
            Ok(())
        }),
        Some(path) => {
            // Under another name until it is whole: a full disk leaves no half of an export.
            let partial = path.with_extension("partial");
            let failed = |error: &dyn std::fmt::Display| {
                let _ = fs::remove_file(&partial);
                Failure::Failed(format!("{}: can't be written: {error}", path.display()))
            };
            let file = File::create(&partial).map_err(|error| failed(&error))?;
            let mut writer = BufWriter::new(file);
            write(&mut writer).map_err(|error| failed(&error))?;
            writer.flush().map_err(|error| failed(&error))?;
            fs::rename(&partial, path).map_err(|error| failed(&error))?;
            output::print(&format!("Written: {}\n", path.display()))
        }
    }
}

fn import(file: &Path, log: &Path) -> Result<(), Failure> {
    let name = file.display().to_string();
    let ending = file
        .extension()
        .and_then(|ending| ending.to_str())
        .map(str::to_lowercase);
    let as_json = match ending.as_deref() {
        Some("json") => true,
        Some("csv") => false,
        _ => {
            return Err(Failure::usage(format!(
                "{name}: an import ends in .json or .csv"
            )));
        }
    };
    let source = File::open(file)
        .map_err(|error| Failure::Failed(format!("{name}: can't be read: {error}")))?;
    let reader = BufReader::new(source);
    let mut logbook = Logbook::open(log)?;
    let imported = match as_json {
        true => logbook.import_json(&name, reader)?,
        false => logbook.import_csv(&name, reader)?,
    };
    output::print(&format!(
        "{} new take(s), {} known already\n",
        imported.new, imported.known
    ))
}
