//! Writes a script stretch by stretch: each begins where the last one ended, on the ring and the cog that it needs.

use crate::protocol::{Hold, Phase, Posture, Ring, Target};
use crate::quantity::Range;
use crate::session::Drivetrain;

use super::super::gearing;
use super::super::noise::Noise;
use super::stretch::{RepeatOf, RiderAction, ScriptStretch};

/// Easy riding. Common practice, no source.
pub(crate) const RECOVERY_W: f64 = 100.0;
const RECOVERY_RPM: f64 = 80.0;
/// W and rpm, each for an equal part. Common practice, no source.
const WARM_UP: [(f64, f64); 6] =
    [(85.0, 78.0), (115.0, 84.0), (150.0, 88.0), (105.0, 82.0), (170.0, 92.0), (95.0, 80.0)];

/// Writes a script, one stretch after the other.
pub(crate) struct ScriptBuilder<'a> {
    drivetrain: &'a Drivetrain,
    pub noise: Noise,
    pub stretches: Vec<ScriptStretch>,
    now_s: f64,
    ring: Ring,
}

impl<'a> ScriptBuilder<'a> {
    pub fn new(drivetrain: &'a Drivetrain, ring: Ring, noise: Noise) -> Self {
        Self { drivetrain, noise, stretches: vec![], now_s: 0.0, ring }
    }

    pub fn add(&mut self, act: RiderAction, phase: Option<RepeatOf>, lasts_s: f64, aim_w: f64, cadence_rpm: f64) {
        let development_m = gearing::nearest_m(self.drivetrain, self.ring, aim_w, cadence_rpm);
        let end_s = self.now_s + lasts_s;
        let start_s = std::mem::replace(&mut self.now_s, end_s);
        let (ring, posture, grade_pct) = (self.ring, Posture::Seated, None);
        let stretch =
            ScriptStretch { act, phase, start_s, end_s, aim_w, cadence_rpm, ring, posture, grade_pct, development_m };
        self.stretches.push(stretch);
    }

    /// Soft spinning before a repeat, onto its ring.
    pub fn recover(&mut self, phase: &Phase, repeat: u32) {
        let Some(usual) = phase.drill.usual_recovery_s() else { return };
        let usual_s = inner(&usual, 0.0, 1.0);
        let (low_s, high_s) = phase.drill.recover_s().map_or(usual_s, |range| inner(&range, 0.2, 0.6));
        let lasts_s = self.noise.between(low_s, high_s) + if repeat == 1 { 10.0 } else { 0.0 };
        let aim_w = RECOVERY_W * self.noise.between(0.93, 1.07);
        self.spin(RiderAction::Recovery, None, lasts_s, aim_w, RECOVERY_RPM, phase.ring);
    }

    /// From standing still to riding: the legs are fresh.
    pub fn roll_off(&mut self, phase: &Phase) {
        if phase.drill.kind().is_ridden() {
            self.spin(RiderAction::Recovery, None, 20.0, RECOVERY_W, RECOVERY_RPM, phase.ring);
        }
    }

    /// Easy, with two efforts and nothing held for long: no block of the protocol looks like it.
    pub fn warm_up(&mut self, phase: Option<RepeatOf>, lasts_s: f64, next_ring: Option<Ring>) {
        let [early @ .., (last_w, last_rpm)] = WARM_UP;
        let part_s = lasts_s / WARM_UP.len() as f64;
        for (aim_w, cadence_rpm) in early {
            self.add(RiderAction::Ride, phase, part_s, aim_w, cadence_rpm);
        }
        self.spin(RiderAction::Ride, phase, part_s, last_w, last_rpm, next_ring);
    }

    /// Easy riding, with a shift to `next_ring` in its second half where that is another.
    pub fn spin(
        &mut self,
        act: RiderAction,
        phase: Option<RepeatOf>,
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

    pub fn hold(&mut self, act: RiderAction, of: RepeatOf, hold: &Hold, cadence_rpm: f64) {
        let lasts_s = self.within(&hold.for_s);
        let aim_w = match hold.power_w {
            Target::Value(power_w) => power_w * (1.0 + self.noise.truncated(0.02, 2.0)),
            Target::Within(Range { low: Some(low), high: None }) => low * self.noise.between(1.12, 1.35),
            Target::Within(range) => aim_within(&range, 1.0) * self.noise.between(0.9, 1.1),
        };
        let rpm = cadence_rpm * self.noise.between(0.98, 1.02);
        self.add(act, Some(of), lasts_s, aim_w, rpm);
    }

    /// A time well inside the range; a little above where only one time was asked for.
    pub fn within(&mut self, range: &Range) -> f64 {
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
pub(crate) fn aim_within(range: &Range, beyond: f64) -> f64 {
    match (range.low, range.high) {
        (Some(low), None) => low * beyond,
        _ => range.middle().unwrap_or(RECOVERY_RPM),
    }
}
