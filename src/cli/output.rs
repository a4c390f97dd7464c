//! Formats of output, and writing it where somebody may have stopped reading.

use std::io::{self, ErrorKind, Write};

use clap::ValueEnum;
use serde::Serialize;

use super::Failure;

/// How to print a result.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, ValueEnum)]
pub enum Format {
    /// For people.
    #[default]
    Table,
    /// For spreadsheets: the same numbers under the same names.
    Csv,
    /// For programs: the same numbers under the same names.
    Json,
}

/// Writes text to standard output.
pub fn print(text: &str) -> Result<(), Failure> {
    let mut out = io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Ok(()) => Ok(()),
        Err(error) if error.kind() == ErrorKind::BrokenPipe => Err(Failure::NobodyReads),
        Err(error) => Err(Failure::Failed(format!(
            "standard output can't be written: {error}"
        ))),
    }
}

/// Lets `write` write to standard output as it goes; whatever it says, a reader who has gone is no failure.
pub fn stream(write: impl FnOnce(&mut dyn Write) -> Result<(), Failure>) -> Result<(), Failure> {
    let mut out = Watched {
        out: io::stdout().lock(),
        nobody_reads: false,
    };
    let result = write(&mut out);
    if out.nobody_reads {
        return Err(Failure::NobodyReads);
    }
    result
}

/// Standard output that remembers whether its reader has gone: libraries wrap the error until it can't be told.
struct Watched<'o> {
    out: io::StdoutLock<'o>,
    nobody_reads: bool,
}

impl Watched<'_> {
    fn watch<T>(&mut self, result: io::Result<T>) -> io::Result<T> {
        self.nobody_reads |= result
            .as_ref()
            .is_err_and(|error| error.kind() == ErrorKind::BrokenPipe);
        result
    }
}

impl Write for Watched<'_> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let result = self.out.write(bytes);
        self.watch(result)
    }

    fn flush(&mut self) -> io::Result<()> {
        let result = self.out.flush();
        self.watch(result)
    }
}

/// Writes a value to standard output as JSON.
pub fn print_json(value: &impl Serialize) -> Result<(), Failure> {
    let mut text = serde_json::to_string_pretty(value)?;
    text.push('\n');
    print(&text)
}

/// Writes rows to standard output as CSV; the first row holds the names of the columns.
pub fn print_csv(rows: impl IntoIterator<Item = Vec<String>>) -> Result<(), Failure> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    for row in rows {
        writer.write_record(&row)?;
    }
    let bytes = writer
        .into_inner()
        .map_err(|error| Failure::Failed(error.to_string()))?;
    print(&String::from_utf8_lossy(&bytes))
}

/// A sentence for the user beside the result, on standard error.
pub fn remark(text: &str) {
    let _ = writeln!(io::stderr(), "gainsay: {text}");
}
