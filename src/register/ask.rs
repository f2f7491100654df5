//! Questions in SQL, which may only read, and only the documented views.

use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use rusqlite::hooks::{AuthAction, AuthContext, Authorization};
use rusqlite::types::Value;
use rusqlite::{ErrorCode, limits::Limit};

use super::open::{Register, RegisterError};
use super::schema::{PARTS, TABLES, VIEWS};

/// How far a question may go.
#[derive(Debug, Clone, Copy)]
pub struct Limits {
    pub time: Duration,
    /// Lines of the answer; more are left off, and the answer says so.
    pub lines: usize,
}

/// Columns and lines; `more`: there were more than were asked for.
#[derive(Debug, Clone, PartialEq)]
pub struct Answer {
    pub heads: Vec<String>,
    pub lines: Vec<Vec<Value>>,
    pub more: bool,
}

/// Why a question has no answer.
#[derive(Debug, thiserror::Error)]
pub enum AskError {
    #[error(transparent)]
    Register(#[from] RegisterError),
    #[error("nothing was asked; write one SELECT, as in: {}", VIEWS[0].question)]
    Nothing,
    #[error("only one statement at a time; ask the others after it")]
    Several,
    #[error(
        "a question only reads, and this would {0}; write one SELECT on the views that `assize register ask --views` lists"
    )]
    NotReading(String),
    #[error(
        "the question was stopped after {0:?}; narrow it by `WHERE unit = …` or a day, or give it longer with --seconds"
    )]
    TooLong(Duration),
    #[error("a value of this question is too large; let it make smaller ones")]
    TooLarge,
    #[error("{0}; `assize register ask --views` lists views and columns")]
    Wrong(String),
}

/// Virtual machine steps between two looks at the clock; far under a millisecond.
const STEPS_BETWEEN_LOOKS: i32 = 10_000;
/// A question is short and so is what stands in a cell; what is longer is a mistake or wants to use up the memory.
const LONGEST_QUESTION_BYTES: i32 = 100_000;
const LARGEST_VALUE_BYTES: i32 = 16 << 20;

impl Register {
    /// Answers one reading statement on the [`VIEWS`] of a register opened by [`Register::open_to_read`].
    ///
    /// The connection can't write; the authoriser refuses all that does not read (other files, settings, changes) and the
    /// tables behind the views, which are no interface.
    ///
    /// # Errors
    /// Where it does not read, is no SQL, takes too long, or the register can't be read.
    pub fn ask(&mut self, question: &str, limits: Limits) -> Result<Answer, AskError> {
        let refused: Arc<Mutex<Option<String>>> = Arc::default();
        let note = Arc::clone(&refused);
        let authoriser = move |context: AuthContext<'_>| match refusal(&context) {
            None => Authorization::Allow,
            Some(would) => {
                if let Ok(mut note) = note.lock() {
                    note.get_or_insert(would);
                }
                Authorization::Deny
            }
        };
        let until = Instant::now() + limits.time;
        let set = |db: &mut rusqlite::Connection| -> rusqlite::Result<()> {
            db.set_limit(Limit::SQLITE_LIMIT_SQL_LENGTH, LONGEST_QUESTION_BYTES)?;
            db.set_limit(Limit::SQLITE_LIMIT_LENGTH, LARGEST_VALUE_BYTES)?;
            db.set_limit(Limit::SQLITE_LIMIT_ATTACHED, 0)?;
            db.progress_handler(STEPS_BETWEEN_LOOKS, Some(move || Instant::now() >= until))?;
            db.authorizer(Some(authoriser))
        };
        set(&mut self.db).map_err(|error| RegisterError { file: self.file.clone(), kind: error.into() })?;
        let answer = self.answer(question, limits.lines);
        let free = |db: &mut rusqlite::Connection| -> rusqlite::Result<()> {
            db.authorizer(None::<fn(AuthContext<'_>) -> Authorization>)?;
            db.progress_handler(0, None::<fn() -> bool>)
        };
        free(&mut self.db).map_err(|error| self.error(error))?;
        let would = refused.lock().ok().and_then(|mut would| would.take());
        answer.map_err(|error| match (error, would) {
            (_, Some(would)) => AskError::NotReading(would),
            (Stopped::Wrong(error), None) => self.why(error, limits),
            (Stopped::Writes, None) => AskError::NotReading("change something".to_owned()),
        })
    }

    fn answer(&self, question: &str, most: usize) -> Result<Answer, Stopped> {
        let mut statement = self.db.prepare(question)?;
        if !statement.readonly() {
            return Err(Stopped::Writes);
        }
        let heads: Vec<String> = statement.column_names().map(str::to_owned).collect();
        let (mut lines, mut more) = (vec![], false);
        let mut rows = statement.query([])?;
        while let Some(row) = rows.next()? {
            if lines.len() == most {
                more = true;
                break;
            }
            lines.push((0..heads.len()).map(|i| row.get(i)).collect::<rusqlite::Result<_>>()?);
        }
        Ok(Answer { heads, lines, more })
    }

    fn why(&self, error: rusqlite::Error, limits: Limits) -> AskError {
        match error {
            rusqlite::Error::MultipleStatement => return AskError::Several,
            rusqlite::Error::Empty => return AskError::Nothing,
            _ => {}
        }
        match error.sqlite_error_code() {
            Some(ErrorCode::OperationInterrupted) => AskError::TooLong(limits.time),
            Some(ErrorCode::TooBig | ErrorCode::OutOfMemory) => AskError::TooLarge,
            Some(ErrorCode::ReadOnly) => AskError::NotReading("change something".to_owned()),
            Some(ErrorCode::Unknown) | None => AskError::Wrong(message(&error)),
            Some(_) => AskError::Register(self.error(error)),
        }
    }
}

enum Stopped {
    Writes,
    Wrong(rusqlite::Error),
}

impl From<rusqlite::Error> for Stopped {
    fn from(error: rusqlite::Error) -> Self {
        Self::Wrong(error)
    }
}

/// What the database says of it, without the library's frame.
fn message(error: &rusqlite::Error) -> String {
    match error {
        rusqlite::Error::SqlInputError { msg, sql, offset, .. } => {
            let at = usize::try_from(*offset).ok().and_then(|offset| sql.get(offset..));
            let at = at.and_then(|rest| rest.split_whitespace().next());
            at.map_or_else(|| msg.clone(), |word| format!("{msg}, at `{word}`"))
        }
        rusqlite::Error::SqliteFailure(_, Some(message)) => message.clone(),
        other => other.to_string(),
    }
}

/// Settings that only tell what is there.
const TELLING: [&str; 4] = ["table_info", "table_xinfo", "table_list", "function_list"];

/// What a step of a statement would do that a question may not; `None` where it reads.
fn refusal(context: &AuthContext<'_>) -> Option<String> {
    let view = |name: &str| VIEWS.iter().any(|view| view.name.eq_ignore_ascii_case(name));
    match context.action {
        AuthAction::Select | AuthAction::Recursive => None,
        AuthAction::Read { table_name, column_name } => {
            // Without a column: that a table is looked at at all, as a view does whose columns nobody asks for.
            let beneath = !column_name.is_empty() && TABLES.iter().chain(&PARTS).any(|table| *table == table_name);
            (beneath && !context.accessor.is_some_and(view))
                .then(|| format!("read `{table_name}`, which is no view and may change with any version"))
        }
        AuthAction::Function { function_name } => {
            function_name.eq_ignore_ascii_case("load_extension").then(|| "load a program from a file".to_owned())
        }
        AuthAction::Pragma { pragma_name, .. } => {
            let tells = TELLING.iter().any(|name| name.eq_ignore_ascii_case(pragma_name));
            (!tells).then(|| format!("use the setting `{pragma_name}`"))
        }
        AuthAction::Attach { .. } | AuthAction::Detach { .. } => Some("open another file (ATTACH)".to_owned()),
        AuthAction::Insert { table_name }
        | AuthAction::Delete { table_name }
        | AuthAction::Update { table_name, .. }
            if !table_name.starts_with("sqlite_") =>
        {
            Some(format!("change `{table_name}`"))
        }
        AuthAction::DropTable { table_name } | AuthAction::AlterTable { table_name, .. } => {
            Some(format!("change `{table_name}`"))
        }
        AuthAction::DropView { view_name } => Some(format!("drop `{view_name}`")),
        AuthAction::Transaction { .. } | AuthAction::Savepoint { .. } => Some("open a transaction".to_owned()),
        _ => Some("change the register".to_owned()),
    }
}
