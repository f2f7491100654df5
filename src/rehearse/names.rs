//! What instruments are called: only what a session file and a FIT recording hold alike, and names of files.

use crate::session::{self, Certificate};

/// With its end it fits the 255 bytes of a FIT text whatever the letters, of up to four bytes each (public FIT protocol).
const MOST_LETTERS: usize = 60;
/// Of a file's name, what follows the first word. Common practice, no source.
const MOST_FILE_LETTERS: usize = 60;

/// A label, a model, a tester, a place, a version: any text that reads back as it was written.
///
/// # Errors
/// What is wrong with it, in words.
pub fn name(text: &str) -> Result<String, String> {
    let text = text.trim();
    let unseen = |c: char| {
        c.is_control()
            || matches!(c, '\u{200e}' | '\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
            || matches!(c, '\u{feff}' | '\u{fffd}'..='\u{ffff}')
    };
    match text {
        "" => Err("it is empty".to_owned()),
        "?" | "？" => Err("a session file keeps `?` for what nobody has filled in".to_owned()),
        text if text.chars().count() > MOST_LETTERS => {
            Err(format!("it is {} letters long; recordings hold {MOST_LETTERS}", text.chars().count()))
        }
        text if text.chars().any(unseen) => Err("it holds a character that can't be seen".to_owned()),
        text => Ok(text.to_owned()),
    }
}

/// A serial number, which FIT holds as a number other than zero (public FIT profile, `serial_number`).
///
/// # Errors
/// What it should be, in words: another text would be one thing in the session and another in the recording.
pub fn serial(text: &str) -> Result<u32, String> {
    let number = text.parse().ok().filter(|number: &u32| *number > 0 && number.to_string() == text);
    number.ok_or_else(|| format!("a number from 1 to {} without leading zeros: recordings hold no other", u32::MAX))
}

/// `Q-03`, or with its date as a sheet shows it: `Q-03, 2026-04-20`.
///
/// # Errors
/// What is wrong with it, in words.
pub fn certificate(text: &str) -> Result<Certificate, String> {
    let (number, date) = match text.rsplit_once(',') {
        Some((number, date)) => (number, Some(date.trim())),
        None => (text, None),
    };
    if let Some(date) = date.filter(|date| session::date(date).is_none()) {
        return Err(format!("`{date}` is no date; write it as in `Q-03, 2026-04-20`"));
    }
    Ok(Certificate { number: Some(name(number)?), date: date.map(str::to_owned), due: None, by: None })
}

/// What FIT's `software_version` holds of a version: hundredths, all ones being none (public FIT profile). `None` for a
/// text that would read back as another, as 1.1 would as 1.10.
pub fn version_hundredths(text: &str) -> Option<u16> {
    let (whole, decimals) = text.split_once('.')?;
    let hundredths = whole.parse::<u16>().ok()?.checked_mul(100)?.checked_add(decimals.parse().ok()?)?;
    let reads_back = format!("{}.{:02}", hundredths / 100, hundredths % 100);
    (hundredths != u16::MAX && reads_back == text).then_some(hundredths)
}

/// The recording of an instrument of this kind and label: `unit-021.fit` of `unit 021`, `pedals-q.fit` of `pedal pair Q`.
///
/// It begins with the kind, so that instruments of one bench never share a file and no name is one that a system keeps
/// for itself; the rest is ASCII letters and digits. `also` is how labels call the kind, besides itself.
pub(super) fn file(kind: &str, also: &str, label: &str) -> String {
    let plain: String =
        label.chars().map(|c| if c.is_ascii_alphanumeric() { c.to_ascii_lowercase() } else { ' ' }).collect();
    let words = plain.split_whitespace().collect::<Vec<_>>().join("-");
    let own = |called: &str| {
        let rest = words.strip_prefix(called)?;
        rest.is_empty().then_some(rest).or_else(|| rest.strip_prefix('-'))
    };
    let rest = own(also).or_else(|| own(kind)).unwrap_or(&words);
    let rest: String = rest.chars().take(MOST_FILE_LETTERS).collect();
    match rest.trim_end_matches('-') {
        "" => format!("{kind}.fit"),
        rest => format!("{kind}-{rest}.fit"),
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn only_a_version_that_reads_back_as_written_is_held() {
        for (text, held) in [
            ("1.10", Some(110)),
            ("1.01", Some(101)),
            ("0.00", Some(0)),
            // Hundredths that binary fractions fall short of.
            ("8.29", Some(829)),
            ("655.34", Some(65_534)),
            ("655.35", None),
            ("656.00", None),
            ("1.1", None),
            ("1.8", None),
            ("01.10", None),
            ("1.100", None),
            ("1.+1", None),
            ("2.4.1", None),
            ("B7", None),
            ("", None),
        ] {
            assert_eq!(version_hundredths(text), held, "{text}");
        }
    }

    #[test]
    fn a_serial_number_is_one_that_both_can_hold() {
        assert_eq!((serial("21"), serial("4294967295")), (Ok(21), Ok(u32::MAX)));
        for text in ["0", "017", "+7", " 7", "A-7", "4294967296", ""] {
            assert!(serial(text).unwrap_err().contains("without leading zeros"), "{text}");
        }
    }

    #[test]
    fn a_certificate_has_a_number_and_may_have_a_date() {
        let made = |text: &str| certificate(text).map(|c| (c.number.unwrap(), c.date));
        assert_eq!(made("Q-03"), Ok(("Q-03".to_owned(), None)));
        assert_eq!(made("Q-03, 2026-04-20"), Ok(("Q-03".to_owned(), Some("2026-04-20".to_owned()))));
        assert_eq!(made("Q-03, 4, 2026-04-20").unwrap().0, "Q-03, 4");
        assert!(made("Q-03, 2026-04-31").unwrap_err().contains("`2026-04-31` is no date"));
        assert!(made(", 2026-04-20").unwrap_err().contains("empty"));
    }

    #[test]
    fn names_that_would_not_read_back_are_refused() {
        assert_eq!(name(" unit 021 ").as_deref(), Ok("unit 021"));
        assert_eq!(name("Prüfling \"7\": #3").as_deref(), Ok("Prüfling \"7\": #3"));
        let long = "ü".repeat(61);
        for (text, why) in [
            ("  ", "empty"),
            ("?", "filled in"),
            ("a\0b", "can't be seen"),
            ("a\u{202e}b", "can't be seen"),
            (&long, "61 letters"),
        ] {
            assert!(name(text).unwrap_err().contains(why), "{text:?}");
        }
    }

    #[test]
    fn a_file_is_called_as_its_instrument() {
        let pedals = |label: &str| file("pedals", "pedal-pair", label);
        assert_eq!(file("unit", "unit", "unit 021"), "unit-021.fit");
        assert_eq!((pedals("pedal pair Q"), pedals("Pedals Q")), ("pedals-q.fit".into(), "pedals-q.fit".into()));
        assert_eq!(pedals("pedal pairs"), "pedals-pedal-pairs.fit");
        assert_eq!(pedals("../../etc/passwd"), "pedals-etc-passwd.fit");
        assert_eq!(
            (pedals("con"), pedals("…"), pedals("Pedal Pair")),
            ("pedals-con.fit".into(), "pedals.fit".into(), "pedals.fit".into())
        );
    }

    proptest! {
        #[test]
        fn whatever_the_labels_files_stay_in_their_folder_and_apart(one in "\\PC{0,80}", other in "\\PC{0,80}") {
            let files = [file("unit", "unit", &one), file("pedals", "pedal-pair", &other), file("trainer", "trainer", &one)];
            for name in &files {
                prop_assert!(name.len() <= 80, "{name}");
                let stem = name.strip_suffix(".fit").unwrap();
                let plain = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
                prop_assert!(stem.chars().all(plain) && !stem.ends_with('-') && !stem.contains("--"), "{name}");
            }
            prop_assert!(files[0] != files[1] && files[1] != files[2] && files[0] != files[2]);
        }
    }
}
