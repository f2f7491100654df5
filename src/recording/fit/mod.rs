//! FIT files: parts, checksums, lengths and layouts here, values by `fitparser`, message by message.
//!
//! Takes a file's bytes and gives its rows and whatever else it says, also of a damaged one. `part.rs` finds the parts of a
//! chained file, `layout.rs` what its messages are made of, `decoder.rs` their values, `fields.rs` puts those into the
//! profile's units; `record.rs`, `ride.rs` and `devices.rs` take from each kind of message what it is for.
//!
//! `fitparser` is given only the messages that something is taken from, and its profile is not applied, which would
//! take three quarters of its time. Each layout is declared to it anew, so that it never meets what it can't read: it
//! writes to standard error of a size that is no multiple of its type's, loses its place at a developer field without
//! a description, and drops a text that is no UTF-8. Names, units, scales and offsets are looked up in the table of
//! `rustyfit`, which writes FIT in `rehearse`; its decoder is not used.

mod decoder;
mod devices;
mod fields;
mod layout;
mod named;
mod part;
mod read;
mod reader;
mod record;
mod ride;
pub(super) mod times;

#[cfg(test)]
mod damage_tests;
#[cfg(test)]
mod tests;

pub(super) use part::is_fit;
pub(super) use read::read;
