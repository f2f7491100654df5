//! Known words that somebody may have meant, for the help of a message.

/// `did you mean …`, where a known word is close enough.
pub(crate) fn nearest(word: &str, known: &[&str]) -> Option<String> {
    // 0.8 takes in one wrong, missing or swapped letter in words of five letters and more.
    let (best, likeness) =
        known.iter().map(|k| (k, strsim::jaro_winkler(&word.to_lowercase(), k))).max_by(|a, b| a.1.total_cmp(&b.1))?;
    (likeness >= 0.8).then(|| format!("did you mean `{best}`?"))
}

/// `a`, `b` or `c`, each in backticks.
pub(crate) fn list(words: &[&str]) -> String {
    let quoted: Vec<String> = words.iter().map(|w| format!("`{w}`")).collect();
    match quoted.split_last() {
        Some((last, rest)) if !rest.is_empty() => format!("{} or {last}", rest.join(", ")),
        _ => quoted.join(""),
    }
}
