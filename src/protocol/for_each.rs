//! `for_each`: one phase for each combination of rings, postures, powers and cadences.

use super::amounts::{cadence, target};
use super::asked::{POSTURES, Posture, RINGS, Ring, Target};
use super::drill::DrillKind;
use super::ranges;
use super::sentences::quantities::normal_form;
use super::suggest::{list, nearest};
use super::yaml::{Body, MapKeys, Node, SourceFiles};
use crate::quantity::Range;

/// More phases than any session has: stops a `for_each` that multiplies out of hand.
const MAX_PHASES: usize = 500;

/// The keys that it can go over.
const AXES: [&str; 4] = ["ring", "posture", "power", "cadence"];

/// What `for_each` sets for one of its combinations.
#[derive(Clone, Default)]
pub(super) struct Combination {
    pub keys: Vec<(String, String)>,
    pub ring: Option<Ring>,
    pub posture: Option<Posture>,
    pub power: Option<Target>,
    pub cadence: Option<Range>,
}

impl Combination {
    fn with(&self, inner: &Self) -> Self {
        Self {
            keys: self.keys.iter().chain(&inner.keys).cloned().collect(),
            ring: self.ring.or(inner.ring),
            posture: self.posture.or(inner.posture),
            power: self.power.or(inner.power),
            cadence: self.cadence.or(inner.cadence),
        }
    }
}

/// The combinations of `for_each` in ride order; one without keys where there is none.
pub(super) fn combinations(
    reading: &mut SourceFiles,
    keys: &mut MapKeys,
    drill: DrillKind,
    threshold_w: Option<f64>,
) -> Vec<Combination> {
    let orders = [("as_written", false), ("counterbalanced", true)];
    let order_node = keys.take("order");
    let counterbalanced = order_node.and_then(|n| reading.one_of(n, &orders)).unwrap_or(false);
    let node = keys.take("for_each");
    let entries = match node {
        None => &[][..],
        Some(Node { body: Body::Map(entries), .. }) => entries,
        Some(n) => {
            reading.expected::<()>(n, "keys with lists of values, as in `{ring: [big, small]}`");
            &[]
        }
    };
    let word = drill.word();
    let mut axes: Vec<Vec<Combination>> = vec![];
    for entry in entries {
        let key = entry.key.as_str();
        if !AXES.contains(&key) || (key == "power" && !drill.sweeps_power()) {
            let help = nearest(key, &AXES).unwrap_or_else(|| format!("it goes over {}", list(&AXES)));
            let message = format!("`for_each` of a `{word}` drill can't go over `{key}`");
            reading.report(entry.key_at, message, Some(help));
            continue;
        }
        if let Some(twice) = keys.entries.iter().find(|e| e.key == key) {
            reading.report(twice.key_at, format!("`{key}` is also in `for_each`"), Some("keep one of them".into()));
        }
        let mut axis: Vec<Combination> = vec![];
        for item in reading.list(&entry.value, "values").unwrap_or_default() {
            let Some(value) = axis_value(reading, key, item, threshold_w) else { continue };
            if axis.iter().any(|v| v.keys == value.keys) {
                reading.report(item.at, format!("{} is listed twice", value.keys[0].1), None);
                continue;
            }
            axis.push(value);
        }
        if !axis.is_empty() {
            axes.push(axis);
        }
    }
    if let (true, Some(n)) = (axes.iter().map(Vec::len).product::<usize>() > MAX_PHASES, node) {
        reading.report(n.at, format!("`for_each` makes more than {MAX_PHASES} phases"), None);
        return vec![Combination::default()];
    }
    let balanced = axes.len() >= 2 && axes[0].len() >= 2 && axes[1..].iter().any(|a| a.len() >= 2);
    if let (true, false, Some(n)) = (counterbalanced, balanced, order_node) {
        let help = "the outer key's values alternate over those of the inner keys";
        reading.report(n.at, "`counterbalanced` needs two keys in `for_each` with two values each", Some(help.into()));
    }
    combine(&axes, counterbalanced)
}

/// Every combination, the first axis outermost. Counterbalanced, it becomes the innermost and turns round
/// each time: with rings over three powers big, small, small, big, big, small, so that a drift over the
/// session does not look like a difference of rings.
fn combine(axes: &[Vec<Combination>], counterbalanced: bool) -> Vec<Combination> {
    let Some((outer, inner)) = axes.split_first() else { return vec![Combination::default()] };
    let inner = combine(inner, false);
    if !counterbalanced {
        return outer.iter().flat_map(|o| inner.iter().map(|i| o.with(i))).collect();
    }
    let turned = |n: usize| -> Vec<&Combination> {
        if n.is_multiple_of(2) { outer.iter().collect() } else { outer.iter().rev().collect() }
    };
    inner.iter().enumerate().flat_map(|(n, i)| turned(n).into_iter().map(|o| o.with(i)).collect::<Vec<_>>()).collect()
}

fn axis_value(reading: &mut SourceFiles, key: &str, node: &Node, threshold_w: Option<f64>) -> Option<Combination> {
    let mut value = Combination::default();
    match key {
        "ring" => value.ring = Some(reading.one_of(node, &RINGS)?),
        "posture" => value.posture = Some(reading.one_of(node, &POSTURES)?),
        "power" => value.power = Some(target(reading, node, threshold_w, &ranges::BLOCK_POWER)?),
        _ => value.cadence = Some(cadence(reading, node)?),
    }
    value.keys = vec![(key.to_owned(), normal_form(node.as_text()?))];
    Some(value)
}
