//! A season's verdicts in one file: kept whole, found again by what they are of, asked by SQL.
//!
//! Takes verdict files as [`VerdictDocument`]s and gives them back byte for byte (gzip, see [`Register::document`]), lists of
//! sessions, and answers to SQL. The file is an SQLite database: the newest judgement of each session is also in tables that
//! the documented [`VIEWS`] show. `open.rs` says what survives a crash, `add.rs` what one session is and which judgement of it
//! is the newest.

mod add;
mod ask;
#[cfg(feature = "internals")]
mod audit;
mod document;
mod export;
mod find;
mod open;
mod rejudge;
mod schema;

pub use add::Added;
pub use ask::{Answer, AskError, Limits};
pub use document::{DocumentError, VerdictDocument};
pub use export::Moment;
pub use find::{Filters, KeptJudgement, SheetError, SheetJudgements};
pub use open::{Register, RegisterError, RegisterErrorKind};
pub use rejudge::{NotRejudged, RejudgeOutcome};
pub use rusqlite::types::Value;
pub use schema::{Column, VIEWS, View};
