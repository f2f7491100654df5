//! The state of a session that is run live: keys and the time go in, marks come out.
//!
//! It takes a protocol, and the marks of a run that was broken off. `state.rs` says where the session is, `keys.rs` what a
//! key or the time does, `added.rs` puts in another repeat, `resume.rs` goes on where marks end.

mod added;
mod keys;
mod resume;
mod state;
#[cfg(test)]
mod tests;

pub use state::{PresentStep, Prompter, SessionTotals, Stage};
