//! The verdict on one unit of one session: the one struct that every report reads, and its JSON.
//!
//! Takes what was matched, scored, decided and diagnosed (`Case`); gives [`Verdict`]. Words are made here, once; whoever
//! branches on a verdict asks it in types (`is_of`, `kind`, `named`, …).

mod assemble;
mod case;
mod check;
mod facts;
pub mod json;
mod model;
mod premise_words;
mod prose;
mod reasons;
mod typed;
mod walk;

pub use crate::decide::{Outcome, RateInterval};
pub(crate) use case::Case;
#[cfg(test)]
pub(crate) use check::check_verdict;
pub use model::*;
pub(crate) use premise_words::premise_evidence;
pub use typed::Contradiction;
pub use walk::{CheckOf, PlacedCheck};
