//! From what truly happens to what an instrument sends: crank meters once a turn, a hub four times a second.

use crate::protocol::{Ring, Side};

use super::fault::Fault;
use super::noise::{Noise, Wander};
use super::script::{Act, Stretch};
use super::signal::{STEP_S, Signal};

/// What an instrument was drawn as; the same for a whole session.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Draw {
    pub gain: f64,
    pub offset_w: f64,
    /// Of one update, relative.
    pub noise: f64,
    /// Place in the turn at which a crank meter reports, in turns.
    pub angle: f64,
    /// Silence after which a crank meter reads zero.
    pub timeout_s: f64,
}

/// One message: from then on this is what the instrument reads.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Reading {
    pub at_s: f64,
    pub left_w: f64,
    pub right_w: f64,
}

/// What one instrument sends, each list in order of time.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Output {
    pub power: Vec<Reading>,
    /// True time and rpm.
    pub cadence: Vec<(f64, f64)>,
    pub sends_balance: bool,
}

/// One turn of the cranks as a crank meter sees it; `rpm` 0 says that it gave up waiting.
#[derive(Debug, Clone, Copy)]
struct Turn {
    from_s: f64,
    at_s: f64,
    left_w: f64,
    right_w: f64,
    rpm: f64,
    /// The first after standing still.
    woke: bool,
}

/// The least part of a turn worth a reading when the cranks start from rest.
const LEAST_FIRST_TURN: f64 = 0.35;

fn turns(signal: &Signal, draw: &Draw) -> Vec<Turn> {
    let mut found = vec![];
    let mut still = true;
    // Where the present turn began: time, turns, work of each side.
    let mut from = (0.0, 0.0, (0.0, 0.0));
    for i in 1..signal.len() {
        let t_s = i as f64 * STEP_S;
        let (before, after) = (signal.turns[i - 1], signal.turns[i]);
        if after == before {
            if !still && t_s - from.0 > draw.timeout_s {
                let at_s = from.0 + draw.timeout_s;
                found.push(Turn { from_s: from.0, at_s, left_w: 0.0, right_w: 0.0, rpm: 0.0, woke: false });
                still = true;
            }
            continue;
        }
        let woke = still;
        if still {
            from = (t_s - STEP_S, before, signal.work_until_j(t_s - STEP_S));
            still = false;
        }
        let mark = (after - draw.angle).floor() + draw.angle;
        if mark <= before || mark > after {
            continue;
        }
        if mark - from.1 < LEAST_FIRST_TURN {
            continue;
        }
        let at_s = t_s - STEP_S + (mark - before) / (after - before) * STEP_S;
        let work = signal.work_until_j(at_s);
        let lasts_s = at_s - from.0;
        let first = woke || found.last().is_none_or(|turn: &Turn| turn.rpm == 0.0);
        found.push(Turn {
            from_s: from.0,
            at_s,
            left_w: (work.0 - from.2.0) / lasts_s,
            right_w: (work.1 - from.2.1) / lasts_s,
            rpm: 60.0 * (mark - from.1) / lasts_s,
            woke: first,
        });
        from = (at_s, mark, work);
    }
    found
}

/// Noise of the balance that an instrument reports, as a share. Common practice, no source.
const BALANCE_NOISE: f64 = 0.004;

fn add_errors(turns: &mut [Turn], draw: &Draw, noise: &mut Noise) {
    for turn in turns.iter_mut() {
        let (power, balance) = (1.0 + draw.noise * noise.normal(), noise.normal());
        if turn.rpm == 0.0 {
            continue;
        }
        let shift = if draw.noise == 0.0 { 0.0 } else { BALANCE_NOISE * balance * (turn.left_w + turn.right_w) };
        turn.left_w = (turn.left_w + shift) * draw.gain * power + draw.offset_w / 2.0;
        turn.right_w = (turn.right_w - shift) * draw.gain * power + draw.offset_w / 2.0;
    }
}

fn output(turns: &[Turn]) -> Output {
    Output {
        power: turns.iter().map(|t| Reading { at_s: t.at_s, left_w: t.left_w, right_w: t.right_w }).collect(),
        cadence: turns.iter().map(|t| (t.at_s, t.rpm)).collect(),
        sends_balance: true,
    }
}

/// A sound meter ahead of the chain: reads both sides, once a turn.
pub(super) fn crank(signal: &Signal, draw: &Draw, noise: &mut Noise) -> Output {
    let mut turns = turns(signal, draw);
    add_errors(&mut turns, draw, noise);
    output(&turns)
}

/// Where a fault strikes, drawn once per session.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Struck {
    /// Sprints whose side falls short, per fault in the plan's order.
    pub sprints: Vec<Vec<(f64, f64)>>,
    /// Soft pedalling that reads zero, per fault.
    pub soft: Vec<Vec<(f64, f64)>>,
}

fn inside(windows: &[(f64, f64)], t_s: f64) -> bool {
    windows.iter().any(|w| (w.0..w.1).contains(&t_s))
}

/// The unit: a crank meter with the plan's faults.
pub(super) fn unit(
    signal: &Signal,
    stretches: &[Stretch],
    draw: &Draw,
    noise: &mut Noise,
    faults: &[Fault],
    struck: &Struck,
) -> Output {
    let mut turns = turns(signal, draw);
    short_sides(&mut turns, faults, &struck.sprints);
    add_errors(&mut turns, draw, noise);
    for fault in faults {
        misread(&mut turns, stretches, fault);
    }
    for fault in faults {
        mistime(&mut turns, fault);
    }
    for turn in &mut turns {
        turn.left_w = turn.left_w.max(0.0);
        turn.right_w = turn.right_w.max(0.0);
    }
    let mut sent = output(&turns);
    lose_soft(&mut sent, &struck.soft);
    for fault in faults {
        match fault {
            Fault::Late { late_s } => {
                sent.power.iter_mut().for_each(|r| r.at_s += late_s);
                sent.cadence.iter_mut().for_each(|c| c.0 += late_s);
            }
            Fault::LateCadence { late_s } => sent.cadence.iter_mut().for_each(|c| c.0 += late_s),
            Fault::DoubledSide { .. } => sent.sends_balance = false,
            _ => {}
        }
    }
    sent
}

/// Takes what a side lacks before the meter's own gain, so that the size is what the leg truly loses.
fn short_sides(turns: &mut [Turn], faults: &[Fault], struck: &[Vec<(f64, f64)>]) {
    let shorts = faults.iter().filter_map(|f| match f {
        Fault::SideShort { power_w, side, .. } => Some((*power_w, *side)),
        _ => None,
    });
    for ((power_w, side), sprints) in shorts.zip(struck) {
        for turn in turns.iter_mut().filter(|t| t.rpm > 0.0 && inside(sprints, (t.from_s + t.at_s) / 2.0)) {
            match side {
                Side::Left => turn.left_w -= power_w,
                Side::Right => turn.right_w -= power_w,
            }
        }
    }
}

/// Faults of the value.
fn misread(turns: &mut [Turn], stretches: &[Stretch], fault: &Fault) {
    let mut add = |by: &dyn Fn(&Turn) -> f64| {
        for turn in turns.iter_mut().filter(|t| t.rpm > 0.0) {
            let by_w = by(turn);
            turn.left_w += by_w / 2.0;
            turn.right_w += by_w / 2.0;
        }
    };
    match fault {
        Fault::Gain { pct } => add_gain(turns, *pct),
        Fault::Offset { power_w } => add(&|_| *power_w),
        Fault::Drift { w_per_h } => add(&|turn| w_per_h * turn.at_s / 3600.0),
        Fault::RingOffset { power_w, ring } => {
            let shifts = ring_shifts(stretches);
            add(&|turn| if ring_at(&shifts, turn.at_s) == *ring { *power_w } else { 0.0 });
        }
        Fault::DoubledSide { side } => {
            for turn in turns.iter_mut() {
                let sensed_w = if *side == Side::Left { turn.left_w } else { turn.right_w };
                (turn.left_w, turn.right_w) = (sensed_w, sensed_w);
            }
        }
        _ => {}
    }
}

fn add_gain(turns: &mut [Turn], pct: f64) {
    for turn in turns {
        turn.left_w *= 1.0 + pct / 100.0;
        turn.right_w *= 1.0 + pct / 100.0;
    }
}

/// Times from which each ring pulls.
pub(super) fn ring_shifts(stretches: &[Stretch]) -> Vec<(f64, Ring)> {
    let mut shifts: Vec<(f64, Ring)> = vec![];
    for stretch in stretches {
        if shifts.last().is_none_or(|last| last.1 != stretch.ring) {
            shifts.push((stretch.start_s, stretch.ring));
        }
    }
    shifts
}

fn ring_at(shifts: &[(f64, Ring)], t_s: f64) -> Ring {
    let next = shifts.partition_point(|shift| shift.0 <= t_s);
    shifts[next.saturating_sub(1)].1
}

/// Faults of the time at which a turn is reported, or whether it is.
fn mistime(turns: &mut Vec<Turn>, fault: &Fault) {
    match fault {
        Fault::LateWake { late_s } => {
            let mut silent_until_s = f64::NEG_INFINITY;
            turns.retain(|turn| {
                if turn.woke {
                    silent_until_s = turn.at_s + late_s;
                }
                turn.rpm == 0.0 || turn.at_s >= silent_until_s
            });
        }
        Fault::HeldReading { held_s } => {
            turns.iter_mut().filter(|t| t.rpm == 0.0).for_each(|t| t.at_s += held_s);
            // Pedalled again before the reading was given up: it never went to zero.
            let next_at: Vec<f64> = turns.iter().skip(1).map(|t| t.at_s).chain([f64::INFINITY]).collect();
            let mut next = next_at.iter();
            turns.retain(|turn| next.next().is_some_and(|next_s| turn.rpm > 0.0 || turn.at_s < *next_s));
        }
        _ => {}
    }
}

fn lose_soft(sent: &mut Output, struck: &[Vec<(f64, f64)>]) {
    for windows in struck {
        for &(from_s, to_s) in windows {
            // Silent exactly from and to the window's ends: the reading falls to zero and comes back.
            let back = sent.power.iter().rev().find(|r| r.at_s <= to_s).copied();
            sent.power.retain(|r| !(from_s..to_s).contains(&r.at_s));
            let place = sent.power.partition_point(|r| r.at_s < from_s);
            let after = back.map(|r| Reading { at_s: to_s, ..r });
            let silent = Reading { at_s: from_s, left_w: 0.0, right_w: 0.0 };
            sent.power.splice(place..place, std::iter::once(silent).chain(after));
        }
    }
}

/// Chain-drive loss on each ring, as a share.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Loss {
    pub big: f64,
    pub small: f64,
}

const HUB_TAU_S: f64 = 1.0;
/// Share of the brake's power that a flywheel running down still shows. Common practice, no source.
const RUN_DOWN_SHARE: f64 = 0.08;
/// Below it a hub shows nothing. Common practice, no source.
const LEAST_HUB_W: f64 = 2.5;
/// A hub sends four times a second; so does the common radio profile for power.
const HUB_STEPS: usize = 5;

/// Speed as its sensor sends it: true time and m/s.
pub(super) fn speed(signal: &Signal) -> Vec<(f64, f64)> {
    (0..signal.len()).step_by(HUB_STEPS).map(|i| (i as f64 * STEP_S, signal.speed_m_s[i])).collect()
}

pub(super) fn hub(signal: &Signal, stretches: &[Stretch], draw: &Draw, loss: &Loss, noise: &mut Noise) -> Output {
    let shifts = ring_shifts(stretches);
    let mut wander = Wander::new(draw.noise, 1.0, HUB_STEPS as f64 * STEP_S);
    let mut sent = Output { sends_balance: false, ..Output::default() };
    let (mut shown_w, mut shown_rpm) = (0.0, 0.0);
    for i in 0..signal.len() {
        let t_s = i as f64 * STEP_S;
        let power_w = signal.left_w[i] + signal.right_w[i];
        let rolling_w = RUN_DOWN_SHARE * super::signal::brake_power_w(signal.speed_m_s[i]);
        let loss = if ring_at(&shifts, t_s) == Ring::Big { loss.big } else { loss.small };
        let pedals = signal.cadence_rpm[i] > 0.0;
        let driven_w = if pedals { power_w * (1.0 - loss) } else { rolling_w };
        shown_w += (driven_w - shown_w) * STEP_S / HUB_TAU_S;
        shown_rpm += (signal.cadence_rpm[i] - shown_rpm) * STEP_S / HUB_TAU_S;
        if i % HUB_STEPS == 0 {
            let error = 1.0 + wander.next(noise);
            let total_w =
                if shown_w < LEAST_HUB_W { 0.0 } else { (shown_w * draw.gain * error + draw.offset_w).max(0.0) };
            sent.power.push(Reading { at_s: t_s, left_w: total_w / 2.0, right_w: total_w / 2.0 });
            sent.cadence.push((t_s, if shown_rpm < 15.0 { 0.0 } else { shown_rpm.round() }));
        }
    }
    sent
}

/// Draws which sprints and which soft pedalling the faults strike; `draw_noise` gives a stream per kind.
pub(super) fn strike(
    stretches: &[Stretch],
    faults: &[Fault],
    sprint_noise: &mut Noise,
    soft_noise: &mut Noise,
) -> Struck {
    let windows = |act: Act| -> Vec<(f64, f64)> {
        stretches.iter().filter(|s| s.act == act).map(|s| (s.start_s, s.end_s)).collect()
    };
    let mut struck = Struck::default();
    for fault in faults {
        match fault {
            Fault::SideShort { share, .. } => {
                let sprints = windows(Act::Sprint);
                let n = (share.value() * sprints.len() as f64).round() as usize;
                let mut order: Vec<usize> = (0..sprints.len()).collect();
                for i in 0..n {
                    let j = i + sprint_noise.below(order.len() - i);
                    order.swap(i, j);
                }
                order.truncate(n);
                order.sort_unstable();
                struck.sprints.push(order.into_iter().map(|i| sprints[i]).collect());
            }
            Fault::SoftDropout { share } => {
                let soft = windows(Act::Soft);
                struck.soft.push(soft.iter().map(|&w| lost_part(w, share.value(), soft_noise)).collect());
            }
            _ => {}
        }
    }
    struck
}

/// One run of exactly this share of a window, at a random place in it.
fn lost_part(window: (f64, f64), share: f64, noise: &mut Noise) -> (f64, f64) {
    let lasts_s = share * (window.1 - window.0);
    let from_s = noise.between(window.0, window.1 - lasts_s);
    (from_s, from_s + lasts_s)
}
