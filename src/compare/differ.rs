//! Groups held against each other, row by row.

use super::gather::{Season, UnpooledRow};
use super::pool::{Estimate, PooledVariance, SessionScatter, Weights};
use super::{Cell, Difference, Grouping, Row, Scatter};
use crate::stats;
use crate::words;

/// Of more groups pairs are not held against each other: of a hundred days nobody reads 4,950 differences in each row.
const MOST_GROUPS: usize = 60;

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
    fn word(self) -> &'static str {
        match self {
            Basis::Within => "within",
            Basis::Paired => "paired",
            Basis::Between => "between",
        }
    }
}

/// The sessions of a row that have a value, by the thing that they measured.
pub(super) struct SessionsByUnit<'a> {
    pub row: &'a UnpooledRow,
    /// (group, specimen, sessions), in that order.
    pub cells: Vec<(usize, usize, Vec<usize>)>,
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
        let cells: Vec<_> = cells.into_iter().map(|((g, s), sessions)| (g, s, sessions)).collect();
        let sessions: Vec<Vec<usize>> = cells.iter().map(|(_, _, sessions)| sessions.clone()).collect();
        Self { row, scatter: SessionScatter::of(row, &sessions), cells, by_specimen }
    }

    pub(super) fn in_group(&self, group: usize) -> impl Iterator<Item = &(usize, usize, Vec<usize>)> {
        self.cells.iter().filter(move |cell| cell.0 == group)
    }

    /// The mean over a group's sessions.
    fn mean(&self, group: usize) -> Option<(Estimate, usize)> {
        let sessions: Vec<usize> = self.in_group(group).flat_map(|cell| cell.2.iter().copied()).collect();
        let n = sessions.len();
        let weights: Weights = sessions.into_iter().map(|i| (i, 1.0 / n as f64)).collect();
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
        let has = |g: usize, s: usize| self.in_group(g).any(|cell| cell.1 == s);
        let common = |g: usize, other: usize| self.in_group(g).filter(|cell| has(other, cell.1)).collect::<Vec<_>>();
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
    fn between(&self, a: &[&(usize, usize, Vec<usize>)], b: &[&(usize, usize, Vec<usize>)]) -> Estimate {
        let sum = PooledVariance::of(self.row, &contrast(a, b));
        let part = |cells: &[&(usize, usize, Vec<usize>)]| {
            let means: Vec<f64> = cells.iter().filter_map(|cell| self.cell_mean(&cell.2)).collect();
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
fn contrast(first: &[&(usize, usize, Vec<usize>)], second: &[&(usize, usize, Vec<usize>)]) -> Weights {
    let side = |cells: &[&(usize, usize, Vec<usize>)], sign: f64| -> Weights {
        let m = cells.len() as f64;
        let of = |cell: &&(usize, usize, Vec<usize>)| {
            let weight = sign / (m * cell.2.len() as f64);
            cell.2.iter().map(|&i| (i, weight)).collect::<Weights>()
        };
        cells.iter().flat_map(of).collect()
    };
    [side(second, 1.0), side(first, -1.0)].concat()
}

/// Every row with its cells and differences, and who can be told apart in sentences.
pub(super) fn rows(gathered: &Season) -> (Vec<Row>, Vec<String>) {
    let group: Vec<Option<usize>> = gathered.group.iter().map(|g| Some(*g)).collect();
    let by_specimen = gathered.by == Grouping::Specimen;
    let mut rows: Vec<Row> = gathered
        .rows
        .iter()
        .map(|row| of_row(gathered, &SessionsByUnit::of(row, &group, &gathered.specimen, by_specimen)))
        .collect();
    let differences = || rows.iter().flat_map(|row| &row.differences);
    let adjusted = stats::holm(&differences().map(|d| d.p).collect::<Vec<f64>>());
    let alpha = 1.0 - gathered.protocol.coverage;
    for (difference, p) in rows.iter_mut().flat_map(|row| &mut row.differences).zip(adjusted) {
        difference.p_with_allowance = p;
        difference.differ = p < alpha;
    }
    let names: Vec<&str> = gathered.groups.iter().map(String::as_str).collect();
    for row in rows.iter_mut().filter(|row| !row.differences.is_empty()) {
        row.says = says(row, &names);
    }
    let apart = overall(&rows, &names);
    (rows, apart)
}

fn of_row(gathered: &Season, cells: &SessionsByUnit<'_>) -> Row {
    let (row, coverage) = (cells.row, gathered.protocol.coverage);
    let uncertain = row.entries.iter().flatten().all(|entry| entry.uncertain || entry.value.is_none());
    let groups = gathered.groups.len();
    let mut differences = vec![];
    let held = row.compared && uncertain && groups <= MOST_GROUPS;
    for first in 0..if held { groups } else { 0 } {
        for second in first + 1..groups {
            let Some((estimate, basis)) = cells.difference(first, second) else { continue };
            differences.push(Difference {
                first,
                second,
                value: estimate.value,
                expanded_uncertainty: estimate.expanded(coverage),
                degrees_of_freedom: finite(estimate.degrees_of_freedom),
                p: estimate.p(),
                p_with_allowance: 1.0,
                differ: false,
                basis: basis.word().to_owned(),
            });
        }
    }
    let scatter = cells.scatter;
    Row {
        name: row.name.clone(),
        of: row.of.word().to_owned(),
        place: row.place.clone(),
        measure: row.measure.clone(),
        unit: row.unit.clone(),
        limit: row.limit.clone(),
        required: row.required,
        compared: held,
        cells: (0..groups).map(|g| cell(gathered, cells, g, uncertain)).collect(),
        session_scatter: (scatter.degrees_of_freedom > 0.0).then(|| Scatter {
            standard_deviation: scatter.beyond.sqrt(),
            degrees_of_freedom: scatter.degrees_of_freedom,
        }),
        differences,
        says: String::new(),
    }
}

fn cell(gathered: &Season, cells: &SessionsByUnit<'_>, group: usize, uncertain: bool) -> Cell {
    let mut cell = Cell::default();
    for (entry, _) in cells.row.entries.iter().zip(&gathered.group).filter(|(_, of)| **of == group) {
        match entry {
            Some(entry) => {
                entry.outcome.into_iter().for_each(|outcome| cell.verdicts.add(outcome));
                cell.censored += usize::from(entry.censored);
                cell.without_value += usize::from(entry.value.is_none() && !entry.censored);
            }
            None => cell.without_value += 1,
        }
    }
    if let Some((estimate, sessions)) = cells.mean(group) {
        cell.value = Some(estimate.value);
        cell.sessions = sessions;
        if uncertain {
            cell.expanded_uncertainty = Some(estimate.expanded(gathered.protocol.coverage));
            cell.degrees_of_freedom = finite(estimate.degrees_of_freedom);
            cell.shared_standard_uncertainty = Some(estimate.shared_u);
        }
    }
    cell
}

/// Null stands for infinitely many.
fn finite(degrees_of_freedom: f64) -> Option<f64> {
    degrees_of_freedom.is_finite().then_some(degrees_of_freedom)
}

/// `a, b and c`.
pub(super) fn list(names: &[&str]) -> String {
    match names {
        [] => String::new(),
        [one] => (*one).to_owned(),
        [first @ .., last] => format!("{} and {last}", first.join(", ")),
    }
}

/// Who reads lower than whom in a row.
fn says(row: &Row, names: &[&str]) -> String {
    let present: Vec<usize> =
        (0..names.len()).filter(|g| row.differences.iter().any(|d| d.first == *g || d.second == *g)).collect();
    // Of two groups that differ, the lower one first.
    let lower: Vec<(usize, usize)> = row
        .differences
        .iter()
        .filter(|d| d.differ)
        .map(|d| if d.value > 0.0 { (d.first, d.second) } else { (d.second, d.first) })
        .collect();
    let named = |groups: &[usize]| list(&groups.iter().map(|&g| names[g]).collect::<Vec<_>>());
    if lower.is_empty() {
        return format!("{} can't be told apart", named(&present));
    }
    let others = |g: usize| present.iter().filter(|&&o| o != g).count();
    let mut sentences: Vec<String> = vec![];
    let mut told: Vec<usize> = vec![];
    for &g in &present {
        let above: Vec<usize> = lower.iter().filter(|pair| pair.0 == g).map(|pair| pair.1).collect();
        let below: Vec<usize> = lower.iter().filter(|pair| pair.1 == g).map(|pair| pair.0).collect();
        if others(g) > 1 && above.len() == others(g) {
            sentences.push(format!("{} reads lower than all others", names[g]));
            told.push(g);
        } else if others(g) > 1 && below.len() == others(g) {
            sentences.push(format!("{} reads higher than all others", names[g]));
            told.push(g);
        }
    }
    for &g in present.iter().filter(|g| !told.contains(g)) {
        let above: Vec<usize> =
            lower.iter().filter(|pair| pair.0 == g && !told.contains(&pair.1)).map(|pair| pair.1).collect();
        if !above.is_empty() {
            sentences.push(format!("{} reads lower than {}", names[g], named(&above)));
        }
    }
    // Groups told apart from the same ones stand together only where none of them is told apart from another.
    let rest: Vec<usize> = present.iter().copied().filter(|g| !told.contains(g)).collect();
    let apart = |a: usize, b: usize| lower.contains(&(a, b)) || lower.contains(&(b, a));
    if rest.len() > 1 {
        let clean = rest.iter().all(|&a| rest.iter().all(|&b| !apart(a, b)));
        let any = rest.iter().any(|&a| rest.iter().any(|&b| a != b && !apart(a, b)));
        if clean {
            sentences.push(format!("{} can't be told apart", named(&rest)));
        } else if any {
            sentences.push("no others can be told apart".to_owned());
        }
    }
    sentences.join("; ")
}

/// Over all rows, then each row in which any differ.
fn overall(rows: &[Row], names: &[&str]) -> Vec<String> {
    let compared: Vec<&Row> = rows.iter().filter(|row| !row.differences.is_empty()).collect();
    if names.len() < 2 {
        return vec!["There is one group only, so nothing to tell it apart from.".to_owned()];
    }
    if names.len() > MOST_GROUPS {
        return vec![format!(
            "{} groups are too many to hold each against each ({MOST_GROUPS} at most); give fewer files or another --by. \
             The rows and the questions stand.",
            names.len()
        )];
    }
    if compared.is_empty() {
        return vec![
            "No two groups can be held against each other: they have no check with a value in common, or no specimen in \
             common and fewer than two specimens each."
                .to_owned(),
        ];
    }
    let apart = |a: usize, b: usize| {
        compared.iter().flat_map(|row| &row.differences).any(|d| d.differ && (d.first, d.second) == (a, b))
    };
    let groups = names.len();
    let pairs = || (0..groups).flat_map(|a| (a + 1..groups).map(move |b| (a, b)));
    let alike: Vec<usize> =
        (0..groups).filter(|&g| pairs().filter(|&(a, b)| a == g || b == g).any(|(a, b)| !apart(a, b))).collect();
    let mut sentences = vec![];
    if !pairs().any(|(a, b)| apart(a, b)) {
        let all = words::capital(&list(names));
        sentences.push(format!("{all} can't be told apart in any row: no order of them means anything."));
        return sentences;
    }
    let clean = pairs().all(|(a, b)| !(alike.contains(&a) && alike.contains(&b) && apart(a, b)));
    if alike.len() > 1 && clean {
        let alike: Vec<&str> = alike.iter().map(|&g| names[g]).collect();
        let alike = words::capital(&list(&alike));
        sentences.push(format!("{alike} can't be told apart in any row: no order of them means anything."));
    } else if alike.len() > 1 {
        let pairs: Vec<String> =
            pairs().filter(|&(a, b)| !apart(a, b)).map(|(a, b)| format!("{} from {}", names[a], names[b])).collect();
        let shown = if pairs.len() > 6 { format!("{} pairs", pairs.len()) } else { pairs.join(", ") };
        sentences.push(format!("Not told apart in any row: {shown}."));
    }
    for row in compared.iter().filter(|row| row.differences.iter().any(|d| d.differ)) {
        sentences.push(format!("{}: {}.", words::capital(&row.name), row.says));
    }
    sentences
}
