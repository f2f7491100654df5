//! How an answer is given: a number with its interval, or why it can't be told.

use crate::compare::comparison::{Answer, Figure};
use crate::compare::unpooled::UnpooledRow;
use crate::words;

pub(super) fn has_values(row: &UnpooledRow) -> bool {
    let mut valued = row.entries.iter().flatten().filter(|entry| entry.value.is_some()).peekable();
    valued.peek().is_some() && valued.all(|entry| entry.uncertain)
}

pub(super) fn cannot(of: &str, why: &str) -> Answer {
    Answer { of: of.to_owned(), told: false, says: format!("Can't be told: {why}."), figures: vec![] }
}

pub(super) fn figure(name: &str, value: f64, interval: Option<(f64, f64)>, unit: &str) -> Figure {
    let (low, high) = interval.unzip();
    Figure { name: name.to_owned(), value, low, high, unit: unit.to_owned() }
}

/// Both ends with the digits that their distance calls for.
pub(super) fn range(low: f64, high: f64, unit: &str) -> String {
    let decimals = words::decimals_for((high - low) / 2.0).clamp(0, 4);
    let ends = format!("{} to {}", words::number(low, decimals), words::number(high, decimals));
    with_unit(ends, unit)
}

pub(super) fn with_unit(text: String, unit: &str) -> String {
    if unit.is_empty() { text } else { format!("{text} {unit}") }
}

pub(super) fn size(value: f64, unit: &str) -> String {
    with_unit(words::two_digits(value), unit)
}

pub(super) fn probability(p: f64) -> String {
    if p < 0.001 { "p below 0.001".to_owned() } else { format!("p {}", words::number(p, if p < 0.1 { 3 } else { 2 })) }
}
