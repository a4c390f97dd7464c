//! The logbook's tables, version by version.
//!
//! A file's version is its `user_version`: the number of entries of [`MIGRATIONS`] that it has been through. A new
//! version is one more entry at the end; what is there is never edited.

use rusqlite::{Connection, TransactionBehavior};

/// Marks a SQLite file as a logbook of ours: `gain` in ASCII.
pub(super) const APPLICATION_ID: i64 = 0x6761_696e;

/// One entry a version, the first for version 1.
pub(super) const MIGRATIONS: &[&str] = &[
    include_str!("schema/version_1.sql"),
    include_str!("schema/version_2.sql"),
    include_str!("schema/version_3.sql"),
];

/// What the head of a SQLite file says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    /// Nothing in it yet.
    Empty,
    /// A logbook of this version.
    Logbook(i64),
    /// Another program's file.
    Foreign,
}

/// Looks at the head of a file without changing it.
pub(super) fn kind(connection: &Connection) -> rusqlite::Result<Kind> {
    let number = |sql: &str| connection.query_row(sql, [], |row| row.get::<_, i64>(0));
    let version = number("PRAGMA user_version")?;
    Ok(match number("PRAGMA application_id")? {
        APPLICATION_ID => Kind::Logbook(version),
        0 if version == 0 && number("SELECT count(*) FROM sqlite_schema")? == 0 => Kind::Empty,
        _ => Kind::Foreign,
    })
}

/// Brings the file to the last of `migrations`, in one transaction: a migration that fails leaves the file as it was.
///
/// Does nothing to a file that is there already, or beyond. The version is read again under the write lock, so that
/// two programs can't migrate one file twice.
pub(super) fn migrate(connection: &mut Connection, migrations: &[&str]) -> rusqlite::Result<()> {
    let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
    let done = match kind(&transaction)? {
        Kind::Empty => 0,
        Kind::Logbook(version) => usize::try_from(version).unwrap_or(usize::MAX),
        Kind::Foreign => return Ok(()),
    };
    for (index, sql) in migrations.iter().enumerate().skip(done) {
        transaction.execute_batch(sql)?;
        transaction.pragma_update(None, "user_version", index as i64 + 1)?;
        transaction.pragma_update(None, "application_id", APPLICATION_ID)?;
    }
    transaction.commit()
}

#[cfg(test)]
mod tests {
    use super::*;

    const WITH_A_COLUMN: &[&str] = &[
        MIGRATIONS[0],
        "ALTER TABLE takes ADD COLUMN scan_count INTEGER DEFAULT 31;",
    ];
    const BROKEN: &[&str] = &[
        MIGRATIONS[0],
        "CREATE TABLE half (x); ALTER TABLE nowhere ADD COLUMN y;",
    ];
    const ONE_TAKE: &str = "INSERT INTO takes (antenna, spot, taken_at, source, plan, sample_rate_hz, dwell_s, gains_db, \
                            note, readings, vacant, trace, brink, firm, fingerprint)
                            VALUES ('loop', 'attic', '2024-01-01', 'x', 'us', 1.0, 1.0, '[]', '', 0, 0, 0, 0, 0, x'00')";

    fn scan_count(connection: &Connection) -> i64 {
        connection
            .query_row(
                "SELECT scan_count FROM takes WHERE antenna = 'loop'",
                [],
                |row| row.get(0),
            )
            .unwrap()
    }

    #[test]
    fn a_new_file_goes_through_every_version() {
        let mut connection = Connection::open_in_memory().unwrap();
        assert_eq!(kind(&connection).unwrap(), Kind::Empty);
        migrate(&mut connection, WITH_A_COLUMN).unwrap();
        assert_eq!(kind(&connection).unwrap(), Kind::Logbook(2));
        connection.execute_batch(ONE_TAKE).unwrap();
        assert_eq!(scan_count(&connection), 31);
    }

    #[test]
    fn an_older_file_is_brought_up_to_date_and_keeps_its_takes() {
        let mut connection = Connection::open_in_memory().unwrap();
        migrate(&mut connection, &MIGRATIONS[..1]).unwrap();
        connection.execute_batch(ONE_TAKE).unwrap();
        migrate(&mut connection, WITH_A_COLUMN).unwrap();
        assert_eq!(kind(&connection).unwrap(), Kind::Logbook(2));
        assert_eq!(scan_count(&connection), 31);
        migrate(&mut connection, WITH_A_COLUMN).unwrap();
        assert_eq!(kind(&connection).unwrap(), Kind::Logbook(2));
    }

    #[test]
    fn a_migration_that_fails_leaves_the_file_at_its_version() {
        let mut connection = Connection::open_in_memory().unwrap();
        migrate(&mut connection, &MIGRATIONS[..1]).unwrap();
        assert!(migrate(&mut connection, BROKEN).is_err());
        assert_eq!(kind(&connection).unwrap(), Kind::Logbook(1));
        let half: i64 = connection
            .query_row(
                "SELECT count(*) FROM sqlite_schema WHERE name = 'half'",
                [],
                |row| row.get(0),
            )
            .unwrap();
        assert_eq!(half, 0);
    }

    #[test]
    fn another_programs_file_is_not_touched() {
        let mut connection = Connection::open_in_memory().unwrap();
        connection
            .execute_batch("CREATE TABLE recipes (name TEXT)")
            .unwrap();
        assert_eq!(kind(&connection).unwrap(), Kind::Foreign);
        migrate(&mut connection, MIGRATIONS).unwrap();
        assert_eq!(kind(&connection).unwrap(), Kind::Foreign);
    }
}
