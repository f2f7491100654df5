//! Names of groups and specimens: their order, and how several of them stand in a sentence.

use std::cmp::Ordering;
use std::collections::{BTreeSet, HashMap};

/// Orders words with numbers in them by the numbers: 2.9 before 2.10, unit 9 before unit 17.
pub(super) fn by_parts(a: &str, b: &str) -> Ordering {
    let parts = |text: &str| {
        let mut parts: Vec<(u64, String)> = vec![];
        let (mut word, mut digits) = (String::new(), String::new());
        for c in text.chars().chain(['\0']) {
            if c.is_ascii_digit() {
                digits.push(c);
                continue;
            }
            if !digits.is_empty() {
                parts.push((digits.parse().unwrap_or(u64::MAX), std::mem::take(&mut word)));
                digits.clear();
            }
            word.push(c);
        }
        parts.push((0, word));
        parts.into_iter().map(|(number, before)| (before, number)).collect::<Vec<_>>()
    };
    parts(a).cmp(&parts(b)).then_with(|| a.cmp(b))
}

/// Names in their order, each once, and which of them each thing has.
pub(super) struct NumberedNames {
    /// By thing, the place of its name in `sorted`.
    pub place: Vec<usize>,
    pub sorted: Vec<String>,
}

/// Puts names in order; `names` has one for each thing.
pub(super) fn numbered(names: &[String]) -> NumberedNames {
    let mut sorted: Vec<String> = names.iter().cloned().collect::<BTreeSet<_>>().into_iter().collect();
    sorted.sort_by(|a, b| by_parts(a, b));
    let known: HashMap<&String, usize> = sorted.iter().enumerate().map(|(i, name)| (name, i)).collect();
    let place = names.iter().map(|name| known[name]).collect();
    NumberedNames { place, sorted }
}

/// `a, b and c`.
pub(super) fn list(names: &[&str]) -> String {
    match names {
        [] => String::new(),
        [one] => (*one).to_owned(),
        [first @ .., last] => format!("{} and {last}", first.join(", ")),
    }
}

/// Up to three, and how many more.
pub(super) fn some_of(names: &[&str]) -> String {
    match names.len() {
        0..=3 => names.join(", "),
        n => format!("{} and {} more", names[..3].join(", "), n - 3),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_in_names_order_them() {
        let mut names = ["unit 17", "unit 9", "firmware 2.10", "firmware 2.9", "unit 9b"];
        names.sort_by(|a, b| by_parts(a, b));
        assert_eq!(names, ["firmware 2.9", "firmware 2.10", "unit 9", "unit 9b", "unit 17"]);
    }
}
