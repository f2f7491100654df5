//! What was asked held against what was done: why a stretch does not count, and where it left the plan.

use super::model::{Deviation, Ridden};
use super::shape::{DrillShape, HeldMove, SteadyBlock};
use super::signals::Signals;
use crate::protocol::{DrillMove, Effort, Phase, Target};
use crate::quantity::Range;
use crate::ride::{Ride, Window};

/// A block counts as ridden in full from this share of what was asked on (a rider stops on the beep, not after it) …
const IN_FULL: f64 = 0.95;
/// … as ridden with a deviation from this share on, and below it as not ridden. Common practice, no source.
const SHORTENED: f64 = 0.80;
/// Over the few seconds of a surge, a lead-in or a step riders miss a level by twice as much as over a block.
const SHORT_MOVE: f64 = 2.0;
/// An effort is judged by its best mean over this many seconds.
const EFFORT_S: usize = 3;
/// Until the rider has changed over, power is still the other level's, s.
const CHANGES_OVER_S: usize = 4;
/// A stop shorter than this is a glance at the bottle.
const STOP_S: usize = 5;

/// The moves between some bounds, as ridden; nothing is said of them yet.
pub(super) fn from_bounds(bounds: &[usize]) -> Ridden {
    let window = |from: usize, to: usize| Window { start_s: from as f64, end_s: to as f64 };
    Ridden {
        span: window(bounds[0], bounds[bounds.len() - 1]),
        moves: bounds.windows(2).map(|b| window(b[0], b[1])).collect(),
        confidence: 0.0,
        edges: vec![],
        ring: None,
        ring_confidence: 0.0,
        ring_rests_on: None,
        rests_on: vec![],
        runner_up: None,
        deviations: vec![],
    }
}

/// The phase as ridden between these bounds, with its deviations; or why it does not count.
pub(super) fn verify(phase: &Phase, bounds: &[usize], signals: &Signals, ride: &Ride) -> Result<Ridden, String> {
    let mut deviations = vec![];
    let asked = phase.drill.moves();
    match DrillShape::of(&asked) {
        DrillShape::Block(asked) => block(phase, asked, (bounds[0], bounds[1]), (signals, ride), &mut deviations),
        DrillShape::AllOut { effort_w, sprint: asked } => {
            sprint(effort_w, asked, (bounds[0], bounds[1]), signals, &mut deviations)
        }
        DrillShape::Stop { lead_in, coast: asked, restart } => {
            stop(phase, (lead_in, asked, restart), bounds, signals, &mut deviations)
        }
        DrillShape::Drop { from, to } => drop(phase, (from, to), bounds, signals, &mut deviations),
        DrillShape::Other => {
            steps(phase, &asked, bounds, signals, &mut deviations);
            Ok(())
        }
    }?;
    let mut ridden = from_bounds(bounds);
    // Over a coast there is no cadence to keep.
    let coasts = asked.iter().any(|m| m.effort == Effort::Coast);
    if let Some(window) = ridden.moves.last().filter(|_| !coasts) {
        cadence_deviation(phase, *window, signals, &mut deviations);
    }
    ridden.deviations = deviations;
    Ok(ridden)
}

/// What was asked of each step of a ramp against how it was ridden.
fn steps(phase: &Phase, asked: &[DrillMove], bounds: &[usize], signals: &Signals, deviations: &mut Vec<Deviation>) {
    for ((step, asked), at) in bounds.windows(2).zip(asked).zip(1..) {
        let (Effort::Steady(target), Some(asked_s)) = (asked.effort, asked.lasts_s.low) else { continue };
        let name = format!("{} {at}", asked.name);
        let slack = (phase.tolerance, SHORT_MOVE * phase.tolerance);
        level_deviation(&format!("{name}: "), &target, slack, signals.mean_w(step[0], step[1]), deviations);
        let got_s = (step[1] - step[0]) as f64;
        if got_s < SHORTENED * asked_s {
            deviations.push(Deviation::broken(format!("{name} was held for {got_s:.0} s, {asked_s:.0} s asked")));
        }
    }
}

/// `HH:MM:SS UTC` of a grid second.
pub(super) fn clock(ride: &Ride, second: usize) -> String {
    ride.utc(second as f64).format("%H:%M:%S UTC").to_string()
}

/// Whether a block's level was held for long enough, and where.
fn block(
    phase: &Phase,
    SteadyBlock { target, lasts_s }: SteadyBlock,
    (from, to): (usize, usize),
    (signals, ride): (&Signals, &Ride),
    deviations: &mut Vec<Deviation>,
) -> Result<(), String> {
    let level_w = signals.median_w(from, to).ok_or("no reference recorded power")?;
    let asked_s = lasts_s.low.unwrap_or(0.0);
    let stops = stops(level_w, (from, to), signals);
    let held_s = (to - from) as f64 - stops.iter().map(|s| s.1 - s.0).sum::<usize>() as f64;
    if held_s < SHORTENED * asked_s {
        return Err(format!("about {level_w:.0} W was held for only {held_s:.0} s, {asked_s:.0} s asked"));
    }
    if held_s < IN_FULL * asked_s {
        // Below SHORTENED it is not ridden; above, edges are not known well enough to hold it against anybody.
        deviations.push(Deviation::told(format!("shortened: held for {held_s:.0} s, {asked_s:.0} s asked")));
    }
    if let Some(most_s) = lasts_s.high.filter(|&most_s| held_s > 1.2 * most_s) {
        deviations.push(Deviation::told(format!("held for {held_s:.0} s, at most {most_s:.0} s asked")));
    }
    for (stop, until) in &stops {
        let says = format!("the rider stopped for {} s at {}", until - stop, clock(ride, *stop));
        deviations.push(Deviation::told(says));
    }
    let pedalled = |k: &usize| !stops.iter().any(|s| (s.0..s.1).contains(k));
    let (work_w, seconds) = (from + CHANGES_OVER_S..to.saturating_sub(CHANGES_OVER_S))
        .filter(pedalled)
        .filter_map(|k| signals.power_w[k])
        .fold((0.0, 0.0), |(sum, count), p| (sum + p, count + 1.0));
    let slack = (phase.tolerance, phase.tolerance);
    level_deviation("", &target, slack, (seconds > 0.0).then(|| work_w / seconds), deviations);
    Ok(())
}

/// Runs of [`STOP_S`] or more in which power fell below half of the level; missing seconds do not count.
fn stops(level_w: f64, segment: (usize, usize), signals: &Signals) -> Vec<(usize, usize)> {
    let mut stops: Vec<(usize, usize)> = Vec::new();
    for k in (segment.0..segment.1).filter(|&k| signals.power_w[k].is_some_and(|p| p < level_w / 2.0)) {
        match stops.last_mut() {
            Some(stop) if stop.1 == k => stop.1 = k + 1,
            _ => stops.push((k, k + 1)),
        }
    }
    stops.retain(|s| s.1 - s.0 >= STOP_S);
    stops
}

fn sprint(
    effort_w: Range,
    asked: &DrillMove,
    (from, to): (usize, usize),
    signals: &Signals,
    deviations: &mut Vec<Deviation>,
) -> Result<(), String> {
    let (_, peak_w) = signals.best_mean_w(from, to + EFFORT_S, EFFORT_S).ok_or("no reference recorded power")?;
    if let Some(asked_w) = effort_w.low.filter(|&w| peak_w < w) {
        return Err(format!("an effort of only {peak_w:.0} W (best {EFFORT_S} s mean), at least {asked_w:.0} W asked"));
    }
    if let Some(most_w) = effort_w.high.filter(|&w| peak_w > w) {
        deviations.push(Deviation::broken(format!("effort of {peak_w:.0} W, at most {most_w:.0} W asked")));
    }
    length(asked.name, asked.lasts_s, to - from, deviations)
}

/// A deviation where a short move's length is off by more than a fifth or a second; an error below half of it. Between the two
/// it is as asked: its edges are known to a second or two each.
fn length(name: &str, asked: Range, got: usize, deviations: &mut Vec<Deviation>) -> Result<(), String> {
    let got_s = got as f64;
    let slack = |s: f64| (0.2 * s).max(1.0);
    if let Some(low) = asked.low.filter(|low| got_s < low - slack(*low)) {
        if got_s < low / 2.0 {
            return Err(format!("the {name} lasted only {got_s:.0} s, {low:.0} s asked"));
        }
        deviations.push(Deviation::told(format!("{name} of {got_s:.0} s, at least {low:.0} s asked")));
    }
    if let Some(high) = asked.high.filter(|high| got_s > high + slack(*high)) {
        deviations.push(Deviation::told(format!("{name} of {got_s:.0} s, at most {high:.0} s asked")));
    }
    Ok(())
}

fn stop(
    phase: &Phase,
    (lead_in, asked, restart): (HeldMove, &DrillMove, HeldMove),
    bounds: &[usize],
    signals: &Signals,
    deviations: &mut Vec<Deviation>,
) -> Result<(), String> {
    let [from, release, onset, to] = bounds[..] else { return Err("has not three moves".into()) };
    let lead_w = signals.median_w(from, release).ok_or("no reference recorded power before the coast")?;
    let restart_w = signals.median_w(onset, to).ok_or("no reference recorded power at the restart")?;
    let middle_w = signals.power_w[(release + onset) / 2];
    if middle_w.is_some_and(|middle_w| middle_w >= lead_w.min(restart_w) / 2.0) {
        return Err("power was not let go of".into());
    }
    length(asked.name, asked.lasts_s, onset - release, deviations)?;
    length(restart.name, restart.lasts_s, to - onset, deviations)?;
    length(lead_in.name, lead_in.lasts_s, release - from, deviations)?;
    let best_w = signals.best_mean_w(onset, to + EFFORT_S, EFFORT_S).map(|b| b.1);
    strong_enough(restart, best_w)?;
    held_deviation(lead_in, phase.tolerance, signals.mean_w(from + 1, release), deviations);
    held_deviation(restart, phase.tolerance, best_w, deviations);
    Ok(())
}

fn drop(
    phase: &Phase,
    (surge, soft): (HeldMove, HeldMove),
    bounds: &[usize],
    signals: &Signals,
    deviations: &mut Vec<Deviation>,
) -> Result<(), String> {
    let [from, release, to] = bounds[..] else { return Err("has not two moves".into()) };
    let soft_w = signals.median_w(release, to).ok_or("no reference recorded power while soft-pedalling")?;
    length(surge.name, surge.lasts_s, release - from, deviations)?;
    length(soft.name, soft.lasts_s, to - release, deviations)?;
    // Legs take a second or two to follow at either end.
    let surge_w = signals.mean_w(from + 2, release + 1);
    strong_enough(surge, surge_w)?;
    held_deviation(surge, phase.tolerance, surge_w, deviations);
    held_deviation(soft, phase.tolerance, Some(soft_w), deviations);
    Ok(())
}

/// A short hard move at less than 70 % of what was asked is another move.
fn strong_enough(asked: HeldMove, got_w: Option<f64>) -> Result<(), String> {
    let name = asked.name;
    let asked_w = match asked.power_w {
        Target::Value(w) => Some(w),
        Target::Within(range) => range.low,
    };
    match (asked_w, got_w) {
        (Some(asked_w), Some(got_w)) if got_w < 0.7 * asked_w => {
            Err(format!("the {name} reached only {got_w:.0} W, {asked_w:.0} W asked"))
        }
        _ => Ok(()),
    }
}

fn held_deviation(asked: HeldMove, tolerance: f64, got_w: Option<f64>, deviations: &mut Vec<Deviation>) {
    let slack = (tolerance, SHORT_MOVE * tolerance);
    level_deviation(&format!("{}: ", asked.name), &asked.power_w, slack, got_w, deviations);
}

/// Says so where a mean misses its target by more than half of the tolerance, or leaves its range. Off by more than `slack`, a
/// share of the target or of the range's end, it was not ridden as asked.
fn level_deviation(
    name: &str,
    target: &Target,
    (tolerance, slack): (f64, f64),
    got_w: Option<f64>,
    deviations: &mut Vec<Deviation>,
) {
    let Some(got_w) = got_w else { return };
    match target {
        Target::Value(asked_w) if (got_w - asked_w).abs() > tolerance / 2.0 * asked_w => {
            let off_pct = (got_w / asked_w - 1.0) * 100.0;
            let says = format!("{name}{got_w:.0} W, {off_pct:+.0} % off the {asked_w:.0} W asked");
            deviations.push(Deviation { breaks: (got_w - asked_w).abs() > slack * asked_w, says });
        }
        Target::Within(range) if !range.contains(got_w) => {
            let wide = Range { low: range.low.map(|w| w * (1.0 - slack)), high: range.high.map(|w| w * (1.0 + slack)) };
            let says = format!("{name}{got_w:.0} W, {} asked", range_words(*range, "W"));
            deviations.push(Deviation { breaks: !wide.contains(got_w), says });
        }
        _ => {}
    }
}

pub(super) fn range_words(range: Range, unit: &str) -> String {
    match (range.low, range.high) {
        (Some(low), Some(high)) => format!("{low}..{high} {unit}"),
        (Some(low), None) => format!("at least {low} {unit}"),
        (None, Some(high)) => format!("at most {high} {unit}"),
        (None, None) => format!("any {unit}"),
    }
}

/// Says so where cadence was outside its range for most of the window; two turns a minute are forgiven.
fn cadence_deviation(phase: &Phase, window: Window, signals: &Signals, deviations: &mut Vec<Deviation>) {
    let Some(range) = phase.cadence_rpm else { return };
    let wide = Range { low: range.low.map(|l| l - 2.0), high: range.high.map(|h| h + 2.0) };
    let cadences: Vec<f64> = window.seconds().filter_map(|k| signals.cadence_rpm.get(k).copied().flatten()).collect();
    if cadences.iter().filter(|&&c| !wide.contains(c)).count() * 2 > cadences.len() {
        let mean = cadences.iter().sum::<f64>() / cadences.len() as f64;
        let says = format!("cadence {mean:.0} rpm for most of it, {} asked", range_words(range, "rpm"));
        deviations.push(Deviation::told(says));
    }
}
