//! Slips that are no valid YAML: mended where they are known, so that reading can go on, and else put in plain words.

use granit_parser::{ErrorKind, ScanError};

use crate::protocol::sentences::reader::STAND_IN_GREATER;

// `?` and `:` are swapped for these, as `>` is for `STAND_IN_GREATER`, where YAML would make something else of them.
pub(super) const STAND_IN_ASK: char = '？';
const STAND_IN_COLON: char = '∶';

/// A second `: ` in one line.
pub(super) struct SecondColon {
    pub column: usize,
    /// The right form.
    pub help: String,
}

/// What to say of a YAML error.
pub(super) struct Explanation {
    pub message: String,
    pub help: String,
}
/// A file's text with one slip of the pen mended, as many characters as before.
pub(super) struct Repaired {
    pub text: String,
    pub line: usize,
    /// Of the slips only this one is reported here; the others are where their text is read.
    pub second_colon: Option<SecondColon>,
}

/// Mends a known slip on the line of a YAML error, so that reading can go on.
pub(super) fn mend(text: &str, error: &ScanError) -> Option<Repaired> {
    // An error about a folded text may be raised on the line after the slip.
    let at = error.marker().line();
    for number in [at, at.saturating_sub(1)] {
        let Some(line) = number.checked_sub(1).and_then(|n| text.lines().nth(n)) else { continue };
        let line: Vec<char> = line.chars().collect();
        let mended = |column: usize, stand_in: char, second_colon: Option<SecondColon>| {
            let mut lines: Vec<String> = text.split('\n').map(str::to_owned).collect();
            let mut chars: Vec<char> = lines[number - 1].chars().collect();
            chars[column] = stand_in;
            lines[number - 1] = chars.into_iter().collect();
            Some(Repaired { text: lines.join("\n"), line: number, second_colon })
        };
        let next_visible = |from: usize| line[from..].iter().find(|c| !c.is_whitespace()).copied();
        for column in value_starts(&line) {
            let next = next_visible(column + 1);
            match line[column] {
                '>' if next.is_some_and(|c| c.is_ascii_digit() || c == '=') => {
                    return mended(column, STAND_IN_GREATER, None);
                }
                '?' if next.is_none_or(|c| matches!(c, ',' | '}' | ']' | '#')) => {
                    return mended(column, STAND_IN_ASK, None);
                }
                _ => {}
            }
        }
        if *error.kind() == ErrorKind::MappingValueNotAllowed && number == at {
            let ends_key = |i: &usize| line[*i] == ':' && line.get(i + 1).is_none_or(|c| c.is_whitespace());
            let colons: Vec<usize> = (0..line.len()).filter(ends_key).collect();
            if let [first, second, ..] = colons[..] {
                let value: String = line[first + 1..].iter().collect();
                let key: String = line[..first].iter().collect();
                let help = format!("quote the text: `{}: \"{}\"`", key.trim().trim_start_matches("- "), value.trim());
                return mended(second, STAND_IN_COLON, Some(SecondColon { column: second + 1, help }));
            }
        }
    }
    None
}

/// Columns (from 0) at which a value may begin: after `: `, `- `, `[`, `{` or `, `.
fn value_starts(line: &[char]) -> Vec<usize> {
    let mut starts = vec![];
    let mut ready = true;
    let mut before = ' ';
    for (column, &c) in line.iter().enumerate() {
        if c.is_whitespace() {
            ready |= matches!(before, ':' | '-' | ',');
        } else {
            if ready || matches!(before, '[' | '{') {
                starts.push(column);
            }
            ready = false;
        }
        before = c;
    }
    starts
}

/// A YAML error in plain words: what is wrong, and what to do.
pub(super) fn explain(error: &ScanError) -> Explanation {
    let more = "; other mistakes can only be listed once this one is mended";
    let help = match error.kind() {
        ErrorKind::UnexpectedCharacter { .. } => "quote a text that begins with a special character",
        ErrorKind::UnclosedFlowCollection { .. }
        | ErrorKind::MismatchedFlowCollectionEnd { .. }
        | ErrorKind::ExpectedFlowMappingSeparator
        | ErrorKind::ExpectedFlowSequenceSeparator => "look for a missing comma or closing bracket",
        ErrorKind::UnclosedQuotedScalar => "look for a missing closing quote",
        ErrorKind::RecursionLimitExceeded => "no protocol or session nests this deep",
        ErrorKind::UnknownAnchor => "a text that begins with `*` needs quotes",
        ErrorKind::Custom(_) => "write it out without `&` and `*`",
        _ => "look at the indentation, and quote texts that hold special characters",
    };
    Explanation { message: format!("this is no valid YAML: {}", error.info()), help: format!("{help}{more}") }
}
