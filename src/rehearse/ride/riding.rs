//! The ride step by step: a rider who follows a script against what the pedals drive.

use crate::session::Drivetrain;

use super::super::habits::RideHabits;
use super::super::noise::{Noise, Purpose};
use super::super::setting::RideSetting;
use super::super::stretches::{RiderAction, ScriptStretch};
use super::super::timed::TimedValue;
use super::heart::Heart;
use super::motion::{Course, Motion, SLOW, SLOW_S};
use super::rider::{CONSTANT_POWER, INDOOR, ROAD, Rider};
use super::road::Road;
use super::signal::{RideSignal, STEP_S};
use super::trainer::{ConstantPower, Resistance};

/// A rider who stops brakes gently. Common practice, no source.
const BRAKING_M_S2: f64 = 1.5;

/// The whole ride: one step after the other, the rider against what the pedals drive.
pub(crate) fn ride(
    stretches: &[ScriptStretch],
    drivetrain: &Drivetrain,
    setting: RideSetting,
    seed: u64,
    habits: &RideHabits,
) -> RideSignal {
    let (mut course, steadiness): (Box<dyn Course>, _) = match setting {
        RideSetting::Resistance => (Box::new(Resistance), INDOOR),
        RideSetting::ConstantPower => (Box::new(ConstantPower::new(Noise::new(seed, Purpose::Brake))), CONSTANT_POWER),
        RideSetting::Road => (Box::new(Road::new(stretches, drivetrain, seed)), ROAD),
    };
    let mut rider = Rider::new(seed, habits, steadiness, SLOW_S);
    let mut heart = Heart::new(seed, habits);
    let length_s = stretches.last().map_or(0.0, |s| s.end_s);
    let steps = (length_s / STEP_S) as usize;
    let mut signal = RideSignal::with_capacity(steps);
    let (mut motion, mut turns) = (Motion::default(), 0.0_f64);
    let (mut left_j, mut right_j) = (0.0, 0.0);
    let mut at = 0;
    for step in 0..steps {
        let t_s = step as f64 * STEP_S;
        while t_s >= stretches[at].end_s {
            at += 1;
        }
        let stretch = &stretches[at];
        if step % SLOW == 0 {
            rider.wander();
            heart.wander();
            if step % (4 * SLOW) == 0 {
                signal.places.extend(course.place());
            }
            course.slow_step(&motion, stretch);
        }
        course.step(&mut motion, stretch, t_s, &rider);
        if stretch.act == RiderAction::Stop {
            motion.speed_m_s = (motion.speed_m_s - BRAKING_M_S2 * STEP_S).max(0.0);
        }
        let development_m = course.development_m(stretch);
        if signal.developments_m.last().is_none_or(|last| last.value != development_m) {
            signal.developments_m.push(TimedValue { at_s: t_s, value: development_m });
        }
        let before = turns;
        turns += motion.cadence_rpm / 60.0 * STEP_S;
        rider.turn(before, turns, motion.power_w);
        let (left_w, right_w) = rider.sides_w(motion.power_w, turns, stretch.posture);
        signal.beats.extend(heart.beat(t_s, motion.power_w));
        signal.left_w.push(left_w);
        signal.right_w.push(right_w);
        signal.cadence_rpm.push(motion.cadence_rpm);
        signal.turns.push(turns);
        signal.speed_m_s.push(motion.speed_m_s);
        signal.left_work_j.push(left_j);
        signal.right_work_j.push(right_j);
        left_j += left_w * STEP_S;
        right_j += right_w * STEP_S;
    }
    signal
}
