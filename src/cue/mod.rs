//! The session run live: what the rider does now and next, how long still, and marks of what was done.
//!
//! [`Prompter`] is the state: it takes keys and the time and gives marks. [`screen`] is a picture of it. [`Keeper`] writes
//! marks, each at once. Nothing here reads a clock or a key: a terminal does that, or a [`Script`].

mod glyphs;
mod keeper;
mod prompter;
mod screen;
mod script;

pub use keeper::{KeepError, Keeper};
pub use prompter::{Key, Now, Prompter, Stage};
pub use screen::{Letters, View, opening_lines, plain_line, press, screen};
pub use script::{Asked, Script, ScriptError};
