//! Opening a logbook's file: making it, refusing what is none, and reading it where it can't be written.

use std::fs;
use std::io::{self, Read};
use std::path::{Path, PathBuf};
use std::thread;
use std::time::{Duration, Instant};

use rusqlite::{Connection, ErrorCode, MAIN_DB, OpenFlags};

use super::LogbookError;
use super::error::one_line;
use super::schema::{self, Kind, MIGRATIONS};

/// What the caller needs of the file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Need {
    /// To write: the file and its folder are made where there are none.
    Write,
    /// To read, and to write if it can be done: a missing file stays missing.
    Read,
}

/// How long to wait between two tries at a file that another program holds.
const BETWEEN_TRIES: Duration = Duration::from_millis(5);

/// Opens the file, brings it up to date, and returns it with its absolute path.
///
/// SQLite waits by itself where it can; where two programs make one file at once, it may find that waiting would never
/// end (each holds what the other wants) and give up on the spot. So the whole is tried again until `patience` is over.
/// Source: SQLite, "sqlite3_busy_handler".
pub(super) fn open(
    path: &Path,
    need: Need,
    patience: Duration,
) -> Result<(PathBuf, Connection), LogbookError> {
    // Absolute, because SQLite gives a few relative names (":memory:") a meaning of their own.
    let path = std::path::absolute(path).map_err(|error| {
        LogbookError::unusable(path, format!("names no file ({})", one_line(error)))
    })?;
    let begun = Instant::now();
    let connection = loop {
        let left = patience.saturating_sub(begun.elapsed());
        match try_to_open(&path, need, left) {
            Err(LogbookError::Busy { .. }) if left > BETWEEN_TRIES => thread::sleep(BETWEEN_TRIES),
            other => break other?,
        }
    };
    (connection.busy_timeout(patience)).map_err(|error| LogbookError::from_sqlite(&path, error))?;
    Ok((path, connection))
}

fn try_to_open(path: &Path, need: Need, patience: Duration) -> Result<Connection, LogbookError> {
    inspect(path, need)?;
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let flags = if need == Need::Write {
        flags | OpenFlags::SQLITE_OPEN_CREATE
    } else {
        flags
    };
    let connection = match open_with(path, flags, patience) {
        Err(error) if need == Need::Read && unwritable(&error) => open_unchanging(path, patience)?,
        other => other.map_err(|error| explain(path, error))?,
    };
    prepare(path, connection, need)
}

/// Refuses what can't be a logbook before SQLite sees it, and makes the folder where one is needed.
fn inspect(path: &Path, need: Need) -> Result<(), LogbookError> {
    match fs::metadata(path) {
        Ok(there) if there.is_dir() => Err(LogbookError::unusable(
            path,
            "is a folder: name a file in it",
        )),
        // A device or a pipe would swallow the takes.
        Ok(there) if !there.is_file() => Err(LogbookError::unusable(
            path,
            "is no ordinary file: name another",
        )),
        Ok(there) => check_head(path, there.len()),
        Err(error) if error.kind() == io::ErrorKind::NotFound && need == Need::Read => {
            Err(LogbookError::Absent {
                path: one_line(path.display()),
            })
        }
        Err(error) if error.kind() == io::ErrorKind::NotFound => {
            let folder = path.parent().unwrap_or(path);
            fs::create_dir_all(folder).map_err(|error| match error.kind() {
                io::ErrorKind::StorageFull => LogbookError::DiskFull {
                    path: one_line(path.display()),
                },
                _ => LogbookError::unusable(
                    path,
                    format!(
                        "its folder can't be made ({}): use another place",
                        one_line(error)
                    ),
                ),
            })
        }
        Err(error) => Err(LogbookError::unusable(
            path,
            format!("can't be reached ({}): use another place", one_line(error)),
        )),
    }
}

/// The first bytes of every SQLite file. Source: SQLite, "Database File Format", section 1.3.
const MAGIC: &[u8; 16] = b"SQLite format 3\0";

/// SQLite takes some files for empty ones that are not (a page of zeros, say), and would write over them. A file that
/// a journal stands beside was cut off while it was being made, and SQLite can mend that.
fn check_head(path: &Path, length: u64) -> Result<(), LogbookError> {
    if length == 0 || beside(path, "-journal").exists() {
        return Ok(());
    }
    let mut head = [0; MAGIC.len()];
    match fs::File::open(path).and_then(|mut file| file.read_exact(&mut head)) {
        Ok(()) if head == *MAGIC => Ok(()),
        Err(error) if error.kind() != io::ErrorKind::UnexpectedEof => Err(LogbookError::unusable(
            path,
            format!(
                "can't be read ({}): ask its owner, or use another logbook",
                one_line(error)
            ),
        )),
        _ => Err(LogbookError::unusable(
            path,
            "is no logbook (no SQLite file): name another file",
        )),
    }
}

/// The file that SQLite keeps beside this one under this ending.
fn beside(path: &Path, ending: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(ending);
    PathBuf::from(name)
}

/// Opens and reads the head, so that a file that can't be read fails here.
fn open_with(path: &Path, flags: OpenFlags, patience: Duration) -> rusqlite::Result<Connection> {
    let connection = Connection::open_with_flags(path, flags)?;
    connection.busy_timeout(patience)?;
    schema::kind(&connection)?;
    Ok(connection)
}

/// Whether SQLite failed because it can make no file beside this one: no permission, or no room.
fn unwritable(error: &rusqlite::Error) -> bool {
    use ErrorCode::{CannotOpen, DiskFull, ReadOnly, SystemIoFailure};
    matches!(
        error.sqlite_error_code(),
        Some(CannotOpen | DiskFull | ReadOnly | SystemIoFailure)
    )
}

/// Opens a file in a place where SQLite can make no file beside it. That is safe only where no take waits in such a
/// file already.
fn open_unchanging(path: &Path, patience: Duration) -> Result<Connection, LogbookError> {
    if fs::metadata(beside(path, "-wal")).is_ok_and(|waiting| waiting.len() > 0) {
        return Err(LogbookError::unusable(
            path,
            "can't be read here, since its newest takes are in the -wal file beside it and this folder can't be written \
             to: copy both files to a folder of your own",
        ));
    }
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY
        | OpenFlags::SQLITE_OPEN_NO_MUTEX
        | OpenFlags::SQLITE_OPEN_URI;
    open_with(Path::new(&unchanging_uri(path)), flags, patience)
        .map_err(|error| explain(path, error))
}

/// The path as a URI that tells SQLite that nobody writes to the file. Source: SQLite, "URI Filenames".
fn unchanging_uri(path: &Path) -> String {
    use std::fmt::Write;
    let mut uri = String::from("file://");
    let bytes = path.as_os_str().as_encoded_bytes();
    if bytes.first() != Some(&b'/') {
        uri.push('/');
    }
    for &byte in bytes {
        match byte {
            b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'/' | b'-' | b'_' | b'.' | b'~' | b':' => {
                uri.push(byte as char)
            }
            b'\\' if cfg!(windows) => uri.push('/'),
            _ => {
                let _ = write!(uri, "%{byte:02X}");
            }
        }
    }
    uri + "?immutable=1"
}

/// SQLite says only that it can't open a file; the system knows why.
fn explain(path: &Path, error: rusqlite::Error) -> LogbookError {
    if error.sqlite_error_code() == Some(ErrorCode::CannotOpen) {
        let there = path.exists();
        let mut how = fs::OpenOptions::new();
        match how.read(true).write(true).create_new(!there).open(path) {
            Ok(_) if there => {}
            Ok(_) => {
                let _ = fs::remove_file(path);
            }
            Err(reason) => {
                let what = if there {
                    "can't be opened"
                } else {
                    "can't be made"
                };
                let reason = one_line(reason);
                return LogbookError::unusable(
                    path,
                    format!(
                        "{what} ({reason}): change the permissions of the file or its folder, or use another place"
                    ),
                );
            }
        }
    }
    LogbookError::from_sqlite(path, error)
}

/// Checks whose file it is and brings it up to date.
///
/// Write-ahead log, `synchronous` FULL: a take is kept when the log that holds it has reached the disk, so that
/// `append` means what it returns even when the power fails, not only when the program is killed. NORMAL would save
/// one flush a take, some milliseconds against the seconds that a take lasts. Where the file system can't share
/// memory, SQLite stays with its rollback journal, which is as safe.
fn prepare(
    path: &Path,
    mut connection: Connection,
    need: Need,
) -> Result<Connection, LogbookError> {
    let fault = |error| LogbookError::from_sqlite(path, error);
    let kind = schema::kind(&connection).map_err(fault)?;
    let known = MIGRATIONS.len() as i64;
    match kind {
        Kind::Foreign => {
            return Err(LogbookError::unusable(
                path,
                "belongs to another program: name another file",
            ));
        }
        Kind::Logbook(found) if found > known => {
            return Err(LogbookError::NewerSchema {
                path: one_line(path.display()),
                found,
                known,
            });
        }
        Kind::Logbook(_) | Kind::Empty => {}
    }
    let current = kind == Kind::Logbook(known);
    if connection.is_readonly(MAIN_DB).map_err(fault)? {
        return if need == Need::Write {
            Err(LogbookError::ReadOnly {
                path: one_line(path.display()),
            })
        } else if !current {
            Err(LogbookError::unusable(
                path,
                "is of an older version and can't be brought up to date here: copy it to a folder that you may write to",
            ))
        } else {
            Ok(connection)
        };
    }
    connection
        .query_row("PRAGMA journal_mode = WAL", [], |_| Ok(()))
        .map_err(fault)?;
    connection
        .execute_batch("PRAGMA synchronous = FULL; PRAGMA foreign_keys = ON;")
        .map_err(fault)?;
    if !current {
        schema::migrate(&mut connection, MIGRATIONS).map_err(fault)?;
    }
    Ok(connection)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    #[cfg(unix)]
    fn a_uri_names_the_same_file_whatever_its_letters() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a%41?b#c d&é.sqlite");
        Connection::open(&path)
            .unwrap()
            .execute_batch("CREATE TABLE t (x); INSERT INTO t VALUES (7);")
            .unwrap();
        let connection = open_unchanging(&path, Duration::ZERO).unwrap();
        assert_eq!(
            connection
                .query_row("SELECT x FROM t", [], |row| row.get::<_, i64>(0))
                .unwrap(),
            7
        );
    }
}
