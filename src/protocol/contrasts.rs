//! Contrasts: differences between phases alike in all but one key.

use super::checks::limit;
use super::drill::DrillKind;
use super::measure::Measure;
use super::model::{Contrast, Phase};
use super::placed_selectors::{Phases, placed_selector};
use super::yaml::{Node, SourceFiles};

pub(super) fn contrasts(reading: &mut SourceFiles, node: &Node, phases: Option<&Phases>) -> Vec<Contrast> {
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
    let of = of_node.and_then(|n| placed_selector(reading, n, phases));
    let against = against_node.and_then(|n| placed_selector(reading, n, phases));
    let measure_node = keys.need(reading, "measure", "mean_error");
    let all: Vec<(&str, Measure)> = Measure::ALL.iter().map(|m| (m.word(), *m)).collect();
    let measure = measure_node.and_then(|n| reading.one_of(n, &all));
    let limit_node = keys.need(reading, "limit", "within 1.5 %");
    let limit = measure.zip(limit_node).and_then(|(measure, n)| limit(reading, n, measure));
    let advisory = keys.take("advisory").and_then(|n| reading.flag(n)).unwrap_or(false);
    keys.finish(reading);

    let (of, against, measure) = (of?, against?, measure?);
    if let Some(why) = measure.no_contrast() {
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
        let drill = phases.iter().find(|p| selector.selects(&p.id)).map_or(DrillKind::Free, |p| p.drill.kind());
        if !Measure::of_drill(drill).contains(&measure) {
            let message = format!("`{}` can't be measured in `{selector}`, a `{}` drill", measure.word(), drill.word());
            reading.report(node.at, message, None);
            return None;
        }
    }
    let contrast = Contrast { name: name?, of, against, measure, limit: limit?, advisory };
    if contrast.pairs(phases).is_empty() {
        let Contrast { of, against, .. } = &contrast;
        let help = "each phase of one side needs one of the other with the same remaining keys";
        reading.report(against_node?.at, format!("no phase of `{of}` has a partner in `{against}`"), Some(help.into()));
        return None;
    }
    Some(contrast)
}

/// Two phases that a contrast compares, by their indices.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ComparedPhases {
    pub of: usize,
    pub against: usize,
}

impl Contrast {
    /// Each phase of the one side with the first of the other that is alike in all keys that neither side names.
    pub fn pairs(&self, phases: &[Phase]) -> Vec<ComparedPhases> {
        let partner = |of: usize| {
            let other = |p: &Phase| {
                p.id != phases[of].id && self.against.selects(&p.id) && self.alike(p) == self.alike(&phases[of])
            };
            Some(ComparedPhases { of, against: phases.iter().position(other)? })
        };
        (0..phases.len()).filter(|&i| self.of.selects(&phases[i].id)).filter_map(partner).collect()
    }

    /// What a phase shares with its partner: the keys that neither side names.
    pub fn alike<'p>(&self, phase: &'p Phase) -> Vec<&'p (String, String)> {
        let named = |key: &str| self.of.keys.iter().chain(&self.against.keys).any(|(k, _)| k == key);
        phase.id.keys.iter().filter(|(key, _)| !named(key)).collect()
    }
}
