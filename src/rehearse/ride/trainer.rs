//! What the pedals drive indoors: a trainer whose brake follows the wheel, or one that holds a power.

use super::super::gearing::{BRAKE, FLYWHEEL_KG};
use super::super::noise::Noise;
use super::super::stretches::{RiderAction, ScriptStretch};
use super::motion::{Course, Motion, SPIN_UP_M_S2, fade, pace_tau_s, power_tau_s};
use super::rider::Rider;
use super::signal::STEP_S;

/// The brake's power grows with the cube of speed; the rider chooses gear and cadence and meets the aim.
pub(super) struct Resistance;

impl Course for Resistance {
    fn step(&mut self, motion: &mut Motion, stretch: &ScriptStretch, t_s: f64, rider: &Rider) {
        let stops = stretch.act.stops();
        let pace_tau_s = if stops { 0.12 } else { pace_tau_s(stretch.act) };
        motion.pace_rpm += (stretch.cadence_rpm * rider.cadence_factor - motion.pace_rpm) * STEP_S / pace_tau_s;
        if stops && motion.pace_rpm < 3.0 {
            motion.pace_rpm = 0.0;
        }
        // The chain pulls only while the cranks are at least as fast as the flywheel.
        let driven_m_s = motion.pace_rpm / 60.0 * stretch.development_m;
        let speed_m_s = motion.speed_m_s;
        let rolling_m_s = speed_m_s - BRAKE * speed_m_s * speed_m_s / FLYWHEEL_KG * STEP_S;
        let pulls = driven_m_s >= rolling_m_s;
        motion.speed_m_s = if pulls { driven_m_s.min(speed_m_s + SPIN_UP_M_S2 * STEP_S) } else { rolling_m_s };
        motion.cadence_rpm = if pulls { motion.speed_m_s * 60.0 / stretch.development_m } else { motion.pace_rpm };
        if stops {
            motion.power_w = 0.0;
        } else if pulls || stretch.act != RiderAction::Restart {
            let aim_w = stretch.aim_w * rider.power_factor * fade(stretch.act, t_s - stretch.start_s);
            motion.power_w += (aim_w - motion.power_w) * STEP_S / power_tau_s(stretch.act);
        }
    }

    fn development_m(&self, stretch: &ScriptStretch) -> f64 {
        stretch.development_m
    }
}

/// The brake holds what the plan asks for, whatever the cadence: its force is what the power leaves at the wheel's speed,
/// and it gets there late and by way of too much and too little.
pub(super) struct ConstantPower {
    held_w: f64,
    force_n: f64,
    /// Of the force, N/s.
    rate_n_s: f64,
    /// Since the legs came back after standing still.
    pedalled_s: f64,
    hunts: Noise,
    pull_n: f64,
}

// A regulation that is there after some five seconds and overshoots by a quarter. Common practice, no source.
const PER_S: f64 = 0.9;
const DAMPING: f64 = 0.4;
/// How unsteady the brake itself is, in the force's own steps, N/s. Common practice, no source.
const HUNTING_N_S: f64 = 0.2;
/// It waits for pedalling to be there before it takes hold again. Common practice, no source.
const TAKES_HOLD_S: f64 = 1.2;
/// Belt, bearings and fan of a brake let go, and the most that one can hold. Common practice, no source.
const LET_GO_N: f64 = 3.0;
const MOST_N: f64 = 110.0;
const LETS_GO_TAU_S: f64 = 1.0;
/// How slowly a rider brings the wheel to another cadence, and how far above the aim they press for it, as a share.
/// Common practice, no source.
const CATCH_UP_S: f64 = 2.5;
const PRESS_AT_MOST: f64 = 1.25;
const PRESS_AT_LEAST: f64 = 0.6;

impl ConstantPower {
    pub fn new(hunts: Noise) -> Self {
        Self { held_w: 0.0, force_n: LET_GO_N, rate_n_s: 0.0, pedalled_s: 0.0, hunts, pull_n: 0.0 }
    }

    fn regulate(&mut self, pedals: bool, speed_m_s: f64) {
        self.pedalled_s = if pedals { self.pedalled_s + STEP_S } else { 0.0 };
        if self.pedalled_s < TAKES_HOLD_S {
            self.rate_n_s = 0.0;
            self.force_n += (LET_GO_N - self.force_n) * STEP_S / LETS_GO_TAU_S;
            return;
        }
        let wanted_n = (self.held_w / speed_m_s.max(1.0)).min(MOST_N);
        self.rate_n_s += (PER_S * PER_S * (wanted_n - self.force_n) - 2.0 * DAMPING * PER_S * self.rate_n_s) * STEP_S;
        self.force_n = (self.force_n + (self.rate_n_s + self.pull_n) * STEP_S).clamp(LET_GO_N, MOST_N);
    }
}

impl Course for ConstantPower {
    fn slow_step(&mut self, _motion: &Motion, _stretch: &ScriptStretch) {
        self.pull_n = HUNTING_N_S * self.hunts.normal();
    }

    fn step(&mut self, motion: &mut Motion, stretch: &ScriptStretch, _t_s: f64, rider: &Rider) {
        let stops = stretch.act.stops();
        if !stops {
            self.held_w = stretch.aim_w;
        }
        self.regulate(!stops, motion.speed_m_s);
        if stops || !motion.legs_catch_up(stretch.development_m) {
            return motion.roll(stops, self.force_n, FLYWHEEL_KG);
        }
        let aim_m_s = stretch.cadence_rpm * rider.cadence_factor / 60.0 * stretch.development_m;
        let braked_w = self.force_n * motion.speed_m_s;
        let catch_up_w = FLYWHEEL_KG * motion.speed_m_s.max(2.0) * (aim_m_s - motion.speed_m_s) / CATCH_UP_S;
        let least_w = PRESS_AT_LEAST * braked_w;
        let wish_w = (braked_w + catch_up_w).clamp(least_w, least_w.max(PRESS_AT_MOST * stretch.aim_w));
        motion.push(wish_w * rider.power_factor, power_tau_s(RiderAction::Restart), stretch.development_m);
        motion.drive(1.0, self.force_n, FLYWHEEL_KG, stretch.development_m);
    }

    fn development_m(&self, stretch: &ScriptStretch) -> f64 {
        stretch.development_m
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rehearse::noise::Purpose;

    #[test]
    fn a_brake_that_holds_power_pulls_harder_at_lower_speed_and_comes_back_late() {
        let mut brake = ConstantPower { held_w: 250.0, ..ConstantPower::new(Noise::new(1, Purpose::Brake)) };
        let run = |brake: &mut ConstantPower, pedals, speed_m_s: f64, seconds: f64| {
            (0..(seconds / STEP_S) as usize).for_each(|_| brake.regulate(pedals, speed_m_s));
            brake.force_n * speed_m_s
        };
        assert!((run(&mut brake, true, 10.0, 30.0) / 250.0 - 1.0).abs() < 0.01);
        let before_n = brake.force_n;
        // A fifth slower: less power at first, for the force is late; then the same again.
        assert!(run(&mut brake, true, 8.0, 0.2) < 215.0);
        assert!((run(&mut brake, true, 8.0, 20.0) / 250.0 - 1.0).abs() < 0.02);
        assert!((brake.force_n / before_n - 1.25).abs() < 0.03);
        assert!(run(&mut brake, false, 8.0, 8.0) < 30.0, "it lets go");
        assert!(run(&mut brake, true, 8.0, 1.0) < 30.0, "it waits");
        assert!(run(&mut brake, true, 8.0, 6.0) > 200.0, "it holds again");
    }
}
