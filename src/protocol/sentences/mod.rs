//! The sentences of the language: quantities, ranges, limits, selectors.
//!
//! Takes one text at a time and gives the value that it stands for, or a [`TextMistake`] that says which characters are
//! wrong, what was expected and what to write instead. Each reader takes what it understands from the front of a
//! [`TextReader`]. `print.rs` goes the other way: what is printed is read back to the same value.

mod limits;
pub(super) mod plausible;
pub(super) mod print;
pub(super) mod quantities;
pub(super) mod reader;
pub(super) mod selectors;
mod units;

#[cfg(test)]
mod tests;
