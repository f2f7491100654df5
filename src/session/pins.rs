//! Pins as one line: `standing-sprints/2=14:31:02..14:31:10`.

use super::clock::{clock_time, in_order};
use super::model::Pin;
use crate::protocol::{Phase, TextMistake, one_repeat};

/// Reads `standing-sprints/2=14:31:02..14:31:10` against a protocol's phases and their repeats.
///
/// # Errors
/// What is not of this form, with its characters.
pub fn pin(text: &str, phases: &[Phase]) -> Result<Pin, TextMistake> {
    let whole = text.chars().count();
    let wrong = |from, to, message: &str| TextMistake {
        from,
        to,
        message: message.into(),
        help: Some("as in `standing-sprints/2=14:31:02..14:31:10`".into()),
    };
    // A selector's own `=` stands within its brackets.
    let after_selector = text.find(']').unwrap_or(0);
    let Some(equals) = text[after_selector..].find('=').map(|at| after_selector + at) else {
        return Err(wrong(0, whole, "expected a phase, `=` and two times"));
    };
    let phase = one_repeat(&text[..equals], phases)?;
    let times_from = text[..=equals].chars().count();
    let times = text[equals + 1..].split_once("..");
    let times = times.and_then(|(from, to)| Some((clock_time(from.trim())?, clock_time(to.trim())?)));
    let Some((from, to)) = times else { return Err(wrong(times_from, whole, "expected two times of day")) };
    if !in_order(&from, &to) {
        return Err(wrong(times_from, whole, "the second time is not after the first"));
    }
    Ok(Pin { phase, from, to })
}

#[cfg(test)]
mod tests {
    use chrono::NaiveTime;

    use super::*;

    #[test]
    fn a_pin_keeps_the_equals_sign_of_its_selector() {
        let file = std::path::Path::new("protocols/short-check.yaml");
        let phases = crate::protocol::load(file, None).unwrap().phases;
        let read = pin("steady[ring=small, power=150 W]/1=14:31:02..14:35:10", &phases).unwrap();
        assert_eq!(read.phase.to_string(), "steady[ring=small, power=150 W]/1");
        assert_eq!(read.to.time, NaiveTime::from_hms_opt(14, 35, 10).unwrap());
        let wrong = pin("warm-up=14:31:02..14:30", &phases).unwrap_err();
        assert_eq!((wrong.from, wrong.to), (8, 23));
    }
}
