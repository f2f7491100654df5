//! Names of checks: `PLACE MEASURE`.

/// The phase (without its keys), contrast or `whole ride` of a check.
pub fn place_of(check: &str) -> &str {
    check.rsplit_once(' ').map_or(check, |(place, _)| place)
}

/// A check under its phase's name alone.
pub(super) fn without_keys(check: &str) -> String {
    match (check.split_once('['), check.rsplit_once(' ')) {
        (Some((name, _)), Some((_, measure))) => format!("{name} {measure}"),
        _ => check.to_owned(),
    }
}
