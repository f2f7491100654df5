//! What many rehearsals showed: for the terminal, as CSV and as a page. Takes a [`crate::trials::TrialsSummary`] and advice, gives
//! texts; `wording.rs` holds how shares, sizes and faults are told in all of them.

mod advice;
mod curves;
#[cfg(test)]
mod example;
mod lines;
mod page;
mod terminal;
mod wording;

pub use advice::{spared, wanted};
pub use lines::csv;
pub use page::page;
pub use terminal::table;
