//! A session file to fill in, from recordings: what they say is filled in, `?` stands where only a person knows.
//!
//! Takes recordings, and a protocol if there is one, and gives a file's text. `rides.rs` says which recordings belong
//! together, `instruments.rs` what they say of instruments, `lines.rs` writes it down.

mod instruments;
mod lines;
mod rides;
mod texts;
mod write;

pub(crate) use rides::restarts;
pub(crate) use texts::relative;
pub use write::{Draft, draft};
