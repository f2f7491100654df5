//! What a measure gave: a number with its budget, or the reason why there is none. A value is changed by nobody: each step
//! that knows more of it returns a new one.

use crate::protocol::Check;
use crate::quantity::Unit;

use super::budget::{Budget, Line, Source};
use super::no_value::{NoValue, Note};

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
    /// What has to be known beside the value (work left out, seconds set aside).
    pub notes: Vec<Note>,
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

    /// Per cents of the reference in the value's unit.
    pub fn per_cent(&self, pct: f64) -> f64 {
        if self.unit == Unit::Percent { pct } else { pct / 100.0 * self.reference.abs() }
    }

    /// What its own budget says that one ride of it scatters by.
    pub fn own_scatter(&self) -> f64 {
        self.budget.part(|source| source == Source::Scatter)
    }

    /// The value with lines of the reference that are known in watts; it may itself be in per cent.
    ///
    /// Per cents are of the reference, u/r − 1, so that what is not known of r counts (1 + e) times.
    pub fn with_reference_lines(mut self, lines_w: impl IntoIterator<Item = Line>) -> Self {
        let over_reference = if self.unit == Unit::Percent { 1.0 + self.value / 100.0 } else { 1.0 };
        let factor = self.per_watt() * over_reference;
        for line_w in lines_w {
            self.budget.push(Line { standard_uncertainty: line_w.standard_uncertainty * factor.abs(), ..line_w });
        }
        self
    }

    /// The value with another line of scatter in the place of its own.
    pub fn with_scatter(mut self, scatter: Line) -> Self {
        self.budget.0.retain(|line| line.source != Source::Scatter);
        self.budget.push(scatter);
        self
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
