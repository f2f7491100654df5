//! One text of the language, cut into numbers, words and signs, and read from its front.

use std::ops::Range;

/// Stands for `>` in a text that YAML would take for something else (see `yaml/mend.rs`).
pub(crate) const STAND_IN_GREATER: char = '›';

/// A mistake within one text: which characters, what was expected, the way out.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{message}{}", help.as_ref().map(|h| format!("; {h}")).unwrap_or_default())]
pub struct TextMistake {
    /// First character, from 0.
    pub from: usize,
    /// One past the last character.
    pub to: usize,
    pub message: String,
    pub help: Option<String>,
}

#[derive(Debug, Clone, PartialEq)]
pub(super) enum Token {
    Number(f64),
    /// Letters, `%`, `°C`, `N·m`, `threshold_power`.
    Word(String),
    /// `..`, `±`, `/`, `-`
    Sign(&'static str),
    /// `>`, `≤` and so on, which the language writes in words.
    Comparison {
        least: bool,
    },
}

/// Comparison signs, and whether what follows is the least.
const COMPARISONS: [(char, bool); 5] = [('>', true), ('≥', true), (STAND_IN_GREATER, true), ('<', false), ('≤', false)];

/// A token and its characters.
pub(super) struct PlacedToken {
    pub token: Token,
    pub at: Range<usize>,
}

/// One text, cut into numbers, words and signs.
pub(crate) struct TextReader {
    pub(super) tokens: Vec<PlacedToken>,
    /// Index of the token that is read next.
    pub(super) next: usize,
    chars: Vec<char>,
}

pub(super) type ParseResult<T> = Result<T, TextMistake>;

/// A mistake at these characters, at least one.
pub(super) fn mistake<T>(at: Range<usize>, message: impl Into<String>, help: Option<String>) -> ParseResult<T> {
    Err(TextMistake { from: at.start, to: at.end.max(at.start + 1), message: message.into(), help })
}

impl TextReader {
    pub fn new(text: &str) -> ParseResult<Self> {
        let chars: Vec<char> = text.trim_end().chars().collect();
        let mut tokens: Vec<PlacedToken> = vec![];
        let mut at = 0;
        while at < chars.len() {
            let c = chars[at];
            let ahead = |n: usize| chars.get(at + n).copied().unwrap_or(' ');
            let after_number = matches!(tokens.last(), Some(PlacedToken { token: Token::Number(_), .. }));
            let signed = matches!(c, '-' | '−' | '+') && ahead(1).is_ascii_digit() && !after_number;
            let (token, length) = if c.is_whitespace() {
                at += 1;
                continue;
            } else if c.is_ascii_digit() || signed {
                number(&chars, at)?
            } else if c == '.' && ahead(1) == '.' {
                (Token::Sign(".."), if ahead(2) == '.' { 3 } else { 2 })
            } else if c == '%' {
                (Token::Word("%".into()), 1)
            } else if c.is_alphabetic() || c == '°' {
                let inner = |c: &&char| c.is_alphanumeric() || matches!(c, '_' | '·' | '⋅' | '°');
                let word: String = chars[at..].iter().take_while(inner).collect();
                let length = word.chars().count();
                (Token::Word(word.replace('⋅', "·")), length)
            } else if let Some(sign) = ["±", "/"].into_iter().find(|s| s.starts_with(c)) {
                (Token::Sign(sign), 1)
            } else if matches!(c, '-' | '–' | '—' | '−') {
                (Token::Sign("-"), 1)
            } else if let Some((_, least)) = COMPARISONS.iter().find(|(sign, _)| *sign == c) {
                (Token::Comparison { least: *least }, if ahead(1) == '=' { 2 } else { 1 })
            } else if c == '+' {
                return mistake(
                    at..at + 1,
                    "`+` is no word of the language",
                    Some("an uncertainty follows a `±`".into()),
                );
            } else {
                return mistake(at..at + 1, format!("`{c}` is no word of the language"), None);
            };
            tokens.push(PlacedToken { token, at: at..at + length });
            at += length;
        }
        Ok(Self { tokens, next: 0, chars })
    }

    pub(super) fn peek(&self) -> Option<&Token> {
        self.tokens.get(self.next).map(|t| &t.token)
    }

    /// Where the next token stands, or the text's end.
    pub(super) fn here(&self) -> Range<usize> {
        self.tokens.get(self.next).map_or(self.chars.len()..self.chars.len() + 1, |t| t.at.clone())
    }

    /// Where the token before the next one stands.
    pub(super) fn before(&self) -> Range<usize> {
        self.tokens.get(self.next.wrapping_sub(1)).map_or(0..1, |t| t.at.clone())
    }

    /// The next token as a message names it.
    pub(super) fn written(&self) -> String {
        match self.peek() {
            Some(Token::Number(n)) => format!("`{n}`"),
            Some(Token::Word(word)) => format!("`{word}`"),
            Some(Token::Sign(sign)) => format!("`{sign}`"),
            Some(Token::Comparison { least }) => format!("`{}`", if *least { '>' } else { '<' }),
            None => "the end".into(),
        }
    }

    pub(super) fn take_word(&mut self, word: &str) -> bool {
        let found = matches!(self.peek(), Some(Token::Word(w)) if w == word);
        self.next += usize::from(found);
        found
    }

    pub(super) fn take_words(&mut self, words: &[&str]) -> bool {
        let start = self.next;
        let found = words.iter().all(|w| self.take_word(w));
        if !found {
            self.next = start;
        }
        found
    }

    pub(super) fn take_sign(&mut self, sign: &str) -> bool {
        let found = matches!(self.peek(), Some(Token::Sign(s)) if *s == sign);
        self.next += usize::from(found);
        found
    }

    pub(super) fn unexpected<T>(&self, expected: &str) -> ParseResult<T> {
        mistake(self.here(), format!("expected {expected}, found {}", self.written()), None)
    }

    /// Reports a comparison sign where words are wanted.
    pub(super) fn no_comparison(&self) -> ParseResult<()> {
        let Some(PlacedToken { token: Token::Comparison { least }, at }) = self.tokens.get(self.next) else {
            return Ok(());
        };
        let rest: String = self.chars[at.end..].iter().collect();
        let words = if *least { "at least" } else { "at most" };
        mistake(
            at.clone(),
            format!("{} is no word of the language", self.written()),
            Some(format!("write `{words} {}`", rest.trim())),
        )
    }

    /// Reports whatever is left of the text.
    pub fn end(&self) -> ParseResult<()> {
        let Some(next) = self.tokens.get(self.next) else { return Ok(()) };
        mistake(next.at.start..self.chars.len(), format!("nothing more was expected from {} on", self.written()), None)
    }
}

/// A number at `at` and how many characters it takes.
fn number(chars: &[char], at: usize) -> ParseResult<(Token, usize)> {
    let digits = |from: usize| chars[from..].iter().take_while(|c| c.is_ascii_digit()).count();
    let sign = usize::from(!chars[at].is_ascii_digit());
    let mut to = at + sign + digits(at + sign);
    let follows = |to: usize, c: char| chars.get(to) == Some(&c) && chars.get(to + 1).is_some_and(char::is_ascii_digit);
    if follows(to, '.') {
        to += 1 + digits(to + 1);
    }
    let text: String = chars[at..to].iter().collect::<String>().replace('−', "-");
    if follows(to, ',') {
        let end = to + 1 + digits(to + 1);
        let decimals: String = chars[to + 1..end].iter().collect();
        let rest: String = chars[end..].iter().collect();
        let help = if decimals.len() == 3 {
            format!("write `{text}.{decimals}{rest}` or `{text}{decimals}{rest}`")
        } else {
            format!("write `{text}.{decimals}{rest}`")
        };
        return mistake(at..end, "a decimal comma; decimals are written with a point", Some(help));
    }
    match text.parse::<f64>() {
        Ok(value) if value.is_finite() && value.abs() < 1e12 => Ok((Token::Number(value), to - at)),
        _ => mistake(at..to, "this number is too large", None),
    }
}
