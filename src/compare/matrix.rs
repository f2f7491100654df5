//! The matrix of rows and groups: a cell for each, and the differences between groups with their allowance for many pairs.

use super::comparison::{Cell, Difference, Grouping, Row, Scatter};
use super::differ::SessionsByUnit;
use super::season::Season;
use super::told_apart::{MOST_GROUPS, overall, says};
use crate::stats;

/// Every row with its cells and differences, and who can be told apart, in sentences.
pub(super) struct Matrix {
    pub rows: Vec<Row>,
    pub apart: Vec<String>,
}

pub(super) fn of(season: &Season) -> Matrix {
    let group: Vec<Option<usize>> = season.group.iter().map(|g| Some(*g)).collect();
    let by_specimen = season.by == Grouping::Specimen;
    let mut rows: Vec<Row> = season
        .rows
        .iter()
        .map(|row| of_row(season, &SessionsByUnit::of(row, &group, &season.specimen, by_specimen)))
        .collect();
    let differences = || rows.iter().flat_map(|row| &row.differences);
    let adjusted = stats::holm(&differences().map(|d| d.p).collect::<Vec<f64>>());
    let alpha = 1.0 - season.protocol.coverage;
    for (difference, p) in rows.iter_mut().flat_map(|row| &mut row.differences).zip(adjusted) {
        difference.p_with_allowance = p;
        difference.differ = p < alpha;
    }
    let names: Vec<&str> = season.groups.iter().map(String::as_str).collect();
    for row in rows.iter_mut().filter(|row| !row.differences.is_empty()) {
        row.says = says(row, &names);
    }
    let apart = overall(&rows, &names);
    Matrix { rows, apart }
}

fn of_row(season: &Season, cells: &SessionsByUnit<'_>) -> Row {
    let (row, coverage) = (cells.row, season.protocol.coverage);
    let uncertain = row.entries.iter().flatten().all(|entry| entry.uncertain || entry.value.is_none());
    let groups = season.groups.len();
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
        cells: (0..groups).map(|g| cell(season, cells, g, uncertain)).collect(),
        session_scatter: (scatter.degrees_of_freedom > 0.0).then(|| Scatter {
            standard_deviation: scatter.beyond.sqrt(),
            degrees_of_freedom: scatter.degrees_of_freedom,
        }),
        differences,
        says: String::new(),
    }
}

fn cell(season: &Season, cells: &SessionsByUnit<'_>, group: usize, uncertain: bool) -> Cell {
    let mut cell = Cell::default();
    for (entry, _) in cells.row.entries.iter().zip(&season.group).filter(|(_, of)| **of == group) {
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
            cell.expanded_uncertainty = Some(estimate.expanded(season.protocol.coverage));
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
