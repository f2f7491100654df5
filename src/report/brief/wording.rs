//! Lengths, times and asks in the words of a run sheet.

use crate::brief::{Step, StepAction, StepLength};
use crate::protocol::trim;
use crate::quantity::Range;
use crate::words;

/// `4 min`, `6 to 12 s`, `at least 4 min`; a dash where nothing is said.
pub fn lasts(lasts: &StepLength) -> String {
    match (lasts.asked_s, lasts.planned_s) {
        (Some(range), _) => range_s(&range),
        // Nobody asked for it: to 5 s.
        (None, Some(planned_s)) => {
            let about_s = (planned_s / 5.0).round() * 5.0;
            format!("about {}", range_s(&Range::between(about_s, about_s)))
        }
        (None, None) => "–".to_owned(),
    }
}

/// In minutes where both ends are two minutes or more, or whole ones; else in seconds.
pub fn range_s(range: &Range) -> String {
    let ends: Vec<f64> = range.low.into_iter().chain(range.high).collect();
    let in_minutes = |s: &f64| (*s >= 120.0 && s % 6.0 == 0.0) || (*s >= 60.0 && s % 60.0 == 0.0);
    let (size, unit) = if ends.iter().all(in_minutes) { (60.0, "min") } else { (1.0, "s") };
    let n = |s: f64| trim((s / size * 10.0).round() / 10.0);
    match (range.low, range.high) {
        (Some(low), Some(high)) if low == high => format!("{} {unit}", n(low)),
        (Some(low), Some(high)) => format!("{} to {} {unit}", n(low), n(high)),
        (Some(low), None) => format!("at least {} {unit}", n(low)),
        (None, Some(high)) => format!("at most {} {unit}", n(high)),
        (None, None) => "–".to_owned(),
    }
}

/// `9:05`, `1:03:30`: as a head unit shows it.
pub fn clock(at_s: f64) -> String {
    let s = at_s.round() as u64;
    match s / 3600 {
        0 => format!("{}:{:02}", s / 60, s % 60),
        hours => format!("{hours}:{:02}:{:02}", s / 60 % 60, s % 60),
    }
}

/// `1 h 8 min`, `68 min`: to the minute.
pub fn about(length_s: f64) -> String {
    format!("{} min", (length_s / 60.0).round())
}

/// What a step is called on the sheet, with its posture: `Sprint standing`.
pub fn does(step: &Step) -> String {
    let act = match step.act {
        StepAction::Coast => "Coast, feet still".to_owned(),
        StepAction::Recover | StepAction::Ride => "Easy riding".to_owned(),
        StepAction::Block => "Steady".to_owned(),
        act => words::capital(act.word()),
    };
    match posture(step) {
        Some(posture) => format!("{act} {posture}"),
        None => act,
    }
}

/// The posture that a step asks for, where it is scored.
pub fn posture(step: &Step) -> Option<&'static str> {
    step.posture.filter(|_| step.act.is_scored()).map(|posture| posture.word())
}

/// `80 to 95 rpm`, `at least 50 rpm`.
pub fn span(range: &Range, unit: &str) -> Option<String> {
    crate::brief::spoken(range, unit)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lengths_are_in_the_unit_that_reads_best() {
        let said = |low: f64, high: f64| range_s(&Range::between(low, high));
        assert_eq!(said(240.0, 240.0), "4 min");
        assert_eq!(said(90.0, 180.0), "90 to 180 s");
        assert_eq!(said(60.0, 75.0), "60 to 75 s");
        assert_eq!(said(60.0, 60.0), "1 min");
        assert_eq!(said(240.0, 270.0), "4 to 4.5 min");
        assert_eq!(said(2400.0, 2700.0), "40 to 45 min");
        assert_eq!(range_s(&Range::at_least(240.0)), "at least 4 min");
        assert_eq!([clock(65.0), clock(3810.0)], ["1:05", "1:03:30"]);
    }
}
