//! The protocol as one rider rides it: a list of stretches, each with its aim, ring, cog and cadence.

use crate::protocol::{Drill, Hold, Phase, Posture, Protocol, Ring, Target};
use crate::quantity::Range;
use crate::session::Drivetrain;

use super::hung;
use super::noise::{Noise, Purpose};

/// What the rider does in one stretch.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RiderAction {
    /// Sits still, or is off the bike.
    Still,
    /// Feet down in the middle of something, the wheel braked to a stand.
    Stop,
    /// Warm-up, cool-down, a `free` phase.
    Ride,
    Recovery,
    Block,
    Sprint,
    LeadIn,
    Coast,
    Restart,
    Surge,
    Soft,
    Step,
}

impl RiderAction {
    /// The feet are still.
    pub(super) fn stops(self) -> bool {
        matches!(self, RiderAction::Coast | RiderAction::Still | RiderAction::Stop)
    }

    pub fn word(self) -> &'static str {
        match self {
            RiderAction::Still => "still",
            RiderAction::Stop => "stop",
            RiderAction::Ride => "ride",
            RiderAction::Recovery => "recovery",
            RiderAction::Block => "block",
            RiderAction::Sprint => "sprint",
            RiderAction::LeadIn => "lead-in",
            RiderAction::Coast => "coast",
            RiderAction::Restart => "restart",
            RiderAction::Surge => "surge",
            RiderAction::Soft => "soft",
            RiderAction::Step => "step",
        }
    }
}

/// One stretch of the ride, in true time.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct ScriptStretch {
    pub act: RiderAction,
    /// Index into the protocol's phases and repeat from 1; `None` for what the protocol did not write.
    pub phase: Option<(usize, u32)>,
    pub start_s: f64,
    pub end_s: f64,
    pub aim_w: f64,
    pub cadence_rpm: f64,
    pub ring: Ring,
    pub posture: Posture,
    /// Of the road, where the protocol asks for one.
    pub grade_pct: Option<f64>,
    /// Metres that one turn of the cranks drives the wheel.
    pub development_m: f64,
}

/// Metres for one turn on a drivetrain that states nothing (52/17 on a 25-622 tyre, roughly). Common practice, no source.
const PLAIN_DEVELOPMENT_M: f64 = 6.4;
/// Easy riding. Common practice, no source.
const RECOVERY_W: f64 = 100.0;
const RECOVERY_RPM: f64 = 80.0;
/// W and rpm, each for an equal part. Common practice, no source.
const WARM_UP: [(f64, f64); 6] =
    [(85.0, 78.0), (115.0, 84.0), (150.0, 88.0), (105.0, 82.0), (170.0, 92.0), (95.0, 80.0)];
/// To set or read a zero, or to hang a mass and read it. Common practice, no source.
const TYPING_S: f64 = 30.0;

pub(super) struct RideScript<'a> {
    drivetrain: &'a Drivetrain,
    noise: Noise,
    pub stretches: Vec<ScriptStretch>,
    now_s: f64,
    ring: Ring,
}

/// The whole ride of `protocol`: still, warm-up, each phase between recoveries, cool-down, still.
pub(super) fn write(protocol: &Protocol, drivetrain: &Drivetrain, seed: u64) -> Vec<ScriptStretch> {
    let noise = Noise::new(seed, Purpose::Script);
    let mut script = RideScript { drivetrain, noise, stretches: vec![], now_s: 0.0, ring: Ring::Big };
    script.add(RiderAction::Still, None, 10.0, 0.0, 0.0);
    let starts_free = protocol.phases.first().is_some_and(|p| matches!(p.drill, Drill::Free { .. }));
    let warm_up_s = protocol.needs.warm_up_s.unwrap_or(120.0);
    if !starts_free {
        script.warm_up(None, 1.04 * warm_up_s, None);
    }
    let mut before: Option<&Phase> = None;
    for (index, phase) in protocol.phases.iter().enumerate() {
        let next_ring = protocol.phases.get(index + 1).and_then(|next| next.ring);
        for repeat in 1..=phase.repeats {
            match before.filter(|_| repeat == 1).map(|b| &b.drill) {
                Some(Drill::Free { .. }) => {}
                Some(Drill::Wait { .. } | Drill::StaticLoad { .. } | Drill::ZeroCheck) => script.roll_off(phase),
                _ => script.recover(phase, repeat),
            }
            script.ride(phase, (index, repeat), next_ring);
        }
        before = Some(phase);
    }
    if !before.is_some_and(|b| matches!(b.drill, Drill::Free { .. })) {
        script.add(RiderAction::Ride, None, 75.0, 90.0, 78.0);
    }
    script.add(RiderAction::Still, None, 12.0, 0.0, 0.0);
    script.stretches
}

/// A repeat beyond those written down, with the easy riding before it, on the ring ridden until then.
pub(super) fn again(
    protocol: &Protocol,
    drivetrain: &Drivetrain,
    id: (usize, u32),
    ring: Ring,
    noise: Noise,
) -> Vec<ScriptStretch> {
    let mut script = RideScript { drivetrain, noise, stretches: vec![], now_s: 0.0, ring };
    let phase = &protocol.phases[id.0];
    script.recover(phase, id.1);
    script.ride(phase, id, None);
    script.stretches
}

/// The cogs for stretches whose ring, power or cadence was changed.
pub(super) fn change_gears(stretches: &mut [ScriptStretch], drivetrain: &Drivetrain) {
    for i in 0..stretches.len() {
        let s = &stretches[i];
        stretches[i].development_m = match s.act {
            // Nobody shifts while the cranks stand still.
            RiderAction::Restart if i >= 2 => stretches[i - 2].development_m,
            _ => development_m(drivetrain, s.ring, s.aim_w, s.cadence_rpm),
        };
    }
}

/// The cog on this ring that brings the rider nearest to the trainer's speed at this power.
fn development_m(drivetrain: &Drivetrain, ring: Ring, aim_w: f64, cadence_rpm: f64) -> f64 {
    let (Some(teeth), Some(wheel_m)) = (drivetrain.teeth(ring), drivetrain.wheel_m) else {
        return PLAIN_DEVELOPMENT_M;
    };
    let wanted_m = super::signal::brake_speed_m_s(aim_w) * 60.0 / cadence_rpm.max(30.0);
    let developments = drivetrain.cassette.iter().map(|cog| f64::from(teeth) / f64::from(*cog) * wheel_m);
    developments.min_by(|a, b| (a - wanted_m).abs().total_cmp(&(b - wanted_m).abs())).unwrap_or(PLAIN_DEVELOPMENT_M)
}

impl RideScript<'_> {
    fn add(&mut self, act: RiderAction, phase: Option<(usize, u32)>, lasts_s: f64, aim_w: f64, cadence_rpm: f64) {
        let development_m = development_m(self.drivetrain, self.ring, aim_w, cadence_rpm);
        let end_s = self.now_s + lasts_s;
        let start_s = std::mem::replace(&mut self.now_s, end_s);
        let (ring, posture, grade_pct) = (self.ring, Posture::Seated, None);
        let stretch =
            ScriptStretch { act, phase, start_s, end_s, aim_w, cadence_rpm, ring, posture, grade_pct, development_m };
        self.stretches.push(stretch);
    }

    /// Soft spinning before a repeat, onto its ring.
    fn recover(&mut self, phase: &Phase, repeat: u32) {
        let Some(usual) = phase.drill.usual_recovery_s() else { return };
        let usual_s = inner(&usual, 0.0, 1.0);
        let (low_s, high_s) = phase.drill.recover_s().map_or(usual_s, |range| inner(&range, 0.2, 0.6));
        let lasts_s = self.noise.between(low_s, high_s) + if repeat == 1 { 10.0 } else { 0.0 };
        let aim_w = RECOVERY_W * self.noise.between(0.93, 1.07);
        self.spin(RiderAction::Recovery, None, lasts_s, aim_w, RECOVERY_RPM, phase.ring);
    }

    /// From standing still to riding: the legs are fresh.
    fn roll_off(&mut self, phase: &Phase) {
        if !matches!(phase.drill, Drill::Wait { .. } | Drill::StaticLoad { .. } | Drill::ZeroCheck) {
            self.spin(RiderAction::Recovery, None, 20.0, RECOVERY_W, RECOVERY_RPM, phase.ring);
        }
    }

    /// Easy, with two efforts and nothing held for long: no block of the protocol looks like it.
    fn warm_up(&mut self, phase: Option<(usize, u32)>, lasts_s: f64, next_ring: Option<Ring>) {
        let [early @ .., (last_w, last_rpm)] = WARM_UP;
        let part_s = lasts_s / WARM_UP.len() as f64;
        for (aim_w, cadence_rpm) in early {
            self.add(RiderAction::Ride, phase, part_s, aim_w, cadence_rpm);
        }
        self.spin(RiderAction::Ride, phase, part_s, last_w, last_rpm, next_ring);
    }

    /// Easy riding, with a shift to `next_ring` in its second half where that is another.
    fn spin(
        &mut self,
        act: RiderAction,
        phase: Option<(usize, u32)>,
        lasts_s: f64,
        aim_w: f64,
        cadence_rpm: f64,
        next_ring: Option<Ring>,
    ) {
        let Some(ring) = next_ring.filter(|ring| *ring != self.ring) else {
            return self.add(act, phase, lasts_s, aim_w, cadence_rpm);
        };
        let before_s = lasts_s * self.noise.between(0.5, 0.8);
        self.add(act, phase, before_s, aim_w, cadence_rpm);
        self.ring = ring;
        self.add(act, phase, lasts_s - before_s, aim_w, cadence_rpm);
    }

    fn ride(&mut self, phase: &Phase, id: (usize, u32), next_ring: Option<Ring>) {
        let cadence_rpm = |default| phase.cadence_rpm.map_or(default, |r| aim_within(&r, 1.2));
        match &phase.drill {
            Drill::Free { power_w, lasts_s } => {
                let lasts_s = lasts_s.map_or(120.0, |r| self.within(&r));
                if id.0 == 0 && power_w.is_none() {
                    return self.warm_up(Some(id), lasts_s, next_ring);
                }
                let aim_w = match power_w {
                    Some(Range { low: None, high: Some(high) }) => RECOVERY_W.min(0.75 * high),
                    Some(range) => range.middle().unwrap_or(RECOVERY_W),
                    None => RECOVERY_W,
                };
                self.spin(RiderAction::Ride, Some(id), lasts_s, aim_w, cadence_rpm(84.0), next_ring);
            }
            Drill::Wait { lasts_s } => {
                let lasts_s = lasts_s.map_or(60.0, |r| self.within(&r));
                self.add(RiderAction::Still, Some(id), lasts_s, 0.0, 0.0);
            }
            Drill::Steady { power_w, lasts_s, .. } => {
                // Out of the saddle legs turn slower. Common practice, no source.
                let rpm = cadence_rpm(if phase.posture == Some(Posture::Standing) { 74.0 } else { 88.0 });
                let aim_w = power_w.aim_w() * (1.0 + self.noise.truncated(0.015, 2.0));
                let lasts_s = self.within(lasts_s) + self.noise.between(2.0, 10.0);
                let rpm = rpm * self.noise.between(0.98, 1.02);
                self.add(RiderAction::Block, Some(id), lasts_s, aim_w, rpm);
            }
            Drill::Sprint { effort_w, lasts_s, .. } => {
                // Common practice, no source: a fresh rider overshoots the least that was asked for.
                let asked_w = effort_w.low.unwrap_or(600.0);
                let most_w = effort_w.high.map_or(f64::INFINITY, |high| 0.95 * high);
                let aim_w = (asked_w * self.noise.between(1.15, 1.40)).min(most_w);
                let rpm = if phase.posture == Some(Posture::Seated) { 112.0 } else { 106.0 };
                let rpm = cadence_rpm(rpm) * self.noise.between(0.97, 1.03);
                let lasts_s = self.within(lasts_s);
                self.add(RiderAction::Sprint, Some(id), lasts_s, aim_w, rpm);
            }
            Drill::CoastRestart { lead_in, coast_s, restart, .. } => {
                self.hold(RiderAction::LeadIn, id, lead_in, cadence_rpm(88.0));
                let lasts_s = self.within(coast_s);
                self.add(RiderAction::Coast, Some(id), lasts_s, 0.0, 0.0);
                self.hold(RiderAction::Restart, id, restart, cadence_rpm(92.0));
                // Nobody shifts while the cranks stand still.
                if let [.., lead_in, _, restart] = self.stretches.as_mut_slice() {
                    restart.development_m = lead_in.development_m;
                }
            }
            Drill::SoftPedal { surge, soft, .. } => {
                self.hold(RiderAction::Surge, id, surge, 92.0);
                self.hold(RiderAction::Soft, id, soft, cadence_rpm(72.0));
            }
            Drill::Ramp { steps_w, each_s, .. } => {
                for aim_w in steps_w {
                    let lasts_s = each_s + self.noise.between(0.0, 2.0);
                    self.add(RiderAction::Step, Some(id), lasts_s, *aim_w, cadence_rpm(86.0));
                }
            }
            // Typed readings: the session holds them, the rider waits.
            Drill::ZeroCheck => self.add(RiderAction::Still, Some(id), TYPING_S, 0.0, 0.0),
            Drill::StaticLoad { loads_kg, sides, angles_deg } => {
                let loads = hung::loads(loads_kg, sides, angles_deg);
                self.add(RiderAction::Still, Some(id), TYPING_S * loads as f64, 0.0, 0.0);
            }
        }
    }

    fn hold(&mut self, act: RiderAction, id: (usize, u32), hold: &Hold, cadence_rpm: f64) {
        let lasts_s = self.within(&hold.for_s);
        let aim_w = match hold.power_w {
            Target::Value(power_w) => power_w * (1.0 + self.noise.truncated(0.02, 2.0)),
            Target::Within(Range { low: Some(low), high: None }) => low * self.noise.between(1.12, 1.35),
            Target::Within(range) => aim_within(&range, 1.0) * self.noise.between(0.9, 1.1),
        };
        let rpm = cadence_rpm * self.noise.between(0.98, 1.02);
        self.add(act, Some(id), lasts_s, aim_w, rpm);
    }

    /// A time well inside the range; a little above where only one time was asked for.
    fn within(&mut self, range: &Range) -> f64 {
        let (low_s, high_s) = inner(range, 0.15, 0.85);
        self.noise.between(low_s, high_s.max(low_s + 1.0))
    }
}

/// Where between its ends a range is used; an open end lies a tenth beyond the other.
fn inner(range: &Range, from: f64, to: f64) -> (f64, f64) {
    let low = range.low.or(range.high.map(|high| 0.9 * high)).unwrap_or(60.0);
    let high = range.high.unwrap_or(1.1 * low).max(low);
    (low + from * (high - low), low + to * (high - low))
}

/// The middle of a closed range; `beyond` times the end of an open one.
fn aim_within(range: &Range, beyond: f64) -> f64 {
    match (range.low, range.high) {
        (Some(low), None) => low * beyond,
        _ => range.middle().unwrap_or(RECOVERY_RPM),
    }
}

#[cfg(test)]
mod tests {
    use super::super::tests::{bench_trial, drivetrain};
    use super::*;

    #[test]
    fn stretches_follow_each_other_without_holes() {
        let stretches = write(&bench_trial(), &drivetrain(), 3);
        for pair in stretches.windows(2) {
            assert_eq!(pair[0].end_s, pair[1].start_s);
        }
        let total_min = stretches.last().unwrap().end_s / 60.0;
        assert!((60.0..85.0).contains(&total_min), "{total_min} min");
    }

    #[test]
    fn a_free_phase_is_the_recovery_and_brings_the_next_ring() {
        let mut protocol = bench_trial();
        let free = Drill::Free { power_w: Some(Range { low: None, high: Some(120.0) }), lasts_s: None };
        protocol.phases.insert(1, Phase { drill: free, ring: None, ..protocol.phases[0].clone() });
        let stretches = write(&protocol, &drivetrain(), 1);
        let first = stretches.iter().position(|s| s.act == RiderAction::Block).unwrap();
        let told: Vec<_> = stretches[first..first + 4].iter().map(|s| (s.act, s.ring, s.aim_w)).collect();
        assert_eq!(told[1], (RiderAction::Ride, Ring::Big, 90.0));
        assert_eq!(told[2], (RiderAction::Ride, Ring::Small, 90.0));
        assert_eq!((told[3].0, told[3].1), (RiderAction::Block, Ring::Small));
    }

    #[test]
    fn every_repeat_stays_inside_what_the_protocol_asks() {
        for seed in 0..20 {
            for s in write(&bench_trial(), &drivetrain(), seed) {
                let lasts_s = s.end_s - s.start_s;
                match s.act {
                    RiderAction::Block => assert!(lasts_s >= 240.0 && (80.0..=95.0).contains(&s.cadence_rpm)),
                    RiderAction::Sprint => assert!((6.0..=12.0).contains(&lasts_s) && s.aim_w >= 690.0),
                    RiderAction::Coast => assert!((7.0..=12.0).contains(&lasts_s)),
                    RiderAction::Restart => assert!((5.0..=10.0).contains(&lasts_s) && s.aim_w >= 300.0),
                    RiderAction::Soft => assert!((15.0..=25.0).contains(&lasts_s) && (30.0..=90.0).contains(&s.aim_w)),
                    _ => {}
                }
            }
        }
    }
}
