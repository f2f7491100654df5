//! What a number can be, and what it usually is: a slip of unit or decimal point is told with what was likely meant.

use super::print::trim;
use super::reader::TextReader;
use super::units::{NO_UNIT, UNITS, WrittenUnit};
use crate::quantity::Unit;

/// What a quantity can be and what it usually is, both ends included, in the unit that it is held in.
#[derive(Debug, Clone, Copy)]
pub(crate) struct PlausibleRange {
    /// As a sentence begins: "a wheel's circumference".
    pub what: &'static str,
    pub held_in: Unit,
    /// The unit that its ends are told in, `mm`; of a bare number what it counts.
    pub shown_in: &'static str,
    /// Nothing real lies outside.
    pub possible: (f64, f64),
    pub usual: (f64, f64),
}

/// A line of a table of ranges.
pub(crate) const fn range(
    what: &'static str,
    (held_in, shown_in): (Unit, &'static str),
    possible: (f64, f64),
    usual: (f64, f64),
) -> PlausibleRange {
    PlausibleRange { what, held_in, shown_in, possible, usual }
}

/// What a value is to its range.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Plausibility {
    Usual,
    /// A sentence that says so.
    Unusual(String),
    Impossible {
        message: String,
        help: Option<String>,
    },
}

/// Decimal points are set wrong by one place more often than by three. Common practice, no source.
const SHIFTS: [f64; 6] = [0.1, 10.0, 0.01, 100.0, 0.001, 1000.0];

impl PlausibleRange {
    /// What `value` is, which was written as `text` (or as part of it).
    pub fn judge(&self, text: &str, value: f64) -> Plausibility {
        let within = |(low, high): (f64, f64)| (low..=high).contains(&value);
        if within(self.usual) {
            return Plausibility::Usual;
        }
        let written = self.written(text, value).unwrap_or_else(|| (value / self.shown().size, self.shown()));
        let Self { what, possible, usual, .. } = self;
        let told = format!("{what} of {}", self.told(written.0, written.1));
        let ends = |(low, high): &(f64, f64)| format!("{} to {}", self.show(*low), self.show(*high));
        let slip = self.slip(written, value);
        if within(*possible) {
            let slip = slip.map(|slip| format!(" ({slip})")).unwrap_or_default();
            return Plausibility::Unusual(format!(
                "{told} is unusual, {} is not; look whether it was meant{slip}",
                ends(usual)
            ));
        }
        Plausibility::Impossible { message: format!("{told} can't be; {} can", ends(possible)), help: slip }
    }

    fn shown(&self) -> &'static WrittenUnit {
        UNITS.iter().find(|unit| unit.symbol == self.shown_in).unwrap_or(&NO_UNIT)
    }

    /// Number and unit as written, where the whole text is one quantity of this value.
    fn written(&self, text: &str, value: f64) -> Option<(f64, &'static WrittenUnit)> {
        let mut words = TextReader::new(text).ok()?;
        let number = words.number().ok()?;
        let unit = words.unit(&[self.held_in]).ok()??;
        words.end().ok()?;
        ((number * unit.size - value).abs() <= 1e-9 * value.abs().max(1.0)).then_some((number, unit))
    }

    fn told(&self, number: f64, unit: &WrittenUnit) -> String {
        let symbol = if unit.held_in == Unit::One { self.shown_in } else { unit.symbol };
        format!("{} {symbol}", trim(number)).trim_end().to_owned()
    }

    fn show(&self, value: f64) -> String {
        self.told(value / self.shown().size, self.shown())
    }

    /// The same number in another unit, or with its decimal point elsewhere, that would be usual.
    fn slip(&self, (number, unit): (f64, &'static WrittenUnit), value: f64) -> Option<String> {
        let usual = |value: f64| (self.usual.0..=self.usual.1).contains(&value) && value != 0.0;
        let meant = |number: f64, symbol: &str| {
            Some(format!("did you mean `{}`?", format!("{} {symbol}", trim(number)).trim_end()))
        };
        if self.held_in == Unit::Celsius && usual((value - 32.0) / 1.8) {
            let celsius = ((value - 32.0) / 1.8 * 10.0).round() / 10.0;
            return Some(format!("{} °F would be `{} °C`", trim(number), trim(celsius)));
        }
        let others = UNITS.iter().filter(|other| other.held_in == self.held_in && other.size != unit.size);
        if let Some(other) = others.into_iter().find(|other| usual(number * other.size)) {
            return meant(number, other.symbol);
        }
        let shift = SHIFTS.into_iter().find(|shift| usual(value * shift))?;
        meant(number * shift, unit.symbol)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const WHEEL: PlausibleRange = range("a wheel's circumference", (Unit::Metre, "mm"), (0.9, 2.6), (1.8, 2.4));
    const TEETH: PlausibleRange = range("a chainring", (Unit::One, "teeth"), (18.0, 75.0), (22.0, 60.0));
    const AIR: PlausibleRange = range("a temperature", (Unit::Celsius, "°C"), (-40.0, 60.0), (-10.0, 45.0));

    fn told(range: &PlausibleRange, text: &str, value: f64) -> String {
        match range.judge(text, value) {
            Plausibility::Usual => "usual".to_owned(),
            Plausibility::Unusual(sentence) => sentence,
            Plausibility::Impossible { message, help } => format!("{message} | {}", help.unwrap_or_default()),
        }
    }

    #[test]
    fn a_slip_of_unit_or_decimal_point_is_told_with_what_was_likely_meant() {
        assert_eq!(told(&WHEEL, "2105 mm", 2.105), "usual");
        assert_eq!(
            told(&WHEEL, "2105 cm", 21.05),
            "a wheel's circumference of 2105 cm can't be; 900 mm to 2600 mm can | did you mean `2105 mm`?"
        );
        assert!(told(&WHEEL, "21.05 m", 21.05).ends_with("did you mean `2.105 m`?"));
        assert_eq!(
            told(&TEETH, "520", 520.0),
            "a chainring of 520 teeth can't be; 18 teeth to 75 teeth can | did you mean `52`?"
        );
        assert!(told(&AIR, "190 °C", 190.0).ends_with("did you mean `19 °C`?"));
        assert!(told(&AIR, "66 °C", 66.0).ends_with("66 °F would be `18.9 °C`"));
        let unusual = told(&WHEEL, "1500 mm", 1.5);
        assert_eq!(
            unusual,
            "a wheel's circumference of 1500 mm is unusual, 1800 mm to 2400 mm is not; look whether it was meant"
        );
        // Part of a longer sentence.
        assert!(told(&WHEEL, "at least 21050 mm", 21.05).starts_with("a wheel's circumference of 21050 mm can't be"));
    }
}
