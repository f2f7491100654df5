//! Which chainring the chain was on, second by second.

use super::references::{COASTING_W, by_fitness};
use crate::protocol::Ring;
use crate::ride::{Gear, Ride, RingBelief};
use crate::session::{Drivetrain, Session};

/// Scatter of speed over cadence around a gear's ratio: whole-number cadence (0.3 %) and speed and cadence sampled
/// at different moments. Common practice, no source.
const RATIO_SD: f64 = 0.015;
/// Wheel circumferences to try, as factors: tables for one tyre differ by 1 % and more, load takes off another.
const WHEEL_FACTORS: [f64; 9] = [0.98, 0.985, 0.99, 0.995, 1.0, 1.005, 1.01, 1.015, 1.02];
const WHEEL_SD: f64 = 0.01;
/// A second that no gear explains (shifting, a coasting wheel, a slipping sensor) costs this density per unit of
/// log ratio.
const OUTLIER: f64 = 0.05;
/// How much less likely a sprocket is that the gear-change events do not name: a stamp may be a second or two off.
const OTHER_SPROCKET: f64 = 0.2;
/// Chance per second of another sprocket, and of another ring.
const SHIFT_REAR: f64 = 0.02;
const SHIFT_FRONT: f64 = 0.002;
/// The model is never surer than this of a ring: it knows nothing of a slipping sensor or a misread cassette.
const SUREST: f64 = 0.99;

/// The ring at each grid second: from gear-change events where the ride has them, else from speed over cadence
/// against the drivetrain's ratios. `None` where neither can tell (one ring, no cassette or wheel, no speed).
///
/// A gear that both rings offer alike (52/17 and 36/12 differ by less than a tyre's uncertainty) gives a belief
/// near one half, unless the gears ridden before and after tell them apart.
#[cfg(feature = "internals")]
pub fn rings(session: &Session, ride: &Ride) -> Vec<Option<RingBelief>> {
    rings_and_shifts(session, ride).0
}

/// The above, and the seconds at which speed over cadence jumped from one level to another.
pub(super) fn rings_and_shifts(session: &Session, ride: &Ride) -> (Vec<Option<RingBelief>>, Vec<usize>) {
    let drivetrain = &session.drivetrain;
    let seen = drivetrain.wheel_m.filter(|_| speed_follows_cadence(ride)).map(|wheel_m| log_ratios(ride, wheel_m));
    let by_ratio = seen.as_ref().and_then(|seen| by_ratio(drivetrain, seen));
    let mut rings = by_ratio.unwrap_or_else(|| vec![None; ride.length_s]);
    for (event, ring, until) in by_events(drivetrain, ride) {
        let from = (event.at_s.ceil().max(0.0) as usize).min(ride.length_s);
        rings[from..until.max(from)].fill(Some(RingBelief { ring, confidence: SUREST }));
    }
    (rings, seen.map_or_else(Vec::new, |seen| shifts(&seen)))
}

/// A stretch ridden in one gear: its wheel turns per crank turn, by the wheel that the session states.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SteadyGear {
    pub log_ratio: f64,
    pub seconds: usize,
}

/// Stretches in which speed over cadence stays at one level, in order of time; `None` where no wheel is stated or speed does
/// not follow cadence, so that nothing can be said of gears.
pub fn steady_gears(session: &Session, ride: &Ride) -> Option<Vec<SteadyGear>> {
    // Long enough for whole-number cadence to average out (0.3 % a second).
    const LEAST_S: usize = 15;
    let wheel_m = session.drivetrain.wheel_m.filter(|_| speed_follows_cadence(ride))?;
    let seen = log_ratios(ride, wheel_m);
    let mut gears = vec![];
    let mut run: Vec<f64> = vec![];
    let mut end = |run: &mut Vec<f64>| {
        if run.len() >= LEAST_S {
            gears.extend(crate::stats::median(run).map(|log_ratio| SteadyGear { log_ratio, seconds: run.len() }));
        }
        run.clear();
    };
    for ratio in seen.iter().map(|seen| seen.map(|seen| seen.log_ratio)) {
        let Some(ratio) = ratio else {
            end(&mut run);
            continue;
        };
        // Twice the scatter of one second; a sprocket is 5 % and more.
        let recent = &run[run.len().saturating_sub(LEAST_S)..];
        if crate::stats::median(recent).is_some_and(|level| (ratio - level).abs() > 2.0 * RATIO_SD) {
            end(&mut run);
        }
        run.push(ratio);
    }
    end(&mut run);
    Some(gears)
}

/// What the belief at a second rests on.
pub(super) fn rests_on(session: &Session, ride: &Ride, second: usize) -> &'static str {
    match by_events(&session.drivetrain, ride).next() {
        Some((first, ..)) if first.at_s <= second as f64 => "gear-change events",
        _ => "speed over cadence",
    }
}

/// Events that name a ring, with the grid second at which the next one takes over.
fn by_events<'a>(drivetrain: &'a Drivetrain, ride: &'a Ride) -> impl Iterator<Item = (&'a Gear, Ring, usize)> {
    let named = move |gear: &&Gear| gear.front_teeth.is_some_and(|t| ring_of(drivetrain, t).is_some());
    let events: Vec<&Gear> = ride.gears.iter().filter(named).collect();
    let untils: Vec<usize> = events
        .iter()
        .skip(1)
        .map(|g| (g.at_s.ceil().max(0.0) as usize).min(ride.length_s))
        .chain([ride.length_s])
        .collect();
    events
        .into_iter()
        .zip(untils)
        .filter_map(move |(gear, until)| Some((gear, ring_of(drivetrain, gear.front_teeth?)?, until)))
}

fn ring_of(drivetrain: &Drivetrain, teeth: u32) -> Option<Ring> {
    [Ring::Big, Ring::Small].into_iter().find(|&r| drivetrain.teeth(r) == Some(teeth))
}

/// One gear that the drivetrain offers.
struct GearRatio {
    /// `None` for a middle ring.
    ring: Option<Ring>,
    sprocket_teeth: u32,
    /// Natural log of ring teeth over sprocket teeth.
    log_ratio: f64,
}

fn by_ratio(drivetrain: &Drivetrain, seen: &[Option<WheelPerCrank>]) -> Option<Vec<Option<RingBelief>>> {
    drivetrain.teeth(Ring::Big)?;
    let tells = !drivetrain.cassette.is_empty() && seen.iter().any(Option::is_some);
    tells.then(|| from_ratios(&gears_of(drivetrain), seen))
}

/// The gears of each chainring, smallest ring first.
fn gears_of(drivetrain: &Drivetrain) -> Vec<Vec<GearRatio>> {
    let mut chainrings = drivetrain.chainrings.clone();
    chainrings.sort_unstable();
    chainrings.dedup();
    let ratio = |front: u32, rear: u32| GearRatio {
        ring: ring_of(drivetrain, front),
        sprocket_teeth: rear,
        log_ratio: (f64::from(front) / f64::from(rear)).ln(),
    };
    chainrings.iter().map(|&front| drivetrain.cassette.iter().map(|&rear| ratio(front, rear)).collect()).collect()
}

/// Beliefs from the logs of wheel turns per crank turn.
fn from_ratios(gears: &[Vec<GearRatio>], seen: &[Option<WheelPerCrank>]) -> Vec<Option<RingBelief>> {
    // The wheel is only roughly known, and 1 % more of it can turn one gear into another. Weigh the candidates by
    // how well they explain a tenth of the seconds, then average what those that matter say.
    let sample: Vec<Option<WheelPerCrank>> = seen.iter().copied().step_by(10).collect();
    let log_weight = |f: &f64| GearFilter::new(gears, f.ln()).log_evidence(&sample) - 0.5 * (f.ln() / WHEEL_SD).powi(2);
    let log_weights: Vec<f64> = WHEEL_FACTORS.iter().map(log_weight).collect();
    let best = log_weights.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let mut total = 0.0;
    let mut shares = vec![(0.0, 0.0); seen.len()];
    for (factor, log_weight) in WHEEL_FACTORS.iter().zip(&log_weights) {
        let weight = (log_weight - best).exp();
        if weight < 0.02 {
            continue;
        }
        total += weight;
        for (sum, (big, small)) in shares.iter_mut().zip(GearFilter::new(gears, factor.ln()).smooth(seen)) {
            sum.0 += weight * big;
            sum.1 += weight * small;
        }
    }
    shares.into_iter().map(|(big, small)| belief(big / total, small / total)).collect()
}

/// `None` where a middle ring is likelier than the two that have names.
fn belief(big: f64, small: f64) -> Option<RingBelief> {
    let named = big + small;
    (named > 0.5).then(|| RingBelief {
        ring: if big >= small { Ring::Big } else { Ring::Small },
        confidence: (big.max(small) / named).min(SUREST),
    })
}

/// Log of wheel turns per crank turn, and its standard deviation.
#[derive(Debug, Clone, Copy)]
struct WheelPerCrank {
    log_ratio: f64,
    sd: f64,
    /// From gear-change events, of which some know no front ring.
    sprocket_teeth: Option<u32>,
}

/// What is seen of the gear where the cranks drive the wheel.
fn log_ratios(ride: &Ride, wheel_m: f64) -> Vec<Option<WheelPerCrank>> {
    // Below these a sensor counts too few turns for a ratio.
    const LEAST_CADENCE_RPM: f64 = 30.0;
    const LEAST_SPEED_M_S: f64 = 1.0;
    // Speed and cadence of one second may be sampled so far apart, s: what they changed meanwhile is no gear.
    const APART_S: f64 = 0.7;
    let traces = by_fitness(ride);
    let ratio = |k: usize| {
        let cadence_rpm = traces.iter().find_map(|t| t.cadence_at(k)).filter(|&c| c >= LEAST_CADENCE_RPM)?;
        let power_w = traces.iter().find_map(|t| t.power_at(k)).unwrap_or(f64::INFINITY);
        let speed_m_s = speed_at(ride, k).filter(|&v| v >= LEAST_SPEED_M_S)?;
        (power_w > COASTING_W).then(|| (cadence_rpm.ln(), (speed_m_s / wheel_m * 60.0).ln()))
    };
    let ratios: Vec<Option<(f64, f64)>> = (0..ride.length_s).map(ratio).collect();
    let sprockets = sprockets(ride);
    let change = |a: Option<(f64, f64)>, b: (f64, f64)| a.map_or(0.0, |a| (a.0 - b.0).abs().max((a.1 - b.1).abs()));
    let seen = |k: usize| {
        let now = ratios[k]?;
        let around = [k.checked_sub(1).and_then(|b| ratios[b]), ratios.get(k + 1).copied().flatten()];
        let changed = around.into_iter().map(|other| change(other, now)).fold(0.0, f64::max);
        Some(WheelPerCrank {
            log_ratio: now.1 - now.0,
            sd: RATIO_SD.hypot(APART_S * changed),
            sprocket_teeth: sprockets[k],
        })
    };
    (0..ride.length_s).map(seen).collect()
}

/// The sprocket at each grid second, by gear-change events.
fn sprockets(ride: &Ride) -> Vec<Option<u32>> {
    let mut teeth = vec![None; ride.length_s];
    for gear in &ride.gears {
        let from = (gear.at_s.ceil().max(0.0) as usize).min(ride.length_s);
        teeth[from..].fill(gear.rear_teeth);
    }
    teeth
}

/// Speed of the wheel: from a hub first, as the bike may stand on it, then any other reference, then the unit's
/// recording (a speed sensor is not the unit), unless the unit itself is the hub.
fn speed_at(ride: &Ride, k: usize) -> Option<f64> {
    let unit = Some(&ride.unit).filter(|u| !u.located.behind_chain());
    by_fitness(ride).into_iter().rev().chain(unit).find_map(|t| t.speed_at(k))
}

fn shifts(seen: &[Option<WheelPerCrank>]) -> Vec<usize> {
    // Neighbouring sprockets differ by 5 % and more. Common practice, no source.
    const LEAST: f64 = 0.04;
    const OVER_S: usize = 3;
    let level = |from: usize, to: usize| {
        let known: Vec<f64> = seen[from..to].iter().flatten().map(|seen| seen.log_ratio).collect();
        crate::stats::median(&known).filter(|_| known.len() == to - from)
    };
    let jump = |k: usize| Some((level(k, k + OVER_S)? - level(k - OVER_S, k)?).abs());
    let jumps: Vec<f64> = (0..seen.len())
        .map(|k| if k < OVER_S || k + OVER_S > seen.len() { 0.0 } else { jump(k).unwrap_or(0.0) })
        .collect();
    let clearest = |k: &usize| {
        let around = &jumps[k.saturating_sub(OVER_S)..(k + OVER_S).min(jumps.len())];
        jumps[*k] > LEAST && around.iter().all(|other| *other <= jumps[*k])
    };
    (0..jumps.len()).filter(clearest).collect()
}

/// Whether the speed is the wheel's and not one that a trainer made up: small changes of cadence must show in it.
fn speed_follows_cadence(ride: &Ride) -> bool {
    const APART_S: usize = 5;
    // Larger ones are shifts, a sprocket being 5 % and more (common practice, no source), and coasting.
    const SMALL: f64 = 0.04;
    // With less movement than this in cadence, its whole numbers drown the answer.
    const ENOUGH_MOVEMENT: f64 = 0.02;
    let cadence = by_fitness(ride);
    let log_at = |k: usize| {
        let cadence_rpm = cadence.iter().find_map(|t| t.cadence_at(k)).filter(|&c| c > 0.0)?;
        Some((cadence_rpm.ln(), speed_at(ride, k).filter(|&v| v > 0.0)?.ln()))
    };
    let logs: Vec<Option<(f64, f64)>> = (0..ride.length_s).map(log_at).collect();
    let (mut count, mut squares, mut products) = (0.0, 0.0, 0.0);
    for (now, then) in logs.iter().zip(logs.iter().skip(APART_S)) {
        if let (Some(now), Some(then)) = (now, then) {
            let (cadence, speed) = (then.0 - now.0, then.1 - now.1);
            if cadence.abs() < SMALL && speed.abs() < SMALL {
                count += 1.0;
                squares += cadence * cadence;
                products += cadence * speed;
            }
        }
    }
    count == 0.0 || (squares / count).sqrt() < ENOUGH_MOVEMENT || products / squares > 0.2
}

/// A hidden Markov model whose states are the gears: mostly the same gear as a second ago, sometimes another
/// sprocket, seldom another ring.
struct GearFilter<'a> {
    gears: &'a [Vec<GearRatio>],
    log_wheel: f64,
    count: f64,
}

impl<'a> GearFilter<'a> {
    fn new(gears: &'a [Vec<GearRatio>], log_wheel: f64) -> Self {
        Self { gears, log_wheel, count: gears.iter().map(Vec::len).sum::<usize>() as f64 }
    }

    /// Density of a seen log ratio in each gear, gears in a row; nothing seen tells nothing. Speed is wheel turns
    /// times circumference, so a longer wheel makes the ratio seem higher.
    fn emit(&self, seen: Option<WheelPerCrank>, out: &mut [f64]) {
        let Some(seen) = seen else { return out.fill(1.0) };
        let peak = 0.398_942_280_401_432_7 / seen.sd;
        for (out, gear) in out.iter_mut().zip(self.gears.iter().flatten()) {
            let z = (seen.log_ratio - self.log_wheel - gear.log_ratio) / seen.sd;
            *out = OUTLIER + if z.abs() < 6.0 { peak * (-0.5 * z * z).exp() } else { 0.0 };
            if seen.sprocket_teeth.is_some_and(|teeth| teeth != gear.sprocket_teeth) {
                *out *= OTHER_SPROCKET;
            }
        }
    }

    /// One second further; symmetric, so that it serves forwards and backwards.
    fn move_on(&self, state: &mut [f64]) {
        let total: f64 = state.iter().sum();
        let mut rest = state;
        for ring in self.gears {
            let (own, others) = rest.split_at_mut(ring.len());
            let on_ring: f64 = own.iter().sum();
            for p in own.iter_mut() {
                *p = (1.0 - SHIFT_REAR - SHIFT_FRONT) * *p
                    + SHIFT_REAR * on_ring / ring.len() as f64
                    + SHIFT_FRONT * total / self.count;
            }
            rest = others;
        }
    }

    fn start(&self) -> Vec<f64> {
        vec![1.0 / self.count; self.count as usize]
    }

    fn log_evidence(&self, seen: &[Option<WheelPerCrank>]) -> f64 {
        let (mut state, mut emitted) = (self.start(), self.start());
        let mut log = 0.0;
        for &seen in seen {
            self.emit(seen, &mut emitted);
            log += step(&mut state, &emitted).ln();
            self.move_on(&mut state);
        }
        log
    }

    /// Posterior weight of the big and of the small ring at each second, given all of them.
    fn smooth(&self, seen: &[Option<WheelPerCrank>]) -> Vec<(f64, f64)> {
        let width = self.count as usize;
        let mut emitted = vec![0.0; width * seen.len()];
        let mut forward = vec![0.0; width * seen.len()];
        let mut state = self.start();
        for (k, &seen) in seen.iter().enumerate() {
            let row = k * width..(k + 1) * width;
            self.emit(seen, &mut emitted[row.clone()]);
            step(&mut state, &emitted[row.clone()]);
            forward[row].copy_from_slice(&state);
            self.move_on(&mut state);
        }
        let mut backward = self.start();
        let mut shares = vec![(0.0, 0.0); seen.len()];
        for k in (0..seen.len()).rev() {
            let row = k * width..(k + 1) * width;
            let (mut big, mut small, mut total) = (0.0, 0.0, 0.0);
            for ((f, b), gear) in forward[row.clone()].iter().zip(&backward).zip(self.gears.iter().flatten()) {
                total += f * b;
                match gear.ring {
                    Some(Ring::Big) => big += f * b,
                    Some(Ring::Small) => small += f * b,
                    None => {}
                }
            }
            shares[k] = (big / total, small / total);
            step(&mut backward, &emitted[row]);
            self.move_on(&mut backward);
        }
        shares
    }
}

/// Weighs a state by what was seen and brings its sum back to 1; returns the sum before.
fn step(state: &mut [f64], emitted: &[f64]) -> f64 {
    let mut sum = 0.0;
    for (p, e) in state.iter_mut().zip(emitted) {
        *p *= e;
        sum += *p;
    }
    for p in state.iter_mut() {
        *p /= sum;
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;

    fn drivetrain(chainrings: &[u32]) -> Drivetrain {
        Drivetrain {
            chainrings: chainrings.to_vec(),
            cassette: vec![11, 12, 13, 14, 15, 17, 19, 21, 23, 25, 28, 30],
            wheel_m: Some(2.105),
            ..Drivetrain::default()
        }
    }

    /// Log ratios of gears ridden one after the other, each for `seconds`, on a wheel longer by `factor`.
    fn ridden(gears: &[(u32, u32)], seconds: usize, factor: f64) -> Vec<Option<WheelPerCrank>> {
        let ratio = |&(front, rear): &(u32, u32)| (f64::from(front) / f64::from(rear) * factor).ln();
        // Whole-number cadence near 88 rpm rounds by up to half a turn.
        let rounded = |k: usize| ((k * 7 % 11) as f64 - 5.0) / 11.0 / 88.0;
        let seen = move |log_ratio: f64| Some(WheelPerCrank { log_ratio, sd: RATIO_SD, sprocket_teeth: None });
        gears.iter().flat_map(|g| (0..seconds).map(move |k| seen(ratio(g) + rounded(k)))).collect()
    }

    fn beliefs(chainrings: &[u32], seen: &[Option<WheelPerCrank>]) -> Vec<Option<RingBelief>> {
        from_ratios(&gears_of(&drivetrain(chainrings)), seen)
    }

    fn all_on(beliefs: &[Option<RingBelief>], ring: Ring) -> bool {
        beliefs.iter().all(|b| b.is_some_and(|b| b.ring == ring && b.confidence > 0.9))
    }

    #[test]
    fn an_event_that_names_the_sprocket_alone_tells_two_like_gears_apart() {
        let mut seen = ridden(&[(52, 19)], 200, 1.0);
        let told = |seen: &[Option<WheelPerCrank>]| beliefs(&[52, 36], seen)[100].unwrap();
        assert!(told(&seen).confidence < 0.9, "{:?}", told(&seen));
        seen.iter_mut().flatten().for_each(|seen| seen.sprocket_teeth = Some(19));
        assert!(told(&seen).ring == Ring::Big && told(&seen).confidence > 0.95, "{:?}", told(&seen));
        seen.iter_mut().flatten().for_each(|seen| seen.sprocket_teeth = Some(13));
        assert!(told(&seen).ring == Ring::Small && told(&seen).confidence > 0.95, "{:?}", told(&seen));
    }

    #[test]
    fn a_gear_that_one_ring_alone_offers_tells_the_ring() {
        let seen = ridden(&[(52, 13), (36, 25)], 120, 1.0);
        let beliefs = beliefs(&[52, 36], &seen);
        assert!(all_on(&beliefs[..118], Ring::Big) && all_on(&beliefs[122..], Ring::Small));
    }

    #[test]
    fn a_gear_that_both_rings_offer_is_a_guess() {
        // 52/17 is 3.059 and 36/12 is 3.000; a tyre's circumference is no better known than that.
        let beliefs = beliefs(&[52, 36], &ridden(&[(52, 17)], 600, 0.991));
        assert!(beliefs[300].is_none_or(|b| b.confidence < 0.9), "{:?}", beliefs[300]);
    }

    #[test]
    fn other_gears_of_the_same_ride_settle_the_wheel_and_so_the_ring() {
        let gears = [(52, 13), (52, 15), (52, 17), (36, 21), (36, 25), (52, 17), (52, 19)];
        let beliefs = beliefs(&[52, 36], &ridden(&gears, 120, 0.991));
        assert!(all_on(&beliefs[250..350], Ring::Big), "{:?}", beliefs[300]);
        assert!(all_on(&beliefs[370..590], Ring::Small), "{:?}", beliefs[400]);
    }

    #[test]
    fn a_middle_ring_is_neither_big_nor_small() {
        let beliefs = beliefs(&[50, 39, 30], &ridden(&[(39, 30), (39, 25), (39, 11)], 200, 1.0));
        assert_eq!(beliefs[500], None);
    }

    #[test]
    fn a_ring_is_kept_through_a_coast_and_doubted_slowly() {
        let mut seen = ridden(&[(52, 13)], 120, 1.0);
        seen.extend(vec![None; 300]);
        let beliefs = beliefs(&[52, 36], &seen);
        let at = |k: usize| beliefs[k].map_or(0.0, |b| b.confidence);
        assert!(at(130) > 0.9 && at(419) < at(130) && at(419) >= 0.5);
    }
}
