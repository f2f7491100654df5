//! Numbers and words as `--fault` and `--mishap` take them.

/// Which sizes make sense.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum AllowedSize {
    Any,
    AboveMinus100,
    Positive,
    Share,
    Side,
}

/// The known word most like this one, if one is.
pub(super) fn nearest<'a>(word: &str, known: impl Iterator<Item = &'a str>) -> Option<&'a str> {
    let likeness = known.map(|k| (k, strsim::jaro_winkler(k, word)));
    likeness.filter(|(_, likeness)| *likeness > 0.8).max_by(|a, b| a.1.total_cmp(&b.1)).map(|(near, _)| near)
}

pub(super) fn number(text: &str, unit: &str, sized: AllowedSize) -> Result<f64, String> {
    let bare = text.strip_suffix(unit).unwrap_or(text).trim();
    let value: f64 = match bare.parse() {
        Ok(value) if f64::is_finite(value) => value,
        _ => return Err(format!("`{text}` is not a number of {unit}")),
    };
    match sized {
        AllowedSize::AboveMinus100 if value <= -100.0 => Err(format!("{value} % would leave no reading")),
        AllowedSize::Positive if value <= 0.0 => Err(format!("{text} is not above zero")),
        _ => Ok(value),
    }
}
