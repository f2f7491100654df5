//! Names that the profile has for numbers.

/// `bike_power` to `bike power`; the crate prints what it does not know as `Type(7)`.
pub(super) fn named(text: &str, number: f64) -> String {
    if text.contains('(') { format!("{number:.0}") } else { text.replace('_', " ") }
}
