//! The whole register looked through for what does not fit together.

use rusqlite::params;

use super::document::{VerdictDocument, unpacked};
use super::open::{Register, RegisterError};

impl Register {
    /// Looks through the whole register: the database's own structure, and of each judgement that its document is the one
    /// added and that the tables hold all of the newest and nothing of older ones. One sentence for each fault found.
    ///
    /// # Errors
    /// Where the register can't be read at all.
    pub fn audit(&self) -> Result<Vec<String>, RegisterError> {
        self.faults().map_err(|error| self.error(error))
    }

    fn faults(&self) -> rusqlite::Result<Vec<String>> {
        let mut faults: Vec<String> = self
            .db
            .prepare("PRAGMA integrity_check")?
            .query_map([], |row| row.get(0))?
            .collect::<rusqlite::Result<Vec<String>>>()?;
        faults.retain(|line| line != "ok");
        let mut foreign = self.db.prepare("PRAGMA foreign_key_check")?;
        faults.extend(foreign.query_map([], |row| row.get::<_, String>(0))?.map(|table| match table {
            Ok(table) => format!("a line of {table} belongs to nothing"),
            Err(error) => error.to_string(),
        }));
        let sessions = "SELECT id FROM session s
                        WHERE (SELECT count(*) FROM judgement j WHERE j.session = s.id AND j.newest = 1) <> 1";
        for session in self.db.prepare(sessions)?.query_map([], |row| row.get::<_, i64>(0))? {
            faults.push(format!("session {} has not one newest judgement", session?));
        }
        let mut all = self.db.prepare(
            "SELECT j.id, j.newest, j.verdict_sha256, d.gzip FROM judgement j LEFT JOIN document d ON d.judgement = j.id",
        )?;
        let mut rows = all.query([])?;
        while let Some(row) = rows.next()? {
            let (id, newest, sha256): (i64, bool, String) = (row.get(0)?, row.get(1)?, row.get(2)?);
            let gzip: Option<Vec<u8>> = row.get(3)?;
            let read = gzip.and_then(|gzip| unpacked(&gzip).ok());
            let document = read.and_then(|bytes| VerdictDocument::of(&bytes, "".into(), String::new()).ok());
            let Some(document) = document.filter(|document| document.sha256 == sha256) else {
                faults.push(format!("the document of judgement {id} is not the one that was added"));
                continue;
            };
            let v = &document.verdict;
            let of_newest = [
                ("check_value", v.checks().count()),
                ("repeat", v.repeats.len()),
                ("finding", v.diagnosis.len()),
                ("premise", v.premises.len()),
                ("ring", v.rings.len()),
                ("recording", v.recordings.len()),
                ("reference_instrument", v.references.len()),
                ("reference_comparison", v.reference_comparison.len()),
            ];
            for (part, lines) in of_newest {
                let expected = if newest { lines as i64 } else { 0 };
                let count = format!("SELECT count(*) FROM {part} WHERE judgement = ?1");
                let found: i64 = self.db.query_row(&count, params![id], |row| row.get(0))?;
                if found != expected {
                    faults.push(format!("judgement {id} has {found} lines in {part}, not {expected}"));
                }
            }
        }
        Ok(faults)
    }
}
