//! CSV tables: delimiter, header and times as they come.
//!
//! Takes a text and gives its rows. `header.rs` finds the line that names the columns, `table.rs` reads what is below it.

mod header;
mod table;

#[cfg(test)]
mod tests;

pub(super) use table::read;
