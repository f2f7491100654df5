//! Is it intermittent? Fault rates of what is repeated, pooled over sessions.

use std::collections::BTreeMap;

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::answer::{cannot, figure, probability, range};
use crate::compare::comparison::Answer;
use crate::compare::season::Season;
use crate::stats::{self, Sides};
use crate::words;

/// Counts of one repeated phase.
#[derive(Default)]
struct RepeatCounts {
    by_group: BTreeMap<usize, (u64, u64)>,
    by_session: Vec<(u64, u64)>,
    undecided: u64,
}

/// Pooled fault rates of what is repeated.
pub(super) fn intermittent(season: &Season) -> Vec<Answer> {
    let mut order: Vec<&str> = vec![];
    let mut phases: BTreeMap<&str, RepeatCounts> = BTreeMap::new();
    for (i, given) in season.given.iter().enumerate() {
        for repeats in &given.verdict.repeats {
            if !order.contains(&repeats.phase.as_str()) {
                order.push(&repeats.phase);
            }
            let counts = phases.entry(&repeats.phase).or_default();
            let (failed, ridden) = (u64::from(repeats.failed.min(repeats.ridden)), u64::from(repeats.ridden));
            let group = counts.by_group.entry(season.group[i]).or_default();
            *group = (group.0 + failed, group.1 + ridden);
            counts.by_session.push((failed, ridden));
            counts.undecided += u64::from(repeats.undecided);
        }
    }
    if order.is_empty() {
        return vec![cannot("repeated phases", "the protocol repeats no phase; give one `repeat:`")];
    }
    order.into_iter().map(|phase| rate(season, phase, &phases[phase])).collect()
}

fn rate(season: &Season, phase: &str, counts: &RepeatCounts) -> Answer {
    let (of, level) = (words::phase(phase), season.protocol.coverage);
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
        figures.push(figure(&format!("fault rate of {}", season.groups[*group]), value, interval, "%"));
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
