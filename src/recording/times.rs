//! Dates and times of day as programs write them.

use chrono::{DateTime, NaiveDateTime};

/// A date and time as a file writes it.
pub(super) struct WrittenTime {
    /// Read as UTC where it states no zone.
    pub unix_s: f64,
    pub states_zone: bool,
}

pub(super) fn absolute_time(text: &str) -> Option<WrittenTime> {
    let seconds = |millis: i64| millis as f64 / 1000.0;
    if let Ok(time) = DateTime::parse_from_rfc3339(text) {
        return Some(WrittenTime { unix_s: seconds(time.timestamp_millis()), states_zone: true });
    }
    let naive = ["%Y-%m-%dT%H:%M:%S%.f", "%Y-%m-%d %H:%M:%S%.f", "%Y/%m/%d %H:%M:%S%.f", "%d.%m.%Y %H:%M:%S%.f"];
    let time = first_form(text, &naive).or_else(|| slashed(text, DAY_FIRST)).or_else(|| slashed(text, MONTH_FIRST))?;
    Some(WrittenTime { unix_s: seconds(time.and_utc().timestamp_millis()), states_zone: false })
}

const DAY_FIRST: [&str; 2] = ["%d/%m/%Y %H:%M:%S%.f", "%d/%m/%Y %I:%M:%S%.f %p"];
const MONTH_FIRST: [&str; 2] = ["%m/%d/%Y %H:%M:%S%.f", "%m/%d/%Y %I:%M:%S%.f %p"];

fn first_form(text: &str, forms: &[&str]) -> Option<NaiveDateTime> {
    forms.iter().find_map(|form| NaiveDateTime::parse_from_str(text, form).ok())
}

fn slashed(text: &str, forms: [&str; 2]) -> Option<NaiveDateTime> {
    text.contains('/').then(|| first_form(text, &forms))?
}

/// Whether a date may be two: `05/06/2026` is in May or in June.
pub(super) fn has_two_dates(text: &str) -> bool {
    let (day_first, month_first) = (slashed(text, DAY_FIRST), slashed(text, MONTH_FIRST));
    day_first.zip(month_first).is_some_and(|(one, other)| one != other)
}

/// Seconds of `1:02:03.5` or `02:03`.
pub(super) fn clock_text(text: &str) -> Option<f64> {
    let parts: Vec<&str> = text.split(':').collect();
    if !matches!(parts.len(), 2 | 3) || !text.starts_with(|c: char| c.is_ascii_digit()) {
        return None;
    }
    let (last, before) = parts.split_last()?;
    let whole = before.iter().try_fold(0.0, |sum, part| Some(sum * 60.0 + f64::from(part.parse::<u32>().ok()?)))?;
    let seconds: f64 = last.replacen(',', ".", 1).parse().ok()?;
    (0.0..60.0).contains(&seconds).then_some(whole * 60.0 + seconds)
}
