//! From what truly happens to what an instrument sends: crank meters once a turn, a hub four times a second.

use crate::quantity::{Bound, Join, Unit};
use crate::session::Sides;

use super::super::bench::FittedInstrument;
use super::super::faults::{self, Strike};
use super::super::gearing::FLYWHEEL_KG;
use super::super::gears::SimulatedGear;
use super::super::noise::{Noise, Wander};
use super::super::readings::{SentReading, SentReadings, Update};
use super::super::ride::{RideSignal, STEP_S, WorkOfSides};
use super::super::timed::TimedValue;

/// What an instrument was drawn as; the same for a whole session.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct InstrumentDraw {
    pub gain: f64,
    pub offset_w: f64,
    /// Of one update, relative; 0 leaves gain and offset alone.
    pub noise: f64,
    /// Place in the turn at which a crank meter reports, in turns.
    pub angle: f64,
    /// Silence after which a crank meter reads zero.
    pub timeout_s: f64,
    /// A trainer's brake sits behind its flywheel and works out what the flywheel takes and gives; it misses this share.
    /// So it reads low while spun up and high while it runs down, coasting included. 0 where torque is felt ahead of it.
    pub flywheel_missed: f64,
    /// In place of gain and offset.
    pub stated: Option<StatedError>,
}

/// How far an instrument is off, as a draw from what it states of itself.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct StatedError {
    /// Expanded uncertainty of the total.
    pub bound: Bound,
    /// Of that bound, in the total and from right to left.
    pub total: f64,
    pub across: f64,
    /// Of a bound with a floor, of that: the offset that is drawn apart from the gain.
    pub offset: f64,
    /// Of the total, from right to left.
    pub split: f64,
    pub cadence_rpm: f64,
}

/// By design: an instrument that states `1 % or 2 W` has a gain that is off by the one and an offset that makes up the rest: with so
/// much of the floor for an offset, and a gain that leans against it by so much, it is off by what it states at 0.6 and 1.2
/// times the power where the two parts meet, and by 0.9 to 1.13 of that elsewhere.
const OFFSET_OF_FLOOR: f64 = 1.13;
const GAIN_AGAINST_OFFSET: f64 = -0.47;

impl StatedError {
    /// How far the total is off, W.
    fn off_w(&self, total_w: f64) -> f64 {
        let whole_w = || self.total * self.bound.in_unit(Unit::Watt, total_w).unwrap_or(0.0);
        let part = |unit: Unit| self.bound.parts.iter().find(|part| part.unit == unit).map(|part| part.value);
        match (part(Unit::Percent), part(Unit::Watt), self.bound.join) {
            (Some(pct), Some(floor_w), Join::Wider) => {
                let against = GAIN_AGAINST_OFFSET;
                let offset = against * self.total + (1.0 - against * against).sqrt() * self.offset;
                self.total * pct / 100.0 * total_w + OFFSET_OF_FLOOR * offset * floor_w
            }
            _ => whole_w(),
        }
    }

    fn add_to(&self, update: &mut Update) {
        let total_w = update.left_w + update.right_w;
        let bound_w = self.bound.in_unit(Unit::Watt, total_w).unwrap_or(0.0);
        let (half_w, across_w) = (self.off_w(total_w) / 2.0, self.across * bound_w + self.split * total_w);
        update.left_w += half_w + across_w;
        update.right_w += half_w - across_w;
        if update.rpm > 0.0 {
            update.rpm += self.cadence_rpm;
        }
    }
}

/// What every instrument of one ride has in common.
pub(crate) struct RideConditions<'a> {
    pub signal: &'a RideSignal,
    pub gears: &'a [SimulatedGear],
}

/// What an instrument sends, with its errors and what strikes it.
///
/// `temperature_c` is its own, one value per second.
pub(crate) fn send(
    ridden: &RideConditions,
    fitted: &FittedInstrument,
    draw: &InstrumentDraw,
    temperature_c: &[f64],
    strikes: &[&Strike],
    noise: &mut Noise,
) -> SentReadings {
    let at_hub = fitted.located.behind_chain();
    let mut updates = if at_hub { hub(ridden, draw) } else { turns(ridden.signal, draw) };
    faults::sides(&mut updates, strikes);
    sense(&mut updates, fitted.sides);
    let mut wander = Wander::new(draw.noise, 1.0, HUB_STEPS as f64 * STEP_S);
    let balance_noise = if draw.noise == 0.0 { 0.0 } else { BALANCE_NOISE };
    let error = |noise: &mut Noise| match at_hub {
        true => RelativeNoise { power: wander.next(noise), balance: 0.0 },
        false => RelativeNoise { power: draw.noise * noise.normal(), balance: balance_noise * noise.normal() },
    };
    add_errors(&mut updates, draw, error, noise);
    faults::values(&mut updates, ridden.gears, temperature_c, strikes);
    faults::edges(&mut updates, strikes);
    for update in &mut updates {
        (update.left_w, update.right_w) = (update.left_w.max(0.0), update.right_w.max(0.0));
        if at_hub && update.left_w + update.right_w < LEAST_HUB_W {
            (update.left_w, update.right_w) = (0.0, 0.0);
        }
    }
    let mut sent = SentReadings {
        power: updates.iter().map(|u| SentReading { at_s: u.at_s, left_w: u.left_w, right_w: u.right_w }).collect(),
        cadence: updates.iter().map(|u| TimedValue { at_s: u.at_s, value: u.rpm }).collect(),
        sends_balance: fitted.sides == Sides::Both && !at_hub,
        unheard: vec![],
    };
    faults::messages(&mut sent, strikes);
    sent
}

/// The least part of a turn worth a reading when the cranks start from rest. Common practice, no source.
const LEAST_FIRST_TURN: f64 = 0.35;

/// Where a turn of the cranks began.
struct TurnBegun {
    at_s: f64,
    turns: f64,
    work: WorkOfSides,
}

fn turns(signal: &RideSignal, draw: &InstrumentDraw) -> Vec<Update> {
    let mut found: Vec<Update> = vec![];
    let mut still = true;
    let mut from = TurnBegun { at_s: 0.0, turns: 0.0, work: WorkOfSides { left_j: 0.0, right_j: 0.0 } };
    for i in 1..signal.len() {
        let t_s = i as f64 * STEP_S;
        let (before, after) = (signal.turns[i - 1], signal.turns[i]);
        if after == before {
            if !still && t_s - from.at_s > draw.timeout_s {
                let at_s = from.at_s + draw.timeout_s;
                let zero =
                    Update { from_s: from.at_s, at_s, left_w: 0.0, right_w: 0.0, rpm: 0.0, idle: true, woke: false };
                found.push(zero);
                still = true;
            }
            continue;
        }
        let woke = still;
        if still {
            from = TurnBegun { at_s: t_s - STEP_S, turns: before, work: signal.work_until(t_s - STEP_S) };
            still = false;
        }
        let mark = (after - draw.angle).floor() + draw.angle;
        if mark <= before || mark > after {
            continue;
        }
        if mark - from.turns < LEAST_FIRST_TURN {
            continue;
        }
        let at_s = t_s - STEP_S + (mark - before) / (after - before) * STEP_S;
        let work = signal.work_until(at_s);
        let lasts_s = at_s - from.at_s;
        found.push(Update {
            from_s: from.at_s,
            at_s,
            left_w: (work.left_j - from.work.left_j) / lasts_s,
            right_w: (work.right_j - from.work.right_j) / lasts_s,
            rpm: 60.0 * (mark - from.turns) / lasts_s,
            idle: false,
            woke: woke || found.last().is_none_or(|update| update.idle),
        });
        from = TurnBegun { at_s, turns: mark, work };
    }
    found
}

/// What a meter of one side makes of both. A meter of the total sends the same sum.
fn sense(updates: &mut [Update], sides: Sides) {
    for update in updates {
        match sides {
            Sides::Both | Sides::Total => {}
            Sides::LeftDoubled => update.right_w = update.left_w,
            Sides::RightDoubled => update.left_w = update.right_w,
        }
    }
}

/// Noise of the balance that an instrument reports, as a share. Common practice, no source.
const BALANCE_NOISE: f64 = 0.004;

/// Of one update, relative.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct RelativeNoise {
    pub power: f64,
    pub balance: f64,
}

/// `error` draws one update's noise.
pub(crate) fn add_errors(
    updates: &mut [Update],
    draw: &InstrumentDraw,
    mut error: impl FnMut(&mut Noise) -> RelativeNoise,
    noise: &mut Noise,
) {
    for update in updates {
        let RelativeNoise { power, balance } = error(noise);
        if update.reads() {
            let shift_w = balance * (update.left_w + update.right_w);
            let (gain, offset_w) = if draw.stated.is_some() { (1.0, 0.0) } else { (draw.gain, draw.offset_w) };
            update.left_w = (update.left_w + shift_w) * gain * (1.0 + power) + offset_w / 2.0;
            update.right_w = (update.right_w - shift_w) * gain * (1.0 + power) + offset_w / 2.0;
            if let Some(stated) = &draw.stated {
                stated.add_to(update);
            }
        }
    }
}

/// How a hub's reading follows a change. Common practice, no source.
const HUB_TAU_S: f64 = 1.0;
/// Below it a hub shows nothing. Common practice, no source.
const LEAST_HUB_W: f64 = 2.5;
/// Below it a hub finds no strokes to count. Common practice, no source.
const LEAST_HUB_RPM: f64 = 15.0;
/// A hub sends four times a second; so does the common radio profile for power.
const HUB_STEPS: usize = 5;

/// Speed as its sensor sends it, m/s.
pub(crate) fn speed(signal: &RideSignal) -> Vec<TimedValue> {
    let reading = |i: usize| TimedValue { at_s: i as f64 * STEP_S, value: signal.speed_m_s[i] };
    (0..signal.len()).step_by(HUB_STEPS).map(reading).collect()
}

/// Behind the chain: a hub that feels its torque, or a trainer.
fn hub(ridden: &RideConditions, draw: &InstrumentDraw) -> Vec<Update> {
    let signal = ridden.signal;
    let (mut shown_w, mut shown_rpm, mut was_idle) = (0.0, 0.0, true);
    let mut found = vec![];
    for i in 0..signal.len() {
        let t_s = i as f64 * STEP_S;
        let (v, before) = (signal.speed_m_s[i], signal.speed_m_s[i.saturating_sub(1)]);
        let spun_up_w = FLYWHEEL_KG * (v * v - before * before) / 2.0 / STEP_S;
        let driven_w = (signal.left_w[i] + signal.right_w[i]) * (1.0 - SimulatedGear::at(ridden.gears, t_s).loss);
        shown_w += (driven_w - draw.flywheel_missed * spun_up_w - shown_w) * STEP_S / HUB_TAU_S;
        shown_rpm += (signal.cadence_rpm[i] - shown_rpm) * STEP_S / HUB_TAU_S;
        if i % HUB_STEPS == 0 {
            let idle = signal.cadence_rpm[i] == 0.0;
            let half_w = if shown_w < LEAST_HUB_W { 0.0 } else { shown_w / 2.0 };
            found.push(Update {
                from_s: t_s - HUB_STEPS as f64 * STEP_S,
                at_s: t_s,
                left_w: half_w,
                right_w: half_w,
                rpm: if shown_rpm < LEAST_HUB_RPM { 0.0 } else { shown_rpm.round() },
                idle,
                woke: was_idle && !idle,
            });
            was_idle = idle;
        }
    }
    found
}
