//! From a segment to the phase as ridden: edges where the power really rose or fell, and what was asked held
//! against what was done.

use crate::protocol::{DrillMove, Effort, Phase, Target};
use crate::quantity::Range;
use crate::ride::{EdgeKind, Ride, Window};

use super::change::{self, EdgeSearch};
use super::model::{Deviation, Ridden};
use super::segment::Segment;
use super::shape::{DrillShape, HeldMove, SteadyBlock};
use super::signals::Signals;

/// A block counts as ridden in full from this share of what was asked on (a rider stops on the beep, not after it) …
const IN_FULL: f64 = 0.95;
/// … as ridden with a deviation from this share on, and below it as not ridden.
const SHORTENED: f64 = 0.80;
/// Over the few seconds of a surge, a lead-in or a step riders miss a level by twice as much as over a block.
const SHORT_MOVE: f64 = 2.0;
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

/// What a segment is looked at against.
struct SegmentContext<'a> {
    room: (usize, usize),
    signals: &'a Signals,
    ride: &'a Ride,
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
///
/// Nothing of it lies outside of `room`: there other phases were ridden.
pub(super) fn verify(
    phase: &Phase,
    instance: &Segment,
    room: (usize, usize),
    signals: &Signals,
    ride: &Ride,
) -> Result<Ridden, String> {
    let mut deviations = Vec::new();
    let around = SegmentContext { room, signals, ride };
    let asked = phase.drill.moves();
    let bounds = match DrillShape::of(&asked) {
        DrillShape::Block(asked) => block(phase, asked, (instance.from(), instance.to()), &around, &mut deviations)
            .map(|(from, to)| vec![from, to]),
        DrillShape::AllOut { effort_w, sprint: asked } => sprint(effort_w, asked, instance, signals, &mut deviations),
        DrillShape::Stop { lead_in, coast: asked, restart } => {
            coast(phase, (lead_in, asked, restart), &instance.bounds, &around, &mut deviations)
        }
        DrillShape::Drop { from, to } => soft_pedal(phase, from, to, &instance.bounds, &around, &mut deviations),
        DrillShape::Other => {
            steps(phase, &asked, &instance.bounds, signals, &mut deviations);
            Ok(instance.bounds.clone())
        }
    }?;
    let mut ridden = from_bounds(&bounds);
    // Over a coast there is no cadence to keep.
    let coasts = asked.iter().any(|m| m.effort == Effort::Coast);
    let pedalled = ridden.moves.last().copied().filter(|_| !coasts);
    if let Some(window) = pedalled {
        cadence_deviation(phase, window, signals, &mut deviations);
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

/// Trims a block to where its level was held and asks whether that was long enough.
fn block(
    phase: &Phase,
    SteadyBlock { target, lasts_s }: SteadyBlock,
    segment: (usize, usize),
    around: &SegmentContext,
    deviations: &mut Vec<Deviation>,
) -> Result<(usize, usize), String> {
    let &SegmentContext { signals, ride, .. } = around;
    let (from, to) = segment;
    let level_w = signals.median_w(from, to).ok_or("no reference recorded power")?;
    let asked_s = lasts_s.low.unwrap_or(0.0);
    let (from, to) = held(level_w, phase.tolerance, (from, to), signals);
    let total_s = |stops: &[(usize, usize)]| stops.iter().map(|s| s.1 - s.0).sum::<usize>() as f64;
    let stopped = stops(level_w, (from, to), signals);
    let (from, to) = block_edges((from, to), asked_s + total_s(&stopped), &stopped, around);
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
    // Until the rider has changed over, power is still the other level's.
    let (work_w, seconds) = (from + REACH_S..to.saturating_sub(REACH_S))
        .filter(pedalled)
        .filter_map(|k| signals.power_w[k])
        .fold((0.0, 0.0), |(sum, count), p| (sum + p, count + 1.0));
    let slack = (phase.tolerance, phase.tolerance);
    level_deviation("", &target, slack, (seconds > 0.0).then(|| work_w / seconds), deviations);
    Ok((from, to))
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

/// Where the rider began with a block and where they left it, in session seconds. `held` is where its level was held,
/// `asked_s` how long it was to last, stops in it included.
fn block_edges(
    held: (usize, usize),
    asked_s: f64,
    stops: &[(usize, usize)],
    around: &SegmentContext,
) -> (usize, usize) {
    let &SegmentContext { room, signals, ride } = around;
    // How far outside of where its level was held a block may have begun, and how much of the level's ends is
    // left out of its core.
    const OUTSIDE_S: usize = 40;
    const SETTLES_S: usize = 20;
    const CORE_S: usize = 150;
    let (from, to) = held;
    let half = (to - from) / 2;
    let edge = |other: usize, starts: bool| {
        let surplus = from.abs_diff(to).saturating_sub((IN_FULL * asked_s) as usize);
        let inside = (surplus + SETTLES_S).min(half);
        let prior = |k: usize| at_lap(k, signals, ride);
        let length = |k: usize| lasting(k.abs_diff(other) as f64, asked_s);
        let (outer, inner) = if starts {
            (from.saturating_sub(OUTSIDE_S), from + inside)
        } else {
            ((to + OUTSIDE_S).min(signals.len()), to - inside)
        };
        let core = if starts {
            let until = stops.iter().map(|s| s.0.saturating_sub(2)).find(|&stop| stop > inner);
            (inner, until.unwrap_or(to).min(inner + CORE_S))
        } else {
            let since = stops.iter().map(|s| s.1 + REACH_S).rfind(|&stop| stop < inner);
            (since.unwrap_or(from).max(inner.saturating_sub(CORE_S)), inner)
        };
        let held = if starts { from } else { to };
        change::edge(&EdgeSearch { core, outer, inner, prior: &prior, length: &length, held, room }, signals)
    };
    // Each edge has its say in where the other one is, so look from either end.
    let begin_first = edge(to, true);
    let begun = begin_first.map_or(from, |b| b.0);
    let end_first = edge(from, false);
    let ended = end_first.map_or(to, |e| e.0);
    let pairs = [(begin_first, edge(begun, false)), (edge(ended, true), end_first)].map(|(begin, end)| {
        let gain = begin.map_or(0.0, |b| b.1) + end.map_or(0.0, |e| e.1);
        let (begin, end) =
            (begin.map_or_else(|| began(from, signals), |b| b.0), end.map_or_else(|| began(to, signals), |e| e.0));
        (begin, end, gain + lasting(end.saturating_sub(begin) as f64, asked_s))
    });
    let (begin, end, _) = if pairs[0].2 >= pairs[1].2 { pairs[0] } else { pairs[1] };
    if begin < end { (begin, end) } else { (began(from, signals), began(to, signals)) }
}

/// Log likelihood of a length in which a move was ridden: riders stop soon after what was asked, and seldom before.
fn lasting(got_s: f64, asked_s: f64) -> f64 {
    const PER_S: f64 = 0.1;
    const OF_S: f64 = 240.0;
    const MOST: f64 = 8.0;
    // So short is no repeat.
    const NONE: f64 = -1000.0;
    // A rider who counts from the beep, and some.
    let longer_s = got_s - (asked_s + (0.3 * asked_s).min(15.0)).max(1.1 * asked_s);
    let per_s = PER_S * (OF_S / asked_s.max(1.0)).sqrt();
    if got_s < SHORTENED * asked_s {
        return NONE;
    }
    -(per_s * (asked_s - got_s).max(longer_s).max(0.0)).min(MOST)
}

/// Log likelihood of an edge at a second by the laps, marks and changes of gear near it.
fn at_lap(k: usize, signals: &Signals, ride: &Ride) -> f64 {
    // Odds of an edge there against one elsewhere, and how exactly the button is pressed or the gear changed, s.
    const SHIFT: (f64, f64) = (8.0, 1.2);
    let (late_s, lap) = match signals.laps_late_s {
        Some(late_s) => (late_s, (LAP_IN_STEP, 1.2)),
        None => (USUAL_LAP_LATE_S, (LAP_ODDS, 1.2)),
    };
    let near = |off_s: f64, (odds, sd_s): (f64, f64)| (1.0 + odds * (-0.5 * (off_s / sd_s).powi(2)).exp()).ln();
    let off_s = |at_s: f64| (at_s - k as f64).abs();
    let nearest = |off: &mut dyn Iterator<Item = f64>| off.fold(f64::INFINITY, f64::min);
    // A prompt is not late: its clock was set by where riders began.
    let of_laps = ride.edges.iter().filter(|e| !matches!(e.kind, EdgeKind::Cue(_)));
    let prompts = ride.edges.iter().filter(|e| matches!(e.kind, EdgeKind::Cue(_)));
    near(nearest(&mut of_laps.map(|e| off_s(e.at_s - late_s))), lap)
        + near(nearest(&mut prompts.map(|e| off_s(e.at_s))), PROMPT)
        + near(nearest(&mut signals.shifts.iter().map(|&s| off_s(s as f64 - 0.5))), SHIFT)
}

/// Odds of an edge at a lap against one without, and where the session's laps all come so long after clear steps.
const LAP_ODDS: f64 = 20.0;
const LAP_IN_STEP: f64 = 500.0;

/// The same of a prompt, which riders follow within a second or so; they are not as quick each time.
const PROMPT: (f64, f64) = (200.0, 1.5);

/// A lap button is pressed late rather than early.
const USUAL_LAP_LATE_S: f64 = 1.0;

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
    instance: &Segment,
    signals: &Signals,
    deviations: &mut Vec<Deviation>,
) -> Result<Vec<usize>, String> {
    let (from, to) = (instance.from().saturating_sub(REACH_S), (instance.to() + REACH_S).min(signals.len()));
    let (peak_at, peak_w) = signals.best_mean_w(from, to, EFFORT_S).ok_or("no reference recorded power")?;
    if let Some(asked_w) = effort_w.low.filter(|&w| peak_w < w) {
        return Err(format!("an effort of only {peak_w:.0} W (best {EFFORT_S} s mean), at least {asked_w:.0} W asked"));
    }
    if let Some(most_w) = effort_w.high.filter(|&w| peak_w > w) {
        deviations.push(Deviation::broken(format!("effort of {peak_w:.0} W, at most {most_w:.0} W asked")));
    }
    let (from, to) = above(peak_w / 2.0, peak_at + EFFORT_S / 2, reach(asked.lasts_s), signals);
    length(asked.name, asked.lasts_s, to - from, deviations)?;
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

fn coast(
    phase: &Phase,
    (lead_in, asked, restart): (HeldMove, &DrillMove, HeldMove),
    bounds: &[usize],
    around: &SegmentContext,
    deviations: &mut Vec<Deviation>,
) -> Result<Vec<usize>, String> {
    let &SegmentContext { signals, .. } = around;
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
    let from = lead_in_begins(lead_w, phase.tolerance, (from, release), lead_in.lasts_s, around);
    length(asked.name, asked.lasts_s, onset - release, deviations)?;
    length(restart.name, restart.lasts_s, to - onset, deviations)?;
    length(lead_in.name, lead_in.lasts_s, release - from, deviations)?;
    let best_w = signals.best_mean_w(onset, to, EFFORT_S).map(|b| b.1);
    strong_enough(restart, best_w)?;
    held_deviation(lead_in, phase.tolerance, signals.mean_w(from, release), deviations);
    held_deviation(restart, phase.tolerance, best_w, deviations);
    Ok(vec![from, began(release, signals), began(onset, signals), began(to, signals)])
}

fn lead_in_begins(
    lead_w: f64,
    tolerance: f64,
    (from, release): (usize, usize),
    asked: Range,
    around: &SegmentContext,
) -> usize {
    let &SegmentContext { room, signals, ride } = around;
    const OUTSIDE_S: usize = 25;
    let asked_s = asked.low.unwrap_or(0.0);
    let held = held(lead_w, tolerance, (from, release), signals).0;
    let inner = release.saturating_sub((0.6 * asked_s) as usize).max(held.min(release - 1));
    let search = EdgeSearch {
        core: (inner, release.saturating_sub(1).max(inner)),
        outer: held.saturating_sub(OUTSIDE_S),
        inner,
        prior: &|k| at_lap(k, signals, ride),
        length: &|k| lasting(release.abs_diff(k) as f64, asked_s),
        held,
        room,
    };
    change::edge(&search, signals).map_or_else(|| began(held, signals), |edge| edge.0)
}

fn soft_pedal(
    phase: &Phase,
    surge: HeldMove,
    soft: HeldMove,
    bounds: &[usize],
    around: &SegmentContext,
    deviations: &mut Vec<Deviation>,
) -> Result<Vec<usize>, String> {
    let &SegmentContext { signals, .. } = around;
    let [from, release, to] = bounds[..] else { return Err("has not two moves".into()) };
    let release = step_or(release, Step::Down, from + 1, signals).min(to - 1);
    let from = step_or(from, Step::Up, 0, signals).min(release - 1);
    let soft_w = signals.median_w(release, to).ok_or("no reference recorded power while soft-pedalling")?;
    let to = held(soft_w, 1.0, (release, to), signals).1;
    let to = soft_ends(release, to, soft.lasts_s, around);
    length(surge.name, surge.lasts_s, release - from, deviations)?;
    length(soft.name, soft.lasts_s, to - release, deviations)?;
    let surge_w = signals.mean_w(from, release);
    strong_enough(surge, surge_w)?;
    held_deviation(surge, phase.tolerance, surge_w, deviations);
    held_deviation(soft, phase.tolerance, Some(soft_w), deviations);
    Ok(vec![began(from, signals), began(release, signals), to])
}

/// Where the soft level gives way to another.
fn soft_ends(release: usize, to: usize, asked: Range, around: &SegmentContext) -> usize {
    let &SegmentContext { room, signals, ride } = around;
    const BEYOND_S: usize = 12;
    let asked_s = asked.low.unwrap_or(0.0);
    let least_s = (0.8 * asked_s) as usize;
    let settled = (release + REACH_S).min(to - 1);
    let inner = (release + least_s).clamp(settled + 1, to.max(settled + 1));
    let search = EdgeSearch {
        core: (settled, inner),
        outer: to + BEYOND_S,
        inner,
        prior: &|k| at_lap(k, signals, ride),
        length: &|k| lasting(k.saturating_sub(release) as f64, asked_s),
        held: to,
        room,
    };
    change::edge(&search, signals).map_or(to, |edge| edge.0)
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
