//! A true value, with what its per cents are taken of.

/// A true number before it is given a unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Number {
    pub value: f64,
    /// Of an error in watts: what per cents are taken of.
    pub of_w: Option<f64>,
    /// The value is only a bound.
    pub at_least: bool,
}

impl Number {
    pub fn plain(value: f64) -> Self {
        Self { value, of_w: None, at_least: false }
    }

    pub fn error(unit_w: f64, ideal_w: f64) -> Self {
        Self { value: unit_w - ideal_w, of_w: Some(ideal_w), at_least: false }
    }

    /// Errors of power in per cent, everything else as it is.
    pub fn in_pct(self) -> Option<f64> {
        match self.of_w {
            Some(of_w) if of_w > 0.0 => Some(self.value / of_w * 100.0),
            Some(_) => None,
            None => Some(self.value),
        }
    }

    pub fn mean(of: &[Number]) -> Option<Number> {
        let n = of.len() as f64;
        let bases_w: Option<Vec<f64>> = of.iter().map(|number| number.of_w).collect();
        (!of.is_empty()).then(|| Number {
            value: of.iter().map(|number| number.value).sum::<f64>() / n,
            of_w: bases_w.map(|bases_w| bases_w.iter().sum::<f64>() / n),
            at_least: of.iter().any(|number| number.at_least),
        })
    }
}
