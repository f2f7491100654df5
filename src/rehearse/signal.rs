//! What truly happens at the cranks: power, cadence, balance, speed and heart rate at 20 Hz.

use super::habits::Habits;
use super::noise::{Noise, Purpose, Wander};
use super::rider::{INDOOR, Rider};
use super::script::{Act, Stretch};

/// Twelve and more points to a turn of the cranks: enough for the stroke's ripple.
pub(super) const STEP_S: f64 = 0.05;

/// How the brake's power grows with speed, W per (m/s)³: 200 W at 33 km/h, as on a level road.
const BRAKE: f64 = 0.25;
/// Bike and rider, or the flywheel that stands for them, are light indoors.
pub(super) const FLYWHEEL_KG: f64 = 32.0;
/// Fastest that legs bring it up to speed, m/s². Common practice, no source.
const SPIN_UP_M_S2: f64 = 5.0;

/// Speed at which the trainer's brake takes this power.
pub(super) fn brake_speed_m_s(power_w: f64) -> f64 {
    libm::cbrt(power_w.max(0.0) / BRAKE)
}

/// Columns of one value per step, from the ride's start. Left and right sum to the rider's power.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Signal {
    pub left_w: Vec<f64>,
    pub right_w: Vec<f64>,
    pub cadence_rpm: Vec<f64>,
    /// Turns of the cranks since the start.
    pub turns: Vec<f64>,
    pub speed_m_s: Vec<f64>,
    /// The strap's messages: true time and whole beats per minute, once a beat.
    pub beats: Vec<(f64, f64)>,
    /// Work of both sides up to the beginning of each step, J.
    left_work_j: Vec<f64>,
    right_work_j: Vec<f64>,
}

impl Signal {
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
fn power_tau_s(act: Act) -> f64 {
    match act {
        Act::Sprint | Act::Restart => 0.35,
        Act::Surge | Act::Soft => 0.7,
        _ => 1.5,
    }
}

/// How fast the cadence follows, seconds. Common practice, no source.
fn pace_tau_s(act: Act) -> f64 {
    if matches!(act, Act::Sprint | Act::Restart) { 0.35 } else { 0.6 }
}

/// A sprint fades after two seconds, to about three quarters after ten. Common practice, no source.
fn fade(act: Act, since_s: f64) -> f64 {
    if act == Act::Sprint { libm::exp(-(since_s - 2.0).max(0.0) / 28.0) } else { 1.0 }
}

/// Heart rate that a power settles at, and how slowly. Common practice, no source.
fn settled_bpm(power_w: f64, heart: f64) -> f64 {
    62.0 + 0.38 * heart * power_w.min(320.0)
}
const HEART_TAU_S: f64 = 35.0;

pub(super) fn ride(stretches: &[Stretch], seed: u64, habits: &Habits) -> Signal {
    let mut heart_noise = Noise::new(seed, Purpose::Heart);
    // Slow noise moves four times a second; what is faster comes from the strokes.
    const SLOW: usize = 5;
    let slow_s = SLOW as f64 * STEP_S;
    let mut rider = Rider::new(seed, habits, INDOOR, slow_s);
    let mut heart_wander = Wander::new(1.2 * habits.heart, 8.0, slow_s);
    let mut bpm_noise = 0.0;

    let length_s = stretches.last().map_or(0.0, |s| s.end_s);
    let steps = (length_s / STEP_S) as usize;
    let mut signal = Signal::default();
    let (mut power_w, mut pace_rpm, mut speed_m_s, mut turns) = (0.0, 0.0, 0.0_f64, 0.0_f64);
    let (mut heart_bpm, mut beat) = (78.0, 0.0);
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
            bpm_noise = heart_wander.next(&mut heart_noise);
        }

        let stops = matches!(stretch.act, Act::Coast | Act::Still);
        let pace_tau_s = if stops { 0.12 } else { pace_tau_s(stretch.act) };
        pace_rpm += (stretch.cadence_rpm * rider.cadence_factor - pace_rpm) * STEP_S / pace_tau_s;
        if stops && pace_rpm < 3.0 {
            pace_rpm = 0.0;
        }
        // The chain pulls only while the cranks are at least as fast as the flywheel.
        let driven_m_s = pace_rpm / 60.0 * stretch.development_m;
        let rolling_m_s = speed_m_s - BRAKE * speed_m_s * speed_m_s / FLYWHEEL_KG * STEP_S;
        let pulls = driven_m_s >= rolling_m_s;
        speed_m_s = if pulls { driven_m_s.min(speed_m_s + SPIN_UP_M_S2 * STEP_S) } else { rolling_m_s };
        let cadence_rpm = if pulls { speed_m_s * 60.0 / stretch.development_m } else { pace_rpm };

        let before = turns;
        turns += cadence_rpm / 60.0 * STEP_S;
        rider.turn(before, turns, power_w);
        if stops {
            power_w = 0.0;
        } else if pulls || stretch.act != Act::Restart {
            let aim_w = stretch.aim_w * rider.power_factor * fade(stretch.act, t_s - stretch.start_s);
            power_w += (aim_w - power_w) * STEP_S / power_tau_s(stretch.act);
        }
        let (left_w, right_w) = rider.sides_w(power_w, turns, stretch.posture);

        heart_bpm += (settled_bpm(power_w, habits.heart) - heart_bpm) * STEP_S / HEART_TAU_S;
        beat += heart_bpm / 60.0 * STEP_S;
        if beat >= 1.0 {
            beat -= 1.0;
            signal.beats.push((t_s, (heart_bpm + bpm_noise).round()));
        }
        signal.left_w.push(left_w);
        signal.right_w.push(right_w);
        signal.cadence_rpm.push(cadence_rpm);
        signal.turns.push(turns);
        signal.speed_m_s.push(speed_m_s);
        signal.left_work_j.push(left_j);
        signal.right_work_j.push(right_j);
        left_j += left_w * STEP_S;
        right_j += right_w * STEP_S;
    }
    signal
}
