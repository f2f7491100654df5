//! What a tester asks of a season: each answer a number with an interval, or why it can't be told.

use std::collections::{BTreeMap, BTreeSet};

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::differ::{Basis, SessionsByUnit, list};
use super::gather::{Season, UnpooledRow};
use super::pool::{Estimate, PooledVariance, SessionScatter, Weights, expected_parts, expected_squares, surely};
use super::{Answer, Figure};
use crate::stats::{self, Sides};
use crate::words;

type QuestionAnswers = (&'static str, &'static str, Vec<Answer>);

/// All five, in this order.
pub(super) fn ask(gathered: &Season) -> Vec<QuestionAnswers> {
    let main: Vec<&UnpooledRow> = gathered.rows.iter().filter(|row| row.main && has_values(row)).collect();
    let of_rows = |answer: fn(&Season, &UnpooledRow) -> Result<Answer, String>| -> Vec<Answer> {
        main.iter().map(|row| answer(gathered, row).unwrap_or_else(|why| cannot(&row.name, &why))).collect()
    };
    vec![
        ("specimen", "Is it this specimen or the model?", together(of_rows(specimen))),
        ("firmware", "Did the firmware change it?", together(firmware(gathered, &main))),
        ("tester", "Does it depend on who tests?", together(of_rows(tester))),
        ("intermittent", "Is it intermittent?", intermittent(gathered)),
        ("drift", "Does it drift over the months?", together(of_rows(drift))),
    ]
}

/// An answer that is the same for every row is given once.
fn together(answers: Vec<Answer>) -> Vec<Answer> {
    let Some(first) = answers.first() else {
        return vec![cannot(
            "steady errors and contrasts",
            "no session has a value with an uncertainty there; the protocol needs steady blocks or contrasts",
        )];
    };
    if answers.len() > 1 && answers.iter().all(|a| !a.told && a.says == first.says) {
        return vec![Answer { of: "steady errors and contrasts".to_owned(), ..first.clone() }];
    }
    answers
}

fn has_values(row: &UnpooledRow) -> bool {
    let mut valued = row.entries.iter().flatten().filter(|entry| entry.value.is_some()).peekable();
    valued.peek().is_some() && valued.all(|entry| entry.uncertain)
}

fn cannot(of: &str, why: &str) -> Answer {
    Answer { of: of.to_owned(), told: false, says: format!("Can't be told: {why}."), figures: vec![] }
}

fn figure(name: &str, value: f64, interval: Option<(f64, f64)>, unit: &str) -> Figure {
    let (low, high) = interval.unzip();
    Figure { name: name.to_owned(), value, low, high, unit: unit.to_owned() }
}

/// Both ends with the digits that their distance calls for.
fn range(low: f64, high: f64, unit: &str) -> String {
    let decimals = words::decimals_for((high - low) / 2.0).clamp(0, 4);
    let ends = format!("{} to {}", words::number(low, decimals), words::number(high, decimals));
    with_unit(ends, unit)
}

fn with_unit(text: String, unit: &str) -> String {
    if unit.is_empty() { text } else { format!("{text} {unit}") }
}

fn size(value: f64, unit: &str) -> String {
    with_unit(words::two_digits(value), unit)
}

fn probability(p: f64) -> String {
    if p < 0.001 { "p below 0.001".to_owned() } else { format!("p {}", words::number(p, if p < 0.1 { 3 } else { 2 })) }
}

fn in_group_all(gathered: &Season) -> Vec<Option<usize>> {
    vec![Some(0); gathered.given.len()]
}

/// One-way random model: specimens, and sessions within them.
fn specimen(gathered: &Season, row: &UnpooledRow) -> Result<Answer, String> {
    let (coverage, unit) = (gathered.protocol.coverage, row.unit.as_str());
    if gathered.models().len() > 1 {
        return Err("the specimens are of several models; compare each model by itself".to_owned());
    }
    let cells = SessionsByUnit::of(row, &in_group_all(gathered), &gathered.specimen, false);
    let sessions: Vec<&Vec<usize>> = cells.cells.iter().map(|cell| &cell.2).collect();
    if sessions.len() < 2 {
        return Err("all sessions are of one specimen; ride the same trial with at least two more".to_owned());
    }
    let values: Vec<Vec<f64>> =
        sessions.iter().map(|cell| cell.iter().filter_map(|&i| row.entries[i].as_ref()?.value).collect()).collect();
    let found = stats::variance_components(&values, coverage).ok_or(
        "each specimen has one session, which does not part specimens from sessions; ride at least two specimens twice",
    )?;
    // But for rounding.
    let largest = values.iter().flatten().fold(0.0_f64, |most, value| most.max(value.abs()));
    if found.within.sqrt() <= 1e-12 * largest {
        return Err("the sessions give the very same values".to_owned());
    }
    let off = references_differ(&without_common(row), &sessions, found.within_dof);
    let sd = |variance: f64| (variance - off).max(0.0).sqrt();
    let between = (sd(found.between_interval.0), sd(found.between_interval.1));
    let within = (found.within_interval.0.sqrt(), found.within_interval.1.sqrt());
    let (between_sd, within_sd) = (sd(found.between), found.within.sqrt());
    let mean = model_mean(gathered, row, &cells);
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

/// The row without what all sessions share: one instrument's share differs a little with the reading, and that is no
/// other instrument.
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
    let weights = |cell: &Vec<usize>| cell.iter().map(|&i| (i, 1.0 / cell.len() as f64)).collect::<Weights>();
    let each: f64 = sessions.iter().map(|cell| surely(row, &weights(cell)).1).sum();
    let all: Weights = sessions.iter().flat_map(|cell| weights(cell)).collect();
    let between = (each - surely(row, &all).1 / m) / (m - 1.0);
    let within: f64 = sessions.iter().map(|cell| expected_parts(row, cell).1).sum::<f64>() / within_dof;
    let usual = m / sessions.iter().map(|cell| 1.0 / cell.len() as f64).sum::<f64>();
    let off = between - within / usual;
    off.max(0.0)
}

/// Mean over the specimens, their scatter and what all share.
fn model_mean(gathered: &Season, row: &UnpooledRow, cells: &SessionsByUnit<'_>) -> Estimate {
    let m = cells.cells.len() as f64;
    let weights: Weights =
        cells.cells.iter().flat_map(|cell| cell.2.iter().map(move |&i| (i, 1.0 / (m * cell.2.len() as f64)))).collect();
    let sum = PooledVariance::of(row, &weights);
    let means: Vec<f64> = cells.cells.iter().filter_map(|cell| cells.cell_mean(&cell.2)).collect();
    let seen = stats::sample_sd(&means).unwrap_or(0.0).powi(2) / m;
    let variance = seen + sum.shared;
    let degrees_of_freedom = if seen > 0.0 { (variance / seen).powi(2) * (m - 1.0) } else { f64::INFINITY };
    debug_assert!(weights.iter().all(|(i, _)| *i < gathered.given.len()));
    Estimate { value: sum.value, u: variance.sqrt(), degrees_of_freedom, shared_u: sum.shared.sqrt() }
}

/// Each version against the one before, in their order.
fn firmware(gathered: &Season, main: &[&UnpooledRow]) -> Vec<Answer> {
    let stated: BTreeSet<&str> = (0..gathered.given.len()).filter_map(|i| gathered.firmware(i)).collect();
    let mut versions: Vec<&str> = stated.into_iter().collect();
    versions.sort_by(|a, b| super::gather::by_parts(a, b));
    let place = |i: usize| versions.iter().position(|v| Some(*v) == gathered.firmware(i));
    let group: Vec<Option<usize>> = (0..gathered.given.len()).map(place).collect();
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
            let cells = SessionsByUnit::of(row, &group, &gathered.specimen, false);
            let pairs = versions.windows(2).enumerate();
            pairs.map(|(i, pair)| change(gathered, row, &cells, (i, pair), allowance)).collect::<Vec<_>>()
        };
        rows.iter().flat_map(of_row).collect()
    };
    let mut answers: Vec<Answer> = changes(main, 1.0).into_iter().map(|(answer, _)| answer).collect();
    // Of the many other checks only what changed is told, with an allowance for having looked at all of them (Bonferroni).
    let others: Vec<&UnpooledRow> =
        gathered.rows.iter().filter(|row| row.compared && !row.main && has_values(row)).collect();
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
    gathered: &Season,
    row: &UnpooledRow,
    cells: &SessionsByUnit<'_>,
    (before, pair): (usize, &[&str]),
    allowance: f64,
) -> (Answer, bool) {
    let (coverage, unit) = (gathered.protocol.coverage, row.unit.as_str());
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
            let has = |g: usize| cells.in_group(g).map(|cell| cell.1).collect::<BTreeSet<_>>();
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

/// Random effects over testers, on the specimens that all of them tested.
fn tester(gathered: &Season, row: &UnpooledRow) -> Result<Answer, String> {
    let (coverage, unit) = (gathered.protocol.coverage, row.unit.as_str());
    let stated: BTreeSet<&str> = (0..gathered.given.len()).filter_map(|i| gathered.tester(i)).collect();
    let testers: Vec<&str> = stated.into_iter().collect();
    match testers.as_slice() {
        [] => return Err("no session states its tester; write `tester:` into the session file".to_owned()),
        [one] => return Err(format!("{one} rode all sessions; let at least two others ride the same specimen")),
        _ => {}
    }
    let place = |i: usize| testers.iter().position(|t| Some(*t) == gathered.tester(i));
    let group: Vec<Option<usize>> = (0..gathered.given.len()).map(place).collect();
    let cells = SessionsByUnit::of(row, &group, &gathered.specimen, false);
    let had = |t: usize| cells.in_group(t).map(|cell| cell.1).collect::<BTreeSet<usize>>();
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
        let mine: Vec<_> = cells.in_group(t).filter(|cell| common.contains(&cell.1)).collect();
        let m = mine.len() as f64;
        mine.iter().flat_map(|cell| cell.2.iter().map(move |&i| (i, 1.0 / (m * cell.2.len() as f64)))).collect()
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

pub(super) struct Pooled {
    pub places: stats::Places,
    pub mean: Estimate,
}

/// What testers say together. What all of them share is set aside, and added to the mean's uncertainty at the end.
pub(super) fn pool_testers(
    row: &UnpooledRow,
    scatter: &SessionScatter,
    testers: &[Weights],
    coverage: f64,
) -> Option<Pooled> {
    let total = |(own, shared): (f64, f64)| own + shared;
    let alone: Vec<f64> = testers.iter().map(|weights| total(surely(row, weights))).collect();
    let mut common = f64::INFINITY;
    for (a, first) in testers.iter().enumerate() {
        for (b, second) in testers.iter().enumerate().skip(a + 1) {
            let both = total(surely(row, &[first.as_slice(), second].concat()));
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

/// Counts of one repeated phase.
#[derive(Default)]
struct RepeatCounts {
    by_group: BTreeMap<usize, (u64, u64)>,
    by_session: Vec<(u64, u64)>,
    undecided: u64,
}

/// Pooled fault rates of what is repeated.
fn intermittent(gathered: &Season) -> Vec<Answer> {
    let mut order: Vec<&str> = vec![];
    let mut phases: BTreeMap<&str, RepeatCounts> = BTreeMap::new();
    for (i, given) in gathered.given.iter().enumerate() {
        for repeats in &given.verdict.repeats {
            if !order.contains(&repeats.phase.as_str()) {
                order.push(&repeats.phase);
            }
            let counts = phases.entry(&repeats.phase).or_default();
            let (failed, ridden) = (u64::from(repeats.failed.min(repeats.ridden)), u64::from(repeats.ridden));
            let group = counts.by_group.entry(gathered.group[i]).or_default();
            *group = (group.0 + failed, group.1 + ridden);
            counts.by_session.push((failed, ridden));
            counts.undecided += u64::from(repeats.undecided);
        }
    }
    if order.is_empty() {
        return vec![cannot("repeated phases", "the protocol repeats no phase; give one `repeat:`")];
    }
    order.into_iter().map(|phase| rate(gathered, phase, &phases[phase])).collect()
}

fn rate(gathered: &Season, phase: &str, counts: &RepeatCounts) -> Answer {
    let (of, level) = (words::phase(phase), gathered.protocol.coverage);
    let (failed, ridden) = counts.by_session.iter().fold((0, 0), |sum, one| (sum.0 + one.0, sum.1 + one.1));
    if ridden == 0 {
        return cannot(&of, "no repeat of it was ridden");
    }
    let percent = |failed: u64, ridden: u64| {
        let (low, high) = stats::clopper_pearson(failed, ridden, level, Sides::Two);
        (100.0 * failed as f64 / ridden as f64, Some((100.0 * low, 100.0 * high)))
    };
    let (value, interval) = percent(failed, ridden);
    let mut figures = vec![figure("fault rate over all sessions", value, interval, "%")];
    for (group, (failed, ridden)) in counts.by_group.iter().filter(|(_, counts)| counts.1 > 0) {
        let (value, interval) = percent(*failed, *ridden);
        figures.push(figure(&format!("fault rate of {}", gathered.groups[*group]), value, interval, "%"));
    }
    let groups: Vec<(u64, u64)> = counts.by_group.values().copied().collect();
    let several = groups.iter().filter(|group| group.1 > 0).count() > 1;
    let (over, tested) = if several { ("groups", groups) } else { ("sessions", counts.by_session.clone()) };
    let (low, high) = interval.unwrap_or((0.0, 100.0));
    let rate =
        format!("{failed} of {ridden} repeats failed: {} % ({})", words::plain_number(value), range(low, high, "%"));
    let test = differing_rates(&tested);
    let differ = match test {
        None => String::new(),
        Some((p, how)) => {
            figures.push(figure(&format!("probability of {over} as different if their rates were one"), p, None, ""));
            let words = if p < 1.0 - level {
                format!("the rates of the {over} differ")
            } else {
                format!("that the rates of the {over} differ is not seen")
            };
            format!("; {words} ({}, {how})", probability(p))
        }
    };
    let read = match test {
        Some((p, _)) if p < 1.0 - level => {
            format!(" Read each rate by itself; the one over all is of these {over} only.")
        }
        _ => String::new(),
    };
    let kind = match failed {
        0 => "No fault was seen",
        _ if failed == ridden => "Not intermittent, it is always there",
        _ => "Now and then",
    };
    let undecided = match counts.undecided {
        0 => String::new(),
        1 => " One undecided repeat is not counted as a fault.".to_owned(),
        n => format!(" {n} undecided repeats are not counted as faults."),
    };
    Answer { of, told: true, says: format!("{kind}: {rate}{differ}.{read}{undecided}"), figures }
}

const PERMUTATIONS: usize = 20_000;
/// Any fixed seed: the same counts give the same number.
const SEED: u64 = 1934;

/// The probability of rates as different by chance, and how it was got; `None` where nothing can differ.
fn differing_rates(groups: &[(u64, u64)]) -> Option<(f64, &'static str)> {
    let found = stats::equal_proportions(groups)?;
    if found.least_expected >= 5.0 {
        return Some((found.p, "χ²"));
    }
    if let Some(p) = stats::exact_equal_proportions(groups) {
        return Some((p, "exact"));
    }
    let mut rng = ChaCha8Rng::seed_from_u64(SEED);
    let (hits, trials) = groups.iter().fold((0, 0), |sum, one| (sum.0 + one.0, sum.1 + one.1));
    let rate = hits as f64 / trials as f64;
    let mut group_of: Vec<usize> =
        groups.iter().enumerate().flat_map(|(g, (_, n))| std::iter::repeat_n(g, *n as usize)).collect();
    let chi2 = |dealt: &[u64]| -> f64 {
        let term = |hits: u64, n: u64| (hits as f64 - n as f64 * rate).powi(2) / (n as f64 * rate * (1.0 - rate));
        dealt.iter().zip(groups).filter(|(_, (_, n))| *n > 0).map(|(hits, (_, n))| term(*hits, *n)).sum()
    };
    let as_large = (0..PERMUTATIONS)
        .filter(|_| {
            // The first so many of a shuffled pack are the faults; the rest need no shuffling.
            let mut dealt = vec![0; groups.len()];
            for i in 0..hits as usize {
                let drawn = rng.random_range(i..group_of.len());
                group_of.swap(i, drawn);
                dealt[group_of[i]] += 1;
            }
            chi2(&dealt) >= found.chi2 * (1.0 - 1e-9)
        })
        .count();
    Some(((as_large + 1) as f64 / (PERMUTATIONS + 1) as f64, "by dealing out at random"))
}

const MONTH_DAYS: f64 = 30.0;

/// Slope over the date within each specimen and firmware.
fn drift(gathered: &Season, row: &UnpooledRow) -> Result<Answer, String> {
    let (coverage, unit) = (gathered.protocol.coverage, row.unit.as_str());
    let versions: Vec<Option<&str>> = (0..gathered.given.len()).map(|i| gathered.firmware(i)).collect();
    let known: BTreeSet<Option<&str>> = versions.iter().copied().collect();
    let version = |i: usize| known.iter().position(|v| *v == versions[i]);
    let group: Vec<Option<usize>> = (0..gathered.given.len()).map(version).collect();
    let cells = SessionsByUnit::of(row, &group, &gathered.specimen, false);
    let sessions: Vec<Vec<usize>> = cells.cells.iter().map(|cell| cell.2.clone()).collect();
    let days = gathered.days();
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
pub(super) fn slope(row: &UnpooledRow, cells: &[Vec<usize>], days: &[f64]) -> Result<Estimate, String> {
    let mut deviations: Weights = vec![];
    let (mut squares, mut expected, mut levels) = (0.0, 0.0, 0.0);
    for cell in cells.iter().filter(|cell| cell.len() > 1) {
        let centre = stats::mean(&cell.iter().map(|&i| days[i]).collect::<Vec<f64>>()).unwrap_or(0.0);
        deviations.extend(cell.iter().map(|&i| (i, days[i] - centre)));
        let values: Vec<f64> = cell.iter().filter_map(|&i| row.entries[i].as_ref()?.value).collect();
        squares += stats::sample_sd(&values).map_or(0.0, |sd| sd * sd * (values.len() as f64 - 1.0));
        expected += expected_squares(row, cell);
        levels += 1.0;
    }
    let spread: f64 = deviations.iter().map(|(_, d)| d * d).sum();
    let degrees_of_freedom = deviations.len() as f64 - levels - 1.0;
    let apart = deviations.iter().map(|(_, d)| d.abs()).fold(0.0, f64::max);
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
    let weights: Weights = deviations.iter().map(|(i, d)| (*i, d / spread)).collect();
    let sum = PooledVariance::of(row, &weights);
    let (own, shared) = surely(row, &weights);
    let scatter = SessionScatter::from_squares(
        squares - sum.value * sum.value * spread,
        expected - (own + shared) * spread,
        degrees_of_freedom,
    );
    Ok(Estimate::of(sum, &scatter))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn many_small_groups_are_dealt_out_at_random() {
        let few = [(3, 6), (0, 6), (1, 6), (0, 6)];
        assert_eq!(differing_rates(&few).map(|p| p.1), Some("exact"));
        let many: Vec<(u64, u64)> =
            (0..40).map(|i| if i == 0 { (5, 6) } else { (u64::from(i % 13 == 0), 6) }).collect();
        let (p, how) = differing_rates(&many).unwrap();
        assert_eq!(how, "by dealing out at random");
        assert!(p < 0.01, "{p}");
        let alike: Vec<(u64, u64)> = (0..40).map(|i| (u64::from(i % 3 == 0), 6)).collect();
        assert!(differing_rates(&alike).unwrap().0 > 0.5);
    }
}
