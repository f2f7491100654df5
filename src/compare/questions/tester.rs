//! Does it depend on who tests?

use std::collections::BTreeSet;

use super::answer::{figure, probability, range, size};
use crate::compare::comparison::Answer;
use crate::compare::differ::SessionsByUnit;
use crate::compare::names::list;
use crate::compare::pool::{Estimate, PooledVariance, SessionScatter, Weights, equal_weights, surely};
use crate::compare::season::Season;
use crate::compare::unpooled::UnpooledRow;
use crate::stats;
use crate::words;

/// Random effects over testers, on the specimens that all of them tested.
pub(super) fn tester(season: &Season, row: &UnpooledRow) -> Result<Answer, String> {
    let (coverage, unit) = (season.protocol.coverage, row.unit.as_str());
    let stated: BTreeSet<&str> = (0..season.given.len()).filter_map(|i| season.tester(i)).collect();
    let testers: Vec<&str> = stated.into_iter().collect();
    match testers.as_slice() {
        [] => return Err("no session states its tester; write `tester:` into the session file".to_owned()),
        [one] => return Err(format!("{one} rode all sessions; let at least two others ride the same specimen")),
        _ => {}
    }
    let place = |i: usize| testers.iter().position(|t| Some(*t) == season.tester(i));
    let group: Vec<Option<usize>> = (0..season.given.len()).map(place).collect();
    let cells = SessionsByUnit::of(row, &group, &season.specimen, false);
    let had = |t: usize| cells.in_group(t).map(|cell| cell.specimen).collect::<BTreeSet<usize>>();
    let with_value: Vec<usize> = (0..testers.len()).filter(|&t| !had(t).is_empty()).collect();
    let common = with_value.iter().map(|&t| had(t)).reduce(|a, b| &a & &b).unwrap_or_default();
    if with_value.len() < 2 {
        return Err("only one tester has a value; let at least two others ride the same specimen".to_owned());
    }
    if common.is_empty() {
        return Err("no specimen was ridden by every tester, so testers can't be parted from specimens; send one \
                    specimen round to all of them"
            .to_owned());
    }
    let of_tester = |t: usize| -> Weights {
        let mine: Vec<_> = cells.in_group(t).filter(|cell| common.contains(&cell.specimen)).collect();
        let m = mine.len() as f64;
        mine.iter().flat_map(|cell| equal_weights(&cell.sessions, 1.0 / (m * cell.sessions.len() as f64))).collect()
    };
    let pooled =
        pool_testers(row, &cells.scatter, &with_value.iter().map(|&t| of_tester(t)).collect::<Vec<_>>(), coverage)
            .ok_or("the sessions' budgets are empty")?;
    let Pooled { places, mean } = pooled;
    let reach = mean.expanded(coverage);
    let tau = (places.tau2_interval.0.sqrt(), places.tau2_interval.1.sqrt());
    let named: Vec<&str> = with_value.iter().map(|&t| testers[t]).collect();
    let figures = vec![
        figure("mean over the testers", mean.value, Some((mean.value - reach, mean.value + reach)), unit),
        figure("between testers, standard deviation (τ)", places.tau2.sqrt(), Some(tau), unit),
        figure("heterogeneity Q", places.q, None, ""),
        figure("probability of a Q as large if testers were alike", places.p, None, ""),
        figure("I², share of the scatter that is no scatter of each tester's own", places.i2_pct, None, "%"),
    ];
    let few = if named.len() < 5 { " With so few testers the upper end is wide; more testers narrow it." } else { "" };
    let facts = format!(
        "Q {} on {}, {}; I² {} %",
        words::plain_number(places.q),
        if named.len() == 2 {
            "1 degree of freedom".to_owned()
        } else {
            format!("{} degrees of freedom", named.len() - 1)
        },
        probability(places.p),
        words::plain_number(places.i2_pct.round())
    );
    let by = words::quantity(mean.value, Some(reach), unit);
    let says = if places.p < 1.0 - coverage {
        format!(
            "It depends on who tests: between {} the standard deviation is {} ({}); {facts}. Over testers like these the \
             mean is {by}.{few}",
            list(&named),
            size(places.tau2.sqrt(), unit),
            range(tau.0, tau.1, unit)
        )
    } else {
        format!(
            "No difference between {} is seen beyond their uncertainties; a standard deviation of up to {} between testers \
             would go unseen; {facts}. The mean is {by}.{few}",
            list(&named),
            size(tau.1, unit)
        )
    };
    Ok(Answer { of: row.name.clone(), told: true, says, figures })
}

struct Pooled {
    places: stats::Places,
    mean: Estimate,
}

/// What testers say together. What all of them share is set aside, and added to the mean's uncertainty at the end.
fn pool_testers(row: &UnpooledRow, scatter: &SessionScatter, testers: &[Weights], coverage: f64) -> Option<Pooled> {
    let alone: Vec<f64> = testers.iter().map(|weights| surely(row, weights).total()).collect();
    let mut common = f64::INFINITY;
    for (a, first) in testers.iter().enumerate() {
        for (b, second) in testers.iter().enumerate().skip(a + 1) {
            let both = surely(row, &[first.as_slice(), second].concat()).total();
            common = common.min((both - alone[a] - alone[b]) / 2.0);
        }
    }
    let common = common.max(0.0);
    let sums: Vec<PooledVariance> = testers.iter().map(|weights| PooledVariance::of(row, weights)).collect();
    let values: Vec<f64> = sums.iter().map(|sum| sum.value).collect();
    let variances: Vec<f64> =
        sums.iter().zip(&alone).map(|(sum, alone)| alone - common + scatter.beyond * sum.squares).collect();
    let places = stats::random_effects(&values, &variances, coverage)?;
    let variance = places.u * places.u + common;
    let degrees_of_freedom = (variance / (places.u * places.u)).powi(2) * places.dof;
    let mean = Estimate { value: places.mean, u: variance.sqrt(), degrees_of_freedom, shared_u: common.sqrt() };
    Some(Pooled { places, mean })
}
