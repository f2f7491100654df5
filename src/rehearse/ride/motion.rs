//! Rider, cranks and wheel from one step to the next, and what a course has to say of them.

use super::super::stretches::{RiderAction, ScriptStretch};
use super::rider::Rider;
use super::signal::{STEP_S, TruePosition};

/// Fastest that legs bring it up to speed, m/s². Common practice, no source.
pub(super) const SPIN_UP_M_S2: f64 = 5.0;

/// How fast the rider's power follows the aim, seconds. Common practice, no source.
#[inline]
pub(super) fn power_tau_s(act: RiderAction) -> f64 {
    match act {
        RiderAction::Sprint | RiderAction::Restart => 0.35,
        RiderAction::Surge | RiderAction::Soft => 0.7,
        _ => 1.5,
    }
}

/// How fast the cadence follows, seconds. Common practice, no source.
#[inline]
pub(super) fn pace_tau_s(act: RiderAction) -> f64 {
    if matches!(act, RiderAction::Sprint | RiderAction::Restart) { 0.35 } else { 0.6 }
}

/// A sprint fades after two seconds, to about three quarters after ten. Common practice, no source.
#[inline]
pub(super) fn fade(act: RiderAction, since_s: f64) -> f64 {
    if act == RiderAction::Sprint { libm::exp(-(since_s - 2.0).max(0.0) / 28.0) } else { 1.0 }
}

/// By design slow noise moves four times a second; what is faster comes from the strokes.
pub(super) const SLOW: usize = 5;
pub(super) const SLOW_S: f64 = SLOW as f64 * STEP_S;

/// Rider, cranks and wheel at one instant.
#[derive(Debug, Clone, Default)]
pub(super) struct Motion {
    pub power_w: f64,
    /// What the legs press, whether or not the chain pulls: it outlasts a shift.
    pressed_w: f64,
    /// Of the legs, whether or not they pull.
    pub pace_rpm: f64,
    pub cadence_rpm: f64,
    pub speed_m_s: f64,
}

/// What legs at rest or behind the wheel do. Common practice, no source.
const STOP_TAU_S: f64 = 0.12;
const CATCH_UP_TAU_S: f64 = 0.25;
/// Torque that legs bring onto the cranks at a start, N·m, and a cadence to start from. Common practice, no source.
const LEGS_NM: f64 = 130.0;
const FIRST_RPM: f64 = 8.0;

impl Motion {
    /// Legs that come back to a rolling wheel first catch up with it; `true` once the chain pulls.
    #[inline]
    pub fn legs_catch_up(&mut self, development_m: f64) -> bool {
        let wheel_rpm = self.speed_m_s * 60.0 / development_m;
        if self.cadence_rpm > wheel_rpm - 1.0 {
            return true;
        }
        self.cadence_rpm += (wheel_rpm * 1.05 - self.cadence_rpm) * STEP_S / CATCH_UP_TAU_S;
        self.power_w = 0.0;
        false
    }

    /// The wheel rolls by itself against a force; `stops` says whether the legs are at rest.
    #[inline]
    pub fn roll(&mut self, stops: bool, force_n: f64, mass_kg: f64) {
        if stops {
            self.cadence_rpm -= self.cadence_rpm * STEP_S / STOP_TAU_S;
            if self.cadence_rpm < 3.0 {
                self.cadence_rpm = 0.0;
            }
        }
        if stops {
            self.pressed_w = 0.0;
        }
        self.power_w = 0.0;
        self.speed_m_s = (self.speed_m_s - force_n / mass_kg * STEP_S).max(0.0);
    }

    /// The rider's power follows a wish, as far as the legs' torque goes at this cadence.
    #[inline]
    pub fn push(&mut self, wish_w: f64, tau_s: f64, development_m: f64) {
        let rpm = (self.speed_m_s * 60.0 / development_m).max(FIRST_RPM);
        let most_w = LEGS_NM * rpm * std::f64::consts::TAU / 60.0;
        self.pressed_w = (self.pressed_w + (wish_w - self.pressed_w) * STEP_S / tau_s).max(0.0);
        self.power_w = self.pressed_w.min(most_w);
    }

    /// The chain pulls the wheel against a force.
    #[inline]
    pub fn drive(&mut self, efficiency: f64, force_n: f64, mass_kg: f64, development_m: f64) {
        let pull_n = efficiency * self.power_w / self.speed_m_s.max(0.5);
        self.speed_m_s = (self.speed_m_s + (pull_n - force_n) / mass_kg * STEP_S).max(0.0);
        self.cadence_rpm = self.speed_m_s * 60.0 / development_m;
    }
}

/// What the pedals drive.
pub(super) trait Course {
    /// Four times a second.
    fn slow_step(&mut self, _motion: &Motion, _stretch: &ScriptStretch) {}
    fn step(&mut self, motion: &mut Motion, stretch: &ScriptStretch, t_s: f64, rider: &Rider);
    fn development_m(&self, stretch: &ScriptStretch) -> f64;
    fn place(&self) -> Option<TruePosition> {
        None
    }
}
