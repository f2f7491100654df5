//! From a segment to the phase as ridden: edges where the power really rose or fell, and what was asked held
//! against what was done.

use crate::protocol::{Drill, Hold, Phase, Target};
use crate::quantity::Range;
use crate::ride::{Ride, Window};
use crate::stats::median;

use super::model::Ridden;
use super::segment::Instance;
use super::signals::{Channel, Signals};

/// A block counts as ridden in full from this share of what was asked on (a rider stops on the beep, not after it) …
const IN_FULL: f64 = 0.95;
/// … as ridden with a deviation from this share on, and below it as not ridden.
const SHORTENED: f64 = 0.80;
/// An effort is judged by its best mean over this many seconds.
const EFFORT_S: usize = 3;
/// How far an edge may lie from where the segmentation put it.
const REACH_S: usize = 4;
/// A step of less than this share of a block's level is the rider's wandering.
const CLEAR_STEP: f64 = 0.10;
/// Below this share of the higher level, single seconds do not tell where a step begins …
const UNCLEAR_STEP: f64 = 0.30;
/// … and half of it shows so much later, s. From simulation.
const USUALLY_LATE_S: usize = 2;
/// Seconds for which a rider's own wandering about the target stays alike. Common practice, no source.
const WANDERS_S: f64 = 20.0;
/// A stop shorter than this is a glance at the bottle.
const STOP_S: usize = 5;

/// The segment as it stands, unverified; session seconds.
pub(super) fn as_segmented(phase: &Phase, instance: &Instance, signals: &Signals) -> Ridden {
    let mut ridden = from_bounds(&instance.bounds);
    cadence_deviation(phase, ridden.span, signals, &mut ridden.deviations);
    ridden
}

pub(super) fn from_bounds(bounds: &[usize]) -> Ridden {
    let window = |from: usize, to: usize| Window { start_s: from as f64, end_s: to as f64 };
    Ridden {
        span: window(bounds[0], bounds[bounds.len() - 1]),
        moves: bounds.windows(2).map(|b| window(b[0], b[1])).collect(),
        confidence: 0.0,
        ring: None,
        ring_rests_on: None,
        rests_on: Vec::new(),
        runner_up: None,
        deviations: Vec::new(),
    }
}

/// The phase as ridden, with its edges and deviations; or why it does not count.
pub(super) fn verify(phase: &Phase, instance: &Instance, signals: &Signals, ride: &Ride) -> Result<Ridden, String> {
    let mut deviations = Vec::new();
    let bounds = match &phase.drill {
        Drill::Steady { power_w, lasts_s, .. } => {
            block(phase, power_w, *lasts_s, (instance.from(), instance.to()), signals, ride, &mut deviations)
                .map(|(from, to)| vec![from, to])
        }
        Drill::Sprint { effort_w, lasts_s, .. } => sprint(*effort_w, *lasts_s, instance, signals, &mut deviations),
        Drill::CoastRestart { lead_in, coast_s, restart, .. } => {
            coast(phase, lead_in, *coast_s, restart, &instance.bounds, signals, &mut deviations)
        }
        Drill::SoftPedal { surge, soft, .. } => {
            soft_pedal(phase, surge, soft, &instance.bounds, signals, ride, &mut deviations)
        }
        Drill::Ramp { steps_w, each_s, .. } => {
            for ((step, asked_w), at) in instance.bounds.windows(2).zip(steps_w).zip(1..) {
                let name = format!("step {at}: ");
                level_deviation(
                    &name,
                    &Target::Value(*asked_w),
                    phase.tolerance,
                    signals.mean_w(step[0], step[1]),
                    &mut deviations,
                );
                let got_s = (step[1] - step[0]) as f64;
                if got_s < SHORTENED * each_s {
                    deviations.push(format!("step {at} was held for {got_s:.0} s, {each_s:.0} s asked"));
                }
            }
            Ok(instance.bounds.clone())
        }
        Drill::Free { .. } | Drill::Wait { .. } | Drill::StaticLoad { .. } | Drill::ZeroCheck => {
            Ok(instance.bounds.clone())
        }
    }?;
    let mut ridden = from_bounds(&bounds);
    let pedalled = match &phase.drill {
        Drill::SoftPedal { .. } | Drill::Steady { .. } | Drill::Ramp { .. } => ridden.moves.last().copied(),
        Drill::Sprint { .. } => Some(ridden.span),
        _ => None,
    };
    if let Some(window) = pedalled {
        cadence_deviation(phase, window, signals, &mut deviations);
    }
    ridden.deviations = deviations;
    Ok(ridden)
}

/// `HH:MM:SS UTC` of a grid second.
pub(super) fn clock(ride: &Ride, second: usize) -> String {
    ride.utc(second as f64).format("%H:%M:%S UTC").to_string()
}

/// Trims a block to where its level was held and asks whether that was long enough.
fn block(
    phase: &Phase,
    target: &Target,
    lasts_s: Range,
    segment: (usize, usize),
    signals: &Signals,
    ride: &Ride,
    deviations: &mut Vec<String>,
) -> Result<(usize, usize), String> {
    let (from, to) = segment;
    let level_w = signals.median_w(from, to).ok_or("no reference recorded power")?;
    let asked_s = lasts_s.low.unwrap_or(0.0);
    let (from, to) = held(level_w, phase.tolerance, (from, to), signals);
    let total_s = |stops: &[(usize, usize)]| stops.iter().map(|s| s.1 - s.0).sum::<usize>() as f64;
    let stopped_s = total_s(&stops(level_w, (from, to), signals));
    let (from, to) = without_other_level((from, to), asked_s + stopped_s, signals, ride);
    let stops = stops(level_w, (from, to), signals);
    let held_s = (to - from) as f64 - total_s(&stops);
    // Passing through a level is not holding it. Parts with a stop in them tell nothing of that.
    let pedalled = |k: &usize| !stops.iter().any(|s| (s.0..s.1).contains(k));
    let part_s = WANDERS_S as usize;
    let off = (from..to.saturating_sub(part_s)).step_by(part_s).filter(|&part| {
        let mean_w = signals.mean_w(part, part + part_s).unwrap_or(level_w);
        let off = (mean_w - level_w).abs() > (phase.tolerance * level_w).max(8.0);
        off && (part.saturating_sub(REACH_S)..part + part_s + REACH_S).all(|k| pedalled(&k))
    });
    let kept_s = held_s - (part_s * off.count()) as f64;
    if kept_s < SHORTENED * asked_s {
        return Err(format!("about {level_w:.0} W was held for only {kept_s:.0} s, {asked_s:.0} s asked"));
    }
    if held_s < IN_FULL * asked_s {
        deviations.push(format!("shortened: held for {held_s:.0} s, {asked_s:.0} s asked"));
    }
    if let Some(most_s) = lasts_s.high.filter(|&most_s| held_s > 1.2 * most_s) {
        deviations.push(format!("held for {held_s:.0} s, at most {most_s:.0} s asked"));
    }
    for (stop, until) in &stops {
        deviations.push(format!("the rider stopped for {} s at {}", until - stop, clock(ride, *stop)));
    }
    let (work_w, seconds) = (from..to)
        .filter(pedalled)
        .filter_map(|k| signals.power_w[k])
        .fold((0.0, 0.0), |(sum, count), p| (sum + p, count + 1.0));
    level_deviation("", target, phase.tolerance, (seconds > 0.0).then(|| work_w / seconds), deviations);
    Ok((began(from, signals), began(to, signals)))
}

/// First and last second (exclusive) within the tolerance of the segment's own level, or the steps beside them.
fn held(level_w: f64, tolerance: f64, segment: (usize, usize), signals: &Signals) -> (usize, usize) {
    let inside = |&k: &usize| signals.power_w[k].is_some_and(|p| (p - level_w).abs() <= (tolerance * level_w).max(8.0));
    let (from, to) = segment;
    let first = (from..to).find(inside).unwrap_or(from);
    let last = (first..to).rev().find(inside).map_or(to, |k| k + 1);
    // Power takes a second or two to enter the tolerance; where one level gives way to another, the step is the edge.
    let other_level =
        |from: usize, to: usize| signals.mean_w(from, to).is_some_and(|w| (w - level_w).abs() > CLEAR_STEP * level_w);
    let stepped = |at: usize, outside: bool| if outside { step_or(at, Step::Either, 0, signals) } else { at };
    let before = other_level(first.saturating_sub(2 * REACH_S), first.saturating_sub(1));
    let after = other_level(last + 1, last + 2 * REACH_S);
    let (begin, end) = (stepped(first, before), stepped(last, after));
    if begin < end { (begin, end) } else { (first, last) }
}

/// Cuts off a recovery or warm-up that lay within the block's tolerance: where a block is longer than asked, its
/// surplus at either end goes if its power and cadence differ from the rest by more than chance.
fn without_other_level(segment: (usize, usize), asked_s: f64, signals: &Signals, ride: &Ride) -> (usize, usize) {
    let (mut from, mut to) = segment;
    let asked = (IN_FULL * asked_s) as usize;
    if to - from <= asked {
        return segment;
    }
    if let Some(cut) = level_change(from, to - asked, to, signals, ride) {
        from = cut;
    }
    if let Some(cut) = level_change(to, (from + asked).min(to), from, signals, ride) {
        to = cut;
    }
    (from, to)
}

/// Where between the outer end of a block and its core power and cadence change most clearly, if they do; the core
/// reaches to `inner`. Near a lap a quarter of the evidence is enough.
fn level_change(outer: usize, core: usize, inner: usize, signals: &Signals, ride: &Ride) -> Option<usize> {
    // A shorter or smaller change than this is a rider settling.
    const LEAST_S: usize = 5;
    const LEAST_SHIFT: f64 = 0.06;
    // In squared standard deviations of both signals together; the best of many cuts is looked at. Less where what
    // would be cut off is more like what lies beyond it than like the block.
    const BEYOND_CHANCE: f64 = 16.0;
    const BEYOND_DOUBT: f64 = 60.0;
    // The lap button is pressed late rather than early.
    let at_lap = |k: usize| ride.edges.iter().any(|e| (-1.5..=4.5).contains(&(e.at_s - k as f64)));
    let beyond = if outer < inner {
        (outer.saturating_sub(3 * REACH_S), outer.saturating_sub(2))
    } else {
        (outer + 2, outer + 3 * REACH_S)
    };
    let wanders = Channel::BOTH.map(|channel| wander(channel, (core.min(inner), core.max(inner)), signals));
    let evidence = |k: usize| {
        let mean = |channel, a: usize, b: usize| signals.mean(channel, a.min(b), a.max(b));
        let (outside, inside) = (outer.abs_diff(k) as f64, k.abs_diff(inner) as f64);
        let mut clear = false;
        let (mut sum, mut to_inside, mut to_beyond) = (0.0, 0.0, 0.0);
        for (channel, wander) in Channel::BOTH.into_iter().zip(&wanders) {
            let (Some(wander), Some(outside_mean), Some(inside_mean)) =
                (wander, mean(channel, outer, k), mean(channel, k, inner))
            else {
                continue;
            };
            let shift = outside_mean - inside_mean;
            clear |= shift.abs() > LEAST_SHIFT * inside_mean;
            sum += outside * inside / (outside + inside) * (shift / wander).powi(2);
            let beyond_mean = mean(channel, beyond.0, beyond.1).unwrap_or(0.0);
            to_inside += (shift / wander).powi(2);
            to_beyond += ((outside_mean - beyond_mean) / wander).powi(2);
        }
        let asked = if to_beyond < to_inside { BEYOND_CHANCE } else { BEYOND_DOUBT };
        clear.then_some((k, sum / asked))
    };
    let cuts = || (outer.min(core)..=outer.max(core)).filter(|k| outer.abs_diff(*k) >= LEAST_S);
    let clearest = |cuts: Vec<usize>, least: f64| {
        let best = cuts.into_iter().filter_map(evidence).max_by(|a, b| a.1.total_cmp(&b.1).then(b.0.cmp(&a.0)));
        best.filter(|best| best.1 > least).map(|best| best.0)
    };
    clearest(cuts().collect(), 1.0).or_else(|| clearest(cuts().filter(|&k| at_lap(k)).collect(), 0.25))
}

/// How much means over a stretch of a block differ by the rider's own wandering: the standard deviation of a mean
/// over so many seconds, times their root. From means over [`WANDERS_S`], robustly; `None` where there are too few.
fn wander(channel: Channel, core: (usize, usize), signals: &Signals) -> Option<f64> {
    // Of the level: what even the steadiest rider differs by over so long.
    const LEAST: f64 = 0.01;
    let parts = ((core.1 - core.0) as f64 / WANDERS_S) as usize;
    let bounds = |n: usize| core.0 + n * (core.1 - core.0) / parts;
    let means = (0..parts).filter_map(|n| signals.mean(channel, bounds(n), bounds(n + 1)));
    let means: Vec<f64> = means.filter(|mean| *mean > 0.0).collect();
    let level = median(&means).filter(|_| means.len() >= 4)?;
    let off: Vec<f64> = means.iter().map(|mean| (mean - level).abs()).collect();
    // 1.48 median deviations are a standard deviation of normal values.
    Some((1.48 * median(&off)?).max(LEAST * level) * WANDERS_S.sqrt())
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
    lasts_s: Range,
    instance: &Instance,
    signals: &Signals,
    deviations: &mut Vec<String>,
) -> Result<Vec<usize>, String> {
    let (from, to) = (instance.from().saturating_sub(REACH_S), (instance.to() + REACH_S).min(signals.len()));
    let (peak_at, peak_w) = signals.best_mean_w(from, to, EFFORT_S).ok_or("no reference recorded power")?;
    if let Some(asked_w) = effort_w.low.filter(|&w| peak_w < w) {
        return Err(format!("an effort of only {peak_w:.0} W (best {EFFORT_S} s mean), at least {asked_w:.0} W asked"));
    }
    if let Some(most_w) = effort_w.high.filter(|&w| peak_w > w) {
        deviations.push(format!("effort of {peak_w:.0} W, at most {most_w:.0} W asked"));
    }
    let (from, to) = above(peak_w / 2.0, peak_at + EFFORT_S / 2, reach(lasts_s), signals);
    length("sprint", lasts_s, to - from, deviations)?;
    Ok(vec![began(from, signals), began(to, signals)])
}

/// How far a walk from the middle of a short move may go: twice what was asked, and some.
fn reach(lasts_s: Range) -> usize {
    (2.0 * lasts_s.high.or(lasts_s.low).unwrap_or(30.0)) as usize + REACH_S
}

/// The run of seconds around `at` with power of at least `least_w`, a single lower or missing second bridged.
fn above(least_w: f64, at: usize, reach: usize, signals: &Signals) -> (usize, usize) {
    let inside = |k: usize| signals.power_w.get(k).copied().flatten().is_some_and(|p| p >= least_w);
    let (mut from, mut to) = (at, (at + 1).min(signals.len()));
    while from > at.saturating_sub(reach) && (inside(from - 1) || (from > 1 && inside(from - 2))) {
        from -= 1;
    }
    while to < (at + reach).min(signals.len()) && (inside(to) || inside(to + 1)) {
        to += 1;
    }
    (from, to)
}

/// A deviation where a short move's length is off by more than a fifth or a second; an error below half of it.
fn length(name: &str, asked: Range, got: usize, deviations: &mut Vec<String>) -> Result<(), String> {
    let got_s = got as f64;
    let slack = |s: f64| (0.2 * s).max(1.0);
    if let Some(low) = asked.low.filter(|low| got_s < low - slack(*low)) {
        if got_s < low / 2.0 {
            return Err(format!("the {name} lasted only {got_s:.0} s, {low:.0} s asked"));
        }
        deviations.push(format!("{name} of {got_s:.0} s, at least {low:.0} s asked"));
    }
    if let Some(high) = asked.high.filter(|high| got_s > high + slack(*high)) {
        deviations.push(format!("{name} of {got_s:.0} s, at most {high:.0} s asked"));
    }
    Ok(())
}

fn coast(
    phase: &Phase,
    lead_in: &Hold,
    coast_s: Range,
    restart: &Hold,
    bounds: &[usize],
    signals: &Signals,
    deviations: &mut Vec<String>,
) -> Result<Vec<usize>, String> {
    let [from, release, onset, to] = bounds[..] else { return Err("has not three moves".into()) };
    let lead_w = signals.median_w(from, release).ok_or("no reference recorded power before the coast")?;
    let restart_w = signals.median_w(onset, to).ok_or("no reference recorded power at the restart")?;
    // Half of each step, walked to from the middle of the coast, so that one stray second does not end it.
    let below = |k: usize, level_w: f64| signals.power_w[k].is_none_or(|p| p < level_w / 2.0);
    let middle = (release + onset) / 2;
    if !below(middle, lead_w.min(restart_w)) {
        return Err("power was not let go of".into());
    }
    let release = (from + 1..=middle).rev().find(|&k| !below(k - 1, lead_w)).unwrap_or(release.min(middle));
    let onset = (middle + 1..to).find(|&k| !below(k, restart_w)).unwrap_or(onset.max(middle + 1));
    let to = step_or(to, Step::Down, onset + 1, signals);
    let from = held(lead_w, phase.tolerance, (from, release), signals).0;
    length("coast", coast_s, onset - release, deviations)?;
    length("restart", restart.for_s, to - onset, deviations)?;
    length("lead-in", lead_in.for_s, release - from, deviations)?;
    let best_w = signals.best_mean_w(onset, to, EFFORT_S).map(|b| b.1);
    strong_enough("restart", restart, best_w)?;
    level_deviation("lead-in: ", &lead_in.power_w, phase.tolerance, signals.mean_w(from, release), deviations);
    level_deviation("restart: ", &restart.power_w, phase.tolerance, best_w, deviations);
    Ok(vec![began(from, signals), began(release, signals), began(onset, signals), began(to, signals)])
}

fn soft_pedal(
    phase: &Phase,
    surge: &Hold,
    soft: &Hold,
    bounds: &[usize],
    signals: &Signals,
    ride: &Ride,
    deviations: &mut Vec<String>,
) -> Result<Vec<usize>, String> {
    let [from, release, to] = bounds[..] else { return Err("has not two moves".into()) };
    let release = step_or(release, Step::Down, from + 1, signals).min(to - 1);
    let from = step_or(from, Step::Up, 0, signals).min(release - 1);
    let soft_w = signals.median_w(release, to).ok_or("no reference recorded power while soft-pedalling")?;
    let to = held(soft_w, 1.0, (release, to), signals).1;
    let to = soft_ends(release, to, soft_w, soft.for_s, signals, ride);
    length("surge", surge.for_s, release - from, deviations)?;
    length("soft pedalling", soft.for_s, to - release, deviations)?;
    let surge_w = signals.mean_w(from, release);
    strong_enough("surge", surge, surge_w)?;
    level_deviation("surge: ", &surge.power_w, phase.tolerance, surge_w, deviations);
    level_deviation("soft pedalling: ", &soft.power_w, phase.tolerance, Some(soft_w), deviations);
    Ok(vec![began(from, signals), began(release, signals), to])
}

/// Where the soft level gives way to another; where soft pedalling runs into a recovery at much the same power, a lap
/// tells.
fn soft_ends(release: usize, to: usize, soft_w: f64, asked: Range, signals: &Signals, ride: &Ride) -> usize {
    const LEAST_SHIFT: f64 = 0.2;
    const BEYOND_S: usize = 2 * REACH_S;
    let settled = release + REACH_S;
    let least_to = (release as f64 + asked.low.unwrap_or(0.0)).min(to as f64);
    let until = (to + BEYOND_S).min(signals.len());
    let shift = |k: usize| {
        let (inside_w, outside_w) = (signals.mean_w(settled, k)?, signals.mean_w(k, until)?);
        let (inside, outside) = ((k - settled) as f64, (until - k) as f64);
        Some((k, outside_w - inside_w, inside * outside / (inside + outside) * (outside_w - inside_w).powi(2)))
    };
    let cuts = ((least_to - 0.2 * asked.low.unwrap_or(0.0)) as usize).max(settled + 3).max(release + 1)
        ..=(until.saturating_sub(3));
    let clearest = cuts.filter_map(shift).max_by(|a, b| a.2.total_cmp(&b.2).then(b.0.cmp(&a.0)));
    if let Some((cut, ..)) = clearest.filter(|(_, shift_w, _)| shift_w.abs() > (LEAST_SHIFT * soft_w).max(8.0)) {
        return began(cut, signals);
    }
    let lap = ride.edges.iter().map(|e| e.at_s).find(|&t| t > least_to - 1.0 && t <= (to + REACH_S) as f64);
    lap.map_or(to, |t| (t.round() as usize).min(signals.len()))
}

/// A short hard move at less than 70 % of what was asked is another move.
fn strong_enough(name: &str, hold: &Hold, got_w: Option<f64>) -> Result<(), String> {
    let asked_w = match hold.power_w {
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

#[derive(Clone, Copy)]
enum Step {
    Up,
    Down,
    Either,
}

/// The second near `at`, not before `least`, at which power steps most, by means over three seconds; and by how
/// many watts.
fn step_near(at: usize, step: Step, least: usize, signals: &Signals) -> Option<(usize, f64)> {
    let step_w = |k: usize| {
        let up_w = signals.mean_w(k, k + 3)? - signals.mean_w(k.saturating_sub(3), k)?;
        Some(match step {
            Step::Up => up_w,
            Step::Down => -up_w,
            Step::Either => up_w.abs(),
        })
    };
    (at.saturating_sub(REACH_S).max(least)..=(at + REACH_S).min(signals.len()))
        .filter_map(|k| Some((k, step_w(k)?)))
        .max_by(|a, b| a.1.total_cmp(&b.1).then(b.0.cmp(&a.0)))
}

fn step_or(at: usize, step: Step, least: usize, signals: &Signals) -> usize {
    step_near(at, step, least, signals).map_or(at, |s| s.0)
}

/// The last second before a step that is still on the old level: there the rider began to change.
///
/// Readings follow: a crank tells of a turn after it, a head unit of a second after it, and legs take a second or two,
/// so that half of a step shows about two seconds after it was begun.
fn began(step: usize, signals: &Signals) -> usize {
    // Of the step; less is a level's own unsteadiness.
    const LEFT: f64 = 0.25;
    let old_w = signals.mean_w(step.saturating_sub(REACH_S + 3), step.saturating_sub(3));
    let new_w = signals.mean_w(step + 1, step + REACH_S);
    let Some((old_w, new_w)) = old_w.zip(new_w) else { return step };
    if (new_w - old_w).abs() < UNCLEAR_STEP * old_w.max(new_w) {
        return step.saturating_sub(USUALLY_LATE_S);
    }
    let left = |k: usize| signals.power_w[k].is_some_and(|p| (p - old_w) / (new_w - old_w) > LEFT);
    let earliest = step.saturating_sub(3);
    let first_left = (earliest..step).rev().find(|&k| !left(k)).map_or(earliest, |k| k + 1);
    first_left.saturating_sub(1)
}

/// Says so where a mean misses its target by more than half of the tolerance, or leaves its range.
fn level_deviation(name: &str, target: &Target, tolerance: f64, got_w: Option<f64>, deviations: &mut Vec<String>) {
    let Some(got_w) = got_w else { return };
    match target {
        Target::Value(asked_w) if (got_w - asked_w).abs() > tolerance / 2.0 * asked_w => {
            let off_pct = (got_w / asked_w - 1.0) * 100.0;
            deviations.push(format!("{name}{got_w:.0} W, {off_pct:+.0} % off the {asked_w:.0} W asked"));
        }
        Target::Within(range) if !range.contains(got_w) => {
            deviations.push(format!("{name}{got_w:.0} W, {} asked", range_words(*range, "W")));
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
fn cadence_deviation(phase: &Phase, window: Window, signals: &Signals, deviations: &mut Vec<String>) {
    let Some(range) = phase.cadence_rpm else { return };
    let wide = Range { low: range.low.map(|l| l - 2.0), high: range.high.map(|h| h + 2.0) };
    let cadences: Vec<f64> = window.seconds().filter_map(|k| signals.cadence_rpm.get(k).copied().flatten()).collect();
    if cadences.iter().filter(|&&c| !wide.contains(c)).count() * 2 > cadences.len() {
        let mean = cadences.iter().sum::<f64>() / cadences.len() as f64;
        deviations.push(format!("cadence {mean:.0} rpm for most of it, {} asked", range_words(range, "rpm")));
    }
}
