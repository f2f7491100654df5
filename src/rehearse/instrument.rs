//! From what truly happens to what an instrument sends: crank meters once a turn, a hub four times a second.

use crate::protocol::{Drill, Protocol, Ring};
use crate::quantity::{Bound, Join, Unit};
use crate::session::{Drivetrain, Sides};

use super::bench::FittedInstrument;
use super::noise::{Noise, Wander};
use super::script::{RiderAction, ScriptStretch};
use super::signal::{FLYWHEEL_KG, RideSignal, STEP_S};
use super::spoil;
use super::strike::{Strike, TrueSpanS};

/// What an instrument was drawn as; the same for a whole session.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct InstrumentDraw {
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
pub(super) struct StatedError {
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
pub(super) struct RideConditions<'a> {
    pub signal: &'a RideSignal,
    pub gears: &'a [SimulatedGear],
}

/// One message: from then on this is what the instrument reads.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(super) struct SentReading {
    pub at_s: f64,
    pub left_w: f64,
    pub right_w: f64,
}

/// What one instrument sends, each list in order of time.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct SentReadings {
    pub power: Vec<SentReading>,
    /// True time and rpm.
    pub cadence: Vec<(f64, f64)>,
    pub sends_balance: bool,
    /// Where its head unit does not hear it.
    pub unheard: Vec<TrueSpanS>,
}

/// One update: a turn of the cranks, or a quarter of a second of a hub.
#[derive(Debug, Clone, Copy)]
pub(super) struct Update {
    pub from_s: f64,
    pub at_s: f64,
    pub left_w: f64,
    pub right_w: f64,
    pub rpm: f64,
    /// The cranks stand still.
    pub idle: bool,
    /// The first after standing still.
    pub woke: bool,
}

impl Update {
    /// A meter that reads zero adds neither gain nor offset to it.
    pub fn reads(&self) -> bool {
        !self.idle || self.left_w + self.right_w > 0.0
    }
}

/// What an instrument sends, with its errors and what strikes it.
///
/// `temperature_c` is its own, one value per second.
pub(super) fn send(
    ridden: &RideConditions,
    fitted: &FittedInstrument,
    draw: &InstrumentDraw,
    temperature_c: &[f64],
    strikes: &[&Strike],
    noise: &mut Noise,
) -> SentReadings {
    let at_hub = fitted.located.behind_chain();
    let mut updates = if at_hub { hub(ridden, draw) } else { turns(ridden.signal, draw) };
    spoil::sides(&mut updates, strikes);
    sense(&mut updates, fitted.sides);
    let mut wander = Wander::new(draw.noise, 1.0, HUB_STEPS as f64 * STEP_S);
    let balance_noise = if draw.noise == 0.0 { 0.0 } else { BALANCE_NOISE };
    let error = |noise: &mut Noise| match at_hub {
        true => (wander.next(noise), 0.0),
        false => (draw.noise * noise.normal(), balance_noise * noise.normal()),
    };
    add_errors(&mut updates, draw, error, noise);
    spoil::values(&mut updates, ridden.gears, temperature_c, strikes);
    spoil::edges(&mut updates, strikes);
    for update in &mut updates {
        (update.left_w, update.right_w) = (update.left_w.max(0.0), update.right_w.max(0.0));
        if at_hub && update.left_w + update.right_w < LEAST_HUB_W {
            (update.left_w, update.right_w) = (0.0, 0.0);
        }
    }
    let mut sent = SentReadings {
        power: updates.iter().map(|u| SentReading { at_s: u.at_s, left_w: u.left_w, right_w: u.right_w }).collect(),
        cadence: updates.iter().map(|u| (u.at_s, u.rpm)).collect(),
        sends_balance: fitted.sides == Sides::Both && !at_hub,
        unheard: vec![],
    };
    spoil::messages(&mut sent, strikes);
    sent
}

/// The least part of a turn worth a reading when the cranks start from rest. Common practice, no source.
const LEAST_FIRST_TURN: f64 = 0.35;

fn turns(signal: &RideSignal, draw: &InstrumentDraw) -> Vec<Update> {
    let mut found: Vec<Update> = vec![];
    let mut still = true;
    // Where the present turn began: time, turns, work of each side.
    let mut from = (0.0, 0.0, (0.0, 0.0));
    for i in 1..signal.len() {
        let t_s = i as f64 * STEP_S;
        let (before, after) = (signal.turns[i - 1], signal.turns[i]);
        if after == before {
            if !still && t_s - from.0 > draw.timeout_s {
                let at_s = from.0 + draw.timeout_s;
                let zero =
                    Update { from_s: from.0, at_s, left_w: 0.0, right_w: 0.0, rpm: 0.0, idle: true, woke: false };
                found.push(zero);
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
        found.push(Update {
            from_s: from.0,
            at_s,
            left_w: (work.0 - from.2.0) / lasts_s,
            right_w: (work.1 - from.2.1) / lasts_s,
            rpm: 60.0 * (mark - from.1) / lasts_s,
            idle: false,
            woke: woke || found.last().is_none_or(|update| update.idle),
        });
        from = (at_s, mark, work);
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

/// `error` draws one update's relative noise of power and of balance.
pub(super) fn add_errors(
    updates: &mut [Update],
    draw: &InstrumentDraw,
    mut error: impl FnMut(&mut Noise) -> (f64, f64),
    noise: &mut Noise,
) {
    for update in updates {
        let (power, balance) = error(noise);
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

/// Speed as its sensor sends it: true time and m/s.
pub(super) fn speed(signal: &RideSignal) -> Vec<(f64, f64)> {
    (0..signal.len()).step_by(HUB_STEPS).map(|i| (i as f64 * STEP_S, signal.speed_m_s[i])).collect()
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

/// From when a ring and a cog pull.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct SimulatedGear {
    pub from_s: f64,
    pub ring: Ring,
    pub cog: u32,
    /// Of the chain drive, as a share.
    pub loss: f64,
}

impl SimulatedGear {
    pub fn at(gears: &[SimulatedGear], t_s: f64) -> &SimulatedGear {
        let next = gears.partition_point(|gear| gear.from_s <= t_s);
        &gears[next.saturating_sub(1)]
    }
}

/// Chain-drive loss of a session, as a share.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Loss {
    /// In the middle gear.
    pub middle: f64,
    /// What a chain that runs askew adds on the small ring.
    pub small_more: f64,
    /// Share that comes from links that bend onto and off ring and cog: in proportion to 1/ring + 1/cog, the angle of
    /// each bend (Burgess 1998, Spicer et al. 2001, both from memory).
    pub bending: f64,
}

/// Ring and cog, in teeth, of the middle of usual gears. Common practice, no source.
const MIDDLE_GEAR: (f64, f64) = (52.0, 17.0);

impl Loss {
    fn of(&self, ring: Ring, ring_teeth: f64, cog: f64) -> f64 {
        let bends = |(ring, cog): (f64, f64)| 1.0 / ring + 1.0 / cog;
        let more = if ring == Ring::Small { self.small_more } else { 0.0 };
        self.middle * (1.0 + self.bending * (bends((ring_teeth, cog)) / bends(MIDDLE_GEAR) - 1.0)) + more
    }
}

/// The gears of a ride; what stands on the shifters while nobody pedals is none.
pub(super) fn gears(
    signal: &RideSignal,
    stretches: &[ScriptStretch],
    drivetrain: &Drivetrain,
    loss: &Loss,
) -> Vec<SimulatedGear> {
    let gear = |(from_s, ring, development_m): (f64, Ring, f64)| {
        let teeth = drivetrain.teeth(ring).map_or(MIDDLE_GEAR.0, f64::from);
        let cog = drivetrain.wheel_m.map_or(MIDDLE_GEAR.1, |wheel_m| teeth * wheel_m / development_m);
        SimulatedGear { from_s, ring, cog: cog.round() as u32, loss: loss.of(ring, teeth, cog) }
    };
    let same = |a: &SimulatedGear, b: &SimulatedGear| (a.ring, a.cog) == (b.ring, b.cog);
    let stands = |stretch: &ScriptStretch| stretch.act.stops();
    let planned = |stretch: &ScriptStretch| gear((stretch.start_s, stretch.ring, stretch.development_m));
    // On the road a rider shifts whenever the road asks for it.
    let shifted = |&(t_s, development_m): &(f64, f64)| {
        let ridden = stretches.partition_point(|stretch| stretch.start_s <= t_s).saturating_sub(1);
        gear((t_s, stretches[ridden].ring, development_m))
    };
    let mut gears: Vec<SimulatedGear> = if signal.places.is_empty() {
        stretches.iter().filter(|stretch| !stands(stretch)).map(planned).collect()
    } else {
        signal.developments_m.iter().map(shifted).collect()
    };
    gears.dedup_by(|next, last| same(next, last));
    if gears.is_empty() {
        gears.extend(stretches.first().map(planned));
    }
    gears
}

/// Time in which a sensor takes up most of what warms it. Common practice, no source.
const WARMING_S: f64 = 1200.0;

/// How much colder it is where a bike is left standing to soak: a winter's day against a room. Common practice, no source.
const COLDER_C: f64 = 14.0;

/// Temperature of a sensor at each second of the ride: it warms by up to `rises_c` while its rider sweats beside it, cools
/// while it stands, and soaks in the cold in a `wait` if it goes out `with_bike`.
pub(super) fn temperature_c(
    stretches: &[ScriptStretch],
    protocol: &Protocol,
    (start_c, rises_c): (f64, f64),
    with_bike: bool,
) -> Vec<f64> {
    let waits = |stretch: &ScriptStretch| {
        stretch.phase.is_some_and(|(index, _)| matches!(protocol.phases[index].drill, Drill::Wait { .. }))
    };
    let mut now_c = start_c;
    let mut found = vec![];
    for stretch in stretches {
        let towards_c = match stretch.act {
            RiderAction::Still if with_bike && waits(stretch) => start_c - COLDER_C,
            RiderAction::Still => start_c,
            _ => start_c + rises_c,
        };
        while (found.len() as f64) < stretch.end_s {
            found.push(now_c);
            now_c += (towards_c - now_c) / WARMING_S;
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::super::draws::LOSS;
    use super::super::tests::bench_trial;
    use super::*;
    use crate::protocol::Posture;

    const MEASURED: Loss = Loss { middle: LOSS, small_more: 0.0, bending: 0.4 };

    #[test]
    fn the_middle_gear_loses_what_is_stated() {
        assert_eq!(MEASURED.of(Ring::Big, 52.0, 17.0), LOSS);
        let askew = Loss { small_more: 0.002, ..MEASURED };
        assert_eq!(askew.of(Ring::Small, 52.0, 17.0), LOSS + 0.002);
    }

    /// Larger rings and cogs lose less at one ratio; the whole lies between 1 and 5 %. Spicer et al. 2001 and later rig
    /// tests, from memory, in direction and range; no figure is theirs.
    #[test]
    fn a_small_ring_with_a_small_cog_loses_more_at_the_same_ratio() {
        let (big, small) = (MEASURED.of(Ring::Big, 52.0, 21.0), MEASURED.of(Ring::Small, 36.0, 14.0));
        assert!(small - big > 0.002 && small - big < 0.006, "{big} {small}");
        for cog in [11.0, 14.0, 19.0, 25.0, 30.0] {
            for (ring, teeth) in [(Ring::Big, 52.0), (Ring::Small, 36.0)] {
                assert!((0.01..0.05).contains(&MEASURED.of(ring, teeth, cog)));
            }
        }
    }

    /// Of each second of a ride of such stretches.
    fn temperature_of(ride: &[(RiderAction, Option<usize>, f64)], protocol: &Protocol, with_bike: bool) -> Vec<f64> {
        let mut start_s = 0.0;
        let stretch = |&(act, phase, lasts_s): &(RiderAction, Option<usize>, f64)| {
            start_s += lasts_s;
            ScriptStretch {
                act,
                phase: phase.map(|index| (index, 1)),
                start_s: start_s - lasts_s,
                end_s: start_s,
                aim_w: 100.0,
                cadence_rpm: 80.0,
                posture: Posture::Seated,
                grade_pct: None,
                ring: Ring::Big,
                development_m: 6.0,
            }
        };
        let stretches: Vec<ScriptStretch> = ride.iter().map(stretch).collect();
        temperature_c(&stretches, protocol, (18.0, 4.0), with_bike)
    }

    #[test]
    fn a_sensor_warms_towards_its_end_and_cools_while_it_stands() {
        let ride = [(RiderAction::Ride, None, 3600.0), (RiderAction::Still, None, 1800.0)];
        let temperature_c = temperature_of(&ride, &bench_trial(), true);
        assert_eq!((temperature_c.len(), temperature_c[0]), (5400, 18.0));
        // 1 − e^−3 of the rise after three times the time constant.
        assert!((temperature_c[3599] - 21.8).abs() < 0.01, "{}", temperature_c[3599]);
        assert!(temperature_c[5399] < 19.0);
    }

    #[test]
    fn what_is_on_the_bike_soaks_in_the_cold_of_a_wait_and_a_trainer_does_not() {
        let mut protocol = bench_trial();
        protocol.phases[0].drill = Drill::Wait { lasts_s: None };
        let ride = [
            (RiderAction::Still, None, 10.0),
            (RiderAction::Still, Some(0), 2400.0),
            (RiderAction::Ride, Some(1), 2400.0),
        ];
        let (soaked, stayed) = (temperature_of(&ride, &protocol, true), temperature_of(&ride, &protocol, false));
        // 1 − e^−2 of the way down, then of the way up from there.
        let coldest_c = 18.0 - COLDER_C * 0.8647;
        assert!((soaked[2410] - coldest_c).abs() < 0.02, "{}", soaked[2410]);
        assert!((soaked[4809] - (22.0 - (22.0 - coldest_c) * 0.1353)).abs() < 0.02, "{}", soaked[4809]);
        assert_eq!(stayed[2410], 18.0);
    }
}
