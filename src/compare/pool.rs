//! Uncertainty of weighted sums of sessions.

use std::collections::BTreeMap;

use super::unpooled::UnpooledRow;
use crate::stats;

/// One session's part in a weighted sum of sessions.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct SessionWeight {
    pub session: usize,
    pub weight: f64,
}

/// A weighted sum of sessions.
pub(super) type Weights = Vec<SessionWeight>;

/// All sessions with one weight.
pub(super) fn equal_weights(sessions: &[usize], weight: f64) -> Weights {
    sessions.iter().map(|&session| SessionWeight { session, weight }).collect()
}

/// Variance of a sum by what it comes from.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(super) struct PooledVariance {
    pub value: f64,
    pub own: f64,
    pub spread: f64,
    pub shared: f64,
    /// Σw², which a variance between sessions is multiplied by.
    pub squares: f64,
}

impl PooledVariance {
    /// What a row's sessions with these weights sum up to. Where sessions may share a draw, weights of one sign are taken to
    /// share it and weights of different sign not to, unless they surely do: that is wide rather than narrow.
    pub(super) fn of(row: &UnpooledRow, weights: &[SessionWeight]) -> PooledVariance {
        let mut sum = PooledVariance::default();
        // Of each source, what weights above and below zero add up to, by what may and what surely is one draw.
        let mut maybe: BTreeMap<(u8, u32), [f64; 2]> = BTreeMap::new();
        let mut surely: BTreeMap<(u8, u32), [f64; 2]> = BTreeMap::new();
        for &SessionWeight { session, weight } in weights {
            let Some(entry) = &row.entries[session] else { continue };
            sum.value += weight * entry.value.unwrap_or(0.0);
            sum.own += weight * weight * entry.variance;
            sum.spread += weight.powi(4) * entry.spread;
            sum.squares += weight * weight;
            let side = usize::from(weight < 0.0);
            for one in &entry.shared {
                maybe.entry((one.source, one.maybe)).or_default()[side] += weight.abs() * one.u;
                surely.entry((one.source, one.surely)).or_default()[side] += weight.abs() * one.u;
            }
        }
        let alike: f64 = maybe.values().map(|[up, down]| up * up + down * down).sum();
        let cancelled: f64 = surely.values().map(|[up, down]| 2.0 * up * down).sum();
        sum.shared = (alike - cancelled).max(0.0);
        sum
    }

    pub(super) fn variance(&self) -> f64 {
        self.own + self.shared
    }
}

/// How much sessions of one specimen scatter.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(super) struct SessionScatter {
    pub mean_square: f64,
    pub degrees_of_freedom: f64,
    /// Beyond what their budgets say.
    pub beyond: f64,
}

impl SessionScatter {
    /// Pooled over cells, each of sessions of the same thing.
    pub(super) fn of(row: &UnpooledRow, cells: &[Vec<usize>]) -> SessionScatter {
        let (mut squares, mut expected, mut degrees_of_freedom) = (0.0, 0.0, 0.0);
        for cell in cells.iter().filter(|cell| cell.len() > 1) {
            let n = cell.len() as f64;
            let values: Vec<f64> = cell.iter().filter_map(|&i| row.entries[i].as_ref()?.value).collect();
            squares += stats::sample_sd(&values).map_or(0.0, |sd| sd * sd * (n - 1.0));
            expected += expected_squares(row, cell).total();
            degrees_of_freedom += n - 1.0;
        }
        SessionScatter::from_squares(squares, expected, degrees_of_freedom)
    }

    pub(super) fn from_squares(squares: f64, expected: f64, degrees_of_freedom: f64) -> SessionScatter {
        if degrees_of_freedom < 1.0 {
            return SessionScatter::default();
        }
        let mean_square = squares / degrees_of_freedom;
        SessionScatter {
            mean_square,
            degrees_of_freedom,
            beyond: (mean_square - expected / degrees_of_freedom).max(0.0),
        }
    }
}

/// A variance by where it comes from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct VarianceParts {
    /// Of what sessions have of their own.
    pub own: f64,
    /// Of what other sessions have too.
    pub shared: f64,
}

impl VarianceParts {
    pub(super) fn total(self) -> f64 {
        self.own + self.shared
    }
}

/// The sum of squares about the cell's mean that the budgets make one expect.
pub(super) fn expected_squares(row: &UnpooledRow, cell: &[usize]) -> VarianceParts {
    let n = cell.len() as f64;
    let VarianceParts { own, shared } = surely(row, &equal_weights(cell, 1.0));
    let alone: f64 = cell.iter().map(|&i| surely(row, &equal_weights(&[i], 1.0)).shared).sum();
    VarianceParts { own: own * (1.0 - 1.0 / n), shared: alone - shared / n }
}

/// Variance of a sum where only what surely is one draw is taken as one.
pub(super) fn surely(row: &UnpooledRow, weights: &[SessionWeight]) -> VarianceParts {
    let mut shared: BTreeMap<(u8, u32), f64> = BTreeMap::new();
    let mut own = 0.0;
    for &SessionWeight { session, weight } in weights {
        let Some(entry) = &row.entries[session] else { continue };
        own += weight * weight * entry.variance;
        for one in &entry.shared {
            *shared.entry((one.source, one.surely)).or_default() += weight * one.u;
        }
    }
    VarianceParts { own, shared: shared.values().map(|sum| sum * sum).sum() }
}

/// A value with its uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Estimate {
    pub value: f64,
    pub u: f64,
    pub degrees_of_freedom: f64,
    pub shared_u: f64,
}

impl Estimate {
    /// What the budgets say, and what sessions scatter beyond them with the degrees of freedom that it was seen with.
    pub(super) fn of(sum: PooledVariance, scatter: &SessionScatter) -> Estimate {
        let variance = sum.variance() + scatter.beyond * sum.squares;
        let degrees_of_freedom = if scatter.beyond > 0.0 {
            let seen = (scatter.mean_square * sum.squares).min(variance);
            (variance / seen).powi(2) * scatter.degrees_of_freedom
        } else {
            variance * variance / sum.spread
        };
        // 0/0: nothing uncertain.
        let degrees_of_freedom = if degrees_of_freedom.is_nan() { f64::INFINITY } else { degrees_of_freedom };
        Estimate { value: sum.value, u: variance.sqrt(), degrees_of_freedom, shared_u: sum.shared.sqrt() }
    }

    pub(super) fn expanded(&self, coverage: f64) -> f64 {
        stats::coverage_factor(coverage, self.degrees_of_freedom) * self.u
    }

    /// Two-sided probability of a value as far from zero.
    pub(super) fn p(&self) -> f64 {
        if self.u > 0.0 { 2.0 * stats::t_cdf(-(self.value / self.u).abs(), self.degrees_of_freedom) } else { 1.0 }
    }
}
