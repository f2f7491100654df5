//! The phases of a protocol: what all have in common, `for_each` expanded.

use super::amounts::{cadence, positive, times};
use super::asked::{POSTURES, RINGS};
use super::checks::checks;
use super::drill::{Drill, DrillKind};
use super::drills::PowerBasis;
use super::for_each::combinations;
use super::measure::Measure;
use super::model::{Accept, Part, Phase, PhaseId};
use super::placed_selectors::Phases;
use super::ranges;
use super::sentences::quantities::RangeForm;
use super::yaml::{MapKeys, Node, SourceFiles};
use crate::quantity::{Range, Unit};

/// Share of a target within which a ride matches it, where the file does not say.
const DEFAULT_TOLERANCE: f64 = 0.20;

/// What the protocol says of all its phases.
#[derive(Debug, Clone, Copy)]
pub(super) struct ForAllPhases {
    pub threshold_w: Option<f64>,
    pub accepts_off_target: bool,
}

pub(super) fn phases(reading: &mut SourceFiles, node: &Node, for_all: ForAllPhases) -> Phases {
    let mut phases = Phases::default();
    for item in reading.list(node, "phases").unwrap_or_default() {
        let name = item.get("phase").filter(|n| n.as_text().is_some());
        let read = phase(reading, item, for_all);
        match (name, read) {
            (Some(name), Some(read)) => {
                let clash = read.iter().find(|p| phases.all.iter().any(|q| p.id.name == q.id.name));
                match clash {
                    Some(p) => {
                        let message = format!("a second phase is called `{}`", p.id.name);
                        reading.report(name.at, message, Some("give it a name of its own".into()));
                    }
                    None => phases.all.extend(read),
                }
            }
            (Some(name), None) => phases.unread.extend(name.as_text().map(str::to_owned)),
            (None, _) => {}
        }
    }
    phases
}

/// A name that a selector can hold.
fn phase_name(reading: &mut SourceFiles, node: &Node) -> Option<String> {
    let name = reading.text(node)?;
    if name.chars().all(|c| c.is_alphanumeric() || matches!(c, '-' | '_' | '.')) {
        return Some(name);
    }
    let plain: String =
        name.split(|c: char| !c.is_alphanumeric()).filter(|w| !w.is_empty()).collect::<Vec<_>>().join("-");
    reading.report(
        node.at,
        "a phase's name has letters, digits, `-`, `_` and `.` only",
        Some(format!("write `{plain}`")),
    );
    None
}

/// What a phase that was ridden otherwise than asked comes to.
pub(super) const OFF_TARGET: [(&str, bool); 2] = [("undecided", false), ("accept", true)];

fn phase(reading: &mut SourceFiles, node: &Node, for_all: ForAllPhases) -> Option<Vec<Phase>> {
    let threshold_w = for_all.threshold_w;
    let mut keys = reading.map(node, "a phase")?;
    let name = keys.need(reading, "phase", "steady").and_then(|n| phase_name(reading, n));
    let drills = DrillKind::ALL.map(|kind| (kind.word(), kind));
    let kind = keys.need(reading, "drill", "steady").and_then(|n| reading.one_of(n, &drills));

    let ring = keys.take("ring").and_then(|n| reading.one_of(n, &RINGS));
    let posture = keys.take("posture").and_then(|n| reading.one_of(n, &POSTURES));
    let cadence_rpm = keys.take("cadence").and_then(|n| cadence(reading, n));
    let grade_pct = keys.take("grade").and_then(|n| {
        let grade_pct = reading.words(n, "a grade, as in `4..9 %`", |w| match w.span(Unit::Percent)? {
            RangeForm::Range(range) => Ok(range),
            RangeForm::Bare(pct) => Ok(Range::between(pct, pct)),
        })?;
        reading.plausible_range(n, grade_pct, &ranges::GRADE)
    });
    let repeats = keys.take("repeat").map_or(Some(1), |n| reading.count(n, 1));
    let accept = keys
        .take("accept")
        .zip(repeats)
        .and_then(|(n, repeats)| reading.words(n, "a sentence, as in `every repeat`", |w| w.accept(repeats)));
    let part = part(reading, &mut keys);
    let tolerance = keys.take("tolerance").and_then(|n| {
        let share_pct = positive(reading, n, Unit::Percent, "a share, as in `20 %`")?;
        reading.plausible(n, share_pct, &ranges::TOLERANCE)
    });
    let off_target = keys.take("off_target").and_then(|n| reading.one_of(n, &OFF_TARGET));
    // With an unknown drill the rest is still read, as far as it is the same for all drills.
    let (here, measures) = match kind {
        Some(kind) => (format!("a `{}` drill", kind.word()), Measure::of_drill(kind)),
        None => ("a drill".to_owned(), Measure::ALL.to_vec()),
    };
    let checks = keys.take("checks").map_or(vec![], |n| checks(reading, n, &here, &measures));
    let kind = kind?;
    let combinations = combinations(reading, &mut keys, kind, threshold_w);
    let swept = combinations.first().and_then(|c| c.power);
    let drill = kind.read(reading, &mut keys, &PowerBasis { threshold_w, swept });
    let recovery_s = if kind.sweeps_power() { recovery_between(reading, &mut keys, repeats) } else { None };
    keys.finish(reading);

    let (name, drill, repeats) = (name?, drill?, repeats?);
    let accept = accept.unwrap_or(Accept::EveryRepeat);
    let tolerance = tolerance.map_or(DEFAULT_TOLERANCE, |pct| pct / 100.0);
    let mut phases: Vec<Phase> = vec![];
    for combination in combinations {
        if let (Some(before), Some(lasts_s)) = (phases.last(), recovery_s) {
            phases.push(recovery(before, lasts_s));
        }
        let mut drill = drill.clone();
        if let Some(power) = combination.power {
            drill.set_power(power);
        }
        phases.push(Phase {
            id: PhaseId { name: name.clone(), keys: combination.keys },
            drill,
            ring: combination.ring.or(ring),
            posture: combination.posture.or(posture),
            cadence_rpm: combination.cadence.or(cadence_rpm),
            grade_pct,
            repeats,
            accept,
            checks: checks.clone(),
            part,
            tolerance,
            accepts_off_target: off_target.unwrap_or(for_all.accepts_off_target),
        });
    }
    Some(phases)
}

fn part(reading: &mut SourceFiles, keys: &mut MapKeys) -> Part {
    let advisory = keys.take("advisory").and_then(|n| reading.flag(n)).unwrap_or(false);
    let node = keys.take("optional");
    let optional = node.and_then(|n| reading.flag(n)).unwrap_or(false);
    match (advisory, optional, node) {
        (true, true, Some(n)) => {
            reading.report(n.at, "a phase is advisory or optional, not both", None);
            Part::Advisory
        }
        (true, ..) => Part::Advisory,
        (_, true, _) => Part::Optional,
        _ => Part::Required,
    }
}

/// `recover` of a phase whose power `for_each` may go over: easy spinning between the combinations of its `for_each`.
fn recovery_between(reading: &mut SourceFiles, keys: &mut MapKeys, repeats: Option<u32>) -> Option<Range> {
    let node = keys.take("recover")?;
    if repeats.is_some_and(|n| n > 1) {
        let message = "`recover` of a steady phase lies between the combinations of `for_each`, not between repeats";
        reading.report(node.at, message, Some("leave out `repeat` or `recover`".into()));
        return None;
    }
    times(reading, node, Range::at_least, &ranges::RECOVERY)
}

/// The free phase after `before`; it asks for nothing, so that a rider who skips it loses nothing.
fn recovery(before: &Phase, lasts_s: Range) -> Phase {
    Phase {
        id: PhaseId { name: format!("{}-recovery", before.id.name), keys: before.id.keys.clone() },
        drill: Drill::Free { power_w: None, lasts_s: Some(lasts_s) },
        ring: None,
        posture: None,
        cadence_rpm: None,
        grade_pct: None,
        repeats: 1,
        accept: Accept::EveryRepeat,
        checks: vec![],
        part: Part::Optional,
        tolerance: before.tolerance,
        accepts_off_target: before.accepts_off_target,
    }
}
