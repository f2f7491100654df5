//! What each kind of fault does to an instrument's updates and messages, to its head unit's clock and to what that hears.
//!
//! Each function is one stage on the way from the sensor to the recording, and does there what the kinds of that stage do.

use crate::protocol::Side;

use super::super::clock::SimulatedClock;
use super::super::gears::SimulatedGear;
use super::super::readings::{SentReading, SentReadings, Update};
use super::super::span::TrueSpan;
use super::super::timed::Timed;
use super::kinds::{Fault, FaultEffect};
use super::strike::Strike;

fn of<'a>(strikes: &'a [&Strike], kind: FaultEffect) -> impl Iterator<Item = &'a Strike> {
    strikes.iter().copied().filter(move |strike| strike.fault.kind == kind)
}

/// Takes what a side lacks before the meter's own gain, so that the size is what the leg truly loses.
pub(crate) fn sides(updates: &mut [Update], strikes: &[&Strike]) {
    for strike in of(strikes, FaultEffect::SideShort) {
        for update in updates.iter_mut().filter(|u| !u.idle && strike.at((u.from_s + u.at_s) / 2.0)) {
            match strike.fault.side {
                Some(Side::Right) => update.right_w -= strike.fault.size,
                _ => update.left_w -= strike.fault.size,
            }
        }
    }
}

/// Faults of the value, in the order of the plan. `temperature_c` holds one value per second.
pub(crate) fn values(updates: &mut [Update], gears: &[SimulatedGear], temperature_c: &[f64], strikes: &[&Strike]) {
    for strike in strikes {
        let fault = &strike.fault;
        let on_ring = |t_s: f64| fault.ring.is_none_or(|ring| SimulatedGear::at(gears, t_s).ring == ring);
        for update in updates.iter_mut() {
            let (t_s, reads) = (update.at_s, update.reads());
            let hit = strike.at(t_s) && on_ring(t_s);
            match fault.kind {
                FaultEffect::Gain if reads && hit => apply(update, fault, |w| w * (1.0 + fault.size / 100.0)),
                FaultEffect::Offset | FaultEffect::RingOffset if reads && hit => add(update, fault, fault.size),
                FaultEffect::Drift if reads => add(update, fault, fault.size * t_s / 3600.0),
                FaultEffect::TemperatureDrift if reads => {
                    let now_c = temperature_c.get(t_s as usize).or(temperature_c.last());
                    add(update, fault, fault.size * now_c.zip(temperature_c.first()).map_or(0.0, |(now, at)| now - at));
                }
                FaultEffect::Phantom if update.idle && hit => add(update, fault, fault.size),
                FaultEffect::DoubledSide => {
                    let sensed_w = if fault.side == Some(Side::Right) { update.right_w } else { update.left_w };
                    (update.left_w, update.right_w) = (sensed_w, sensed_w);
                }
                _ => {}
            }
        }
    }
}

fn apply(update: &mut Update, fault: &Fault, change: impl Fn(f64) -> f64) {
    if fault.side != Some(Side::Right) {
        update.left_w = change(update.left_w);
    }
    if fault.side != Some(Side::Left) {
        update.right_w = change(update.right_w);
    }
}

/// Spread over both sides, or all on the one that is named.
fn add(update: &mut Update, fault: &Fault, power_w: f64) {
    let each_w = if fault.side.is_some() { power_w } else { power_w / 2.0 };
    apply(update, fault, |w| w + each_w);
}

/// Faults of when the cranks stop and start.
pub(crate) fn edges(updates: &mut Vec<Update>, strikes: &[&Strike]) {
    for strike in strikes {
        match strike.fault.kind {
            FaultEffect::LateWake => {
                let mut silent_until_s = f64::NEG_INFINITY;
                updates.retain(|update| {
                    if update.woke && strike.at(update.at_s) {
                        silent_until_s = update.at_s + strike.fault.size;
                    }
                    update.idle || update.at_s >= silent_until_s
                });
            }
            FaultEffect::HeldReading => {
                // Pedalled again before the reading was given up: it never goes to zero.
                delay(updates, strike.fault.size, |u| u.idle && strike.at(u.at_s));
            }
            _ => {}
        }
    }
}

/// Faults of what becomes of the messages.
pub(crate) fn messages(sent: &mut SentReadings, strikes: &[&Strike]) {
    for strike in strikes {
        let size = strike.fault.size;
        match strike.fault.kind {
            FaultEffect::SoftDropout => {
                let silent = |at: SentReading, _| SentReading { at_s: at.at_s, ..SentReading::default() };
                strike.windows().iter().for_each(|w| within(&mut sent.power, *w, silent));
            }
            FaultEffect::Spike => {
                let above = |at: SentReading, _| {
                    let (left_w, right_w) = (at.left_w + size / 2.0, at.right_w + size / 2.0);
                    SentReading { left_w, right_w, ..at }
                };
                strike.windows().iter().for_each(|w| within(&mut sent.power, *w, above));
            }
            FaultEffect::Stuck => {
                for window in strike.windows() {
                    within(&mut sent.power, *window, |at, first| first.moved(at.at_s));
                    within(&mut sent.cadence, *window, |at, first| first.moved(at.at_s));
                }
            }
            FaultEffect::Dropout => sent.unheard.extend(strike.windows()),
            FaultEffect::Late => {
                delay(&mut sent.power, size, |r| strike.at(r.at_s));
                delay(&mut sent.cadence, size, |c| strike.at(c.at_s));
            }
            FaultEffect::LateCadence => delay(&mut sent.cadence, size, |c| strike.at(c.at_s)),
            FaultEffect::DoubledSide => sent.sends_balance = false,
            _ => {}
        }
    }
}

/// What the head unit's clock shows.
pub(crate) fn clocks(of_head_units: &mut [SimulatedClock], strikes: &[Strike]) {
    for strike in strikes {
        let clock = &mut of_head_units[strike.worn];
        match strike.fault.kind {
            FaultEffect::ClockSet => clock.offset_s += strike.fault.size,
            FaultEffect::ClockJump => clock.jump_s += strike.fault.size,
            _ => {}
        }
    }
}

/// When the head unit hears neither instrument nor strap.
pub(crate) fn deaf(strikes: &[&Strike]) -> Vec<TrueSpan> {
    of(strikes, FaultEffect::RadioDropout).flat_map(Strike::windows).copied().collect()
}

/// Whether it makes the zero creep between two moments of a ride.
pub(crate) fn creeps(kind: FaultEffect) -> bool {
    matches!(kind, FaultEffect::Drift | FaultEffect::TemperatureDrift)
}

/// Moves some items back in time. What comes after something later was already sent is dropped.
fn delay<T: Timed>(list: &mut Vec<T>, late_s: f64, hit: impl Fn(&T) -> bool) {
    let mut earliest_later_s = f64::INFINITY;
    let mut kept: Vec<T> = vec![];
    for item in list.iter().rev() {
        let at_s = item.at_s() + if hit(item) { late_s } else { 0.0 };
        if at_s < earliest_later_s {
            earliest_later_s = at_s;
            kept.push(item.moved(at_s));
        }
    }
    kept.reverse();
    *list = kept;
}

/// Changes what is read exactly from and to the window's ends; `change` is given each item and the first.
fn within<T: Timed + Default>(
    list: &mut Vec<T>,
    TrueSpan { start_s: from_s, end_s: to_s }: TrueSpan,
    change: impl Fn(T, T) -> T,
) {
    let place = list.partition_point(|item| item.at_s() < from_s);
    let end = list.partition_point(|item| item.at_s() < to_s);
    let read_at = |next: usize, at_s: f64| next.checked_sub(1).map_or(T::default(), |i| list[i]).moved(at_s);
    let (first, back) = (read_at(place, from_s), read_at(end, to_s));
    let inner = std::iter::once(first).chain(list[place..end].iter().copied()).map(|item| change(item, first));
    let changed: Vec<T> = inner.chain([back]).collect();
    list.splice(place..end, changed);
}
