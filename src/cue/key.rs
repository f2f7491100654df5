//! The keys that run a session.

/// What the tester's keys mean.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Key {
    /// On to the next step; begins the session, and goes on after a pause.
    Next,
    /// The present or last repeat is spoiled, or is not after all.
    Spoiled,
    /// One more repeat of the present phase.
    Add,
    Pause,
    /// Back by one step.
    Back,
    /// Asks whether to stop.
    Quit,
    Yes,
    No,
}

impl Key {
    /// The key that is pressed, by its letter or `space`.
    pub fn from_word(word: &str) -> Option<Self> {
        Some(match word {
            "space" => Key::Next,
            "s" => Key::Spoiled,
            "a" => Key::Add,
            "p" => Key::Pause,
            "b" => Key::Back,
            "q" => Key::Quit,
            "y" => Key::Yes,
            "n" => Key::No,
            _ => return None,
        })
    }
}
