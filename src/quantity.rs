//! Quantities with units, ranges and limits: the small words that protocols and sessions are made of.
//!
//! Parsing lives in [`crate::protocol`]; these types only hold and print.

use std::fmt;

/// A unit that a protocol or session may write after a number.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Unit {
    Watt,
    Percent,
    Second,
    Rpm,
    NewtonMetre,
    Kilogram,
    /// Lengths are held in metres, whatever was written.
    Metre,
    Degree,
    Celsius,
    Kilojoule,
    WattPerHour,
    WattPerCelsius,
    /// A plain count or a raw reading without a unit (a zero offset).
    One,
}

impl Unit {
    const ALL: [Unit; 13] = [
        Unit::Watt,
        Unit::Percent,
        Unit::Second,
        Unit::Rpm,
        Unit::NewtonMetre,
        Unit::Kilogram,
        Unit::Metre,
        Unit::Degree,
        Unit::Celsius,
        Unit::Kilojoule,
        Unit::WattPerHour,
        Unit::WattPerCelsius,
        Unit::One,
    ];

    /// The unit that is printed so.
    pub fn from_symbol(symbol: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|unit| unit.symbol() == symbol)
    }

    /// The symbol as printed on the sheet and in the JSON (`W`, `%`, `s`, …; empty for a count).
    pub fn symbol(self) -> &'static str {
        match self {
            Unit::Watt => "W",
            Unit::Percent => "%",
            Unit::Second => "s",
            Unit::Rpm => "rpm",
            Unit::NewtonMetre => "N·m",
            Unit::Kilogram => "kg",
            Unit::Metre => "m",
            Unit::Degree => "°",
            Unit::Celsius => "°C",
            Unit::Kilojoule => "kJ",
            Unit::WattPerHour => "W/h",
            Unit::WattPerCelsius => "W/°C",
            Unit::One => "",
        }
    }
}

/// A finite number with its unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Quantity {
    pub value: f64,
    pub unit: Unit,
}

impl Quantity {
    pub const fn new(value: f64, unit: Unit) -> Self {
        Self { value, unit }
    }
}

impl fmt::Display for Quantity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.unit {
            Unit::One => write!(f, "{}", self.value),
            unit => write!(f, "{} {}", self.value, unit.symbol()),
        }
    }
}

/// A closed range of one unit; an open end is `None` (`at least 600 W` has no `high`).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Range {
    pub low: Option<f64>,
    pub high: Option<f64>,
}

impl Range {
    /// Open at both ends.
    pub const ANY: Self = Self { low: None, high: None };

    pub const fn between(low: f64, high: f64) -> Self {
        Self { low: Some(low), high: Some(high) }
    }

    pub const fn at_least(low: f64) -> Self {
        Self { low: Some(low), high: None }
    }

    pub fn contains(&self, value: f64) -> bool {
        self.low.is_none_or(|low| value >= low) && self.high.is_none_or(|high| value <= high)
    }

    /// The middle, or the closed end where the other is open; `None` if both are.
    pub fn middle(&self) -> Option<f64> {
        match (self.low, self.high) {
            (Some(low), Some(high)) => Some((low + high) / 2.0),
            (low, high) => low.or(high),
        }
    }
}

/// `2 %`, `2 % or 3 W` (the wider at the reference value) or `2 % and 3 W` (the narrower).
#[derive(Debug, Clone, PartialEq)]
pub struct Bound {
    pub parts: Vec<Quantity>,
    pub join: Join,
}

/// How the parts of a [`Bound`] go together. With one part it does not matter.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Join {
    /// `or`: whichever is wider.
    Wider,
    /// `and`: whichever is narrower.
    Narrower,
}

impl Bound {
    pub fn single(value: f64, unit: Unit) -> Self {
        Self { parts: vec![Quantity::new(value, unit)], join: Join::Wider }
    }

    /// The bound in `unit` at a reference value of `reference` (same unit; per cents are of it).
    ///
    /// Asking in [`Unit::Percent`] turns an absolute part into per cent of `reference`. `None` if a
    /// part can't be expressed (a zero reference, or another unit altogether).
    pub fn in_unit(&self, unit: Unit, reference: f64) -> Option<f64> {
        let mut best: Option<f64> = None;
        for part in &self.parts {
            let value = if part.unit == unit {
                part.value
            } else if part.unit == Unit::Percent {
                part.value / 100.0 * reference.abs()
            } else if unit == Unit::Percent && reference != 0.0 {
                part.value / reference.abs() * 100.0
            } else {
                return None;
            };
            best = Some(match (best, self.join) {
                (None, _) => value,
                (Some(b), Join::Wider) => b.max(value),
                (Some(b), Join::Narrower) => b.min(value),
            });
        }
        best
    }

    /// Whether a part is written in `unit`.
    pub fn has(&self, unit: Unit) -> bool {
        self.parts.iter().any(|p| p.unit == unit)
    }
}

impl fmt::Display for Bound {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let word = match self.join {
            Join::Wider => " or ",
            Join::Narrower => " and ",
        };
        for (i, part) in self.parts.iter().enumerate() {
            if i > 0 {
                f.write_str(word)?;
            }
            write!(f, "{part}")?;
        }
        Ok(())
    }
}

/// A limit sentence of the protocol language.
#[derive(Debug, Clone, PartialEq)]
pub enum Limit {
    /// `within L`: −L ≤ value ≤ L.
    Within(Bound),
    /// `at most L`.
    AtMost(Bound),
    /// `at least L`.
    AtLeast(Bound),
    /// `between L and L`.
    Between(Quantity, Quantity),
    /// `none`: the value must be zero (a count or a duration).
    Zero,
    /// `within claim`: what the session says that the unit claims.
    WithinClaim,
}

impl fmt::Display for Limit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Limit::Within(b) => write!(f, "within {b}"),
            Limit::AtMost(b) => write!(f, "at most {b}"),
            Limit::AtLeast(b) => write!(f, "at least {b}"),
            Limit::Between(a, b) => write!(f, "between {a} and {b}"),
            Limit::Zero => f.write_str("none"),
            Limit::WithinClaim => f.write_str("within claim"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn or_takes_the_wider_part_and_and_the_narrower() {
        let parts = vec![Quantity::new(2.0, Unit::Percent), Quantity::new(3.0, Unit::Watt)];
        let or = Bound { parts: parts.clone(), join: Join::Wider };
        let and = Bound { parts, join: Join::Narrower };
        assert_eq!(or.in_unit(Unit::Watt, 100.0), Some(3.0));
        assert_eq!(or.in_unit(Unit::Watt, 300.0), Some(6.0));
        assert_eq!(and.in_unit(Unit::Watt, 300.0), Some(3.0));
        assert_eq!(or.in_unit(Unit::Percent, 100.0), Some(3.0));
        assert_eq!(or.to_string(), "2 % or 3 W");
    }
}
