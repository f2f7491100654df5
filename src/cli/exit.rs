//! What a command came to, as the program's exit code says it.

use crate::text::safe_lines;

/// What the program's exit code says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Exit {
    /// Done, or judged `pass`: 0.
    Done,
    /// Judged `fail`, a checked file has mistakes, or a verified verdict differs: 1.
    Fail,
    /// Could not judge or verify (usage or input): 2.
    CouldNotJudge,
    /// Judged `undecided`: 3.
    Undecided,
}

impl Exit {
    pub fn code(self) -> u8 {
        match self {
            Exit::Done => 0,
            Exit::Fail => 1,
            Exit::CouldNotJudge => 2,
            Exit::Undecided => 3,
        }
    }
}

/// Lines of text without what steers a terminal.
pub fn shown_safely(text: &str) -> String {
    safe_lines(text)
}

/// What went wrong, as a terminal may show it: names and texts in it come from files.
pub fn told(error: &anyhow::Error) -> String {
    safe_lines(&format!("{error:#}"))
}

/// Says on standard error what went wrong, or what else there is to say beside an output.
pub(super) fn say_aside(sentence: &str) {
    eprintln!("{}", safe_lines(sentence));
}
