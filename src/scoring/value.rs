//! What a measure gave: a number with its budget, or the reason why there is none.

use crate::protocol::Check;
use crate::quantity::Unit;

use super::budget::Budget;

/// What kind of number it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ValueKind {
    /// Has an uncertainty.
    Measured,
    /// Counted seconds or readings: no uncertainty.
    Count,
    /// The true value is at least this (a unit that never crossed).
    AtLeast,
}

/// The value in a second unit: `factor` times the first.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SecondUnit {
    pub unit: Unit,
    pub factor: f64,
}

#[derive(Debug, Clone, PartialEq)]
pub struct Value {
    pub value: f64,
    pub unit: Unit,
    pub kind: ValueKind,
    /// In `unit`.
    pub budget: Budget,
    /// What per cents of a limit are taken of, in watts (joules for work); 0 where no per cent makes sense.
    pub reference: f64,
    pub also: Option<SecondUnit>,
    /// Hangs on a reference's gain, so a quarrel between references leaves it undecided unless it fails either way.
    pub gain_sensitive: bool,
    /// Indices of the references it was judged by.
    pub references: Vec<usize>,
    /// How many rides it is the mean of.
    pub rides: u32,
    /// Both limits of agreement, in `unit`.
    pub agreement: Option<[f64; 2]>,
    /// Of a mean, work or a peak: what one ride of a window with such leaps between readings scatters by, in `unit`.
    pub leaps: f64,
    /// Said beside the value (work left out, seconds set aside).
    pub notes: Vec<String>,
}

impl Value {
    /// A count or duration without uncertainty.
    pub fn count(value: f64, unit: Unit) -> Self {
        Self {
            value,
            unit,
            kind: ValueKind::Count,
            budget: Budget::default(),
            reference: 0.0,
            also: None,
            gain_sensitive: false,
            references: vec![],
            rides: 1,
            agreement: None,
            leaps: 0.0,
            notes: vec![],
        }
    }

    /// An error in watts against a mean reference power, in the unit that the limit speaks first.
    pub fn power_error(error_w: f64, reference_w: f64, budget_w: Budget, first: Unit) -> Self {
        let to_pct = if reference_w != 0.0 { 100.0 / reference_w } else { 0.0 };
        let in_pct = first == Unit::Percent && to_pct != 0.0;
        let (factor, unit, also) = if in_pct {
            (to_pct, Unit::Percent, Some(SecondUnit { unit: Unit::Watt, factor: 1.0 / to_pct }))
        } else {
            let also = (to_pct != 0.0).then_some(SecondUnit { unit: Unit::Percent, factor: to_pct });
            (1.0, Unit::Watt, also)
        };
        Self {
            value: error_w * factor,
            unit,
            kind: ValueKind::Measured,
            budget: budget_w.times(factor),
            reference: reference_w,
            also,
            gain_sensitive: true,
            references: vec![],
            rides: 1,
            agreement: None,
            leaps: 0.0,
            notes: vec![],
        }
    }

    /// What turns a watt into the unit of an error of power.
    pub fn per_watt(&self) -> f64 {
        if self.unit == Unit::Percent { 100.0 / self.reference } else { 1.0 }
    }

    /// The value and its budget in watts, or per cent, whichever is asked for; `None` if it has no such form.
    pub fn in_unit(&self, unit: Unit) -> Option<(f64, Budget)> {
        if self.unit == unit {
            return Some((self.value, self.budget.clone()));
        }
        let also = self.also.filter(|also| also.unit == unit)?;
        Some((self.value * also.factor, self.budget.times(also.factor)))
    }
}

/// Why a check has no value.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum NoValue {
    /// It could have had one; says what was missing.
    Undecided(String),
    /// By the unit's declared nature there is no such reading.
    NotApplicable(String),
}

pub type Measured = Result<Value, NoValue>;

/// One check of a protocol with what was measured for it.
#[derive(Debug, Clone, PartialEq)]
pub struct Scored {
    /// As the protocol has it.
    pub check: Check,
    pub measured: Measured,
    /// It informs and does not count: the protocol says so, or what it was held against allows no more.
    pub advisory: bool,
}

impl Scored {
    /// Advisory where the protocol says so.
    pub fn of(check: &Check, measured: Measured) -> Self {
        Self { check: check.clone(), measured, advisory: check.advisory }
    }
}
