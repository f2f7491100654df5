//! Quantities, ranges and target powers, as they are written.

use super::print::range_in_words;
use super::reader::{ParseResult, PlacedToken, TextMistake, TextReader, Token, mistake};
use super::units::{self, NO_UNIT, WrittenUnit};
use crate::protocol::asked::{Hold, Target};
use crate::quantity::{Quantity, Range, Unit};

/// How a range was written: what a bare value means is for the key to say.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum RangeForm {
    Bare(f64),
    Range(Range),
}

/// A value and, where written, its expanded uncertainty, both in one unit.
pub(crate) struct UncertainValue {
    pub value: f64,
    pub expanded: Option<f64>,
}

impl TextReader {
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

    /// A unit among `wanted`. `None` if something else follows.
    pub(super) fn unit(&mut self, wanted: &[Unit]) -> ParseResult<Option<&'static WrittenUnit>> {
        if wanted == [Unit::One] {
            return Ok(Some(&NO_UNIT));
        }
        let Some(PlacedToken { token: Token::Word(word), at }) = self.tokens.get(self.next) else { return Ok(None) };
        let (mut symbol, mut at, mut length) = (word.clone(), at.clone(), 1);
        if matches!(symbol.as_str(), "or" | "and" | "for" | "of") {
            return Ok(None);
        }
        if let [PlacedToken { token: Token::Sign("/"), .. }, PlacedToken { token: Token::Word(per), at: per_at }, ..] =
            &self.tokens[self.next + 1..]
        {
            symbol = format!("{symbol}/{per}");
            at.end = per_at.end;
            length = 3;
        }
        if let Some(unit) = units::of_symbol(&symbol, wanted) {
            self.next += length;
            return Ok(Some(unit));
        }
        let help = units::right_symbol(&symbol).filter(|s| *s != symbol).map(|s| format!("write `{s}`"));
        mistake(at, format!("expected {} here, found `{symbol}`", units::symbols(wanted)), help)
    }

    pub(super) fn missing_unit<T>(&self, wanted: &[Unit]) -> ParseResult<T> {
        let expected = units::symbols(wanted);
        mistake(self.before(), format!("a unit is missing after the number, expected {expected}"), None)
    }

    /// `200 W`: one of the wanted units.
    pub fn quantity(&mut self, wanted: &[Unit]) -> ParseResult<Quantity> {
        let number = self.number()?;
        match self.unit(wanted)? {
            Some(unit) => Ok(scaled(number, unit)),
            None => self.missing_unit(wanted),
        }
    }

    /// A quantity that can't be negative.
    pub fn amount(&mut self, unit: Unit) -> ParseResult<f64> {
        let from = self.here().start;
        let value = self.quantity(&[unit])?.value;
        if value < 0.0 {
            return mistake(from..self.before().end, "this can't be negative", None);
        }
        Ok(value)
    }

    /// `85..95 rpm`, `30 s..2 min`, `at least 600 W`, `at most 10 s`, or a bare `4 min`.
    pub fn span(&mut self, unit: Unit) -> ParseResult<RangeForm> {
        self.span_in(&mut |words| words.unit(&[unit]).map(|u| u.map(|u| u.size)), &[unit])
    }

    fn span_in(
        &mut self,
        factor: &mut dyn FnMut(&mut Self) -> ParseResult<Option<f64>>,
        wanted: &[Unit],
    ) -> ParseResult<RangeForm> {
        self.no_comparison()?;
        let at_least = self.take_words(&["at", "least"]);
        let at_most = !at_least && self.take_words(&["at", "most"]);
        let from = self.here().start;
        let first = self.number()?;
        let own = factor(self)?;
        if let Some(Token::Sign("-")) = self.peek() {
            return mistake(self.here(), "a range is written with two dots", Some("as in `85..95 rpm`".into()));
        }
        let span = if at_least || at_most {
            let Some(own) = own else { return self.missing_unit(wanted) };
            let end = times(first, own);
            let range = if at_least { Range::at_least(end) } else { Range { low: None, high: Some(end) } };
            RangeForm::Range(range)
        } else if self.take_sign("..") {
            let second = self.number()?;
            let Some(common) = factor(self)? else { return self.missing_unit(wanted) };
            let (low, high) = (times(first, own.unwrap_or(common)), times(second, common));
            if low > high {
                let help = Some("write the smaller value first".into());
                return mistake(
                    from..self.before().end,
                    "this range is empty, its first value is the larger one",
                    help,
                );
            }
            RangeForm::Range(Range::between(low, high))
        } else {
            let Some(own) = own else { return self.missing_unit(wanted) };
            RangeForm::Bare(times(first, own))
        };
        let lowest = match span {
            RangeForm::Bare(value) => Some(value),
            RangeForm::Range(range) => range.low.or(range.high),
        };
        if lowest.is_some_and(|low| low < 0.0) && wanted != [Unit::Percent] {
            return mistake(from..self.before().end, "this can't be negative", None);
        }
        Ok(span)
    }

    /// `200 W`, `30..90 W`, `at least 300 W`, `80 % of threshold_power`.
    pub fn target(&mut self, threshold_power_w: Option<f64>) -> ParseResult<Target> {
        let wanted = [Unit::Watt, Unit::Percent];
        let mut factor = |words: &mut Self| -> ParseResult<Option<f64>> {
            let start = words.here().start;
            let Some(unit) = words.unit(&wanted)? else { return Ok(None) };
            if unit.held_in == Unit::Watt {
                return Ok(Some(unit.size));
            }
            if matches!(words.peek(), Some(Token::Sign(".."))) {
                return Ok(None);
            }
            if !words.take_words(&["of", "threshold_power"]) {
                return words.unexpected("`of threshold_power` after `%`");
            }
            match threshold_power_w {
                Some(power_w) => Ok(Some(power_w / 100.0)),
                None => mistake(
                    start..words.before().end,
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
    /// `2.3 % ± 1.0 %`
    pub fn plus_minus(&mut self, unit: Unit) -> ParseResult<UncertainValue> {
        let value = self.amount(unit)?;
        let expanded = if self.take_sign("±") { Some(self.amount(unit)?) } else { None };
        Ok(UncertainValue { value, expanded })
    }
}

pub(super) fn scaled(number: f64, unit: &WrittenUnit) -> Quantity {
    Quantity::new(times(number, unit.size), unit.held_in)
}

/// A number in the unit held, to twelve digits: 172.5 mm is 0.1725 m, not 0.17250000000000001 m.
fn times(number: f64, factor: f64) -> f64 {
    if factor == 1.0 {
        return number;
    }
    format!("{:.11e}", number * factor).parse().unwrap_or(number * factor)
}

/// A power above zero, as a command line takes it: `250 W`, `250W`.
///
/// # Errors
/// Which characters are wrong, and what was expected.
pub fn watts(text: &str) -> Result<f64, TextMistake> {
    let mut words = TextReader::new(text)?;
    let power_w = words.amount(Unit::Watt)?;
    words.end()?;
    if power_w > 0.0 { Ok(power_w) } else { mistake(0..text.chars().count(), "expected a power above zero", None) }
}

/// A `for_each` value in the form that phases and selectors share: `120W` is `120 W`.
pub(crate) fn normal_form(text: &str) -> String {
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
