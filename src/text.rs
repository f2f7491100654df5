//! Text for a terminal: nothing that steers it, no line longer than it.

/// A label from a file can hold what moves a terminal's cursor or turns its text round.
pub(crate) fn safe(text: &str) -> String {
    let turns = |c: char| matches!(c, '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}');
    text.chars().map(|c| if c.is_control() || turns(c) { '\u{fffd}' } else { c }).collect()
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
