//! Rounding and words: everything that a report writes goes through here, so that all reports say it alike.

use crate::pattern::Pattern;
use crate::protocol::Measure;
use crate::verdict::{CheckVerdict, Outcome};

/// Keeps a number and its unit on one line.
const NO_BREAK: char = '\u{a0}';

/// Decimal places that show `uncertainty` with two significant digits (negative: tens, hundreds).
///
/// Source: GUM (JCGM 100:2008) 7.2.6, which asks for at most two.
pub fn decimals_for(uncertainty: f64) -> i32 {
    if !uncertainty.is_finite() || uncertainty <= 0.0 {
        return 1;
    }
    let places = |u: f64| 1 - u.log10().floor() as i32;
    // 0.0996 rounds up to 0.10: one place fewer than its own size suggests.
    places(round_to(uncertainty, places(uncertainty)))
}

fn round_to(value: f64, decimals: i32) -> f64 {
    let scale = 10f64.powi(decimals);
    (value * scale).round() / scale
}

/// A number with a real minus sign; a zero has no sign.
pub fn number(value: f64, decimals: i32) -> String {
    let rounded = round_to(value, decimals);
    let text = format!("{:.*}", decimals.max(0) as usize, rounded.abs());
    if rounded < 0.0 { format!("−{text}") } else { text }
}

/// A number without an uncertainty: three significant digits at most, no trailing zeros.
pub fn plain_number(value: f64) -> String {
    let decimals = match value.abs() {
        v if v >= 100.0 => 0,
        v if v >= 10.0 => 1,
        _ => 2,
    };
    let text = number(value, decimals);
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}

/// Two significant digits, as for a standard uncertainty.
pub fn two_digits(value: f64) -> String {
    if value == 0.0 { "0".to_owned() } else { number(value, decimals_for(value.abs())) }
}

/// Effective degrees of freedom; beyond a thousand Student's t is the normal distribution to three digits.
pub fn degrees_of_freedom(nu: Option<f64>) -> String {
    match nu {
        None => "∞".to_owned(),
        Some(nu) if nu > 1000.0 => "> 1000".to_owned(),
        Some(nu) => number(nu, 0),
    }
}

/// `text` and a unit that must not part; an empty unit adds nothing.
fn with_unit(text: String, unit: &str) -> String {
    if unit.is_empty() { text } else { format!("{text}{NO_BREAK}{unit}") }
}

/// `−6.1 ± 1.9 W`: U with two significant digits, the value to the same place.
pub fn quantity(value: f64, uncertainty: Option<f64>, unit: &str) -> String {
    match uncertainty {
        Some(u) if u > 0.0 => {
            let decimals = decimals_for(u);
            let text = format!("{}{NO_BREAK}±{NO_BREAK}{}", number(value, decimals), number(u, decimals));
            with_unit(text, unit)
        }
        _ => with_unit(plain_number(value), unit),
    }
}

/// A check's value as quoted; `None` where it could not be computed. A censored one is only a bound.
pub fn value(value: Option<f64>, uncertainty: Option<f64>, unit: &str, censored: bool) -> Option<String> {
    let text = quantity(value?, uncertainty, unit);
    Some(if censored { format!("at least {text}") } else { text })
}

/// [`value`] of a check.
pub fn value_of(check: &CheckVerdict) -> Option<String> {
    value(check.value, check.expanded_uncertainty, &check.unit, check.censored)
}

/// A limit as numbers at the phase's reference value: `±4.0 W`, `≤ 2 s`; `None` without one.
pub fn limit(low: Option<f64>, high: Option<f64>, unit: &str) -> Option<String> {
    let text = match (low, high) {
        (None, None) => return None,
        (Some(low), Some(high)) if low == 0.0 && high == 0.0 => "0".to_owned(),
        (Some(low), Some(high)) if (low + high).abs() < 1e-9 * high.abs() => format!("±{}", plain_number(high)),
        (Some(low), Some(high)) => format!("{}…{}", plain_number(low), plain_number(high)),
        (None, Some(high)) => format!("≤{NO_BREAK}{}", plain_number(high)),
        (Some(low), None) => format!("≥{NO_BREAK}{}", plain_number(low)),
    };
    Some(with_unit(text, unit))
}

/// A probability as per cent; the ends are not rounded to certainty.
pub fn probability(p: f64) -> String {
    let text = match p * 100.0 {
        pct if pct > 99.9 => ">\u{a0}99.9".to_owned(),
        pct if pct < 0.1 => "<\u{a0}0.1".to_owned(),
        pct => number(pct, 1),
    };
    with_unit(text, "%")
}

/// `mean_error` → `mean error`.
pub fn plain(code: &str) -> String {
    code.replace('_', " ")
}

/// `ring-dependent` → `ring dependent`.
pub fn pattern(code: &str) -> String {
    code.replace('-', " ")
}

pub fn capital(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |first| first.to_uppercase().chain(chars).collect())
}

/// `steady[ring=small, power=120 W]` → (`steady`, `small ring, 120 W`).
pub fn phase_parts(selector: &str) -> (String, String) {
    let (name, keys) = match selector.strip_suffix(']').and_then(|s| s.split_once('[')) {
        Some((name, keys)) => (name, keys),
        None => (selector, ""),
    };
    (name.replace(['-', '_'], " "), key_words(keys))
}

/// `ring=small, power=120 W` → `small ring, 120 W`.
fn key_words(keys: &str) -> String {
    let words = keys.split(", ").filter(|key| !key.is_empty()).map(|key| match key.split_once('=') {
        Some(("ring", ring)) => format!("{ring} ring"),
        Some((_, value)) => value.to_owned(),
        None => key.to_owned(),
    });
    tied(&words.collect::<Vec<_>>().join(", "))
}

/// `steady[ring=small, power=120 W]` → `steady, small ring, 120 W`.
pub fn phase(selector: &str) -> String {
    match phase_parts(selector) {
        (name, keys) if keys.is_empty() => name,
        (name, keys) => format!("{name}, {keys}"),
    }
}

/// Text from elsewhere as people write it: `steady[ring=big]` and `mean_error` in plain words, numbers tied to their
/// units, minus signs as minus signs.
pub fn sentence(text: &str) -> String {
    tied(&without_codes(text))
}

/// Ends a sentence with a full stop where it has no end of its own.
pub fn stop(text: &str) -> String {
    if text.ends_with(['.', '?', '!', ':']) { text.to_owned() } else { format!("{text}.") }
}

/// `steady[ring=big, power=120 W]: mean_error` → `steady (big ring, 120 W): mean error`.
fn without_codes(text: &str) -> String {
    let mut rest = text;
    let mut plain_text = String::with_capacity(text.len());
    while let Some((before, keys, after)) = bracketed(rest) {
        plain_text += &format!("{before} ({})", key_words(keys));
        rest = after;
    }
    plain_text += rest;
    let is_code = |word: &str| word.contains('_') && Measure::from_word(word).is_some();
    let end_of_word = |c: char| !(c.is_alphanumeric() || c == '_');
    let words = plain_text
        .split_inclusive(end_of_word)
        .map(|word| if is_code(word.trim_end_matches(end_of_word)) { plain(word) } else { word.to_owned() });
    words.collect()
}

/// The text before the first `[key=value]`, what stands between the brackets, and the text after.
fn bracketed(text: &str) -> Option<(&str, &str, &str)> {
    let (before, rest) = text.split_once('[')?;
    let (keys, after) = rest.split_once(']')?;
    let is_keys = !keys.contains('[') && keys.split(", ").all(|key| key.contains('='));
    (is_keys && before.ends_with(char::is_alphanumeric)).then_some((before, keys, after))
}

fn tied(text: &str) -> String {
    let chars: Vec<char> = text.chars().collect();
    let at = |i: usize| chars.get(i).copied();
    let before = |i: usize| i.checked_sub(1).and_then(at);
    let convert = |(i, &c): (usize, &char)| match c {
        ' ' if before(i).is_some_and(|b| b.is_ascii_digit()) && at(i + 1).is_some_and(|a| !a.is_ascii_digit()) => {
            NO_BREAK
        }
        '-' if before(i).is_none_or(|b| b.is_whitespace() || "(±≥≤".contains(b))
            && at(i + 1).is_some_and(|a| a.is_ascii_digit()) =>
        {
            '−'
        }
        c => c,
    };
    chars.iter().enumerate().map(convert).collect()
}

/// A glyph that carries the outcome without colour, beside its word.
pub fn glyph(outcome_word: &str) -> &'static str {
    match Outcome::from_word(outcome_word) {
        Some(Outcome::Pass) => "✓",
        Some(Outcome::Fail) => "✕",
        Some(Outcome::Undecided) => "?",
        Some(Outcome::NotRidden | Outcome::NotRecorded) => "–",
        Some(Outcome::NotJudged) => "!",
        Some(Outcome::NotApplicable) | None => "∅",
    }
}

/// Where a person starts on a finding of this pattern.
pub fn look_first(pattern: Pattern) -> &'static str {
    pattern.look_first()
}

/// Of the sheet itself, whatever was ridden.
pub const STANDING_STATEMENTS: &[&str] = &[
    "This verdict is about readings. It says nothing of the mechanical safety of a crank or a pedal.",
    "This sheet is no accredited certificate unless an accredited laboratory issues it under its own scope.",
    "Strap delay, how head units store a second, and the correlation of errors rest on simulation: no open recording \
     holds a unit and a reference together.",
];

#[cfg(test)]
mod tests {
    use super::*;

    fn spaced(text: &str) -> String {
        text.replace(NO_BREAK, " ")
    }

    #[test]
    fn the_value_is_rounded_to_the_place_of_the_second_digit_of_its_uncertainty() {
        assert_eq!(spaced(&quantity(-6.123, Some(1.87), "W")), "−6.1 ± 1.9 W");
        assert_eq!(spaced(&quantity(1234.5, Some(321.0), "J")), "1230 ± 320 J");
        assert_eq!(spaced(&quantity(0.5, Some(0.0996), "s")), "0.50 ± 0.10 s");
        assert_eq!(spaced(&quantity(-0.04, Some(1.5), "W")), "0.0 ± 1.5 W");
        assert_eq!(spaced(&quantity(3.0, None, "s")), "3 s");
    }

    /// GUM 7.2.6: y = 10.057 62 Ω with u = 27 mΩ is 10.058 Ω; 28.05 kHz is 28 kHz. GUM H.1: 50 000 838 nm, U = 93 nm.
    #[test]
    fn published_results_are_quoted_as_published() {
        assert_eq!(spaced(&quantity(10.05762, Some(0.027), "Ω")), "10.058 ± 0.027 Ω");
        assert_eq!(two_digits(28.05), "28");
        assert_eq!(spaced(&quantity(50_000_838.0, Some(92.5), "nm")), "50000838 ± 93 nm");
    }

    #[test]
    fn phases_and_sentences_read_as_people_write_them() {
        assert_eq!(spaced(&phase("steady[ring=small, power=120 W]")), "steady, small ring, 120 W");
        assert_eq!(phase("standing-sprints"), "standing sprints");
        assert_eq!(spaced(&sentence("reads -6.1 W on 2026-11-20")), "reads −6.1 W on 2026-11-20");
        let says = sentence("steady[ring=big, power=120 W]/2: mean_error -11 %, left_error; my_file.fit [sic]");
        assert_eq!(spaced(&says), "steady (big ring, 120 W)/2: mean error −11 %, left error; my_file.fit [sic]");
    }

    #[test]
    fn a_probability_is_never_rounded_to_certainty() {
        assert_eq!(spaced(&probability(0.99999)), "> 99.9 %");
        assert_eq!(spaced(&probability(0.0)), "< 0.1 %");
        assert_eq!(spaced(&probability(0.5)), "50.0 %");
    }
}
