//! What axes and keys say.

use chrono::{TimeDelta, Timelike};

use crate::report::picture::Key;
use crate::report::svg;
use crate::ride::Ride;
use crate::verdict::CheckVerdict;
use crate::words;

/// The unit and its references by their lines.
pub(super) fn instrument_keys(ride: &Ride) -> Vec<Key> {
    let mut keys = vec![Key::line(svg::UNIT, format!("{} (unit)", ride.unit.label))];
    let references = ride.references.iter().enumerate();
    keys.extend(references.map(|(i, r)| Key::line(svg::reference_look(i), r.trace.label.as_str())));
    keys
}

/// About `most` round times of day, UTC.
pub(super) fn clock_labels(ride: &Ride, from_s: f64, to_s: f64, most: usize) -> Vec<(f64, String)> {
    let midnight_s = f64::from(ride.start.num_seconds_from_midnight());
    let form = if to_s - from_s < 300.0 { "%H:%M:%S" } else { "%H:%M" };
    let show = |at_s: f64| (ride.start + TimeDelta::milliseconds((at_s * 1000.0) as i64)).format(form).to_string();
    let times = svg::time_ticks(midnight_s + from_s, midnight_s + to_s, most).into_iter();
    times.map(|t| (t - midnight_s, show(t - midnight_s))).collect()
}

/// Axis values with their labels, the unit behind the last.
pub(super) fn labelled(values: &[f64], decimals: i32, unit: &str) -> impl Iterator<Item = (f64, String)> {
    values.iter().enumerate().map(move |(i, value)| {
        let number = words::number(*value, decimals);
        (*value, if i + 1 == values.len() { format!("{number}\u{a0}{unit}") } else { number })
    })
}

/// `Mean error −1.2 W ± 0.8 W: pass`; `None` without a value.
pub(super) fn check_in_words(check: &CheckVerdict) -> Option<String> {
    Some(format!("{} {}: {}", words::plain(&check.measure), words::value_of(check)?, check.verdict.word()))
}
