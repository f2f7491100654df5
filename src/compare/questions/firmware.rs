//! Did the firmware change it?

use std::collections::BTreeSet;

use super::answer::{cannot, figure, has_values, range};
use crate::compare::comparison::Answer;
use crate::compare::differ::{Basis, SessionsByUnit};
use crate::compare::names::by_parts;
use crate::compare::season::Season;
use crate::compare::unpooled::UnpooledRow;
use crate::words;

/// Each version against the one before, in their order.
pub(super) fn firmware(season: &Season, main: &[&UnpooledRow]) -> Vec<Answer> {
    let stated: BTreeSet<&str> = (0..season.given.len()).filter_map(|i| season.firmware(i)).collect();
    let mut versions: Vec<&str> = stated.into_iter().collect();
    versions.sort_by(|a, b| by_parts(a, b));
    let place = |i: usize| versions.iter().position(|v| Some(*v) == season.firmware(i));
    let group: Vec<Option<usize>> = (0..season.given.len()).map(place).collect();
    let why = match versions.len() {
        0 => Some("no session states the firmware; write `firmware:` under the unit".to_owned()),
        1 => Some(format!("all sessions are with firmware {}; ride the same specimens with another", versions[0])),
        _ => None,
    };
    if let Some(why) = why {
        return vec![cannot("steady errors and contrasts", &why)];
    }
    let changes = |rows: &[&UnpooledRow], allowance: f64| -> Vec<(Answer, bool)> {
        let of_row = |row: &&UnpooledRow| {
            let cells = SessionsByUnit::of(row, &group, &season.specimen, false);
            let pairs = versions.windows(2).enumerate();
            pairs.map(|(i, pair)| change(season, row, &cells, (i, pair), allowance)).collect::<Vec<_>>()
        };
        rows.iter().flat_map(of_row).collect()
    };
    let mut answers: Vec<Answer> = changes(main, 1.0).into_iter().map(|(answer, _)| answer).collect();
    // Of the many other checks only what changed is told, with an allowance for having looked at all of them (Bonferroni).
    let others: Vec<&UnpooledRow> =
        season.rows.iter().filter(|row| row.compared && !row.main && has_values(row)).collect();
    if !others.is_empty() {
        let looked_at = others.len() * (versions.len() - 1);
        let changed: Vec<Answer> =
            changes(&others, looked_at as f64).into_iter().filter(|(_, changed)| *changed).map(|(a, _)| a).collect();
        if changed.is_empty() {
            let says = format!(
                "No change is seen in the {looked_at} other checks that were looked at, allowing for their number."
            );
            answers.push(Answer { of: "other checks".to_owned(), told: true, says, figures: vec![] });
        }
        answers.extend(changed);
    }
    answers
}

/// The answer, and whether it is that something changed: by less than chance alone would in one of `allowance` checks.
fn change(
    season: &Season,
    row: &UnpooledRow,
    cells: &SessionsByUnit<'_>,
    (before, pair): (usize, &[&str]),
    allowance: f64,
) -> (Answer, bool) {
    let (coverage, unit) = (season.protocol.coverage, row.unit.as_str());
    let of = format!("{}, firmware {} after {}", row.name, pair[1], pair[0]);
    let Some((estimate, basis)) = cells.difference(before, before + 1) else {
        let why = "no specimen was ridden with both, and with fewer than two specimens each a version can't be parted from \
                   its specimens; ride the same specimen before and after";
        return (cannot(&of, why), false);
    };
    let changed = estimate.p() * allowance < 1.0 - coverage;
    let reach = estimate.expanded(coverage);
    let (low, high) = (estimate.value - reach, estimate.value + reach);
    let on = match basis {
        Basis::Paired => {
            let has = |g: usize| cells.in_group(g).map(|cell| cell.specimen).collect::<BTreeSet<_>>();
            let both = has(before).intersection(&has(before + 1)).count();
            format!("{both} {} ridden with both", if both == 1 { "specimen" } else { "specimens" })
        }
        _ => "different specimens".to_owned(),
    };
    let once = if cells.scatter.degrees_of_freedom == 0.0 {
        " No specimen was ridden twice with one version, so what sessions scatter beyond their budgets is not in it."
    } else {
        ""
    };
    let by = words::quantity(estimate.value, Some(reach), unit);
    let says = if changed {
        let way = if estimate.value < 0.0 { "lower" } else { "higher" };
        format!("It changed: {} reads {way} than {} by {by} ({on}).{once}", pair[1], pair[0])
    } else {
        format!(
            "No change is seen: {} less {} is {by} ({on}); anything from {} would go unseen.{once}",
            pair[1],
            pair[0],
            range(low, high, unit)
        )
    };
    let figures = vec![
        figure("difference", estimate.value, Some((low, high)), unit),
        figure("probability of one as large if nothing changed", estimate.p(), None, ""),
    ];
    (Answer { of, told: true, says, figures }, changed)
}
