//! Who can be told apart from whom, in sentences.

use super::comparison::Row;
use super::names::list;
use crate::words;

/// Of more groups pairs are not held against each other: of a hundred days nobody reads 4,950 differences in each row.
pub(super) const MOST_GROUPS: usize = 60;

/// Who reads lower than whom in a row.
pub(super) fn says(row: &Row, names: &[&str]) -> String {
    let present: Vec<usize> =
        (0..names.len()).filter(|g| row.differences.iter().any(|d| d.first == *g || d.second == *g)).collect();
    // Of two groups that differ, the lower one first.
    let lower: Vec<(usize, usize)> = row
        .differences
        .iter()
        .filter(|d| d.differ)
        .map(|d| if d.value > 0.0 { (d.first, d.second) } else { (d.second, d.first) })
        .collect();
    let named = |groups: &[usize]| list(&groups.iter().map(|&g| names[g]).collect::<Vec<_>>());
    if lower.is_empty() {
        return format!("{} can't be told apart", named(&present));
    }
    let others = |g: usize| present.iter().filter(|&&o| o != g).count();
    let mut sentences: Vec<String> = vec![];
    let mut told: Vec<usize> = vec![];
    for &g in &present {
        let above: Vec<usize> = lower.iter().filter(|pair| pair.0 == g).map(|pair| pair.1).collect();
        let below: Vec<usize> = lower.iter().filter(|pair| pair.1 == g).map(|pair| pair.0).collect();
        if others(g) > 1 && above.len() == others(g) {
            sentences.push(format!("{} reads lower than all others", names[g]));
            told.push(g);
        } else if others(g) > 1 && below.len() == others(g) {
            sentences.push(format!("{} reads higher than all others", names[g]));
            told.push(g);
        }
    }
    for &g in present.iter().filter(|g| !told.contains(g)) {
        let above: Vec<usize> =
            lower.iter().filter(|pair| pair.0 == g && !told.contains(&pair.1)).map(|pair| pair.1).collect();
        if !above.is_empty() {
            sentences.push(format!("{} reads lower than {}", names[g], named(&above)));
        }
    }
    // Groups told apart from the same ones stand together only where none of them is told apart from another.
    let rest: Vec<usize> = present.iter().copied().filter(|g| !told.contains(g)).collect();
    let apart = |a: usize, b: usize| lower.contains(&(a, b)) || lower.contains(&(b, a));
    if rest.len() > 1 {
        let clean = rest.iter().all(|&a| rest.iter().all(|&b| !apart(a, b)));
        let any = rest.iter().any(|&a| rest.iter().any(|&b| a != b && !apart(a, b)));
        if clean {
            sentences.push(format!("{} can't be told apart", named(&rest)));
        } else if any {
            sentences.push("no others can be told apart".to_owned());
        }
    }
    sentences.join("; ")
}

/// Over all rows, then each row in which any differ.
pub(super) fn overall(rows: &[Row], names: &[&str]) -> Vec<String> {
    let compared: Vec<&Row> = rows.iter().filter(|row| !row.differences.is_empty()).collect();
    if names.len() < 2 {
        return vec!["There is one group only, so nothing to tell it apart from.".to_owned()];
    }
    if names.len() > MOST_GROUPS {
        return vec![format!(
            "{} groups are too many to hold each against each ({MOST_GROUPS} at most); give fewer files or another --by. \
             The rows and the questions stand.",
            names.len()
        )];
    }
    if compared.is_empty() {
        return vec![
            "No two groups can be held against each other: they have no check with a value in common, or no specimen in \
             common and fewer than two specimens each."
                .to_owned(),
        ];
    }
    let apart = |a: usize, b: usize| {
        compared.iter().flat_map(|row| &row.differences).any(|d| d.differ && (d.first, d.second) == (a, b))
    };
    let groups = names.len();
    let pairs = || (0..groups).flat_map(|a| (a + 1..groups).map(move |b| (a, b)));
    let alike: Vec<usize> =
        (0..groups).filter(|&g| pairs().filter(|&(a, b)| a == g || b == g).any(|(a, b)| !apart(a, b))).collect();
    let mut sentences = vec![];
    if !pairs().any(|(a, b)| apart(a, b)) {
        let all = words::capital(&list(names));
        sentences.push(format!("{all} can't be told apart in any row: no order of them means anything."));
        return sentences;
    }
    let clean = pairs().all(|(a, b)| !(alike.contains(&a) && alike.contains(&b) && apart(a, b)));
    if alike.len() > 1 && clean {
        let alike: Vec<&str> = alike.iter().map(|&g| names[g]).collect();
        let alike = words::capital(&list(&alike));
        sentences.push(format!("{alike} can't be told apart in any row: no order of them means anything."));
    } else if alike.len() > 1 {
        let pairs: Vec<String> =
            pairs().filter(|&(a, b)| !apart(a, b)).map(|(a, b)| format!("{} from {}", names[a], names[b])).collect();
        let shown = if pairs.len() > 6 { format!("{} pairs", pairs.len()) } else { pairs.join(", ") };
        sentences.push(format!("Not told apart in any row: {shown}."));
    }
    for row in compared.iter().filter(|row| row.differences.iter().any(|d| d.differ)) {
        sentences.push(format!("{}: {}.", words::capital(&row.name), row.says));
    }
    sentences
}
