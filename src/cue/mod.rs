//! The session run live: what the rider does now and next, how long still, and marks of what was done.
//!
//! [`Prompter`] is the state: it takes keys and the time and gives marks. [`screen()`] is a picture of it. [`MarksWriter`] writes
//! marks, each at once. Nothing here reads a clock or a key: a terminal does that, or a [`ScriptLine`].

mod glyphs;
mod keeper;
mod key;
mod prompter;
mod screen;
mod script;
#[cfg(test)]
mod tests;

pub use keeper::MarksWriter;
pub use key::Key;
pub use prompter::{Prompter, Stage};
pub use screen::{CharacterSet, View, opening_lines, plain_line, press, screen};
pub use script::{ScriptLine, ScriptRequest};
