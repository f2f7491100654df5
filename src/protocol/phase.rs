//! Phases: drills, `for_each` and checks.

use super::model::*;
use super::tree::{Body, MapKeys, Node, SourceFiles, list, nearest};
use super::words::{RangeForm, normal_form};
use crate::quantity::{Limit, Range, Unit};

/// A cadence written as one value means this much to either side (common practice, no source: nobody
/// holds one cadence).
const CADENCE_HALF_WIDTH_RPM: f64 = 5.0;
/// Share of a target within which a ride matches it, where the file does not say.
const DEFAULT_TOLERANCE: f64 = 0.20;
/// More phases than any session has: stops a `for_each` that multiplies out of hand.
const MAX_PHASES: usize = 500;

pub(super) const WHOLE_RIDE: &[Measure] = &[
    Measure::WorkError,
    Measure::DriftTime,
    Measure::DriftTemperature,
    Measure::Linearity,
    Measure::DropoutTime,
    Measure::HeldTime,
    Measure::Spike,
];

const DRILLS: [&str; 9] =
    ["free", "wait", "steady", "sprint", "coast_restart", "soft_pedal", "ramp", "static_load", "zero_check"];

/// What can be computed for a drill.
pub(super) fn measures_of(drill: &str) -> &'static [Measure] {
    use Measure::*;
    match drill {
        "steady" => &[MeanError, Spread, LeftError, RightError, CadenceError, DropoutTime, HeldTime, Spike],
        "sprint" => &[WorkError, PeakError, LeftError, RightError, DropoutTime, HeldTime, Spike],
        "coast_restart" => &[
            ResidualPower,
            PhantomWork,
            ReleaseLag,
            OnsetLag,
            CadenceReleaseLag,
            CadenceOnsetLag,
            MissingWork,
            DropoutTime,
            HeldTime,
            Spike,
        ],
        "soft_pedal" => &[MeanError, DropoutTime, HeldTime, Spike],
        "ramp" => &[Linearity, DropoutTime, HeldTime, Spike],
        "static_load" => &[TorqueError, Hysteresis],
        "zero_check" => &[ZeroShift],
        _ => &[],
    }
}

/// The units in which a measure's limit may be written, its own first.
pub(super) fn units_of(measure: Measure) -> &'static [Unit] {
    use Measure::*;
    match measure {
        MeanError | Spread | LeftError | RightError | PeakError => &[Unit::Percent, Unit::Watt],
        WorkError | MissingWork | Linearity => &[Unit::Percent],
        Spike | ResidualPower => &[Unit::Watt],
        CadenceError => &[Unit::Rpm],
        DropoutTime | HeldTime | ReleaseLag | OnsetLag | CadenceReleaseLag | CadenceOnsetLag => &[Unit::Second],
        PhantomWork => &[Unit::Kilojoule],
        DriftTime => &[Unit::WattPerHour],
        DriftTemperature => &[Unit::WattPerCelsius],
        TorqueError => &[Unit::Percent, Unit::NewtonMetre],
        Hysteresis => &[Unit::NewtonMetre],
        ZeroShift => &[Unit::One],
    }
}

/// Whether a measure can be asked to be `none`: counted, so that zero is a value and not a point on a scale.
pub(super) fn can_be_none(measure: Measure) -> bool {
    matches!(measure, Measure::DropoutTime | Measure::HeldTime | Measure::ZeroShift)
}

/// Whether what a maker claims of a power meter is about this measure.
pub(super) fn is_claimed(measure: Measure) -> bool {
    use Measure::*;
    matches!(measure, MeanError | LeftError | RightError | WorkError | PeakError)
}

pub(super) fn limit(reading: &mut SourceFiles, node: &Node, measure: Measure) -> Option<Limit> {
    reading.words(node, "a limit, as in `within 2 %`", |w| w.limit(measure))
}

/// A map of measures to limits.
pub(super) fn checks(reading: &mut SourceFiles, node: &Node, where_: &str, allowed: &[Measure]) -> Vec<Check> {
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
                reading.report(entry.key_at, format!("nothing is measured in {where_}"), None);
            }
            known => {
                let problem = if known.is_some() { "can't be measured in" } else { "is no measure of" };
                let help = nearest(&entry.key, &words).filter(|_| known.is_none());
                let help = help.unwrap_or_else(|| format!("measures here are {}", list(&words)));
                reading.report(entry.key_at, format!("`{}` {problem} {where_}", entry.key), Some(help));
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
    let over_s = over_node.and_then(|n| duration(reading, n));
    if let (Some(n), true) = (over_node, measure != Measure::PeakError) {
        reading.report(n.at, format!("`{}` takes no `over`, only `peak_error` does", measure.word()), None);
    }
    keys.finish(reading);
    Some(Check { measure, limit: limit?, advisory, clause, over_s })
}

/// A power above zero.
pub(crate) fn power(reading: &mut SourceFiles, node: &Node) -> Option<f64> {
    positive(reading, node, Unit::Watt, "a power, as in `250 W`")
}

pub(super) fn duration(reading: &mut SourceFiles, node: &Node) -> Option<f64> {
    positive(reading, node, Unit::Second, "a duration, as in `10 min`")
}

pub(crate) fn positive(reading: &mut SourceFiles, node: &Node, unit: Unit, what: &str) -> Option<f64> {
    let value = reading.words(node, what, |w| w.amount(unit))?;
    if value == 0.0 {
        reading.report(node.at, format!("expected {what}, more than zero"), None);
        return None;
    }
    Some(value)
}

/// A range of durations; a bare one becomes what `bare` makes of it.
fn times(reading: &mut SourceFiles, node: &Node, bare: fn(f64) -> Range) -> Option<Range> {
    let range = reading.words(node, "a duration, as in `4 min` or `6..12 s`", |w| {
        Ok(match w.span(Unit::Second)? {
            RangeForm::Bare(duration_s) => bare(duration_s),
            RangeForm::Range(range) => range,
        })
    })?;
    if range.high.or(range.low) == Some(0.0) {
        reading.report(node.at, "expected a duration of more than zero", None);
        return None;
    }
    Some(range)
}

fn cadence(reading: &mut SourceFiles, node: &Node) -> Option<Range> {
    reading.words(node, "a cadence, as in `85..95 rpm`", |w| {
        Ok(match w.span(Unit::Rpm)? {
            RangeForm::Bare(rpm) => {
                Range::between((rpm - CADENCE_HALF_WIDTH_RPM).max(0.0), rpm + CADENCE_HALF_WIDTH_RPM)
            }
            RangeForm::Range(range) => range,
        })
    })
}

fn target(reading: &mut SourceFiles, node: &Node, threshold_w: Option<f64>) -> Option<Target> {
    reading.words(node, "a power, as in `200 W`", |w| w.target(threshold_w))
}

const RINGS: [(&str, Ring); 2] = [("big", Ring::Big), ("small", Ring::Small)];
const POSTURES: [(&str, Posture); 2] = [("seated", Posture::Seated), ("standing", Posture::Standing)];
pub(crate) const SIDES: [(&str, Side); 2] = [("left", Side::Left), ("right", Side::Right)];

/// The phases of a protocol, `for_each` expanded.
#[derive(Default)]
pub(crate) struct Phases {
    pub all: Vec<Phase>,
    /// Names of phases that mistakes kept from being read.
    pub unread: Vec<String>,
}

pub(super) fn phases(reading: &mut SourceFiles, node: &Node, threshold_w: Option<f64>) -> Phases {
    let mut phases = Phases::default();
    for item in reading.list(node, "phases").unwrap_or_default() {
        let name = item.get("phase").filter(|n| n.as_text().is_some());
        let read = phase(reading, item, threshold_w);
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

fn phase(reading: &mut SourceFiles, node: &Node, threshold_w: Option<f64>) -> Option<Vec<Phase>> {
    let mut keys = reading.map(node, "a phase")?;
    let name = keys.need(reading, "phase", "steady").and_then(|n| phase_name(reading, n));
    let drills = DRILLS.map(|d| (d, d));
    let word = keys.need(reading, "drill", "steady").and_then(|n| reading.one_of(n, &drills));

    let ring = keys.take("ring").and_then(|n| reading.one_of(n, &RINGS));
    let posture = keys.take("posture").and_then(|n| reading.one_of(n, &POSTURES));
    let cadence_rpm = keys.take("cadence").and_then(|n| cadence(reading, n));
    let grade_pct = keys.take("grade").and_then(|n| {
        reading.words(n, "a grade, as in `4..9 %`", |w| match w.span(Unit::Percent)? {
            RangeForm::Range(range) => Ok(range),
            RangeForm::Bare(pct) => Ok(Range::between(pct, pct)),
        })
    });
    let repeats = keys.take("repeat").map_or(Some(1), |n| reading.count(n, 1));
    let accept = keys
        .take("accept")
        .zip(repeats)
        .and_then(|(n, repeats)| reading.words(n, "a sentence, as in `every repeat`", |w| w.accept(repeats)));
    let part = part(reading, &mut keys);
    let tolerance = keys.take("tolerance").and_then(|n| positive(reading, n, Unit::Percent, "a share, as in `20 %`"));
    // With an unknown drill the rest is still read, as far as it is the same for all drills.
    let (here, measures) =
        word.map_or(("a drill".to_owned(), Measure::ALL), |w| (format!("a `{w}` drill"), measures_of(w)));
    let checks = keys.take("checks").map_or(vec![], |n| checks(reading, n, &here, measures));
    let word = word?;
    let combinations = combinations(reading, &mut keys, word, threshold_w);
    let swept = combinations.first().and_then(|c| c.power);
    let drill = drill(reading, &mut keys, word, threshold_w, swept);
    let recovery_s = match word {
        "steady" => steady_recovery(reading, &mut keys, repeats),
        _ => None,
    };
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
        if let (Some(swept), Drill::Steady { power_w, .. }) = (combination.power, &mut drill) {
            *power_w = swept;
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

/// `recover` of a steady phase: easy spinning between the combinations of its `for_each`.
fn steady_recovery(reading: &mut SourceFiles, keys: &mut MapKeys, repeats: Option<u32>) -> Option<Range> {
    let node = keys.take("recover")?;
    if repeats.is_some_and(|n| n > 1) {
        let message = "`recover` of a steady phase lies between the combinations of `for_each`, not between repeats";
        reading.report(node.at, message, Some("leave out `repeat` or `recover`".into()));
        return None;
    }
    times(reading, node, Range::at_least)
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
    }
}

/// What `for_each` sets for one of its combinations.
#[derive(Clone, Default)]
struct Combination {
    keys: Vec<(String, String)>,
    ring: Option<Ring>,
    posture: Option<Posture>,
    power: Option<Target>,
    cadence: Option<Range>,
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
fn combinations(
    reading: &mut SourceFiles,
    keys: &mut MapKeys,
    drill: &str,
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
    let mut axes: Vec<Vec<Combination>> = vec![];
    for entry in entries {
        const AXES: [&str; 4] = ["ring", "posture", "power", "cadence"];
        let key = entry.key.as_str();
        if !AXES.contains(&key) || (key == "power" && drill != "steady") {
            let help = nearest(key, &AXES).unwrap_or_else(|| format!("it goes over {}", list(&AXES)));
            let message = format!("`for_each` of a `{drill}` drill can't go over `{key}`");
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
        "power" => value.power = Some(target(reading, node, threshold_w)?),
        _ => value.cadence = Some(cadence(reading, node)?),
    }
    value.keys = vec![(key.to_owned(), normal_form(node.as_text()?))];
    Some(value)
}

/// The keys of a drill. `swept` is the first power of `for_each`, where that sets it.
fn drill(
    reading: &mut SourceFiles,
    keys: &mut MapKeys,
    word: &str,
    threshold_w: Option<f64>,
    swept: Option<Target>,
) -> Option<Drill> {
    let hold = |reading: &mut SourceFiles, n: &Node| {
        reading.words(n, "a power and a duration, as in `200 W for 20 s`", |w| w.hold(threshold_w))
    };
    match word {
        "free" => {
            let power = keys.take("power").map(|n| (n, target(reading, n, threshold_w)));
            let power_w = match power {
                Some((n, Some(Target::Value(_)))) => {
                    reading.report(n.at, "a `free` drill takes a range of power", Some("as in `at most 150 W`".into()));
                    None
                }
                Some((_, Some(Target::Within(range)))) => Some(range),
                _ => None,
            };
            let lasts_s = keys.take("lasts").and_then(|n| times(reading, n, Range::at_least));
            Some(Drill::Free { power_w, lasts_s })
        }
        "wait" => Some(Drill::Wait { lasts_s: keys.take("lasts").and_then(|n| times(reading, n, Range::at_least)) }),
        "steady" => {
            let power_w = match (keys.take("power"), swept) {
                (Some(n), _) => target(reading, n, threshold_w),
                (None, Some(target)) => Some(target),
                (None, None) => {
                    keys.need(reading, "power", "200 W");
                    None
                }
            };
            let lasts_s = keys.need(reading, "lasts", "4 min").and_then(|n| times(reading, n, Range::at_least));
            let settle_node = keys.take("settle");
            let settle_s = settle_node.map_or(Some(0.0), |n| duration(reading, n));
            let (lasts_s, settle_s) = (lasts_s?, settle_s?);
            let Some(least_s) = lasts_s.low else {
                let help = Some("as in `4 min` or `4..5 min`".into());
                reading.report(keys.take("lasts")?.at, "a steady drill needs to know how long it lasts at least", help);
                return None;
            };
            if let (true, Some(n)) = (settle_s >= least_s, settle_node) {
                let message = format!("nothing is left to score: settling takes {settle_s} s of {least_s} s");
                reading.report(n.at, message, Some("shorten `settle` or lengthen `lasts`".into()));
            }
            Some(Drill::Steady { power_w: power_w?, lasts_s, settle_s })
        }
        "sprint" => {
            let effort_w =
                keys.need(reading, "effort", "at least 600 W").and_then(|n| match target(reading, n, threshold_w)? {
                    Target::Within(range) => Some(range),
                    Target::Value(power_w) => {
                        let help = format!("write `at least {power_w} W`");
                        reading.report(n.at, "a sprint's effort is a least power", Some(help));
                        None
                    }
                });
            let lasts_s = keys.need(reading, "lasts", "6..12 s").and_then(|n| times(reading, n, Range::at_least));
            let recover_s = keys.take("recover").and_then(|n| times(reading, n, Range::at_least));
            Some(Drill::Sprint { effort_w: effort_w?, lasts_s: lasts_s?, recover_s })
        }
        "coast_restart" => {
            let lead_in = keys.need(reading, "lead_in", "200 W for 20 s").and_then(|n| hold(reading, n));
            let exactly = |s| Range::between(s, s);
            let coast_s = keys.need(reading, "coast", "7..12 s").and_then(|n| times(reading, n, exactly));
            let restart = keys.need(reading, "restart", "at least 300 W for 5..10 s").and_then(|n| hold(reading, n));
            let recover_s = keys.take("recover").and_then(|n| times(reading, n, Range::at_least));
            Some(Drill::CoastRestart { lead_in: lead_in?, coast_s: coast_s?, restart: restart?, recover_s })
        }
        "soft_pedal" => {
            let surge = keys.need(reading, "surge", "300 W for 10 s").and_then(|n| hold(reading, n));
            let soft = keys.need(reading, "soft", "30..90 W for 15..25 s").and_then(|n| hold(reading, n));
            let recover_s = keys.take("recover").and_then(|n| times(reading, n, Range::at_least));
            Some(Drill::SoftPedal { surge: surge?, soft: soft?, recover_s })
        }
        "ramp" => ramp(reading, keys, threshold_w),
        "static_load" => static_load(reading, keys),
        _ => Some(Drill::ZeroCheck),
    }
}

fn ramp(reading: &mut SourceFiles, keys: &mut MapKeys, threshold_w: Option<f64>) -> Option<Drill> {
    let steps_w = keys.need(reading, "steps", "[50 W, 100 W, 200 W, 400 W]").and_then(|n| {
        let items = reading.list(n, "powers")?;
        let mut steps_w = vec![];
        for item in items {
            match target(reading, item, threshold_w) {
                Some(Target::Value(power_w)) => steps_w.push(power_w),
                Some(Target::Within(_)) => reading.report(item.at, "a step is one power, not a range", None),
                None => {}
            }
        }
        if items.len() < 3 {
            reading.report(n.at, "a ramp needs three steps or more, two always lie on a line", None);
        }
        (steps_w.len() == items.len()).then_some(steps_w)
    });
    let each_s = keys.need(reading, "each", "60 s").and_then(|n| duration(reading, n));
    let settle_node = keys.take("settle");
    let settle_s = settle_node.map_or(Some(0.0), |n| duration(reading, n));
    let (steps_w, each_s, settle_s) = (steps_w?, each_s?, settle_s?);
    if let (true, Some(n)) = (settle_s >= each_s, settle_node) {
        let message = format!("nothing is left to score: settling takes {settle_s} s of {each_s} s");
        reading.report(n.at, message, Some("shorten `settle` or lengthen `each`".into()));
    }
    Some(Drill::Ramp { steps_w, each_s, settle_s })
}

fn static_load(reading: &mut SourceFiles, keys: &mut MapKeys) -> Option<Drill> {
    let loads_kg = keys.need(reading, "loads", "[5 kg, 10 kg, 5 kg]").and_then(|n| {
        let items = reading.list(n, "masses")?;
        items.iter().map(|i| reading.words(i, "a mass, as in `10 kg`", |w| w.amount(Unit::Kilogram))).collect()
    });
    let sides = keys.take("sides").map_or(Some(vec![Side::Left, Side::Right]), |n| {
        let items = reading.one_or_list(n, "sides")?;
        items.iter().map(|i| reading.one_of(i, &SIDES)).collect()
    });
    let angles_deg = keys.take("angles").map_or(Some(vec![90.0]), |n| {
        let items = reading.one_or_list(n, "angles")?;
        items
            .iter()
            .map(|i| reading.words(i, "an angle, as in `90 °`", |w| w.quantity(&[Unit::Degree]).map(|q| q.value)))
            .collect()
    });
    Some(Drill::StaticLoad { loads_kg: loads_kg?, sides: sides?, angles_deg: angles_deg? })
}
