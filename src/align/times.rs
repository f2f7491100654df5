//! Times in seconds: of the session, of a recording.

use chrono::{DateTime, Datelike, Days, TimeDelta, Utc};

use crate::recording::Recording;
use crate::session::ClockTime;

/// A longer ride has a wrong stamp in it. Common practice, no source.
pub(super) const LONGEST_S: usize = 48 * 3600;

/// FIT counts from the last day of 1989 (public FIT profile, type `date_time`), so that a stamp before that year is of no
/// clock: recordings without dates begin at the Unix epoch.
const FIRST_YEAR_OF_CLOCKS: i32 = 1989;

/// A typed time in session seconds; without a date, on the day that brings it nearest to the start. Without an offset
/// it is UTC.
pub fn session_seconds(at: &ClockTime, start: DateTime<Utc>) -> f64 {
    let offset = TimeDelta::seconds(i64::from(at.offset_s.unwrap_or(0)));
    let on = |date: chrono::NaiveDate| seconds(date.and_time(at.time).and_utc() - offset - start);
    match at.date {
        Some(date) => on(date),
        None => {
            let today = start.date_naive();
            let days = [Some(today), today.checked_sub_days(Days::new(1)), today.checked_add_days(Days::new(1))];
            let all = days.into_iter().flatten().map(on);
            all.min_by(|a, b| a.abs().total_cmp(&b.abs())).unwrap_or_else(|| on(today))
        }
    }
}

pub(super) fn seconds(delta: TimeDelta) -> f64 {
    delta.num_seconds() as f64 + f64::from(delta.subsec_nanos()) * 1e-9
}

/// Time of a recording's last sample since its start.
pub(super) fn last_s(recording: &Recording) -> f64 {
    recording.samples.time_s.last().copied().unwrap_or(0.0)
}

/// Whether a recording counts from its own start and tells no time of day.
pub(super) fn is_relative(recording: &Recording) -> bool {
    recording.start.year() < FIRST_YEAR_OF_CLOCKS
}
