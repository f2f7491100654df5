//! The sentences of the language: quantities, ranges, limits, selectors.
//!
//! Each reader takes what it understands from the front of a [`TextReader`] and says, for anything else, which
//! characters are wrong and what was expected. What is printed here is read back to the same value.

use super::model::{Accept, Hold, Measure, Phase, Selector, Target};
use super::phase::{can_be_none, is_claimed, units_of};
use super::tree::{STAND_IN_GREATER, nearest};
use crate::quantity::{Bound, Join, Limit, Quantity, Range, Unit};

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

/// Every unit that may be written: symbol, what it measures, and its size in the unit held.
const UNITS: &[(&str, Unit, f64)] = &[
    ("W", Unit::Watt, 1.0),
    ("kW", Unit::Watt, 1000.0),
    ("%", Unit::Percent, 1.0),
    ("s", Unit::Second, 1.0),
    ("min", Unit::Second, 60.0),
    ("h", Unit::Second, 3600.0),
    ("rpm", Unit::Rpm, 1.0),
    ("N·m", Unit::NewtonMetre, 1.0),
    ("Nm", Unit::NewtonMetre, 1.0),
    ("kg", Unit::Kilogram, 1.0),
    ("g", Unit::Kilogram, 0.001),
    ("m", Unit::Metre, 1.0),
    ("cm", Unit::Metre, 0.01),
    ("mm", Unit::Metre, 0.001),
    ("°", Unit::Degree, 1.0),
    ("°C", Unit::Celsius, 1.0),
    ("kJ", Unit::Kilojoule, 1.0),
    ("J", Unit::Kilojoule, 0.001),
    ("W/h", Unit::WattPerHour, 1.0),
    ("W/°C", Unit::WattPerCelsius, 1.0),
];

/// How people write units that the language knows under another symbol.
const OTHER_SPELLINGS: &[(&str, &str)] = &[
    ("watt", "W"),
    ("watts", "W"),
    ("sec", "s"),
    ("secs", "s"),
    ("second", "s"),
    ("seconds", "s"),
    ("mins", "min"),
    ("minute", "min"),
    ("minutes", "min"),
    ("hour", "h"),
    ("hours", "h"),
    ("percent", "%"),
    ("deg", "°"),
    ("degrees", "°"),
    ("c", "°C"),
];

/// The symbols that may be written for a unit, as in `s, min or h`.
fn symbols(units: &[Unit]) -> String {
    let all: Vec<&str> = UNITS.iter().filter(|u| units.contains(&u.1) && u.0 != "Nm").map(|u| u.0).collect();
    match all.split_last() {
        Some((last, rest)) if !rest.is_empty() => format!("{} or {last}", rest.join(", ")),
        _ => all.concat(),
    }
}

#[derive(Debug, Clone, PartialEq)]
enum Token {
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

/// How a range was written: what a bare value means is for the key to say.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum RangeForm {
    Bare(f64),
    Range(Range),
}

/// One text, cut into numbers, words and signs.
pub(crate) struct TextReader {
    tokens: Vec<(Token, usize, usize)>,
    next: usize,
    chars: Vec<char>,
}

type ParseResult<T> = Result<T, TextMistake>;

fn slip<T>(from: usize, to: usize, message: impl Into<String>, help: Option<String>) -> ParseResult<T> {
    Err(TextMistake { from, to: to.max(from + 1), message: message.into(), help })
}

impl TextReader {
    pub fn new(text: &str) -> ParseResult<Self> {
        let chars: Vec<char> = text.trim_end().chars().collect();
        let mut tokens: Vec<(Token, usize, usize)> = vec![];
        let mut at = 0;
        while at < chars.len() {
            let c = chars[at];
            let ahead = |n: usize| chars.get(at + n).copied().unwrap_or(' ');
            let after_number = matches!(tokens.last(), Some((Token::Number(_), ..)));
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
                return slip(at, at + 1, "`+` is no word of the language", Some("an uncertainty follows a `±`".into()));
            } else {
                return slip(at, at + 1, format!("`{c}` is no word of the language"), None);
            };
            tokens.push((token, at, at + length));
            at += length;
        }
        Ok(Self { tokens, next: 0, chars })
    }

    fn peek(&self) -> Option<&Token> {
        self.tokens.get(self.next).map(|t| &t.0)
    }

    /// Where the next token stands, or the text's end.
    fn here(&self) -> (usize, usize) {
        self.tokens.get(self.next).map_or((self.chars.len(), self.chars.len() + 1), |t| (t.1, t.2))
    }

    /// Where the token before the next one stands.
    fn before(&self) -> (usize, usize) {
        self.tokens.get(self.next.wrapping_sub(1)).map_or((0, 1), |t| (t.1, t.2))
    }

    fn written(&self) -> String {
        match self.peek() {
            Some(Token::Number(n)) => format!("`{n}`"),
            Some(Token::Word(word)) => format!("`{word}`"),
            Some(Token::Sign(sign)) => format!("`{sign}`"),
            Some(Token::Comparison { least }) => format!("`{}`", if *least { '>' } else { '<' }),
            None => "the end".into(),
        }
    }

    fn take_word(&mut self, word: &str) -> bool {
        let found = matches!(self.peek(), Some(Token::Word(w)) if w == word);
        self.next += usize::from(found);
        found
    }

    fn take_words(&mut self, words: &[&str]) -> bool {
        let start = self.next;
        let found = words.iter().all(|w| self.take_word(w));
        if !found {
            self.next = start;
        }
        found
    }

    fn take_sign(&mut self, sign: &str) -> bool {
        let found = matches!(self.peek(), Some(Token::Sign(s)) if *s == sign);
        self.next += usize::from(found);
        found
    }

    fn unexpected<T>(&self, expected: &str) -> ParseResult<T> {
        let (from, to) = self.here();
        slip(from, to, format!("expected {expected}, found {}", self.written()), None)
    }

    /// Reports a comparison sign where words are wanted.
    fn no_comparison(&self) -> ParseResult<()> {
        let Some((Token::Comparison { least }, from, to)) = self.tokens.get(self.next) else { return Ok(()) };
        let rest: String = self.chars[*to..].iter().collect();
        let words = if *least { "at least" } else { "at most" };
        slip(
            *from,
            *to,
            format!("{} is no word of the language", self.written()),
            Some(format!("write `{words} {}`", rest.trim())),
        )
    }

    /// Nothing may be left.
    pub fn end(&self) -> ParseResult<()> {
        let Some((_, from, _)) = self.tokens.get(self.next) else { return Ok(()) };
        slip(*from, self.chars.len(), format!("nothing more was expected from {} on", self.written()), None)
    }

    /// A number without a unit.
    pub fn number(&mut self) -> ParseResult<f64> {
        match self.peek() {
            Some(Token::Number(n)) => {
                let n = *n;
                self.next += 1;
                Ok(n)
            }
            _ => self.unexpected("a number"),
        }
    }

    /// A unit among `wanted`: the unit and the factor to it. `None` if something else follows.
    fn unit(&mut self, wanted: &[Unit]) -> ParseResult<Option<(Unit, f64)>> {
        if wanted == [Unit::One] {
            return Ok(Some((Unit::One, 1.0)));
        }
        let Some((Token::Word(word), from, mut to)) = self.tokens.get(self.next).cloned() else { return Ok(None) };
        if matches!(word.as_str(), "or" | "and" | "for" | "of") {
            return Ok(None);
        }
        let mut symbol = word;
        let mut length = 1;
        if let [(Token::Sign("/"), ..), (Token::Word(per), _, end), ..] = &self.tokens[self.next + 1..] {
            symbol = format!("{symbol}/{per}");
            to = *end;
            length = 3;
        }
        if let Some((_, unit, factor)) = UNITS.iter().find(|u| u.0 == symbol && wanted.contains(&u.1)) {
            self.next += length;
            return Ok(Some((*unit, *factor)));
        }
        let lower = symbol.to_lowercase();
        let spelt = UNITS.iter().map(|u| (u.0.to_lowercase(), u.0)).find(|(low, _)| *low == lower).map(|(_, s)| s);
        let spelt = spelt.or_else(|| OTHER_SPELLINGS.iter().find(|(other, _)| *other == lower).map(|(_, s)| *s));
        let help = spelt.filter(|s| *s != symbol).map(|s| format!("write `{s}`"));
        slip(from, to, format!("expected {} here, found `{symbol}`", symbols(wanted)), help)
    }

    fn missing_unit<T>(&self, wanted: &[Unit]) -> ParseResult<T> {
        let (from, to) = self.before();
        slip(from, to, format!("a unit is missing after the number, expected {}", symbols(wanted)), None)
    }

    /// `200 W`: one of the wanted units.
    pub fn quantity(&mut self, wanted: &[Unit]) -> ParseResult<Quantity> {
        let number = self.number()?;
        match self.unit(wanted)? {
            Some((unit, factor)) => Ok(Quantity::new(scaled(number, factor), unit)),
            None => self.missing_unit(wanted),
        }
    }

    /// A quantity that can't be negative.
    pub fn amount(&mut self, unit: Unit) -> ParseResult<f64> {
        let (from, _) = self.here();
        let value = self.quantity(&[unit])?.value;
        if value < 0.0 {
            return slip(from, self.before().1, "this can't be negative", None);
        }
        Ok(value)
    }

    /// `85..95 rpm`, `30 s..2 min`, `at least 600 W`, `at most 10 s`, or a bare `4 min`.
    pub fn span(&mut self, unit: Unit) -> ParseResult<RangeForm> {
        self.span_in(&mut |words| words.unit(&[unit]).map(|u| u.map(|(_, factor)| factor)), &[unit])
    }

    fn span_in(
        &mut self,
        factor: &mut dyn FnMut(&mut Self) -> ParseResult<Option<f64>>,
        wanted: &[Unit],
    ) -> ParseResult<RangeForm> {
        self.no_comparison()?;
        let at_least = self.take_words(&["at", "least"]);
        let at_most = !at_least && self.take_words(&["at", "most"]);
        let (from, _) = self.here();
        let first = self.number()?;
        let own = factor(self)?;
        if let Some(Token::Sign("-")) = self.peek() {
            let (dash, end) = self.here();
            return slip(dash, end, "a range is written with two dots", Some("as in `85..95 rpm`".into()));
        }
        let span = if at_least || at_most {
            let Some(own) = own else { return self.missing_unit(wanted) };
            let end = scaled(first, own);
            let range = if at_least { Range::at_least(end) } else { Range { low: None, high: Some(end) } };
            RangeForm::Range(range)
        } else if self.take_sign("..") {
            let second = self.number()?;
            let Some(common) = factor(self)? else { return self.missing_unit(wanted) };
            let (low, high) = (scaled(first, own.unwrap_or(common)), scaled(second, common));
            if low > high {
                let help = Some("write the smaller value first".into());
                return slip(from, self.before().1, "this range is empty, its first value is the larger one", help);
            }
            RangeForm::Range(Range::between(low, high))
        } else {
            let Some(own) = own else { return self.missing_unit(wanted) };
            RangeForm::Bare(scaled(first, own))
        };
        let lowest = match span {
            RangeForm::Bare(value) => Some(value),
            RangeForm::Range(range) => range.low.or(range.high),
        };
        if lowest.is_some_and(|low| low < 0.0) && wanted != [Unit::Percent] {
            return slip(from, self.before().1, "this can't be negative", None);
        }
        Ok(span)
    }

    /// `200 W`, `30..90 W`, `at least 300 W`, `80 % of threshold_power`.
    pub fn target(&mut self, threshold_power_w: Option<f64>) -> ParseResult<Target> {
        let wanted = [Unit::Watt, Unit::Percent];
        let mut factor = |words: &mut Self| -> ParseResult<Option<f64>> {
            let start = words.here().0;
            let Some((unit, factor)) = words.unit(&wanted)? else { return Ok(None) };
            if unit == Unit::Watt {
                return Ok(Some(factor));
            }
            if matches!(words.peek(), Some(Token::Sign(".."))) {
                return Ok(None);
            }
            if !words.take_words(&["of", "threshold_power"]) {
                return words.unexpected("`of threshold_power` after `%`");
            }
            match threshold_power_w {
                Some(power_w) => Ok(Some(power_w / 100.0)),
                None => slip(
                    start,
                    words.before().1,
                    "nothing says what the threshold power is",
                    Some("add `basis: {threshold_power: 250 W}` to the protocol".into()),
                ),
            }
        };
        Ok(match self.span_in(&mut factor, &wanted)? {
            RangeForm::Bare(power_w) => Target::Value(power_w),
            RangeForm::Range(range) => Target::Within(range),
        })
    }

    /// `200 W for 20 s`, `at least 300 W for 5..10 s`.
    pub fn hold(&mut self, threshold_power_w: Option<f64>) -> ParseResult<Hold> {
        let power_w = self.target(threshold_power_w)?;
        if !self.take_word("for") {
            return self.unexpected("`for` and a duration, as in `200 W for 20 s`");
        }
        let for_s = match self.span(Unit::Second)? {
            RangeForm::Bare(duration_s) => Range::between(duration_s, duration_s),
            RangeForm::Range(range) => range,
        };
        Ok(Hold { power_w, for_s })
    }

    /// `2 %`, `2 % or 3 W`, `2 % and 3 W`.
    pub fn bound(&mut self, wanted: &[Unit]) -> ParseResult<Bound> {
        let mut parts = vec![];
        let mut join = None;
        loop {
            let (from, _) = self.here();
            let part = self.quantity(wanted)?;
            if part.value < 0.0 {
                return slip(from, self.before().1, "a bound has no sign", None);
            }
            if parts.iter().any(|p: &Quantity| p.unit == part.unit) {
                let message = format!("two bounds in {}, one of them says nothing", part.unit.symbol());
                return slip(from, self.before().1, message, None);
            }
            parts.push(part);
            let (at, to) = self.here();
            let this = if self.take_word("or") {
                Join::Wider
            } else if self.take_word("and") {
                Join::Narrower
            } else {
                return Ok(Bound { parts, join: join.unwrap_or(Join::Wider) });
            };
            if join.is_some_and(|j| j != this) {
                return slip(at, to, "`or` and `and` in one bound, write only one of them", None);
            }
            join = Some(this);
        }
    }

    /// A limit sentence in one of the measure's units.
    pub fn limit(&mut self, measure: Measure) -> ParseResult<Limit> {
        let wanted = units_of(measure);
        self.no_comparison()?;
        let start = self.here();
        if self.take_word("none") {
            if !can_be_none(measure) {
                let message = format!("`none` is for what is counted, `{}` is not", measure.word());
                return slip(start.0, start.1, message, Some(format!("as in `within 2 {}`", wanted[0].symbol())));
            }
            return Ok(Limit::Zero);
        }
        if self.take_words(&["at", "most"]) {
            return self.bound(wanted).map(Limit::AtMost);
        }
        if self.take_words(&["at", "least"]) {
            return self.bound(wanted).map(Limit::AtLeast);
        }
        if self.take_word("between") {
            let (from, _) = self.here();
            let number = self.number()?;
            let unit = self.unit(wanted)?;
            if !self.take_word("and") {
                return self.unexpected("`and`, as in `between -1 % and 3 %`");
            }
            let high = self.quantity(wanted)?;
            let low = match unit {
                Some((unit, factor)) => Quantity::new(scaled(number, factor), unit),
                None => return self.missing_unit(wanted),
            };
            if low.unit != high.unit {
                return slip(from, self.before().1, "both ends need the same unit", None);
            }
            if low.value > high.value {
                let help = Some("write the smaller value first".into());
                return slip(from, self.before().1, "nothing lies between these, the first is the larger one", help);
            }
            return Ok(Limit::Between(low, high));
        }
        if self.take_word("within") {
            let (from, to) = self.here();
            if self.take_word("claim") {
                if !is_claimed(measure) {
                    return slip(from, to, format!("nobody claims a `{}`, write a value", measure.word()), None);
                }
                return Ok(Limit::WithinClaim);
            }
            return self.bound(wanted).map(Limit::Within);
        }
        let (from, to) = start;
        let example = if wanted == [Unit::One] { "2".to_owned() } else { format!("2 {}", wanted[0].symbol()) };
        let help = match self.peek() {
            Some(Token::Word(word)) => nearest(word, &["within", "at most", "at least", "between", "none"]),
            _ => Some(format!("as in `within {example}`")),
        };
        let message =
            format!("expected `within`, `at most`, `at least`, `between` or `none`, found {}", self.written());
        slip(from, to, message, help)
    }

    /// `every repeat`, `at least 5 of 6`, `fault rate below 40 %`, for a phase ridden `repeats` times.
    pub fn accept(&mut self, repeats: u32) -> ParseResult<Accept> {
        let (from, _) = self.here();
        if self.take_words(&["every", "repeat"]) {
            return Ok(Accept::EveryRepeat);
        }
        if self.take_words(&["at", "least"]) {
            let passing = self.number()?;
            if !self.take_word("of") {
                return self.unexpected("`of`, as in `at least 5 of 6`");
            }
            let of_at = self.here();
            let of = self.number()?;
            if of != f64::from(repeats) {
                let message = format!("the phase is ridden {repeats} times, not {of}");
                return slip(
                    of_at.0,
                    of_at.1,
                    message,
                    Some(format!("write `at least {} of {repeats}`", passing.min(f64::from(repeats)))),
                );
            }
            if passing.fract() != 0.0 || passing < 1.0 || passing > of {
                return slip(from, self.before().1, format!("expected a whole number from 1 to {of}"), None);
            }
            return Ok(Accept::AtLeast { passing: passing as u32, of: repeats });
        }
        if self.take_words(&["fault", "rate", "below"]) {
            let (from, _) = self.here();
            let share = self.quantity(&[Unit::Percent])?.value;
            if share <= 0.0 || share >= 100.0 {
                return slip(from, self.before().1, "expected a rate between 0 % and 100 %", None);
            }
            return Ok(Accept::FaultRateBelow(share / 100.0));
        }
        self.unexpected("`every repeat`, `at least 5 of 6` or `fault rate below 40 %`")
    }

    /// `2.3 % ± 1.0 %`: a value and, where written, its expanded uncertainty.
    pub fn plus_minus(&mut self, unit: Unit) -> ParseResult<(f64, Option<f64>)> {
        let value = self.amount(unit)?;
        let uncertainty = if self.take_sign("±") { Some(self.amount(unit)?) } else { None };
        Ok((value, uncertainty))
    }
}

/// A number in the unit held, to twelve digits: 172.5 mm is 0.1725 m, not 0.17250000000000001 m.
fn scaled(number: f64, factor: f64) -> f64 {
    if factor == 1.0 {
        return number;
    }
    format!("{:.11e}", number * factor).parse().unwrap_or(number * factor)
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
        return slip(at, end, "a decimal comma; decimals are written with a point", Some(help));
    }
    match text.parse::<f64>() {
        Ok(value) if value.is_finite() && value.abs() < 1e12 => Ok((Token::Number(value), to - at)),
        _ => slip(at, to, "this number is too large", None),
    }
}

/// A power above zero, as a command line takes it: `250 W`, `250W`.
///
/// # Errors
/// Which characters are wrong, and what was expected.
pub fn watts(text: &str) -> Result<f64, TextMistake> {
    let mut words = TextReader::new(text)?;
    let power_w = words.amount(Unit::Watt)?;
    words.end()?;
    if power_w > 0.0 { Ok(power_w) } else { slip(0, text.chars().count(), "expected a power above zero", None) }
}

/// `85..95 rpm`, `at least 600 W`; a range of one value prints as that value.
pub fn range_in_words(range: &Range, unit: Unit) -> String {
    let symbol = unit.symbol();
    match (range.low, range.high) {
        (Some(low), Some(high)) if low == high => format!("{low} {symbol}"),
        (Some(low), Some(high)) => format!("{low}..{high} {symbol}"),
        (Some(low), None) => format!("at least {low} {symbol}"),
        (None, Some(high)) => format!("at most {high} {symbol}"),
        (None, None) => "any".into(),
    }
}

impl std::fmt::Display for Target {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Target::Value(power_w) => write!(f, "{power_w} W"),
            Target::Within(range) => f.write_str(&range_in_words(range, Unit::Watt)),
        }
    }
}

impl std::fmt::Display for Hold {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{} for {}", self.power_w, range_in_words(&self.for_s, Unit::Second))
    }
}

/// A `for_each` value in the form that phases and selectors share: `120W` is `120 W`.
pub(super) fn normal_form(text: &str) -> String {
    for unit in [Unit::Watt, Unit::Rpm] {
        let read = TextReader::new(text).and_then(|mut words| {
            let span = words.span(unit)?;
            words.end().map(|()| span)
        });
        match read {
            Ok(RangeForm::Bare(value)) => return Quantity::new(value, unit).to_string(),
            Ok(RangeForm::Range(range)) => return range_in_words(&range, unit),
            Err(_) => {}
        }
    }
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// Reads a selector (`steady[ring=small, power=120 W]`, `steady[small]`, `standing-sprints/3`) against the
/// phases that it names.
///
/// # Errors
/// What is not of this form, an unknown phase, key or value, and a repeat beyond those asked for, each with
/// its characters.
pub fn selector(text: &str, phases: &[Phase]) -> Result<Selector, TextMistake> {
    let text = text.trim_end();
    if phases.is_empty() {
        return slip(0, text.chars().count(), "there is no protocol whose phase this could be", None);
    }
    let chars_to = |byte: usize| text[..byte].chars().count();
    let name_end = text.find(['[', '/']).unwrap_or(text.len());
    let name = text[..name_end].trim();
    let named: Vec<&Phase> = phases.iter().filter(|p| p.id.name == name).collect();
    if named.is_empty() {
        let mut names: Vec<&str> = phases.iter().map(|p| p.id.name.as_str()).collect();
        names.dedup();
        let help = nearest(name, &names).or_else(|| Some(format!("phases are {}", super::tree::list(&names))));
        return slip(0, chars_to(name_end), format!("the protocol has no phase `{name}`"), help);
    }
    let mut keys: Vec<(String, String)> = vec![];
    let mut rest = name_end;
    if text[rest..].starts_with('[') {
        let Some(close) = text[rest..].find(']').map(|at| rest + at) else {
            return slip(chars_to(rest), chars_to(text.len()), "`]` is missing", None);
        };
        let mut from = rest + 1;
        for part in text[from..close].split(',') {
            let (start, end) = (chars_to(from), chars_to(from + part.len()));
            let lead = part.chars().take_while(|c| c.is_whitespace()).count();
            let (start, end) = (start + lead, end.max(start + lead + 1));
            from += part.len() + 1;
            let (key, value) = match part.split_once('=') {
                Some((key, value)) => (Some(key.trim()), normal_form(value)),
                None => (None, normal_form(part)),
            };
            let mut fitting: Vec<&str> = named
                .iter()
                .flat_map(|p| &p.id.keys)
                .filter(|(k, v)| key.is_none_or(|key| key == k) && *v == value)
                .map(|(k, _)| k.as_str())
                .collect();
            fitting.sort_unstable();
            fitting.dedup();
            match fitting[..] {
                [key] => keys.push((key.to_owned(), value)),
                [] => {
                    let mut known: Vec<String> =
                        named.iter().flat_map(|p| &p.id.keys).map(|(k, v)| format!("{k}={v}")).collect();
                    known.sort_unstable();
                    known.dedup();
                    let help = if known.is_empty() {
                        format!("`{name}` has no `for_each`")
                    } else {
                        format!("`{name}` has {}", known.join(", "))
                    };
                    return slip(start, end, format!("no phase `{name}` has `{}`", part.trim()), Some(help));
                }
                [..] => {
                    let help = Some(format!("write `{}={value}`", fitting[0]));
                    return slip(start, end, format!("`{value}` could be {}", fitting.join(" or ")), help);
                }
            }
        }
        rest = close + 1;
    }
    let mut selector = Selector { name: name.to_owned(), keys, repeat: None };
    let selected: Vec<_> = named.iter().filter(|p| selector.selects(&p.id)).collect();
    if selected.is_empty() {
        return slip(0, chars_to(text.len()), "no phase has all of these together", None);
    }
    let tail = text[rest..].trim_start();
    if let Some(number) = tail.strip_prefix('/') {
        let most = selected.iter().map(|p| p.repeats).max().unwrap_or(1);
        match number.trim().parse::<u32>() {
            // A rider may have ridden more repeats than asked for, and they can be named too.
            Ok(n) if n >= 1 && n <= most + 20 => selector.repeat = Some(n),
            _ => {
                let message = format!("expected a repeat from 1 to {most}, found `{}`", number.trim());
                return slip(chars_to(rest), chars_to(text.len()), message, None);
            }
        }
    } else if !tail.is_empty() {
        return slip(chars_to(rest), chars_to(text.len()), format!("nothing more was expected, found `{tail}`"), None);
    }
    Ok(selector)
}

/// Reads a selector that has to name one repeat of one phase.
///
/// # Errors
/// As [`selector`], and one that leaves open which phase or which repeat is meant.
pub fn one_repeat(text: &str, phases: &[Phase]) -> Result<Selector, TextMistake> {
    let selector = selector(text, phases)?;
    let selected: Vec<&Phase> = phases.iter().filter(|p| selector.selects(&p.id)).collect();
    let length = text.trim_end().chars().count();
    match selected[..] {
        [phase] if phase.repeats > 1 && selector.repeat.is_none() => {
            let help = format!("say which, as in `{}/1`", phase.id);
            slip(0, length, format!("this phase has {} repeats", phase.repeats), Some(help))
        }
        [first, _, ..] => {
            let help = format!("say which, as in `{}`", first.id);
            slip(0, length, format!("this names {} phases", selected.len()), Some(help))
        }
        _ => Ok(selector),
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::model::{Drill, Part, PhaseId};
    use super::*;

    fn read<T>(text: &str, read: impl FnOnce(&mut TextReader) -> ParseResult<T>) -> ParseResult<T> {
        let mut words = TextReader::new(text)?;
        let value = read(&mut words)?;
        words.end()?;
        Ok(value)
    }

    fn phase(name: &str, keys: &[(&str, &str)]) -> Phase {
        Phase {
            id: PhaseId { name: name.into(), keys: keys.iter().map(|(k, v)| (k.to_string(), v.to_string())).collect() },
            drill: Drill::ZeroCheck,
            ring: None,
            posture: None,
            cadence_rpm: None,
            grade_pct: None,
            repeats: 6,
            accept: Accept::EveryRepeat,
            checks: vec![],
            part: Part::Required,
            tolerance: 0.2,
        }
    }

    fn phases() -> Vec<Phase> {
        vec![
            phase("steady", &[("ring", "big"), ("power", "120 W")]),
            phase("steady", &[("ring", "small"), ("power", "120 W")]),
            phase("steady", &[("ring", "small"), ("power", "180 W")]),
            phase("standing-sprints", &[]),
        ]
    }

    fn select(text: &str) -> ParseResult<Selector> {
        selector(text, &phases())
    }

    #[test]
    fn quantities_are_held_in_their_base_unit() {
        let all = [Unit::Watt, Unit::Second, Unit::Metre, Unit::Kilojoule, Unit::WattPerHour, Unit::NewtonMetre];
        let value = |text: &str| read(text, |w| w.quantity(&all)).unwrap().value;
        assert_eq!(value("1.5 kW"), 1500.0);
        assert_eq!(value("4 min"), 240.0);
        assert_eq!(value("172.5 mm"), 0.1725);
        assert_eq!(value("850 J"), 0.85);
        assert_eq!(value("3 W/h"), 3.0);
        assert_eq!(value("16.9 Nm"), 16.9);
        assert_eq!(value("200W"), 200.0);
        assert_eq!(value("−2\u{a0}W"), -2.0);
    }

    #[test]
    fn a_wrong_or_missing_unit_is_named_at_its_characters() {
        let slip = |text: &str| read(text, |w| w.quantity(&[Unit::Second])).unwrap_err();
        let wrong = slip("20 sec");
        assert_eq!((wrong.from, wrong.to), (3, 6));
        assert_eq!(wrong.to_string(), "expected s, min or h here, found `sec`; write `s`");
        let missing = slip("20");
        assert_eq!((missing.from, missing.to), (0, 2));
        assert_eq!(missing.message, "a unit is missing after the number, expected s, min or h");
        assert_eq!(slip("20 W").help, None);
        assert_eq!(slip("1,5 min").help.unwrap(), "write `1.5 min`");
        assert_eq!(slip("1,500 s").help.unwrap(), "write `1.500 s` or `1500 s`");
        assert_eq!(slip("20 s long").from, 5);
        assert_eq!(slip("-20").from, 0);
    }

    #[test]
    fn ranges_take_their_unit_from_either_or_both_ends() {
        let span = |text: &str| read(text, |w| w.span(Unit::Second));
        assert_eq!(span("6..12 s"), Ok(RangeForm::Range(Range::between(6.0, 12.0))));
        assert_eq!(span("30 s..2 min"), Ok(RangeForm::Range(Range::between(30.0, 120.0))));
        assert_eq!(span("at most 10 s"), Ok(RangeForm::Range(Range { low: None, high: Some(10.0) })));
        assert_eq!(span("4 min"), Ok(RangeForm::Bare(240.0)));
        assert_eq!(span("12..6 s").unwrap_err().from, 0);
        assert_eq!(span("6-12 s").unwrap_err().help.unwrap(), "as in `85..95 rpm`");
        assert_eq!(span("6 – 12 s").unwrap_err().from, 2);
        assert_eq!(span("≥ 6 s").unwrap_err().help.unwrap(), "write `at least 6 s`");
    }

    #[test]
    fn shares_of_the_threshold_power_become_watts() {
        let target = |text: &str| read(text, |w| w.target(Some(250.0)));
        assert_eq!(target("80 % of threshold_power"), Ok(Target::Value(200.0)));
        assert_eq!(target("80..100 % of threshold_power"), Ok(Target::Within(Range::between(200.0, 250.0))));
        assert_eq!(target("at least 120 % of threshold_power"), Ok(Target::Within(Range::at_least(300.0))));
        assert_eq!(target("80 %").unwrap_err().message, "expected `of threshold_power` after `%`, found the end");
        let unknown = read("80 % of threshold_power", |w| w.target(None)).unwrap_err();
        assert_eq!(unknown.message, "nothing says what the threshold power is");
    }

    #[test]
    fn holds_name_a_power_and_a_duration() {
        let hold = read("at least 300 W for 5..10 s", |w| w.hold(None)).unwrap();
        assert_eq!(hold.power_w, Target::Within(Range::at_least(300.0)));
        assert_eq!(hold.for_s, Range::between(5.0, 10.0));
        let once = read("200 W for 20 s", |w| w.hold(None)).unwrap();
        assert_eq!(once.for_s, Range::between(20.0, 20.0));
        assert!(read("200 W", |w| w.hold(None)).unwrap_err().message.starts_with("expected `for`"));
    }

    #[test]
    fn limits_refuse_what_the_measure_does_not_have() {
        let limit = |text: &str, measure| read(text, |w| w.limit(measure));
        let power = Measure::MeanError;
        assert_eq!(limit("within claim", power), Ok(Limit::WithinClaim));
        assert_eq!(limit("none", Measure::DropoutTime), Ok(Limit::Zero));
        assert_eq!(limit("at most 5", Measure::ZeroShift), Ok(Limit::AtMost(Bound::single(5.0, Unit::One))));
        for wrong in ["none", "within 2 s", "within -2 %", "within 2 % or 3 %", "between 3 % and -1 %"] {
            assert!(limit(wrong, power).is_err(), "{wrong}");
        }
        assert!(limit("between 3 % and 4 W", power).is_err());
        assert!(limit("within claim", Measure::CadenceError).is_err());
        assert!(limit("none", Measure::ReleaseLag).is_err());
        assert_eq!(limit("withing 2 %", power).unwrap_err().help.unwrap(), "did you mean `within`?");
        assert_eq!(limit("2 %", power).unwrap_err().help.unwrap(), "as in `within 2 %`");
    }

    #[test]
    fn accept_sentences_agree_with_the_repeats() {
        let accept = |text: &str| read(text, |w| w.accept(6));
        assert_eq!(accept("every repeat"), Ok(Accept::EveryRepeat));
        assert_eq!(accept("at least 5 of 6"), Ok(Accept::AtLeast { passing: 5, of: 6 }));
        assert_eq!(accept("fault rate below 40 %"), Ok(Accept::FaultRateBelow(0.4)));
        assert_eq!(accept("at least 5 of 8").unwrap_err().from, 14);
        assert!(accept("at least 7 of 6").is_err());
        assert!(accept("at least 2.5 of 6").is_err());
        assert!(accept("fault rate below 100 %").is_err());
        assert!(accept("most").is_err());
    }

    #[test]
    fn selectors_are_completed_and_brought_to_one_form() {
        assert_eq!(select("steady[small, power=0.12kW]/2").unwrap().to_string(), "steady[ring=small, power=120 W]/2");
        assert_eq!(select("steady[power = 120W]").unwrap().to_string(), "steady[power=120 W]");
        assert_eq!(select("standing-sprints/3").unwrap().repeat, Some(3));
    }

    #[test]
    fn a_selector_that_selects_nothing_says_which_part() {
        let slip = |text: &str| {
            let slip = select(text).unwrap_err();
            (slip.from, slip.to)
        };
        assert_eq!(slip("stedy[small]"), (0, 5));
        assert_eq!(slip("steady[ring=small, power=90 W]"), (19, 29));
        assert_eq!(slip("steady[big, 180 W]"), (0, 18));
        assert_eq!(slip("steady[small"), (6, 12));
        assert_eq!(slip("standing-sprints/x"), (16, 18));
        assert_eq!(slip("standing-sprints x"), (0, 18));
        assert_eq!(slip("steady[]"), (7, 8));
    }

    #[test]
    fn one_repeat_leaves_nothing_open() {
        let one = |text: &str| one_repeat(text, &phases());
        assert_eq!(one("standing-sprints/3").unwrap().repeat, Some(3));
        assert_eq!(one("standing-sprints").unwrap_err().help.unwrap(), "say which, as in `standing-sprints/1`");
        assert_eq!(one("steady[small]/1").unwrap_err().message, "this names 2 phases");
    }

    fn unit() -> impl Strategy<Value = Unit> {
        proptest::sample::select(UNITS).prop_map(|(_, unit, _)| unit)
    }

    fn watts() -> impl Strategy<Value = f64> {
        (0..30_000_u32).prop_map(|tenths| f64::from(tenths) / 10.0)
    }

    fn range() -> impl Strategy<Value = Range> {
        (watts(), watts(), 0..4).prop_map(|(a, b, form)| match form {
            0 => Range::between(a, a),
            1 => Range::between(a.min(b), a.max(b)),
            2 => Range::at_least(a),
            _ => Range { low: None, high: Some(a) },
        })
    }

    fn target() -> impl Strategy<Value = Target> {
        range().prop_map(|range| match (range.low, range.high) {
            (Some(low), Some(high)) if low == high => Target::Value(low),
            _ => Target::Within(range),
        })
    }

    fn limit() -> impl Strategy<Value = Limit> {
        (watts(), watts(), 0..3, 0..6).prop_map(|(a, b, parts, form)| {
            let all = [Quantity::new(a, Unit::Percent), Quantity::new(b, Unit::Watt)];
            let (parts, join) = match parts {
                0 => (all[..1].to_vec(), Join::Wider),
                1 => (all.to_vec(), Join::Wider),
                _ => (all.to_vec(), Join::Narrower),
            };
            let bound = Bound { parts, join };
            match form {
                0 => Limit::Within(bound),
                1 => Limit::AtMost(bound),
                2 => Limit::AtLeast(bound),
                3 => Limit::WithinClaim,
                _ => Limit::Between(Quantity::new(-a, Unit::Watt), Quantity::new(b, Unit::Watt)),
            }
        })
    }

    proptest! {
        #[test]
        fn a_printed_quantity_reads_back_the_same(value in -1e6..1e6_f64, unit in unit()) {
            let quantity = Quantity::new(value, unit);
            prop_assert_eq!(read(&quantity.to_string(), |w| w.quantity(&[unit])), Ok(quantity));
        }

        #[test]
        fn a_printed_range_reads_back_the_same(range in range()) {
            let same = match read(&range_in_words(&range, Unit::Rpm), |w| w.span(Unit::Rpm)).unwrap() {
                RangeForm::Bare(value) => Range::between(value, value),
                RangeForm::Range(range) => range,
            };
            prop_assert_eq!(same, range);
        }

        #[test]
        fn a_printed_hold_reads_back_the_same(power_w in target(), for_s in range()) {
            let hold = Hold { power_w, for_s };
            prop_assert_eq!(read(&hold.to_string(), |w| w.hold(None)), Ok(hold));
        }

        #[test]
        fn a_printed_limit_reads_back_the_same(limit in limit()) {
            prop_assert_eq!(read(&limit.to_string(), |w| w.limit(Measure::MeanError)), Ok(limit));
        }

        #[test]
        fn a_printed_accept_sentence_reads_back_the_same(of in 1..40_u32, share in 1..100_u32, form in 0..3) {
            let accept = match form {
                0 => Accept::EveryRepeat,
                1 => Accept::AtLeast { passing: of.div_ceil(2), of },
                _ => Accept::FaultRateBelow(f64::from(share) / 100.0),
            };
            prop_assert_eq!(read(&accept.to_string(), |w| w.accept(of)), Ok(accept));
        }

        #[test]
        fn a_printed_selector_reads_back_the_same(which in 0..4_usize, repeat in proptest::option::of(1..6_u32)) {
            let PhaseId { name, keys } = phases().swap_remove(which).id;
            let selector = Selector { name, keys, repeat };
            prop_assert_eq!(select(&selector.to_string()), Ok(selector));
        }

        #[test]
        fn no_text_makes_the_readers_panic(text in "[ -~°±·≥–,.0-9A-Za-z]{0,40}") {
            let _ = read(&text, |w| w.limit(Measure::MeanError));
            let _ = read(&text, |w| w.hold(Some(250.0)));
            let _ = read(&text, |w| w.accept(6));
            let _ = select(&text);
            let _ = select(&format!("steady{text}"));
        }
    }
}
