//! Judged sessions side by side: units, firmware versions, testers, trainers or days under one protocol. Takes verdict files
//! and gives a [`Comparison`], which reports read.
//!
//! ```text
//! verdict.json… ─▶ read ▶ gather (groups, rows, what sessions share) ▶ matrix and questions (pool, differ) ▶ assemble
//! ```
//!
//! A session's error is what it measures of the specimen, a draw of its own (scatter, rounding, sampling phase), a draw
//! of the session (mounting, warmth), and draws that it shares with others: a reference's gain comes again in every
//! session with that reference, and averages out over none of them. Each uncertainty here is that of a sum of sessions
//! with weights ([`pool::PooledVariance`]): own draws add by their squares, shared ones by their weights first.

mod assemble;
mod comparison;
mod differ;
mod gather;
mod matrix;
mod names;
mod pool;
mod questions;
mod read;
mod rows;
mod season;
mod shared;
mod told_apart;
mod unpooled;

pub use comparison::{
    Answer, COMPARISON_FORMAT, Cell, ComparedProtocol, ComparedSession, Comparison, Difference, Figure, Group,
    Grouping, Question, Row, Scatter, Tally,
};
pub use read::{CompareError, VerdictFile, from_json, read_all};
pub use unpooled::RowSubject;

/// Compares judged sessions of one protocol. The order of the files changes nothing.
///
/// # Errors
/// Fewer than two sessions, verdicts without a protocol, or of more than one protocol.
pub fn compare(given: Vec<VerdictFile>, by: Grouping) -> Result<Comparison, CompareError> {
    let season = gather::season(given, by)?;
    let matrix = matrix::of(&season);
    let questions = questions::ask(&season);
    Ok(season.comparison(matrix, questions))
}
