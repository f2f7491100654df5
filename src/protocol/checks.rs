//! Checks: measures with their limits.

use super::amounts::duration;
use super::measure::Measure;
use super::model::Check;
use super::ranges;
use super::suggest::{list, nearest};
use super::yaml::{Body, Node, SourceFiles};
use crate::quantity::Limit;

pub(super) fn limit(reading: &mut SourceFiles, node: &Node, measure: Measure) -> Option<Limit> {
    let limit = reading.words(node, "a limit, as in `within 2 %`", |w| w.limit(measure))?;
    reading.plausible_limit(node, limit)
}

/// A map of measures to limits.
pub(super) fn checks(reading: &mut SourceFiles, node: &Node, place: &str, allowed: &[Measure]) -> Vec<Check> {
    let Body::Map(entries) = &node.body else {
        reading.expected::<()>(node, "measures with their limits, as in `mean_error: within 2 %`");
        return vec![];
    };
    let mut checks = vec![];
    for entry in entries {
        let words: Vec<&str> = allowed.iter().map(|m| m.word()).collect();
        match Measure::from_word(&entry.key) {
            Some(measure) if allowed.contains(&measure) => checks.extend(check(reading, &entry.value, measure)),
            _ if allowed.is_empty() => {
                reading.report(entry.key_at, format!("nothing is measured in {place}"), None);
            }
            known => {
                let problem = if known.is_some() { "can't be measured in" } else { "is no measure of" };
                let help = nearest(&entry.key, &words).filter(|_| known.is_none());
                let help = help.unwrap_or_else(|| format!("measures here are {}", list(&words)));
                reading.report(entry.key_at, format!("`{}` {problem} {place}", entry.key), Some(help));
            }
        }
    }
    checks
}

/// `within 2 %`, or the long form `{limit, advisory, clause, over}`.
fn check(reading: &mut SourceFiles, node: &Node, measure: Measure) -> Option<Check> {
    if !matches!(node.body, Body::Map(_)) {
        let limit = limit(reading, node, measure)?;
        return Some(Check { measure, limit, advisory: false, clause: None, over_s: None });
    }
    let mut keys = reading.map(node, "a check")?;
    let limit = keys.need(reading, "limit", "within 2 %").and_then(|n| limit(reading, n, measure));
    let advisory = keys.take("advisory").and_then(|n| reading.flag(n)).unwrap_or(false);
    let clause = keys.take("clause").and_then(|n| reading.text(n));
    let over_node = keys.take("over");
    let over_s = over_node.and_then(|n| duration(reading, n, &ranges::PEAK));
    if let (Some(n), true) = (over_node, measure != Measure::PeakError) {
        reading.report(n.at, format!("`{}` takes no `over`, only `peak_error` does", measure.word()), None);
    }
    keys.finish(reading);
    Some(Check { measure, limit: limit?, advisory, clause, over_s })
}
