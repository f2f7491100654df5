//! What a session is run with, whoever presses the keys.

use chrono::{DateTime, Utc};

use crate::cue::{CharacterSet, Key, MarksWriter, Prompter, View, press, screen};

/// What a session is run with.
pub(super) struct CueSetup<'a> {
    pub prompter: &'a mut Prompter,
    pub keeper: &'a mut MarksWriter,
    pub letters: CharacterSet,
    pub name: String,
}

impl CueSetup<'_> {
    pub fn tick(&mut self, now: DateTime<Utc>) {
        let marks = self.prompter.tick(now);
        self.keeper.keep(&marks);
    }

    pub fn press(&mut self, key: Key, now: DateTime<Utc>, size: (usize, usize)) {
        let marks = press(self.prompter, key, now, size);
        self.keeper.keep(&marks);
    }

    pub fn view(&self, now: DateTime<Utc>) -> View<'_> {
        let (marks, written, trouble) = (self.name.as_str(), self.keeper.written(), self.keeper.trouble());
        View { now, letters: self.letters, marks, written, trouble }
    }

    pub fn picture(&self, now: DateTime<Utc>, (width, height): (usize, usize)) -> Vec<String> {
        screen(self.prompter, &self.view(now), width, height)
    }
}
