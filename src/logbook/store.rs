//! Keeping takes and getting them back.

use jiff::Timestamp;
use rusqlite::types::ValueRef;
use rusqlite::{OptionalExtension, Row, Transaction, TransactionBehavior, params};

use super::columns::{self, Reader};
use super::error::one_line;
use super::fingerprint::fingerprint;
use super::names::ranges;
use super::rows::{PLACED, bearing, heads, insert, position, sortable, timestamp, whole};
use super::{Entry, Filter, Imported, Logbook, LogbookError, check, transfer};
use crate::reading::{Position, Take};

/// Takes that match; `?1` antenna, `?2` spot, `?3` deleted ones too. Absent parameters match all.
const MATCHING: &str = "WHERE (?1 IS NULL OR antenna = ?1) AND (?2 IS NULL OR spot = ?2) \
                        AND (?3 OR deleted_at IS NULL) ORDER BY taken_at, id";

impl Logbook {
    /// Keeps a take in one transaction and returns its number. The number it carries, if any, is not used.
    ///
    /// # Errors
    /// [`LogbookError::BadTake`] where it can't be kept as it is; [`LogbookError::DiskFull`] and the like where the
    /// file can't be written. Nothing is kept then, and nothing lost.
    pub fn append(&mut self, take: &Take) -> Result<i64, LogbookError> {
        self.append_all(std::iter::once(take)).map(|ids| ids[0])
    }

    /// Keeps several takes in one transaction, all or none, and returns their numbers.
    ///
    /// # Errors
    /// As [`Logbook::append`].
    pub fn append_all<'a>(
        &mut self,
        takes: impl IntoIterator<Item = &'a Take>,
    ) -> Result<Vec<i64>, LogbookError> {
        let path = &self.path;
        let fault = |error| LogbookError::from_sqlite(path, error);
        let transaction = self
            .connection
            .transaction_with_behavior(TransactionBehavior::Immediate)
            .map_err(fault)?;
        let mut ids = Vec::new();
        for take in takes {
            check::take(take)?;
            ids.push(insert(&transaction, take, &fingerprint(take)).map_err(fault)?);
        }
        transaction.commit().map_err(fault)?;
        Ok(ids)
    }

    /// The number of the take that has the same antenna, spot, time, source and readings, where there is one that is
    /// not deleted.
    ///
    /// # Errors
    /// Where the file can't be read.
    pub fn find_same(&self, take: &Take) -> Result<Option<i64>, LogbookError> {
        self.connection
            .query_row(
                "SELECT id FROM takes WHERE fingerprint = ?1 AND deleted_at IS NULL ORDER BY id LIMIT 1",
                [fingerprint(take)],
                |row| row.get(0),
            )
            .optional()
            .map_err(|error| self.fault(error))
    }

    /// The takes that match, oldest first, without their readings.
    ///
    /// # Errors
    /// Where the file can't be read.
    pub fn list(&self, filter: &Filter) -> Result<Vec<Entry>, LogbookError> {
        let sql = format!(
            "SELECT id, antenna, spot, plan, taken_at, source, note, readings, vacant, trace, brink, firm, deleted_at, \
             {PLACED} FROM takes {MATCHING}"
        );
        let entry = |row: &Row<'_>| {
            let count = |column| row.get::<_, i64>(column).map(|count| count as usize);
            Ok(Entry {
                id: row.get(0)?,
                antenna: row.get(1)?,
                spot: row.get(2)?,
                plan: row.get(3)?,
                taken_at: timestamp(row, 4)?,
                source: row.get(5)?,
                note: row.get(6)?,
                position: position(row, 13)?,
                bearing: bearing(row, 16)?,
                scan_count: row.get(18)?,
                channels: count(7)?,
                states: [count(8)?, count(9)?, count(10)?, count(11)?],
                deleted_at: match row.get_ref(12)? {
                    ValueRef::Null => None,
                    _ => Some(timestamp(row, 12)?),
                },
            })
        };
        let all = || -> rusqlite::Result<Vec<Entry>> {
            let mut statement = self.connection.prepare_cached(&sql)?;
            statement
                .query_map(params![filter.antenna, filter.spot, filter.deleted], entry)?
                .collect()
        };
        all().map_err(|error| self.fault(error))
    }

    /// The takes that match, oldest first, with readings and frequency errors, without spectra, tunings and gain checks.
    ///
    /// # Errors
    /// Where the file can't be read.
    pub fn load(&self, filter: &Filter) -> Result<Vec<Take>, LogbookError> {
        let all = || -> rusqlite::Result<Vec<Take>> {
            let _snapshot = self.snapshot()?;
            let mut takes = heads(
                &self.connection,
                MATCHING,
                params![filter.antenna, filter.spot, filter.deleted],
            )?;
            let mut statement = self.connection.prepare_cached(columns::SELECT)?;
            let mut reader = Reader::default();
            for (id, channels, take) in &mut takes {
                take.readings.reserve_exact(*channels);
                let mut rows = statement.query([*id])?;
                while let Some(row) = rows.next()? {
                    take.readings.push(reader.read(row)?);
                }
            }
            Ok(takes.into_iter().map(|(_, _, take)| take).collect())
        };
        all().map_err(|error| self.fault(error))
    }

    /// One take, whole, deleted or not.
    ///
    /// # Errors
    /// [`LogbookError::NoTake`]; or where the file can't be read.
    pub fn take(&self, id: i64) -> Result<Take, LogbookError> {
        let _snapshot = self.snapshot().map_err(|error| self.fault(error))?;
        let found = whole(&self.connection, id).map_err(|error| self.fault(error))?;
        found.map_or_else(|| Err(self.no_take(id)), Ok)
    }

    /// The takes that match, oldest first, whole, one at a time: what [`transfer`]'s exports take.
    ///
    /// # Errors
    /// Where the file can't be read; each item may fail by itself.
    pub fn takes(
        &self,
        filter: &Filter,
    ) -> Result<impl Iterator<Item = Result<Take, LogbookError>>, LogbookError> {
        let snapshot = self.snapshot().map_err(|error| self.fault(error))?;
        let entries = self.list(filter)?;
        Ok(entries.into_iter().map(move |entry| {
            let _held_to_the_end = &snapshot;
            self.take(entry.id)
        }))
    }

    /// Puts `text` in the place of a take's note.
    ///
    /// # Errors
    /// [`LogbookError::NoTake`]; or where the file can't be written.
    pub fn note(&mut self, id: i64, text: &str) -> Result<(), LogbookError> {
        let changed = self
            .connection
            .execute(
                "UPDATE takes SET note = ?2 WHERE id = ?1",
                params![id, text],
            )
            .map_err(|error| self.fault(error))?;
        if changed == 0 {
            Err(self.no_take(id))
        } else {
            Ok(())
        }
    }

    /// Puts `position` and `scan_count`, each where it is given, in the place of a take's own.
    ///
    /// # Errors
    /// [`LogbookError::NoTake`]; [`LogbookError::BadTake`] for lengths that are none; or where the file can't be written.
    pub fn amend(
        &mut self,
        id: i64,
        position: Option<Position>,
        scan_count: Option<u32>,
    ) -> Result<(), LogbookError> {
        check::position(position)?;
        let with_position = position.is_some();
        let (x_m, y_m) = (position.map(|p| p.x_m), position.map(|p| p.y_m));
        let height_m = position.and_then(|p| p.height_m);
        let changed = self
            .connection
            .execute(
                "UPDATE takes SET x_m = iif(?2, ?3, x_m), y_m = iif(?2, ?4, y_m), height_m = iif(?2, ?5, height_m), \
                 scan_count = coalesce(?6, scan_count) WHERE id = ?1",
                params![id, with_position, x_m, y_m, height_m, scan_count],
            )
            .map_err(|error| self.fault(error))?;
        if changed == 0 {
            Err(self.no_take(id))
        } else {
            Ok(())
        }
    }

    /// Hides a take from lists and comparisons from the moment `at`; it can be restored until a purge.
    ///
    /// # Errors
    /// [`LogbookError::NoTake`], [`LogbookError::AlreadyDeleted`]; or where the file can't be written.
    pub fn delete(&mut self, id: i64, at: Timestamp) -> Result<(), LogbookError> {
        let changed = self
            .connection
            .execute(
                "UPDATE takes SET deleted_at = ?2 WHERE id = ?1 AND deleted_at IS NULL",
                params![id, sortable(at)],
            )
            .map_err(|error| self.fault(error))?;
        if changed > 0 {
            return Ok(());
        }
        self.exists(id)?;
        Err(LogbookError::AlreadyDeleted {
            path: one_line(self.path.display()),
            id,
        })
    }

    /// Takes a deletion back.
    ///
    /// # Errors
    /// [`LogbookError::NoTake`], [`LogbookError::NotDeleted`]; or where the file can't be written.
    pub fn restore(&mut self, id: i64) -> Result<(), LogbookError> {
        let changed = self
            .connection
            .execute(
                "UPDATE takes SET deleted_at = NULL WHERE id = ?1 AND deleted_at IS NOT NULL",
                [id],
            )
            .map_err(|error| self.fault(error))?;
        if changed > 0 {
            return Ok(());
        }
        self.exists(id)?;
        Err(LogbookError::NotDeleted {
            path: one_line(self.path.display()),
            id,
        })
    }

    /// Removes the deleted takes for good and returns how many there were.
    ///
    /// # Errors
    /// Where the file can't be written.
    pub fn purge(&mut self) -> Result<usize, LogbookError> {
        self.connection
            .execute("DELETE FROM takes WHERE deleted_at IS NOT NULL", [])
            .map_err(|error| self.fault(error))
    }

    /// What is kept under `key`.
    ///
    /// # Errors
    /// Where the file can't be read.
    pub fn setting(&self, key: &str) -> Result<Option<String>, LogbookError> {
        self.connection
            .query_row("SELECT value FROM settings WHERE key = ?1", [key], |row| {
                row.get(0)
            })
            .optional()
            .map_err(|error| self.fault(error))
    }

    /// Keeps `value` under `key`; `None` forgets it.
    ///
    /// # Errors
    /// Where the file can't be written.
    pub fn set_setting(&mut self, key: &str, value: Option<&str>) -> Result<(), LogbookError> {
        match value {
            Some(value) => self.connection.execute(
                "INSERT OR REPLACE INTO settings (key, value) VALUES (?1, ?2)",
                params![key, value],
            ),
            None => self
                .connection
                .execute("DELETE FROM settings WHERE key = ?1", [key]),
        }
        .map(|_| ())
        .map_err(|error| self.fault(error))
    }

    /// Keeps the takes of a JSON export that are not here yet, in one transaction. `file` is what to call the reader in
    /// messages. A take is here already where antenna, spot, time, source and readings are the same.
    ///
    /// # Errors
    /// [`LogbookError::Import`] with line and field, and errors of writing. Nothing is imported then.
    pub fn import_json(
        &mut self,
        file: &str,
        reader: impl std::io::Read,
    ) -> Result<Imported, LogbookError> {
        self.import(|keep| transfer::read_json(file, reader, keep))
    }

    /// Keeps the takes of a CSV export that are not here yet: as [`Logbook::import_json`].
    ///
    /// # Errors
    /// As [`Logbook::import_json`].
    pub fn import_csv(
        &mut self,
        file: &str,
        reader: impl std::io::Read,
    ) -> Result<Imported, LogbookError> {
        self.import(|keep| transfer::read_csv(file, reader, keep))
    }

    fn import(
        &mut self,
        read: impl FnOnce(&mut dyn FnMut(Take) -> Result<(), LogbookError>) -> Result<(), LogbookError>,
    ) -> Result<Imported, LogbookError> {
        let path = &self.path;
        let fault = |error| LogbookError::from_sqlite(path, error);
        let transaction = self
            .connection
            .transaction_with_behavior(TransactionBehavior::Immediate)
            .map_err(fault)?;
        let mut done = Imported::default();
        read(&mut |take| {
            let print = fingerprint(&take);
            // Of several copies, one that isn't deleted counts.
            let deleted: Option<bool> = transaction
                .prepare_cached(
                    "SELECT min(deleted_at IS NOT NULL) FROM takes WHERE fingerprint = ?1",
                )
                .and_then(|mut statement| statement.query_row([print], |row| row.get(0)))
                .map_err(fault)?;
            match deleted {
                Some(deleted) => {
                    done.known += 1;
                    done.deleted += usize::from(deleted);
                }
                None => {
                    insert(&transaction, &take, &print).map_err(fault)?;
                    done.new += 1;
                }
            }
            Ok(())
        })?;
        transaction.commit().map_err(fault)?;
        Ok(done)
    }

    /// Lets the file grow to `pages` pages and no more, as a full disk would: for tests.
    ///
    /// # Errors
    /// Where SQLite refuses.
    #[doc(hidden)]
    pub fn limit_pages(&self, pages: u32) -> Result<(), LogbookError> {
        self.connection
            .query_row(&format!("PRAGMA max_page_count = {pages}"), [], |_| Ok(()))
            .map_err(|error| self.fault(error))
    }

    /// A reading transaction, so that no other program changes anything between two queries; `None` inside of one.
    fn snapshot(&self) -> rusqlite::Result<Option<Transaction<'_>>> {
        self.connection
            .is_autocommit()
            .then(|| self.connection.unchecked_transaction())
            .transpose()
    }

    fn exists(&self, id: i64) -> Result<(), LogbookError> {
        self.connection
            .query_row("SELECT 1 FROM takes WHERE id = ?1", [id], |_| Ok(()))
            .optional()
            .map_err(|error| self.fault(error))?
            .ok_or_else(|| self.no_take(id))
    }

    fn no_take(&self, id: i64) -> LogbookError {
        let ids = || -> rusqlite::Result<Vec<i64>> {
            self.connection
                .prepare("SELECT id FROM takes ORDER BY id")?
                .query_map([], |row| row.get(0))?
                .collect()
        };
        match ids() {
            Err(error) => self.fault(error),
            Ok(ids) => LogbookError::NoTake {
                path: one_line(self.path.display()),
                id,
                known: match ids.len() {
                    0 => "the logbook holds no takes".into(),
                    1 => format!("the logbook holds take {} alone", ids[0]),
                    _ => format!("the logbook holds takes {}", ranges(&ids)),
                },
            },
        }
    }
}
