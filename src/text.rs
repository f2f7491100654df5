//! Text for a terminal: nothing that steers it, no line longer than it. Text for a spreadsheet: nothing that it runs.

use std::io::{self, Write};

/// What moves a terminal's cursor, breaks its line or turns its text round becomes `�`.
fn shown(c: char) -> char {
    let turns = matches!(
        c,
        '\u{61c}' | '\u{200e}' | '\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}'
    );
    if c.is_control() || turns { char::REPLACEMENT_CHARACTER } else { c }
}

/// A label from a file can hold what moves a terminal's cursor or turns its text round.
pub(crate) fn safe(text: &str) -> String {
    text.chars().map(shown).collect()
}

/// [`safe()`] of several lines, which stay lines; a tab is a space.
pub(crate) fn safe_lines(text: &str) -> String {
    text.chars()
        .map(|c| match c {
            '\n' => '\n',
            '\t' => ' ',
            c => shown(c),
        })
        .collect()
}

/// JSON with every letter that steers a terminal escaped, which reads as the same: such letters stand in its texts only.
pub(crate) fn safe_json(json: &str) -> String {
    let mut safe = String::with_capacity(json.len());
    for c in json.chars() {
        if c == '\n' || shown(c) == c {
            safe.push(c);
        } else {
            safe.push_str(&format!("\\u{:04x}", u32::from(c)));
        }
    }
    safe
}

/// Hands lines on as [`safe_lines`]: what a file holds or is called can't steer the terminal that they go to.
pub(crate) struct SafeWriter<W: Write> {
    out: W,
    /// A line that has not ended yet: a letter may come in pieces.
    line: Vec<u8>,
}

impl<W: Write> SafeWriter<W> {
    pub(crate) fn new(out: W) -> Self {
        Self { out, line: vec![] }
    }

    fn hand_on(&mut self) -> io::Result<()> {
        let line = std::mem::take(&mut self.line);
        self.out.write_all(safe_lines(&String::from_utf8_lossy(&line)).as_bytes())
    }
}

impl<W: Write> Write for SafeWriter<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        for piece in bytes.split_inclusive(|byte| *byte == b'\n') {
            self.line.extend(piece);
            if piece.ends_with(b"\n") {
                self.hand_on()?;
            }
        }
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        self.hand_on()?;
        self.out.flush()
    }
}

/// What is left of a line goes out with its writer; that it can't be written is then told by the next write.
impl<W: Write> Drop for SafeWriter<W> {
    fn drop(&mut self) {
        let _ = self.hand_on();
    }
}

/// Text from a file as a cell of a spreadsheet. One that begins with one of these signs would be taken for a formula and
/// run, quotes or not; after an apostrophe it is text (common practice, no source). Wide forms of the signs count too; a
/// plain number is a number.
pub(crate) fn cell(raw: &str) -> String {
    let clean = safe(raw);
    let runs = |c: char| "=+-@＝＋－＠".contains(c);
    // A control character, by now a replacement character, may be skipped as a blank is.
    let first = clean.trim_start_matches(|c: char| c.is_whitespace() || c == char::REPLACEMENT_CHARACTER);
    let number = first == clean && clean.parse::<f64>().is_ok_and(f64::is_finite);
    if first.starts_with(runs) && !number { format!("'{clean}") } else { clean }
}

/// To at most `width` characters, with an ellipsis where something is lost.
pub(crate) fn cut(text: &str, width: usize) -> String {
    if text.chars().count() <= width {
        return text.to_owned();
    }
    text.chars().take(width - 1).chain(['…']).collect()
}

/// Lines of at most `width` characters, broken at spaces; never empty. A longer word is broken.
pub(crate) fn wrap(text: &str, width: usize) -> Vec<String> {
    let mut lines = vec![String::new()];
    let mut used = 0;
    for word in safe(text).split(' ').filter(|w| !w.is_empty()) {
        let chars: Vec<char> = word.chars().collect();
        for piece in chars.chunks(width) {
            if used > 0 && used + 1 + piece.len() > width {
                lines.push(String::new());
                used = 0;
            }
            let line = lines.last_mut().expect("there is always a line");
            if used > 0 {
                line.push(' ');
                used += 1;
            }
            line.extend(piece);
            used += piece.len();
        }
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_steers_a_terminal_and_lines_stay_lines() {
        let hostile = "a\u{1b}[2J\u{7}\u{202e}b\tc\r\nd\u{9b}1A";
        let mut out = vec![];
        let mut writer = SafeWriter::new(&mut out);
        // Letters in pieces, as a buffer may cut them.
        for byte in hostile.bytes() {
            writer.write_all(&[byte]).unwrap();
        }
        drop(writer);
        let written = String::from_utf8(out).unwrap();
        assert_eq!(written, "a\u{fffd}[2J\u{fffd}\u{fffd}b c\u{fffd}\nd\u{fffd}1A");
        assert_eq!(written, safe_lines(hostile));
    }

    #[test]
    fn json_without_what_steers_reads_as_the_same() {
        let value = serde_json::json!({ "a\u{9b}": ["b\u{202e}\u{7f}\u{1b}", "é\n"] });
        let text = serde_json::to_string_pretty(&value).unwrap();
        let safe = safe_json(&text);
        assert_eq!(safe, safe_lines(&safe));
        assert_ne!(safe, text);
        assert_eq!(serde_json::from_str::<serde_json::Value>(&safe).unwrap(), value);
    }

    #[test]
    fn a_cell_that_would_be_run_is_text_and_a_number_a_number() {
        for runs in ["=1+1", "+1+1", "-2+3", "@SUM(1)", " =1", "＝1", "-14 W", "-"] {
            assert_eq!(cell(runs), format!("'{runs}"));
        }
        assert_eq!((cell("\t=1"), cell("\r=1")), ("'\u{fffd}=1".into(), "'\u{fffd}=1".into()));
        for stays in ["-14.5", "+3", "-1e-3", "unit 017", "", "1=1"] {
            assert_eq!(cell(stays), stays);
        }
    }
}
