//! The units that may be written, and how they are written.

use crate::quantity::Unit;

/// One way to write a unit.
pub(super) struct WrittenUnit {
    pub symbol: &'static str,
    /// The unit that its values are held in.
    pub held_in: Unit,
    /// Its size in that unit.
    pub size: f64,
}

const fn written(symbol: &'static str, held_in: Unit, size: f64) -> WrittenUnit {
    WrittenUnit { symbol, held_in, size }
}

pub(super) const UNITS: &[WrittenUnit] = &[
    written("W", Unit::Watt, 1.0),
    written("kW", Unit::Watt, 1000.0),
    written("%", Unit::Percent, 1.0),
    written("s", Unit::Second, 1.0),
    written("min", Unit::Second, 60.0),
    written("h", Unit::Second, 3600.0),
    written("rpm", Unit::Rpm, 1.0),
    written("N·m", Unit::NewtonMetre, 1.0),
    written("Nm", Unit::NewtonMetre, 1.0),
    written("kg", Unit::Kilogram, 1.0),
    written("g", Unit::Kilogram, 0.001),
    written("m", Unit::Metre, 1.0),
    written("cm", Unit::Metre, 0.01),
    written("mm", Unit::Metre, 0.001),
    written("°", Unit::Degree, 1.0),
    written("°C", Unit::Celsius, 1.0),
    written("kJ", Unit::Kilojoule, 1.0),
    written("J", Unit::Kilojoule, 0.001),
    written("W/h", Unit::WattPerHour, 1.0),
    written("W/°C", Unit::WattPerCelsius, 1.0),
];

/// A number that has no unit.
pub(super) const NO_UNIT: WrittenUnit = written("", Unit::One, 1.0);

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

/// The wanted unit of this symbol.
pub(super) fn of_symbol(symbol: &str, wanted: &[Unit]) -> Option<&'static WrittenUnit> {
    UNITS.iter().find(|unit| unit.symbol == symbol && wanted.contains(&unit.held_in))
}

/// The symbol that somebody means who wrote `symbol`, in another case or spelt out.
pub(super) fn right_symbol(symbol: &str) -> Option<&'static str> {
    let lower = symbol.to_lowercase();
    let known = UNITS.iter().find(|unit| unit.symbol.to_lowercase() == lower).map(|unit| unit.symbol);
    known.or_else(|| OTHER_SPELLINGS.iter().find(|(other, _)| *other == lower).map(|(_, symbol)| *symbol))
}

/// The symbols that may be written for a unit, as in `s, min or h`.
pub(super) fn symbols(units: &[Unit]) -> String {
    // `Nm` is another way to write `N·m`.
    let wanted = UNITS.iter().filter(|unit| units.contains(&unit.held_in) && unit.symbol != "Nm");
    let all: Vec<&str> = wanted.map(|unit| unit.symbol).collect();
    match all.split_last() {
        Some((last, rest)) if !rest.is_empty() => format!("{} or {last}", rest.join(", ")),
        _ => all.concat(),
    }
}
