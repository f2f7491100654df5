//! Times of day as people type them.

use std::fmt;

use chrono::{NaiveDate, NaiveTime};

/// `2026-03-02`: four digits, two and two. Shorter forms (`2026-3-2`) are read by nobody else in the same way.
pub(crate) fn date(text: &str) -> Option<NaiveDate> {
    let form = |(at, byte): (usize, u8)| if matches!(at, 4 | 7) { byte == b'-' } else { byte.is_ascii_digit() };
    let right = text.len() == 10 && text.bytes().enumerate().all(form);
    NaiveDate::parse_from_str(text, "%Y-%m-%d").ok().filter(|_| right)
}

/// A time of day as typed, or a full date and time.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ClockTime {
    pub date: Option<chrono::NaiveDate>,
    pub time: chrono::NaiveTime,
    /// `Z` or an offset was written; otherwise the ride's UTC day is assumed, aloud.
    pub offset_s: Option<i32>,
}

impl fmt::Display for ClockTime {
    /// As it is typed.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some(date) = self.date {
            write!(f, "{}T", date.format("%Y-%m-%d"))?;
        }
        write!(f, "{}", self.time.format("%H:%M:%S%.f"))?;
        match self.offset_s {
            None => Ok(()),
            Some(0) => f.write_str("Z"),
            Some(offset_s) => {
                let (sign, minutes) = (if offset_s < 0 { '-' } else { '+' }, offset_s.abs() / 60);
                write!(f, "{sign}{:02}:{:02}", minutes / 60, minutes % 60)
            }
        }
    }
}

/// `14:32:10`, `14:32`, `2026-11-03 14:32:10`, `2026-11-03T14:32:10Z`, `14:32:10+01:00`.
pub(super) fn clock_time(text: &str) -> Option<ClockTime> {
    let (date, rest) = match text.split_once(['T', ' ']) {
        Some((date, rest)) => (Some(self::date(date)?), rest.trim()),
        None => (None, text),
    };
    let (time, offset_s) = match rest.find(['Z', '+', '-']) {
        Some(at) => (&rest[..at], Some(offset(&rest[at..])?)),
        None => (rest, None),
    };
    let time = ["%H:%M:%S%.f", "%H:%M"].iter().find_map(|form| NaiveTime::parse_from_str(time.trim(), form).ok())?;
    Some(ClockTime { date, time, offset_s })
}

/// Seconds east of Greenwich: `Z`, `+01:00`, `-0330`.
fn offset(text: &str) -> Option<i32> {
    if text == "Z" {
        return Some(0);
    }
    let sign = if text.starts_with('-') { -1 } else { 1 };
    let digits: String = text[1..].chars().filter(|c| *c != ':').collect();
    if digits.len() != 4 || !digits.bytes().all(|b| b.is_ascii_digit()) {
        return None;
    }
    let (hours, minutes) = (digits[..2].parse::<i32>().ok()?, digits[2..].parse::<i32>().ok()?);
    (hours <= 14 && minutes < 60).then_some(sign * (hours * 3600 + minutes * 60))
}

/// Whether two times can bound a stretch; unlike dates or offsets are left for the ride to tell.
pub(super) fn in_order(from: &ClockTime, to: &ClockTime) -> bool {
    from.date != to.date || from.offset_s != to.offset_s || from.time < to.time
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_date_has_one_form() {
        assert_eq!(date("2026-03-02"), NaiveDate::from_ymd_opt(2026, 3, 2));
        assert_eq!(date("2028-02-29"), NaiveDate::from_ymd_opt(2028, 2, 29));
        for wrong in ["2026-3-2", "2026-03-2", "26-03-02", "02.03.2026", "2026/03/02", "2026-02-29", "+026-03-02", ""] {
            assert_eq!(date(wrong), None, "{wrong}");
        }
    }

    #[test]
    fn times_are_read_with_and_without_date_and_offset() {
        let hms = |h, m, s| NaiveTime::from_hms_opt(h, m, s).unwrap();
        let time = clock_time("14:32:10").unwrap();
        assert_eq!((time.date, time.time, time.offset_s), (None, hms(14, 32, 10), None));
        assert_eq!(clock_time("14:32").unwrap().time, hms(14, 32, 0));
        let full = clock_time("2026-11-03T14:32:10+01:30").unwrap();
        assert_eq!((full.date, full.offset_s), (NaiveDate::from_ymd_opt(2026, 11, 3), Some(5400)));
        assert_eq!(clock_time("2026-11-03 14:32:10Z").unwrap().offset_s, Some(0));
        assert_eq!(clock_time("14:32:10-03:30").unwrap().offset_s, Some(-12600));
        for wrong in ["25:00:00", "14.32", "14:32:10+1", "today", "", "2026-13-01 10:00", "2026-1-2 10:00"] {
            assert_eq!(clock_time(wrong), None, "{wrong}");
        }
        for typed in ["14:32:10", "14:32:10.500", "2026-11-03T14:32:10+01:30", "14:32:10-03:30", "2026-11-03T14:32:10Z"]
        {
            assert_eq!(clock_time(typed).unwrap().to_string(), typed);
        }
    }
}
