//! A protocol's tree to a [`Protocol`], every mistake at its place.

use std::path::{Path, PathBuf};

use super::model::*;
use super::phase::{Phases, WHOLE_RIDE, checks, duration, limit, measures_of, phases, power};
use super::tree::{Body, MapEntry, Node, SourceFiles, TextPlace};
use super::words::{self, TextMistake};
use crate::quantity::Unit;

/// The version of the language.
const VERSION: &str = "1";

/// Reads a protocol and what it extends. `threshold_power_w`, the rider's own, overrules the file's `basis`.
pub(crate) fn read(
    reading: &mut SourceFiles,
    file: &Path,
    named_at: Option<TextPlace>,
    rider_w: Option<f64>,
) -> Option<Protocol> {
    let first = reading.opened();
    let root = tree(reading, file, named_at, &mut vec![])?;
    let sha256 = reading.sha256(first..reading.opened());
    let mut keys = reading.map(&root, "a protocol")?;
    if let Some(version) = keys.need(reading, "assize", VERSION)
        && version.as_text() != Some(VERSION)
    {
        reading.report(version.at, format!("this program reads version {VERSION} of the language"), None);
    }
    keys.take("extends");
    let title = keys.need(reading, "title", "Bench trial").and_then(|n| reading.text(n));
    let revision = keys.need(reading, "revision", "\"1\"").and_then(|n| reading.text(n));
    let purpose = keys.take("purpose").and_then(|n| reading.text(n));
    let settings = [("indoor", Setting::Indoor), ("road", Setting::Road), ("rig", Setting::Rig)];
    let setting = keys.take("setting").and_then(|n| reading.one_of(n, &settings)).unwrap_or(Setting::Indoor);
    let orders = [("as_written", PhaseOrder::AsWritten), ("any", PhaseOrder::Any)];
    let order = keys.take("order").and_then(|n| reading.one_of(n, &orders)).unwrap_or(PhaseOrder::AsWritten);
    let needs = keys.take("needs").map_or(Needs { references: 1, warm_up_s: None }, |n| needs(reading, n));
    let decision =
        keys.take("decision").map_or(Decision { rule: Rule::Guarded, coverage: 0.95 }, |n| decision(reading, n));
    let basis_w = keys.take("basis").and_then(|n| basis(reading, n));
    let threshold_power_w = rider_w.or(basis_w);
    let phases_node = keys.need(reading, "phases", "[…]");
    let phases = phases_node.map(|n| phases(reading, n, threshold_power_w));
    let contrasts = keys.take("contrasts").map_or(vec![], |n| contrasts(reading, n, phases.as_ref()));
    let whole_ride = keys.take("whole_ride").map_or(vec![], |n| checks(reading, n, "the whole ride", WHOLE_RIDE));
    keys.finish(reading);
    Some(Protocol {
        file: file.to_owned(),
        sha256,
        title: title?,
        revision: revision?,
        purpose,
        setting,
        order,
        needs,
        decision,
        threshold_power_w,
        phases: phases?.all,
        contrasts,
        whole_ride,
    })
}

/// Opens a file and lays it over what it extends.
fn tree(reading: &mut SourceFiles, file: &Path, named_at: Option<TextPlace>, chain: &mut Vec<PathBuf>) -> Option<Node> {
    let canonical = file.canonicalize().unwrap_or_else(|_| file.to_owned());
    if let (true, Some(at)) = (chain.contains(&canonical), named_at) {
        reading.report(at, "this protocol ends up extending itself", None);
        return None;
    }
    chain.push(canonical);
    let own = reading.open(file, named_at)?;
    let Some(extends) = own.get("extends") else { return Some(own) };
    let base_file = reading.existing_file(extends)?;
    let base = tree(reading, &base_file, Some(extends.at), chain)?;
    Some(overlay(base, own))
}

/// What `own` says wins, key by key; phases and contrasts are laid over their namesakes, in the base's
/// order, and new ones follow. Other lists and maps are replaced whole.
pub(crate) fn overlay(base: Node, own: Node) -> Node {
    let (Body::Map(mut merged), Body::Map(entries)) = (base.body, own.body.clone()) else { return own };
    for MapEntry { key, key_at, value } in entries {
        let Some(under) = merged.iter_mut().find(|e| e.key == key) else {
            merged.push(MapEntry { key, key_at, value });
            continue;
        };
        under.key_at = key_at;
        let below = std::mem::replace(&mut under.value, value.clone());
        under.value = match (key.as_str(), below.body, &value.body) {
            ("phases", Body::List(below), Body::List(above)) => {
                Node { at: value.at, body: Body::List(overlay_named(below, above, "phase")) }
            }
            ("contrasts", Body::List(below), Body::List(above)) => {
                Node { at: value.at, body: Body::List(overlay_named(below, above, "contrast")) }
            }
            (
                "needs" | "decision" | "basis" | "whole_ride" | "drivetrain" | "conditions",
                Body::Map(below),
                Body::Map(_),
            ) => overlay(Node { at: value.at, body: Body::Map(below) }, value),
            _ => value,
        };
    }
    Node { at: own.at, body: Body::Map(merged) }
}

fn overlay_named(mut below: Vec<Node>, above: &[Node], name_key: &str) -> Vec<Node> {
    let name = |node: &Node| node.get(name_key).and_then(Node::as_text).map(str::to_owned);
    let inherited = below.len();
    for node in above {
        let same_name = below[..inherited].iter_mut().find(|b| name(b).is_some() && name(b) == name(node));
        match same_name {
            // Another drill has other keys: nothing of the old phase is kept.
            Some(b) if node.get("drill").is_none_or(|d| d.as_text() == b.get("drill").and_then(Node::as_text)) => {
                *b = overlay(b.clone(), node.clone());
            }
            Some(b) => *b = node.clone(),
            None => below.push(node.clone()),
        }
    }
    below
}

fn needs(reading: &mut SourceFiles, node: &Node) -> Needs {
    let mut needs = Needs { references: 1, warm_up_s: None };
    let Some(mut keys) = reading.map(node, "`needs`") else { return needs };
    if let Some(count) = keys.take("references").and_then(|n| reading.count(n, 1)) {
        needs.references = count as usize;
    }
    needs.warm_up_s = keys.take("warm_up").and_then(|n| duration(reading, n));
    keys.finish(reading);
    needs
}

fn decision(reading: &mut SourceFiles, node: &Node) -> Decision {
    let mut decision = Decision { rule: Rule::Guarded, coverage: 0.95 };
    let Some(mut keys) = reading.map(node, "`decision`") else { return decision };
    let rules = [("simple", Rule::Simple), ("guarded", Rule::Guarded)];
    if let Some(rule) = keys.take("rule").and_then(|n| reading.one_of(n, &rules)) {
        decision.rule = rule;
    }
    if let Some(n) = keys.take("coverage")
        && let Some(coverage) = reading.words(n, "a probability, as in `95 %`", |w| w.amount(Unit::Percent))
    {
        if coverage > 50.0 && coverage < 100.0 {
            decision.coverage = coverage / 100.0;
        } else {
            reading.report(n.at, "expected a coverage between 50 % and 100 %, usually `95 %`", None);
        }
    }
    keys.finish(reading);
    decision
}

fn basis(reading: &mut SourceFiles, node: &Node) -> Option<f64> {
    let mut keys = reading.map(node, "`basis`")?;
    let power_w = keys.need(reading, "threshold_power", "250 W").and_then(|n| power(reading, n));
    keys.finish(reading);
    power_w
}

fn contrasts(reading: &mut SourceFiles, node: &Node, phases: Option<&Phases>) -> Vec<Contrast> {
    let mut contrasts: Vec<Contrast> = vec![];
    for item in reading.list(node, "contrasts").unwrap_or_default() {
        let Some(contrast) = contrast(reading, item, phases) else { continue };
        if contrasts.iter().any(|c| c.name == contrast.name) {
            let at = item.get("contrast").map_or(item.at, |n| n.at);
            reading.report(at, format!("a second contrast is called `{}`", contrast.name), None);
            continue;
        }
        contrasts.push(contrast);
    }
    contrasts
}

fn contrast(reading: &mut SourceFiles, node: &Node, phases: Option<&Phases>) -> Option<Contrast> {
    let mut keys = reading.map(node, "a contrast")?;
    let name = keys.need(reading, "contrast", "ring-shift").and_then(|n| reading.text(n));
    let of_node = keys.need(reading, "of", "steady[ring=small]");
    let against_node = keys.need(reading, "against", "steady[ring=big]");
    let of = of_node.and_then(|n| selector(reading, n, phases));
    let against = against_node.and_then(|n| selector(reading, n, phases));
    let measure_node = keys.need(reading, "measure", "mean_error");
    let all: Vec<(&str, Measure)> = Measure::ALL.iter().map(|m| (m.word(), *m)).collect();
    let measure = measure_node.and_then(|n| reading.one_of(n, &all));
    let limit_node = keys.need(reading, "limit", "within 1.5 %");
    let limit = measure.zip(limit_node).and_then(|(measure, n)| limit(reading, n, measure));
    let advisory = keys.take("advisory").and_then(|n| reading.flag(n)).unwrap_or(false);
    keys.finish(reading);

    let (of, against, measure) = (of?, against?, measure?);
    if let Some(why) = no_contrast(measure) {
        let help = "leave the contrast out, or compare another measure";
        reading.report(measure_node?.at, format!("`{}` has no contrast: {why}", measure.word()), Some(help.into()));
        return None;
    }
    let phases = &phases?.all;
    for (selector, node) in [(&of, of_node?), (&against, against_node?)] {
        if selector.repeat.is_some() {
            reading.report(node.at, "a contrast compares phases with all their repeats", Some("leave out `/…`".into()));
            return None;
        }
        let drill = phases.iter().find(|p| selector.selects(&p.id)).map_or("free", |p| p.drill.word());
        if !measures_of(drill).contains(&measure) {
            let message = format!("`{}` can't be measured in `{selector}`, a `{drill}` drill", measure.word());
            reading.report(node.at, message, None);
            return None;
        }
    }
    if !phases.iter().any(|p| of.selects(&p.id) && partner(p, &of, &against, phases).is_some()) {
        let help = "each phase of one side needs one of the other with the same remaining keys";
        reading.report(against_node?.at, format!("no phase of `{of}` has a partner in `{against}`"), Some(help.into()));
        return None;
    }
    Some(Contrast { name: name?, of, against, measure, limit: limit?, advisory })
}

/// Why a difference of such values says nothing that has an uncertainty, if so.
fn no_contrast(measure: Measure) -> Option<&'static str> {
    use Measure::*;
    match measure {
        DropoutTime | HeldTime => Some("seconds are counted, and a difference of counts has no uncertainty"),
        Spike => Some("it is the largest of many readings, and what chance does to the largest is in no budget"),
        Spread => Some("limits of agreement lie on both sides of the error; contrast `mean_error`"),
        TorqueError | Hysteresis | ZeroShift => Some("typed readings belong to no ride"),
        _ => None,
    }
}

/// The phase that a contrast compares `phase` with: alike in all keys that neither side names.
fn partner<'p>(phase: &Phase, of: &Selector, against: &Selector, phases: &'p [Phase]) -> Option<&'p Phase> {
    let named = |key: &str| of.keys.iter().chain(&against.keys).any(|(k, _)| k == key);
    let remaining = |id: &PhaseId| id.keys.iter().filter(|(k, _)| !named(k)).cloned().collect::<Vec<_>>();
    phases.iter().find(|p| p.id != phase.id && against.selects(&p.id) && remaining(&p.id) == remaining(&phase.id))
}

/// What [`words::selector`] and its kin are: a text against phases and their repeats.
type ReadSelector = fn(&str, &[Phase]) -> Result<Selector, TextMistake>;

/// A selector of any number of phases, at its place.
pub(crate) fn selector(reading: &mut SourceFiles, node: &Node, phases: Option<&Phases>) -> Option<Selector> {
    placed(reading, node, phases, words::selector)
}

/// A selector of one repeat of one phase, at its place.
pub(crate) fn one_repeat(reading: &mut SourceFiles, node: &Node, phases: Option<&Phases>) -> Option<Selector> {
    placed(reading, node, phases, words::one_repeat)
}

/// `None` without a report where the phases themselves could not be read.
fn placed(reading: &mut SourceFiles, node: &Node, phases: Option<&Phases>, read: ReadSelector) -> Option<Selector> {
    let Some(text) = node.as_text() else { return reading.expected(node, "a phase, as in `steady[ring=small]`") };
    let phases = phases?;
    match read(text, &phases.all) {
        Ok(selector) => Some(selector),
        // A phase that could not be read is not missing.
        Err(_) if phases.unread.iter().any(|name| text.starts_with(name.as_str())) => None,
        Err(slip) => {
            reading.slip(node, slip);
            None
        }
    }
}
