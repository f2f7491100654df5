//! What is said of a recording's clock, one sentence each.

use chrono::{DateTime, TimeDelta, Utc};

use super::combine::UnsteadyWindow;
use crate::ride::{AlignedOn, Clock, DisagreeingChannel};

/// Who is spoken of: the instrument, and the first reference, whose clock is the session's.
#[derive(Clone, Copy)]
pub(super) struct About<'a> {
    pub label: &'a str,
    pub first: &'a str,
    /// Session second 0.
    pub start: DateTime<Utc>,
}

impl About<'_> {
    fn utc(&self, session_s: f64) -> String {
        (self.start + TimeDelta::seconds(session_s as i64)).format("%H:%M:%S").to_string()
    }

    /// `share` is of seconds in which neither changes.
    pub fn not_the_same(&self, on: AlignedOn, share: f64) -> String {
        format!(
            "{}: its {on} is not the one recorded with {} (the same in {:.0} % of seconds in which neither \
             changes), so it was not used",
            self.label,
            self.first,
            100.0 * share,
            on = on.word(),
        )
    }

    pub fn changes_too_little(&self, on: AlignedOn) -> String {
        format!(
            "{}: its {} and that recorded with {} change too little, or not at the same time, so it was not used",
            self.label,
            on.word(),
            self.first
        )
    }

    pub fn channels_apart(&self, taken: AlignedOn, other: &DisagreeingChannel) -> String {
        let word = taken.word();
        format!(
            "{}: its {word} and its {} put its clock {:.1} s apart; the {word} was gone by",
            self.label,
            other.on.word(),
            other.apart_s.abs()
        )
    }

    /// A clock that is off by more than clocks that were set.
    pub fn set_wrong(&self, clock: &Clock) -> String {
        let way = if clock.offset_s > 0.0 { "behind" } else { "ahead of" };
        format!(
            "{}: its clock ran {} {way} that of {}; the {} says so",
            self.label,
            spoken(clock.offset_s.abs()),
            self.first,
            clock.aligned_on.word()
        )
    }

    /// A clock that was put right at a session time.
    pub fn put_right(&self, on: AlignedOn, at_s: f64, by_s: f64) -> String {
        let way = if by_s > 0.0 { "back" } else { "forward" };
        format!(
            "{}: its clock was put {way} by {:.1} s around {} UTC; the {} says so, and it was followed",
            self.label,
            by_s.abs(),
            self.utc(at_s),
            on.word()
        )
    }

    pub fn unsteady(&self, on: AlignedOn, window: &UnsteadyWindow) -> String {
        format!(
            "{}: no steady clock: around {} UTC its {} is {:.1} s off from what the rest says",
            self.label,
            self.utc(window.at_s),
            on.word(),
            window.off_s
        )
    }

    pub fn by_power(&self) -> String {
        format!(
            "{}: aligned with {} on power, the last resort: a constant lag can't be told from a clock \
             offset; let all head units record one heart-rate strap",
            self.label, self.first
        )
    }

    pub fn by_stamps(&self) -> String {
        format!(
            "{}: nothing in common with {} to align on; its time stamps are taken as they are",
            self.label, self.first
        )
    }

    pub fn no_time_of_day(&self) -> String {
        format!(
            "{}: no time of day and nothing in common with {} to align on; both are taken to start together",
            self.label, self.first
        )
    }
}

/// `3 h 0 min 4 s`
fn spoken(time_s: f64) -> String {
    let s = time_s.round() as u64;
    let hours = if s >= 3600 { format!("{} h ", s / 3600) } else { String::new() };
    format!("{hours}{} min {} s", s / 60 % 60, s % 60)
}
