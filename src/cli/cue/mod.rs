//! `assize cue`: a session run live. Takes keys from a terminal or a script and a clock, and gives a screen and a marks file;
//! what is shown and marked when is [`crate::cue`]'s, which knows neither.

mod command;
mod marks_file;
mod script;
mod setup;
mod terminal;

pub use command::{CueArgs, run};
