//! Times that a person typed, in session seconds.

use crate::ride::Ride;
use crate::session::ClockTime;

/// Session seconds of a typed time; without a date, the day on which it is nearest to the ride's middle.
pub(super) fn session_seconds(ride: &Ride, at: &ClockTime) -> f64 {
    const DAY_S: f64 = 86_400.0;
    let day = at.date.unwrap_or_else(|| ride.start.date_naive());
    let utc = day.and_time(at.time).and_utc();
    let session_s = (utc - ride.start).num_milliseconds() as f64 / 1000.0 - f64::from(at.offset_s.unwrap_or(0));
    if at.date.is_some() {
        return session_s;
    }
    let middle_s = ride.length_s as f64 / 2.0;
    session_s - DAY_S * ((session_s - middle_s) / DAY_S).round()
}
