//! Is it this specimen or the model?

use std::collections::{BTreeMap, BTreeSet};

use super::answer::{figure, probability, range, size};
use crate::compare::comparison::Answer;
use crate::compare::differ::{SessionsByUnit, UnitSessions};
use crate::compare::pool::{Estimate, PooledVariance, Weights, equal_weights, expected_squares, surely};
use crate::compare::season::Season;
use crate::compare::unpooled::UnpooledRow;
use crate::stats;
use crate::words;

/// One-way random model: specimens, and sessions within them.
pub(super) fn specimen(season: &Season, row: &UnpooledRow) -> Result<Answer, String> {
    let (coverage, unit) = (season.protocol.coverage, row.unit.as_str());
    if season.models().len() > 1 {
        return Err("the specimens are of several models; compare each model by itself".to_owned());
    }
    let cells = SessionsByUnit::of(row, &vec![Some(0); season.given.len()], &season.specimen, false);
    let sessions: Vec<&Vec<usize>> = cells.cells.iter().map(|cell| &cell.sessions).collect();
    if sessions.len() < 2 {
        return Err("all sessions are of one specimen; ride the same trial with at least two more".to_owned());
    }
    let values: Vec<Vec<f64>> =
        sessions.iter().map(|cell| cell.iter().filter_map(|&i| row.entries[i].as_ref()?.value).collect()).collect();
    let found = stats::variance_components(&values, coverage).ok_or(
        "each specimen has one session, which does not part specimens from sessions; ride at least two specimens twice",
    )?;
    // The same but for rounding.
    let largest = values.iter().flatten().fold(0.0_f64, |most, value| most.max(value.abs()));
    if found.within.sqrt() <= 1e-12 * largest {
        return Err("the sessions give the very same values".to_owned());
    }
    let off = references_differ(&without_common(row), &sessions, found.within_dof);
    let sd = |variance: f64| (variance - off).max(0.0).sqrt();
    let between = (sd(found.between_interval.0), sd(found.between_interval.1));
    let within = (found.within_interval.0.sqrt(), found.within_interval.1.sqrt());
    let (between_sd, within_sd) = (sd(found.between), found.within.sqrt());
    let mean = model_mean(row, &cells);
    let reach = mean.expanded(coverage);
    let reproducibility = between_sd.hypot(within_sd);
    let figures = vec![
        figure("between specimens, standard deviation", between_sd, Some(between), unit),
        figure("from session to session, standard deviation (repeatability)", within_sd, Some(within), unit),
        figure("both together, standard deviation (reproducibility)", reproducibility, None, unit),
        figure("mean over the specimens", mean.value, Some((mean.value - reach, mean.value + reach)), unit),
        figure("probability of an F as large if the specimens were alike", found.p, None, ""),
    ];
    let differ = found.p < 1.0 - coverage && between_sd > 0.0;
    let specimens = if differ {
        format!(
            "Specimens differ: their standard deviation is {} ({}), that of sessions {} ({}), {}",
            size(between_sd, unit),
            range(between.0, between.1, unit),
            size(within_sd, unit),
            range(within.0, within.1, unit),
            probability(found.p)
        )
    } else {
        let most = if between.1 > 0.0 {
            format!("is at most {}", size(between.1, unit))
        } else {
            "is too small to see".to_owned()
        };
        format!(
            "No difference between specimens is seen beyond that of sessions ({}): their standard deviation {most}, \
             that of sessions {} ({})",
            probability(found.p),
            size(within_sd, unit),
            range(within.0, within.1, unit)
        )
    };
    let model = words::quantity(mean.value, Some(reach), unit);
    let model = if mean.value.abs() > reach {
        let way = if mean.value < 0.0 { "low" } else { "high" };
        format!("the model as a whole reads {way}: {model}")
    } else {
        format!("the mean over the {} specimens is {model}, which leaves the model's error open", sessions.len())
    };
    let taken = if off > 0.0 {
        format!(
            " Of the spread between specimens {} is laid to their different references and taken off.",
            size(off.sqrt(), unit)
        )
    } else {
        String::new()
    };
    Ok(Answer { of: row.name.clone(), told: true, says: format!("{specimens}; {model}.{taken}"), figures })
}

/// The row without what all sessions share. What one instrument adds differs a little with the reading, and that must not
/// pass for a difference between instruments.
fn without_common(row: &UnpooledRow) -> UnpooledRow {
    let mut keys: BTreeMap<u8, BTreeSet<u32>> = BTreeMap::new();
    for one in row.entries.iter().flatten().flat_map(|entry| &entry.shared) {
        keys.entry(one.source).or_default().insert(one.surely);
    }
    let mut row = row.clone();
    for entry in row.entries.iter_mut().flatten() {
        entry.shared.retain(|one| keys[&one.source].len() > 1);
    }
    row
}

/// Variance between specimens that is their references' and their drivetrains'.
fn references_differ(row: &UnpooledRow, sessions: &[&Vec<usize>], within_dof: f64) -> f64 {
    let m = sessions.len() as f64;
    let weights = |cell: &Vec<usize>| equal_weights(cell, 1.0 / cell.len() as f64);
    let each: f64 = sessions.iter().map(|cell| surely(row, &weights(cell)).shared).sum();
    let all: Weights = sessions.iter().flat_map(|cell| weights(cell)).collect();
    let between = (each - surely(row, &all).shared / m) / (m - 1.0);
    let within: f64 = sessions.iter().map(|cell| expected_squares(row, cell).shared).sum::<f64>() / within_dof;
    let usual = m / sessions.iter().map(|cell| 1.0 / cell.len() as f64).sum::<f64>();
    let off = between - within / usual;
    off.max(0.0)
}

/// Mean over the specimens, their scatter and what all share.
fn model_mean(row: &UnpooledRow, cells: &SessionsByUnit<'_>) -> Estimate {
    let m = cells.cells.len() as f64;
    let of_one = |cell: &UnitSessions| equal_weights(&cell.sessions, 1.0 / (m * cell.sessions.len() as f64));
    let weights: Weights = cells.cells.iter().flat_map(of_one).collect();
    let sum = PooledVariance::of(row, &weights);
    let means: Vec<f64> = cells.cells.iter().filter_map(|cell| cells.cell_mean(&cell.sessions)).collect();
    let seen = stats::sample_sd(&means).unwrap_or(0.0).powi(2) / m;
    let variance = seen + sum.shared;
    let degrees_of_freedom = if seen > 0.0 { (variance / seen).powi(2) * (m - 1.0) } else { f64::INFINITY };
    Estimate { value: sum.value, u: variance.sqrt(), degrees_of_freedom, shared_u: sum.shared.sqrt() }
}
