//! Does it drift over the months?

use std::collections::BTreeSet;

use super::answer::{figure, range};
use crate::compare::comparison::Answer;
use crate::compare::differ::SessionsByUnit;
use crate::compare::pool::{
    Estimate, PooledVariance, SessionScatter, SessionWeight, Weights, expected_squares, surely,
};
use crate::compare::season::Season;
use crate::compare::unpooled::UnpooledRow;
use crate::stats;
use crate::words;

const MONTH_DAYS: f64 = 30.0;

/// Slope over the date within each specimen and firmware.
pub(super) fn drift(season: &Season, row: &UnpooledRow) -> Result<Answer, String> {
    let (coverage, unit) = (season.protocol.coverage, row.unit.as_str());
    let versions: Vec<Option<&str>> = (0..season.given.len()).map(|i| season.firmware(i)).collect();
    let known: BTreeSet<Option<&str>> = versions.iter().copied().collect();
    let version = |i: usize| known.iter().position(|v| *v == versions[i]);
    let group: Vec<Option<usize>> = (0..season.given.len()).map(version).collect();
    let cells = SessionsByUnit::of(row, &group, &season.specimen, false);
    let sessions: Vec<Vec<usize>> = cells.cells.iter().map(|cell| cell.sessions.clone()).collect();
    let days = season.days();
    let found = slope(row, &sessions, &days)?;
    let estimate = Estimate { value: found.value * MONTH_DAYS, u: found.u * MONTH_DAYS, ..found };
    let reach = estimate.expanded(coverage);
    let (low, high) = (estimate.value - reach, estimate.value + reach);
    let per = format!("{unit} per 30 days");
    let figures = vec![
        figure("slope", estimate.value, Some((low, high)), &per),
        figure("probability of one as large without drift", estimate.p(), None, ""),
    ];
    let by = words::quantity(estimate.value, Some(reach), &per);
    let says = if estimate.p() < 1.0 - coverage {
        format!("It drifts by {by}.")
    } else {
        format!("No drift is seen: {by}; anything from {} would go unseen.", range(low, high, &per))
    };
    Ok(Answer { of: row.name.clone(), told: true, says, figures })
}

/// Per day, one slope for all cells, each with a level of its own.
fn slope(row: &UnpooledRow, cells: &[Vec<usize>], days: &[f64]) -> Result<Estimate, String> {
    let mut deviations: Weights = vec![];
    let (mut squares, mut expected, mut levels) = (0.0, 0.0, 0.0);
    for cell in cells.iter().filter(|cell| cell.len() > 1) {
        let centre = stats::mean(&cell.iter().map(|&i| days[i]).collect::<Vec<f64>>()).unwrap_or(0.0);
        deviations.extend(cell.iter().map(|&i| SessionWeight { session: i, weight: days[i] - centre }));
        let values: Vec<f64> = cell.iter().filter_map(|&i| row.entries[i].as_ref()?.value).collect();
        squares += stats::sample_sd(&values).map_or(0.0, |sd| sd * sd * (values.len() as f64 - 1.0));
        expected += expected_squares(row, cell).total();
        levels += 1.0;
    }
    let spread: f64 = deviations.iter().map(|d| d.weight * d.weight).sum();
    let degrees_of_freedom = deviations.len() as f64 - levels - 1.0;
    let apart = deviations.iter().map(|d| d.weight.abs()).fold(0.0, f64::max);
    if deviations.is_empty() {
        return Err("no specimen was ridden twice with one firmware; ride one again after some weeks".to_owned());
    }
    if apart < 0.5 {
        return Err("no specimen was ridden on days apart; ride one again after some weeks".to_owned());
    }
    if degrees_of_freedom < 1.0 {
        return Err(
            "two sessions give a slope and nothing to tell it from scatter; ride one specimen three times or more, \
                    weeks apart"
                .to_owned(),
        );
    }
    let weights: Weights = deviations.iter().map(|d| SessionWeight { weight: d.weight / spread, ..*d }).collect();
    let sum = PooledVariance::of(row, &weights);
    let surely = surely(row, &weights);
    let scatter = SessionScatter::from_squares(
        squares - sum.value * sum.value * spread,
        expected - surely.total() * spread,
        degrees_of_freedom,
    );
    Ok(Estimate::of(sum, &scatter))
}
