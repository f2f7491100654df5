//! A season's verdicts in one file: kept whole, found again by what they are of, asked by SQL.
//!
//! The file is an SQLite database. A verdict is kept byte for byte (gzip, see [`Register::document`]) and, of the newest
//! judgement of each session, in tables that the documented [`VIEWS`] show.
//!
//! **A session** is what was ridden: the unit's label, the recordings by hash, the protocol by hash
//! ([`VerdictDocument::identity`]). Every other judgement of it, by another program version or from a corrected session file,
//! supersedes the one before; which is newest is decided by the order of adding, as a verdict says nothing of when it was
//! judged. The older stays readable.
//!
//! **Crashes.** Each verdict is one transaction. The journal is SQLite's rollback journal, not the write-ahead log: the
//! register stays one file, which may be copied while nobody writes and lie on a shared folder, and readers need not
//! write beside it. `synchronous = EXTRA` also syncs the folder once the journal is gone, so that what was said to be kept
//! is still kept after a power cut, not only after a crash.

mod add;
mod ask;
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
