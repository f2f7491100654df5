//! The file: opened, begun where there is none, and brought to the newest layout.
//!
//! Each verdict is one transaction. The journal is SQLite's rollback journal, not the write-ahead log: the register stays
//! one file, which may be copied while nobody writes and lie on a shared folder, and readers need not write beside it.
//! `synchronous = EXTRA` also syncs the folder once the journal is gone, so that what was said to be kept is still kept after
//! a power cut, not only after a crash.

use std::io::Read;
use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::{Connection, ErrorCode, OpenFlags, TransactionBehavior, ffi};

use super::schema::STEPS;
use crate::files::{self, FileError};

/// Marks the file as a register (`PRAGMA application_id`): `assz` in ASCII.
const APPLICATION_ID: u32 = 0x6173_737a;
/// How long to wait for other processes; an add takes milliseconds, a question seconds.
const PATIENCE: Duration = Duration::from_secs(60);

/// What a reader keeps in memory (negative: in KiB): enough for the lines of 100,000 judgements.
const CACHE_KIB: i64 = -(64 << 10);

/// Why a register could not be used.
#[derive(Debug, thiserror::Error)]
#[error("{}: {kind}", .file.display())]
pub struct RegisterError {
    pub file: PathBuf,
    pub kind: RegisterErrorKind,
}

#[derive(Debug, thiserror::Error)]
pub enum RegisterErrorKind {
    #[error(
        "there is no register here; {}`assize register add VERDICT.json` begins one, --register FILE names another file",
        .nearest.as_ref().map(|nearest| format!("did you mean `{}`? ", nearest.display())).unwrap_or_default()
    )]
    Missing { nearest: Option<PathBuf> },
    #[error("this is {0}, not a register; it was left as it is; name another file with --register")]
    NotARegister(&'static str),
    #[error(
        "this register has layout {found}, from a newer assize; this one reads layouts up to {known}; it was left as it \
         is; use the newer program"
    )]
    Newer { found: u32, known: u32 },
    #[error("another process kept the register busy for {} s; try again once it is done", PATIENCE.as_secs())]
    Busy,
    #[error(
        "the register can't be written ({0}); look whether the disk is full and whether file and folder may be written to"
    )]
    Write(String),
    #[error("the register is damaged ({0}); go back to a copy, or begin a new one and add the verdict files again")]
    Damaged(String),
    #[error("reading: {0}")]
    Read(#[from] std::io::Error),
    #[error("the register can't be used: {0}")]
    File(FileError),
    #[error("the register can't be used: {0}")]
    Database(rusqlite::Error),
}

impl From<rusqlite::Error> for RegisterErrorKind {
    fn from(error: rusqlite::Error) -> Self {
        match error.sqlite_error_code() {
            Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => Self::Busy,
            Some(
                ErrorCode::ReadOnly
                | ErrorCode::DiskFull
                | ErrorCode::SystemIoFailure
                | ErrorCode::CannotOpen
                | ErrorCode::PermissionDenied,
            ) => Self::Write(error.to_string()),
            Some(ErrorCode::DatabaseCorrupt) => Self::Damaged(error.to_string()),
            Some(ErrorCode::NotADatabase) => Self::NotARegister(NO_DATABASE),
            _ => Self::Database(error),
        }
    }
}

const NO_DATABASE: &str = "a file of another kind";

/// An open register.
#[derive(Debug)]
pub struct Register {
    pub(super) file: PathBuf,
    pub(super) db: Connection,
}

impl Register {
    /// Opens a register to add to, and begins one where there is none.
    ///
    /// # Errors
    /// Where the file is something else, of a newer layout, busy or not writable; then it is as it was.
    pub fn open(file: &Path) -> Result<Self, RegisterError> {
        in_file(file, || {
            if file.try_exists()? {
                look(file)?;
            }
            let mut db = Connection::open_with_flags(file, WRITE | OpenFlags::SQLITE_OPEN_CREATE)?;
            db.busy_timeout(PATIENCE)?;
            db.pragma_update_and_check(None, "journal_mode", "delete", |_| Ok(()))?;
            db.pragma_update(None, "synchronous", "extra")?;
            migrate(&mut db, STEPS)?;
            Ok(Self { file: file.to_owned(), db })
        })
    }

    /// Opens a register to read from: the connection can't write.
    ///
    /// # Errors
    /// Where there is none, or as [`Register::open`].
    pub fn open_to_read(file: &Path) -> Result<Self, RegisterError> {
        in_file(file, || {
            if !file.try_exists()? {
                return Err(RegisterErrorKind::Missing { nearest: files::nearest(file) });
            }
            if look(file)? < STEPS.len() as u32 {
                // Of an older layout, or still empty.
                drop(Self::open(file).map_err(|error| error.kind)?);
            }
            let db = Connection::open_with_flags(file, READ)?;
            db.busy_timeout(PATIENCE)?;
            db.pragma_update(None, "query_only", true)?;
            db.pragma_update(None, "cache_size", CACHE_KIB)?;
            Ok(Self { file: file.to_owned(), db })
        })
    }

    pub(super) fn error(&self, error: impl Into<RegisterErrorKind>) -> RegisterError {
        RegisterError { file: self.file.clone(), kind: error.into() }
    }
}

const WRITE: OpenFlags = OpenFlags::SQLITE_OPEN_READ_WRITE.union(OpenFlags::SQLITE_OPEN_NO_MUTEX);
const READ: OpenFlags = OpenFlags::SQLITE_OPEN_READ_ONLY.union(OpenFlags::SQLITE_OPEN_NO_MUTEX);

fn in_file<T>(file: &Path, work: impl FnOnce() -> Result<T, RegisterErrorKind>) -> Result<T, RegisterError> {
    work().map_err(|kind| RegisterError { file: file.to_owned(), kind })
}

/// The layout of a register, 0 for a file that is still empty, by a connection that can't write.
///
/// A process that was killed while it wrote leaves a journal that undoes its half transaction, which takes a connection
/// that may write. That is opened only once the file is known to be nobody else's.
fn look(file: &Path) -> Result<u32, RegisterErrorKind> {
    match files::check(file) {
        Err(FileError::Folder) => return Err(RegisterErrorKind::NotARegister("a folder")),
        Err(FileError::NoFile(kind)) => return Err(RegisterErrorKind::NotARegister(kind)),
        other => other.map_err(RegisterErrorKind::File)?,
    }
    let kind = |flags: OpenFlags| -> rusqlite::Result<(u32, u32, u32)> {
        let db = Connection::open_with_flags(file, flags)?;
        db.busy_timeout(PATIENCE)?;
        let look = "SELECT application_id, user_version, (SELECT count(*) FROM sqlite_schema)
                    FROM pragma_application_id, pragma_user_version";
        db.query_row(look, [], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))
    };
    let read = match kind(READ) {
        Err(error) if has_a_journal(&error) => {
            if begins_as_another(file)? {
                return Err(RegisterErrorKind::NotARegister("another program's database"));
            }
            kind(WRITE)?
        }
        read => read?,
    };
    match read {
        (APPLICATION_ID, version, _) if version > STEPS.len() as u32 => {
            Err(RegisterErrorKind::Newer { found: version, known: STEPS.len() as u32 })
        }
        (APPLICATION_ID, version, _) => Ok(version),
        (0, 0, 0) => Ok(0),
        _ => Err(RegisterErrorKind::NotARegister("another program's database")),
    }
}

fn has_a_journal(error: &rusqlite::Error) -> bool {
    let code = error.sqlite_error().map(|error| error.extended_code);
    matches!(code, Some(ffi::SQLITE_READONLY_ROLLBACK | ffi::SQLITE_READONLY_RECOVERY | ffi::SQLITE_CANTOPEN))
}

/// Whether the header says that it is another program's. A register that was killed while it began may have none yet.
///
/// Source: the database file format of SQLite, 1.3: text in bytes 0 to 15, application id in bytes 68 to 71, big-endian.
fn begins_as_another(file: &Path) -> Result<bool, RegisterErrorKind> {
    let mut header = vec![];
    std::fs::File::open(file)?.take(100).read_to_end(&mut header)?;
    Ok(match header.get(68..72) {
        None => !header.is_empty(),
        Some(id) => header.iter().any(|byte| *byte != 0) && id != APPLICATION_ID.to_be_bytes(),
    })
}

/// Brings a register to the newest layout in one transaction: all steps that it lacks, or none.
pub(super) fn migrate(db: &mut Connection, steps: &[&str]) -> Result<(), RegisterErrorKind> {
    let version =
        |db: &Connection| -> rusqlite::Result<u32> { db.pragma_query_value(None, "user_version", |row| row.get(0)) };
    if version(db)? as usize == steps.len() {
        return Ok(());
    }
    let transaction = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
    // Another process may have been here first.
    let from = version(&transaction)? as usize;
    if from > steps.len() {
        return Err(RegisterErrorKind::Newer { found: from as u32, known: steps.len() as u32 });
    }
    for step in &steps[from..] {
        transaction.execute_batch(step)?;
    }
    transaction.pragma_update(None, "application_id", APPLICATION_ID)?;
    transaction.pragma_update(None, "user_version", steps.len() as u32)?;
    Ok(transaction.commit()?)
}

#[cfg(test)]
mod tests {
    use super::*;

    const OLD: &[&str] = &["CREATE TABLE a (x); INSERT INTO a VALUES (17)"];
    const NEW: &[&str] = &[OLD[0], "ALTER TABLE a ADD COLUMN y DEFAULT 4", "CREATE TABLE b (z)"];

    fn version(db: &Connection) -> u32 {
        db.pragma_query_value(None, "user_version", |row| row.get(0)).unwrap()
    }

    #[test]
    fn a_register_of_an_older_layout_is_brought_up_and_keeps_what_it_holds() {
        let mut db = Connection::open_in_memory().unwrap();
        migrate(&mut db, OLD).unwrap();
        assert_eq!(version(&db), 1);
        for _ in 0..2 {
            migrate(&mut db, NEW).unwrap();
            let kept: (i64, i64) =
                db.query_row("SELECT x, y FROM a", [], |row| Ok((row.get(0)?, row.get(1)?))).unwrap();
            assert_eq!((version(&db), kept), (3, (17, 4)));
        }
        let refused = migrate(&mut db, OLD).unwrap_err();
        assert!(matches!(refused, RegisterErrorKind::Newer { found: 3, known: 1 }), "{refused}");
    }

    #[test]
    fn a_step_that_fails_leaves_the_register_at_the_layout_that_it_had() {
        let mut db = Connection::open_in_memory().unwrap();
        migrate(&mut db, OLD).unwrap();
        let failing = [NEW[0], NEW[1], "CREATE TABLE a (taken)"];
        assert!(migrate(&mut db, &failing).is_err());
        assert_eq!(version(&db), 1);
        assert!(db.prepare("SELECT y FROM a").is_err());
    }
}
