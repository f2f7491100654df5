//! What truly happens at the cranks: power, cadence, balance, speed and heart rate at 20 Hz.

use crate::protocol::Ring;
use crate::session::Drivetrain;

use super::RideSetting;
use super::habits::RideHabits;
use super::noise::{Noise, Purpose, Wander};
use super::rider::{CONSTANT_POWER, INDOOR, ROAD, Rider};
use super::road::{Road, TruePosition};
use super::script::{RiderAction, ScriptStretch};
use super::trainer::{ConstantPower, Resistance};

/// By design: twelve and more points to a turn of the cranks, enough for the stroke's ripple.
pub(super) const STEP_S: f64 = 0.05;

/// How the brake's power grows with speed, W per (m/s)³: 200 W at 33 km/h, as on a level road. Common practice, no source.
pub(super) const BRAKE: f64 = 0.25;
/// Bike and rider, or the flywheel that stands for them, are light indoors. Common practice, no source.
pub(super) const FLYWHEEL_KG: f64 = 32.0;
/// Fastest that legs bring it up to speed, m/s². Common practice, no source.
pub(super) const SPIN_UP_M_S2: f64 = 5.0;

/// A rider who stops brakes gently. Common practice, no source.
const BRAKING_M_S2: f64 = 1.5;

/// Speed at which the trainer's brake takes this power.
pub(super) fn brake_speed_m_s(power_w: f64) -> f64 {
    libm::cbrt(power_w.max(0.0) / BRAKE)
}

/// Columns of one value per step, from the ride's start. Left and right sum to the rider's power.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct RideSignal {
    pub left_w: Vec<f64>,
    pub right_w: Vec<f64>,
    pub cadence_rpm: Vec<f64>,
    /// Turns of the cranks since the start.
    pub turns: Vec<f64>,
    pub speed_m_s: Vec<f64>,
    /// From when one turn of the cranks drives the wheel how far: true time and metres.
    pub developments_m: Vec<(f64, f64)>,
    /// On the road: where the bike is at each whole second. Empty indoors.
    pub places: Vec<TruePosition>,
    /// The strap's messages: true time and whole beats per minute, once a beat.
    pub beats: Vec<(f64, f64)>,
    /// Work of both sides up to the beginning of each step, J.
    left_work_j: Vec<f64>,
    right_work_j: Vec<f64>,
}

impl RideSignal {
    fn with_capacity(steps: usize) -> Self {
        let column = || Vec::with_capacity(steps);
        Self {
            left_w: column(),
            right_w: column(),
            cadence_rpm: column(),
            turns: column(),
            speed_m_s: column(),
            left_work_j: column(),
            right_work_j: column(),
            ..Self::default()
        }
    }

    pub fn len(&self) -> usize {
        self.left_w.len()
    }

    pub fn is_empty(&self) -> bool {
        self.left_w.is_empty()
    }

    /// Seconds between values.
    pub fn step_s(&self) -> f64 {
        STEP_S
    }

    /// Work of the left and of the right side from the start until `at_s`, J.
    pub fn work_until_j(&self, at_s: f64) -> (f64, f64) {
        let place = (at_s / STEP_S).max(0.0);
        let i = place as usize;
        if i >= self.len() {
            return match self.len().checked_sub(1) {
                Some(last) => self.work_at(last, 1.0),
                None => (0.0, 0.0),
            };
        }
        self.work_at(i, place - i as f64)
    }

    fn work_at(&self, i: usize, part: f64) -> (f64, f64) {
        let dt_s = part * STEP_S;
        (self.left_work_j[i] + self.left_w[i] * dt_s, self.right_work_j[i] + self.right_w[i] * dt_s)
    }

    /// Mean power of the rider between two true times, W.
    pub fn mean_w(&self, from_s: f64, to_s: f64) -> f64 {
        let (from, to) = (self.work_until_j(from_s), self.work_until_j(to_s));
        (to.0 + to.1 - from.0 - from.1) / (to_s - from_s)
    }
}

/// How fast the rider's power follows the aim, seconds. Common practice, no source.
pub(super) fn power_tau_s(act: RiderAction) -> f64 {
    match act {
        RiderAction::Sprint | RiderAction::Restart => 0.35,
        RiderAction::Surge | RiderAction::Soft => 0.7,
        _ => 1.5,
    }
}

/// How fast the cadence follows, seconds. Common practice, no source.
pub(super) fn pace_tau_s(act: RiderAction) -> f64 {
    if matches!(act, RiderAction::Sprint | RiderAction::Restart) { 0.35 } else { 0.6 }
}

/// A sprint fades after two seconds, to about three quarters after ten. Common practice, no source.
pub(super) fn fade(act: RiderAction, since_s: f64) -> f64 {
    if act == RiderAction::Sprint { libm::exp(-(since_s - 2.0).max(0.0) / 28.0) } else { 1.0 }
}

/// Heart rate that a power settles at. Common practice, no source.
fn settled_bpm(power_w: f64, heart: f64) -> f64 {
    62.0 + 0.38 * heart * power_w.min(320.0)
}
/// And how slowly. Common practice, no source.
const HEART_TAU_S: f64 = 35.0;

/// By design slow noise moves four times a second; what is faster comes from the strokes.
const SLOW: usize = 5;
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
    pub fn push(&mut self, wish_w: f64, tau_s: f64, development_m: f64) {
        let rpm = (self.speed_m_s * 60.0 / development_m).max(FIRST_RPM);
        let most_w = LEGS_NM * rpm * std::f64::consts::TAU / 60.0;
        self.pressed_w = (self.pressed_w + (wish_w - self.pressed_w) * STEP_S / tau_s).max(0.0);
        self.power_w = self.pressed_w.min(most_w);
    }

    /// The chain pulls the wheel against a force.
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

/// Metres of one turn of the cranks on each cog; none on a drivetrain that does not state enough.
pub(super) fn developments_m(drivetrain: &Drivetrain, ring: Ring) -> Vec<f64> {
    let (Some(teeth), Some(wheel_m)) = (drivetrain.teeth(ring), drivetrain.wheel_m) else { return vec![] };
    drivetrain.cassette.iter().map(|cog| f64::from(teeth) / f64::from(*cog) * wheel_m).collect()
}

pub(super) fn ride(
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
        if signal.developments_m.last().is_none_or(|last| last.1 != development_m) {
            signal.developments_m.push((t_s, development_m));
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

/// The rider's heart, as a strap tells of it.
struct Heart {
    noise: Noise,
    wander: Wander,
    range: f64,
    bpm: f64,
    off_bpm: f64,
    beat: f64,
}

impl Heart {
    fn new(seed: u64, habits: &RideHabits) -> Self {
        let wander = Wander::new(1.2 * habits.heart, 8.0, SLOW_S);
        Self {
            noise: Noise::new(seed, Purpose::Heart),
            wander,
            range: habits.heart,
            bpm: 78.0,
            off_bpm: 0.0,
            beat: 0.0,
        }
    }

    fn wander(&mut self) {
        self.off_bpm = self.wander.next(&mut self.noise);
    }

    /// The strap's message, if a beat falls into this step.
    fn beat(&mut self, t_s: f64, power_w: f64) -> Option<(f64, f64)> {
        self.bpm += (settled_bpm(power_w, self.range) - self.bpm) * STEP_S / HEART_TAU_S;
        self.beat += self.bpm / 60.0 * STEP_S;
        (self.beat >= 1.0).then(|| {
            self.beat -= 1.0;
            (t_s, (self.bpm + self.off_bpm).round())
        })
    }
}
