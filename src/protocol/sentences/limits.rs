//! Limits of measures, and how many repeats have to keep them.

use super::quantities::scaled;
use super::reader::{ParseResult, TextReader, Token, mistake};
use crate::protocol::measure::Measure;
use crate::protocol::model::Accept;
use crate::protocol::suggest::nearest;
use crate::quantity::{Bound, Join, Limit, Quantity, Unit};

impl TextReader {
    /// `2 %`, `2 % or 3 W`, `2 % and 3 W`.
    pub fn bound(&mut self, wanted: &[Unit]) -> ParseResult<Bound> {
        let mut parts = vec![];
        let mut join = None;
        loop {
            let from = self.here().start;
            let part = self.quantity(wanted)?;
            if part.value < 0.0 {
                return mistake(from..self.before().end, "a bound has no sign", None);
            }
            if parts.iter().any(|p: &Quantity| p.unit == part.unit) {
                let message = format!("two bounds in {}, one of them says nothing", part.unit.symbol());
                return mistake(from..self.before().end, message, None);
            }
            parts.push(part);
            let at = self.here();
            let this = if self.take_word("or") {
                Join::Wider
            } else if self.take_word("and") {
                Join::Narrower
            } else {
                return Ok(Bound { parts, join: join.unwrap_or(Join::Wider) });
            };
            if join.is_some_and(|j| j != this) {
                return mistake(at, "`or` and `and` in one bound, write only one of them", None);
            }
            join = Some(this);
        }
    }

    /// A limit sentence in one of the measure's units.
    pub fn limit(&mut self, measure: Measure) -> ParseResult<Limit> {
        let wanted = measure.units();
        self.no_comparison()?;
        let start = self.here();
        if self.take_word("none") {
            if !measure.is_counted() {
                let message = format!("`none` is for what is counted, `{}` is not", measure.word());
                return mistake(start, message, Some(format!("as in `within 2 {}`", wanted[0].symbol())));
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
            let from = self.here().start;
            let number = self.number()?;
            let unit = self.unit(wanted)?;
            if !self.take_word("and") {
                return self.unexpected("`and`, as in `between -1 % and 3 %`");
            }
            let high = self.quantity(wanted)?;
            let low = match unit {
                Some(unit) => scaled(number, unit),
                None => return self.missing_unit(wanted),
            };
            if low.unit != high.unit {
                return mistake(from..self.before().end, "both ends need the same unit", None);
            }
            if low.value > high.value {
                let help = Some("write the smaller value first".into());
                return mistake(
                    from..self.before().end,
                    "nothing lies between these, the first is the larger one",
                    help,
                );
            }
            return Ok(Limit::Between(low, high));
        }
        if self.take_word("within") {
            let at = self.here();
            if self.take_word("claim") {
                if !measure.is_claimed() {
                    return mistake(at, format!("nobody claims a `{}`, write a value", measure.word()), None);
                }
                return Ok(Limit::WithinClaim);
            }
            return self.bound(wanted).map(Limit::Within);
        }
        let example = if wanted == [Unit::One] { "2".to_owned() } else { format!("2 {}", wanted[0].symbol()) };
        let help = match self.peek() {
            Some(Token::Word(word)) => nearest(word, &["within", "at most", "at least", "between", "none"]),
            _ => Some(format!("as in `within {example}`")),
        };
        let message =
            format!("expected `within`, `at most`, `at least`, `between` or `none`, found {}", self.written());
        mistake(start, message, help)
    }

    /// `every repeat`, `at least 5 of 6`, `fault rate below 40 %`, for a phase ridden `repeats` times.
    pub fn accept(&mut self, repeats: u32) -> ParseResult<Accept> {
        let from = self.here().start;
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
                return mistake(
                    of_at,
                    message,
                    Some(format!("write `at least {} of {repeats}`", passing.min(f64::from(repeats)))),
                );
            }
            if passing.fract() != 0.0 || passing < 1.0 || passing > of {
                return mistake(from..self.before().end, format!("expected a whole number from 1 to {of}"), None);
            }
            return Ok(Accept::AtLeast { passing: passing as u32, of: repeats });
        }
        if self.take_words(&["fault", "rate", "below"]) {
            let from = self.here().start;
            let share = self.quantity(&[Unit::Percent])?.value;
            if share <= 0.0 || share >= 100.0 {
                return mistake(from..self.before().end, "expected a rate between 0 % and 100 %", None);
            }
            return Ok(Accept::FaultRateBelow(share / 100.0));
        }
        self.unexpected("`every repeat`, `at least 5 of 6` or `fault rate below 40 %`")
    }
}
