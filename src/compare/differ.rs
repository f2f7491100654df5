//! Groups held against each other in one row: means, pairs, and what a difference rests on.

use super::pool::{Estimate, PooledVariance, SessionScatter, Weights, equal_weights};
use super::unpooled::UnpooledRow;
use crate::stats;

/// What a difference rests on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Basis {
    /// Two specimens, each in its own sessions.
    Within,
    /// The specimens that both groups have.
    Paired,
    /// Groups of different specimens, of at least two each.
    Between,
}

impl Basis {
    pub(super) fn word(self) -> &'static str {
        match self {
            Basis::Within => "within",
            Basis::Paired => "paired",
            Basis::Between => "between",
        }
    }
}

/// The sessions of one specimen in one group.
pub(super) struct UnitSessions {
    pub group: usize,
    pub specimen: usize,
    pub sessions: Vec<usize>,
}

/// The sessions of a row that have a value, by the thing that they measured.
pub(super) struct SessionsByUnit<'a> {
    pub row: &'a UnpooledRow,
    /// By group, then by specimen.
    pub cells: Vec<UnitSessions>,
    pub scatter: SessionScatter,
    /// Each group is one specimen.
    by_specimen: bool,
}

impl<'a> SessionsByUnit<'a> {
    /// `group` says which group each session is in; `None` leaves it out.
    pub(super) fn of(row: &'a UnpooledRow, group: &[Option<usize>], specimen: &[usize], by_specimen: bool) -> Self {
        let mut cells = std::collections::BTreeMap::<(usize, usize), Vec<usize>>::new();
        for (i, entry) in row.entries.iter().enumerate() {
            if let Some(g) = group[i].filter(|_| entry.as_ref().is_some_and(|e| e.value.is_some())) {
                cells.entry((g, specimen[i])).or_default().push(i);
            }
        }
        let cells = cells.into_iter().map(|((group, specimen), sessions)| UnitSessions { group, specimen, sessions });
        let cells: Vec<UnitSessions> = cells.collect();
        let sessions: Vec<Vec<usize>> = cells.iter().map(|cell| cell.sessions.clone()).collect();
        Self { row, scatter: SessionScatter::of(row, &sessions), cells, by_specimen }
    }

    pub(super) fn in_group(&self, group: usize) -> impl Iterator<Item = &UnitSessions> {
        self.cells.iter().filter(move |cell| cell.group == group)
    }

    /// The mean over a group's sessions.
    pub(super) fn mean(&self, group: usize) -> Option<(Estimate, usize)> {
        let sessions: Vec<usize> = self.in_group(group).flat_map(|cell| cell.sessions.iter().copied()).collect();
        let n = sessions.len();
        let weights = equal_weights(&sessions, 1.0 / n as f64);
        (n > 0).then(|| (Estimate::of(PooledVariance::of(self.row, &weights), &self.scatter), n))
    }

    /// Second group less first; `None` where nothing tells specimens from groups.
    pub(super) fn difference(&self, first: usize, second: usize) -> Option<(Estimate, Basis)> {
        if self.by_specimen {
            let [a, b] = [first, second].map(|g| self.in_group(g).collect::<Vec<_>>());
            let weights = contrast(&a, &b);
            let both = !a.is_empty() && !b.is_empty();
            return both.then(|| (Estimate::of(PooledVariance::of(self.row, &weights), &self.scatter), Basis::Within));
        }
        let has = |g: usize, s: usize| self.in_group(g).any(|cell| cell.specimen == s);
        let common =
            |g: usize, other: usize| self.in_group(g).filter(|cell| has(other, cell.specimen)).collect::<Vec<_>>();
        let (a, b) = (common(first, second), common(second, first));
        if !a.is_empty() {
            let sum = PooledVariance::of(self.row, &contrast(&a, &b));
            return Some((Estimate::of(sum, &self.scatter), Basis::Paired));
        }
        let [a, b] = [first, second].map(|g| self.in_group(g).collect::<Vec<_>>());
        (a.len() > 1 && b.len() > 1).then(|| (self.between(&a, &b), Basis::Between))
    }

    /// Of different specimens: they scatter too, as Welch's interval of two means has it. Where the budgets say more, they
    /// stand.
    fn between(&self, a: &[&UnitSessions], b: &[&UnitSessions]) -> Estimate {
        let sum = PooledVariance::of(self.row, &contrast(a, b));
        let part = |cells: &[&UnitSessions]| {
            let means: Vec<f64> = cells.iter().filter_map(|cell| self.cell_mean(&cell.sessions)).collect();
            let n = means.len() as f64;
            (stats::sample_sd(&means).unwrap_or(0.0) / n.sqrt(), n - 1.0)
        };
        let (seen, degrees_of_freedom) = stats::welch_satterthwaite(&[part(a), part(b)]);
        let budgets = Estimate::of(sum, &self.scatter);
        // What the groups do not share does not show in the scatter of either.
        let variance = seen * seen + sum.shared;
        if variance.sqrt() <= budgets.u {
            return budgets;
        }
        let degrees_of_freedom = (variance / (seen * seen)).powi(2) * degrees_of_freedom;
        Estimate { u: variance.sqrt(), degrees_of_freedom, ..budgets }
    }

    pub(super) fn cell_mean(&self, sessions: &[usize]) -> Option<f64> {
        let values: Vec<f64> = sessions.iter().filter_map(|&i| self.row.entries[i].as_ref()?.value).collect();
        stats::mean(&values)
    }
}

/// Mean over the second group's specimens less that over the first's, each specimen the mean of its sessions.
fn contrast(first: &[&UnitSessions], second: &[&UnitSessions]) -> Weights {
    let side = |cells: &[&UnitSessions], sign: f64| -> Weights {
        let m = cells.len() as f64;
        let of = |cell: &&UnitSessions| equal_weights(&cell.sessions, sign / (m * cell.sessions.len() as f64));
        cells.iter().flat_map(of).collect()
    };
    [side(second, 1.0), side(first, -1.0)].concat()
}
