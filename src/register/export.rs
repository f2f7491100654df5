//! Views line by line, all of the same moment.

use rusqlite::Transaction;
use rusqlite::types::Value;

use super::open::{Register, RegisterError, RegisterErrorKind};
use super::schema::View;

/// The register as it is at one moment, whoever adds meanwhile.
#[derive(Debug)]
pub struct Moment<'r> {
    file: &'r std::path::Path,
    db: Transaction<'r>,
}

impl Register {
    /// # Errors
    /// Where the register can't be read.
    pub fn moment(&mut self) -> Result<Moment<'_>, RegisterError> {
        let Self { file, db } = self;
        match db.transaction() {
            Ok(db) => Ok(Moment { file, db }),
            Err(error) => Err(RegisterError { file: file.clone(), kind: error.into() }),
        }
    }
}

impl Moment<'_> {
    /// Hands on a view's lines one by one, sessions in the order in which they were first added, and counts them.
    ///
    /// # Errors
    /// Where the register can't be read, or those of `take`.
    pub fn each_line(
        &self,
        view: &View,
        mut take: impl FnMut(&[Value]) -> std::io::Result<()>,
    ) -> Result<usize, RegisterError> {
        let in_file = |kind: RegisterErrorKind| RegisterError { file: self.file.to_owned(), kind };
        let database = |error: rusqlite::Error| in_file(error.into());
        let columns: Vec<&str> = view.columns.iter().map(|(name, _)| *name).collect();
        let within = columns.iter().find(|column| ["place", "judgement"].contains(column)).unwrap_or(&"session");
        let sql = format!("SELECT {} FROM {} ORDER BY session, {within}", columns.join(", "), view.name);
        let mut statement = self.db.prepare(&sql).map_err(database)?;
        let mut rows = statement.query([]).map_err(database)?;
        let mut lines = 0;
        while let Some(row) = rows.next().map_err(database)? {
            let line = (0..columns.len()).map(|i| row.get(i)).collect::<rusqlite::Result<Vec<Value>>>();
            take(&line.map_err(database)?).map_err(|error| in_file(RegisterErrorKind::Read(error)))?;
            lines += 1;
        }
        Ok(lines)
    }
}
