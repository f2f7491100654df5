//! A session driven without a terminal: lines of seconds and keys, by a clock that only they move.
//!
//! ```text
//! # seconds since the start, then a key or a wish
//! 0    space
//! 640  show
//! 651  s
//! 652  size 120x40
//! ```

use super::key::Key;

/// One line of a script.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ScriptLine {
    pub at_s: f64,
    pub asked: ScriptRequest,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ScriptRequest {
    Press(Key),
    /// Print the screen.
    Show,
    /// The screen's columns and rows from here on.
    Size(usize, usize),
}

/// A line that is none.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("`{0}`: expected seconds and one of space, s, a, p, b, q, y, n, show, size COLUMNSxROWS; as in `12.5 space`")]
pub struct ScriptError(String);

impl ScriptLine {
    /// Reads one line; `None` for a blank one or a comment.
    ///
    /// # Errors
    /// [`ScriptError`] for anything else that is no line of a script.
    pub fn read(line: &str) -> Result<Option<Self>, ScriptError> {
        let line = line.split('#').next().unwrap_or("").trim();
        if line.is_empty() {
            return Ok(None);
        }
        let wrong = || ScriptError(line.chars().take(60).collect());
        let words: Vec<&str> = line.split_whitespace().collect();
        // A session of more than four days is none.
        let at_s = words[0].parse::<f64>().ok().filter(|s| (0.0..=400_000.0).contains(s)).ok_or_else(wrong)?;
        let asked = match words[1..] {
            ["show"] => ScriptRequest::Show,
            ["size", size] => {
                let read = size.split_once('x').and_then(|(w, h)| Some((w.parse().ok()?, h.parse().ok()?)));
                let (width, height) =
                    read.filter(|(w, h): &(usize, usize)| *w <= 1000 && *h <= 1000).ok_or_else(wrong)?;
                ScriptRequest::Size(width, height)
            }
            [word] => ScriptRequest::Press(Key::from_word(word).ok_or_else(wrong)?),
            _ => return Err(wrong()),
        };
        Ok(Some(Self { at_s, asked }))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_are_read_and_mistakes_told() {
        let read = |line: &str| ScriptLine::read(line).map_err(|e| e.to_string());
        assert_eq!(
            read("12.5 space # go"),
            Ok(Some(ScriptLine { at_s: 12.5, asked: ScriptRequest::Press(Key::Next) }))
        );
        assert_eq!(read("3 size 120x40"), Ok(Some(ScriptLine { at_s: 3.0, asked: ScriptRequest::Size(120, 40) })));
        assert_eq!(read("  # nothing"), Ok(None));
        for wrong in ["space", "3 z", "-1 s", "nan s", "3", "3 size 9", "3 size 9999999x2", "3 s s", "inf s"] {
            assert!(read(wrong).unwrap_err().contains("12.5 space"), "{wrong}");
        }
    }
}
