//! What a command came to, as the program's exit code says it.

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
