//! Finding sessions by what they are of, and sheets by their number.

use chrono::NaiveDate;
use rusqlite::types::Value;
use rusqlite::{OptionalExtension, params_from_iter};

use super::ask::Answer;
use super::document::unpacked;
use super::open::{Register, RegisterError, RegisterErrorKind};
use crate::verdict::Verdict;

/// What a list is narrowed to. Text is compared whole, its letters in either case.
#[derive(Debug, Clone, Default)]
pub struct Filters {
    pub unit: Option<String>,
    pub model: Option<String>,
    pub firmware: Option<String>,
    pub protocol: Option<String>,
    pub tester: Option<String>,
    /// First and last day of riding, UTC, both included.
    pub from: Option<NaiveDate>,
    pub to: Option<NaiveDate>,
    /// An outcome's word, or `advisory` for a comparison without a protocol.
    pub verdict: Option<String>,
    pub pattern: Option<String>,
}

/// Which sessions a list is of, and how the database is to find them.
///
/// One filter has an index of its own. Several are looked for in one index that holds all that is filtered by, from end to
/// end, without a look at a single line: a planner that guesses which of two filters leaves less would be wrong at times,
/// and thirty milliseconds are always enough.
struct SessionSelection {
    /// SQL behind `SELECT id` up to its order, and its parameters.
    from: String,
    values: Vec<Value>,
    /// What numbers the judgements, and what counts them: a session may show one pattern twice.
    id: &'static str,
    count: &'static str,
}

impl Filters {
    fn selection(&self) -> SessionSelection {
        let mut terms: Vec<&str> = vec![];
        let mut values: Vec<Value> = vec![];
        let texts = [
            ("unit = ?", "judgement_unit", &self.unit),
            ("model = ?", "judgement_model", &self.model),
            ("firmware = ?", "judgement_firmware", &self.firmware),
            ("protocol = ?", "judgement_protocol", &self.protocol),
            ("tester = ?", "judgement_tester", &self.tester),
        ];
        let mut indexes = vec![];
        for (term, index, value) in texts {
            if let Some(value) = value {
                terms.push(term);
                indexes.push(index);
                values.push(Value::Text(value.clone()));
            }
        }
        if let Some(word) = self.verdict.as_deref() {
            indexes.push("judgement_verdict");
            if word == "advisory" {
                terms.push("verdict IS NULL");
            } else {
                terms.push("verdict = ?");
                values.push(Value::Text(word.to_owned()));
            }
        }
        let pattern_alone = self.pattern.is_some() && terms.is_empty();
        if let Some(pattern) = &self.pattern {
            indexes.push("judgement_filters");
            let within = "id IN (SELECT f.judgement FROM finding f WHERE f.pattern = ?)";
            terms.push(if pattern_alone { "pattern = ?" } else { within });
            values.push(Value::Text(pattern.clone()));
        }
        // Times are text that begins with the day, so `2026-11-30U` lies behind every `2026-11-30T…`.
        for (term, day, suffix) in [("started >= ?", self.from, ""), ("started < ?", self.to, "U")] {
            if let Some(day) = day {
                terms.push(term);
                values.push(Value::Text(format!("{day}{suffix}")));
            }
        }
        if pattern_alone {
            let from = format!("FROM finding WHERE {}", terms.join(" AND "));
            return SessionSelection { from, values, id: "judgement", count: "count(DISTINCT judgement)" };
        }
        let index = match indexes[..] {
            [one] => one,
            _ => "judgement_filters",
        };
        terms.insert(0, "newest = 1");
        let from = format!("FROM judgement INDEXED BY {index} WHERE {}", terms.join(" AND "));
        SessionSelection { from, values, id: "id", count: "count(*)" }
    }
}

/// A kept judgement and where it stands.
#[derive(Debug, Clone)]
pub struct KeptJudgement {
    /// By order of adding.
    pub judgement: i64,
    pub newest: bool,
    pub added: String,
    pub program: String,
    pub sheet_number: String,
    pub verdict_word: Option<String>,
    pub folder: String,
    pub verdict_file: String,
}

/// What a sheet's number leads to.
#[derive(Debug, Clone)]
pub struct SheetJudgements {
    /// All judgements of the session, newest first.
    pub judgements: Vec<KeptJudgement>,
    /// Which of them the number is of: the latest that has it.
    pub named: usize,
}

#[derive(Debug, thiserror::Error)]
pub enum SheetError {
    #[error(transparent)]
    Register(#[from] RegisterError),
    #[error(
        "{register}: no sheet here has a number that begins with `{asked}`; `assize register list` shows those there are"
    )]
    None { register: String, asked: String },
    #[error("{register}: {} sheets and more begin with `{asked}`; write more of the number:{}", .found.len(), listed(.found))]
    Several { register: String, asked: String, found: Vec<String> },
}

fn listed(found: &[String]) -> String {
    found.iter().map(|line| format!("\n  {line}")).collect()
}

/// As many as an error lists.
const MOST_LISTED: usize = 12;

impl Register {
    /// Sessions by day of riding, the latest first: at most so many, and how many there are.
    ///
    /// # Errors
    /// Where the register can't be read.
    pub fn list(&self, filters: &Filters, columns: &[&str], most: usize) -> Result<(Answer, usize), RegisterError> {
        let work = || -> rusqlite::Result<(Answer, usize)> {
            let (sql, values) = list_sql(filters, columns, most);
            let mut statement = self.db.prepare(&sql)?;
            let heads = columns.iter().map(|&column| column.to_owned()).collect();
            let mut answer = Answer { heads, lines: vec![], more: false };
            let mut rows = statement.query(params_from_iter(&values))?;
            while let Some(row) = rows.next()? {
                answer.lines.push((0..columns.len()).map(|i| row.get(i)).collect::<rusqlite::Result<_>>()?);
            }
            let SessionSelection { from, values, count, .. } = filters.selection();
            let count = format!("SELECT {count} {from}");
            let all: usize = self.db.query_row(&count, params_from_iter(&values), |row| row.get::<_, i64>(0))? as usize;
            answer.more = all > answer.lines.len();
            Ok((answer, all))
        };
        work().map_err(|error| self.error(error))
    }

    /// How the database goes about a list: a line for each step.
    ///
    /// # Errors
    /// Where the register can't be read.
    #[cfg(feature = "internals")]
    pub fn list_plan(&self, filters: &Filters) -> Result<Vec<String>, RegisterError> {
        let (sql, values) = list_sql(filters, &["sheet_number", "unit", "firmware"], 100);
        let work = || -> rusqlite::Result<Vec<String>> {
            let mut statement = self.db.prepare(&format!("EXPLAIN QUERY PLAN {sql}"))?;
            statement.query_map(params_from_iter(&values), |row| row.get("detail"))?.collect()
        };
        work().map_err(|error| self.error(error))
    }

    /// The session that a sheet's number, or its beginning, leads to. A number that only superseded judgements have leads
    /// to their session too.
    ///
    /// # Errors
    /// Where none or several begin so.
    pub fn sheet(&self, asked: &str) -> Result<SheetJudgements, SheetError> {
        let register = || self.file.display().to_string();
        let work = || -> rusqlite::Result<Vec<(i64, String)>> {
            let exact = "SELECT id, sheet_number FROM judgement WHERE sheet_number = ?1 ORDER BY id DESC";
            let exact = self.pairs(exact, &[asked])?;
            if !exact.is_empty() {
                return Ok(exact);
            }
            let after = format!("{asked}\u{10ffff}");
            let begins = "SELECT id, sheet_number FROM judgement WHERE sheet_number >= ?1 AND sheet_number < ?2
                          ORDER BY id DESC LIMIT 1000";
            self.pairs(begins, &[asked, &after])
        };
        let matching = if asked.is_empty() { vec![] } else { work().map_err(|error| self.error(error))? };
        let Some((first, _)) = matching.first() else {
            return Err(SheetError::None { register: register(), asked: asked.to_owned() });
        };
        let found = self.judgements(*first).map_err(|error| self.error(error))?;
        let of_it = |id: i64| found.iter().any(|judged| judged.judgement == id);
        if matching.iter().any(|(id, _)| !of_it(*id)) {
            let ids = matching.iter().take(MOST_LISTED).map(|(id, _)| *id);
            let lines = ids.map(|id| self.line(id)).collect::<rusqlite::Result<Vec<_>>>();
            let found = lines.map_err(|error| self.error(error))?;
            return Err(SheetError::Several { register: register(), asked: asked.to_owned(), found });
        }
        let named = found.iter().position(|judged| judged.judgement == *first).unwrap_or(0);
        Ok(SheetJudgements { judgements: found, named })
    }

    fn pairs(&self, sql: &str, values: &[&str]) -> rusqlite::Result<Vec<(i64, String)>> {
        let mut statement = self.db.prepare(sql)?;
        statement.query_map(params_from_iter(values), |row| Ok((row.get(0)?, row.get(1)?)))?.collect()
    }

    fn line(&self, judgement: i64) -> rusqlite::Result<String> {
        let sql = "SELECT sheet_number || '  ' || unit || ', ridden ' || substr(started, 1, 10) ||
                       CASE newest WHEN 1 THEN '' ELSE ', superseded' END FROM judgement WHERE id = ?1";
        self.db.query_row(sql, [judgement], |row| row.get(0))
    }

    /// Of the session that this one is of, newest first.
    fn judgements(&self, judgement: i64) -> rusqlite::Result<Vec<KeptJudgement>> {
        let mut statement = self.db.prepare(
            "SELECT id, newest, added, program, sheet_number, verdict, folder, verdict_file FROM judgement
             WHERE session = (SELECT session FROM judgement WHERE id = ?1) ORDER BY id DESC",
        )?;
        let read = |row: &rusqlite::Row<'_>| {
            Ok(KeptJudgement {
                judgement: row.get(0)?,
                newest: row.get(1)?,
                added: row.get(2)?,
                program: row.get(3)?,
                sheet_number: row.get(4)?,
                verdict_word: row.get(5)?,
                folder: row.get(6)?,
                verdict_file: row.get(7)?,
            })
        };
        statement.query_map([judgement], read)?.collect()
    }

    /// The verdict file of a judgement, byte for byte as it was added.
    ///
    /// # Errors
    /// Where the register can't be read or is damaged.
    pub fn document(&self, judgement: i64) -> Result<Vec<u8>, RegisterError> {
        let sql = "SELECT gzip FROM document WHERE judgement = ?1";
        let gzip: Option<Vec<u8>> =
            self.db.query_row(sql, [judgement], |row| row.get(0)).optional().map_err(|error| self.error(error))?;
        let bytes = gzip.and_then(|gzip| unpacked(&gzip).ok());
        bytes.ok_or_else(|| self.damaged(judgement))
    }

    /// The same, read.
    ///
    /// # Errors
    /// As [`Register::document`].
    pub fn verdict(&self, judgement: i64) -> Result<Verdict, RegisterError> {
        serde_json::from_slice(&self.document(judgement)?).map_err(|_| self.damaged(judgement))
    }

    fn damaged(&self, judgement: i64) -> RegisterError {
        self.error(RegisterErrorKind::Damaged(format!("the document of judgement {judgement} can't be read")))
    }

    /// The newest judgement of every session, in the order in which sessions were first added.
    ///
    /// # Errors
    /// Where the register can't be read.
    pub fn all_newest(&self) -> Result<Vec<KeptJudgement>, RegisterError> {
        let sql = "SELECT judgement, '' FROM sessions ORDER BY session";
        let ids = self.pairs(sql, &[]).map_err(|error| self.error(error))?;
        let each = ids.into_iter().filter_map(|(id, _)| match self.judgements(id) {
            Ok(all) => all.into_iter().find(|judged| judged.newest).map(Ok),
            Err(error) => Some(Err(self.error(error))),
        });
        each.collect()
    }
}

fn list_sql(filters: &Filters, columns: &[&str], most: usize) -> (String, Vec<Value>) {
    let SessionSelection { from, mut values, id, .. } = filters.selection();
    values.push(Value::Integer(i64::try_from(most).unwrap_or(i64::MAX)));
    let columns = columns.join(", ");
    let sql = format!(
        "SELECT {columns} FROM sessions WHERE judgement IN
             (SELECT {id} {from} GROUP BY started, {id} ORDER BY started DESC, {id} DESC LIMIT ?)
         ORDER BY started DESC, judgement DESC"
    );
    (sql, values)
}
