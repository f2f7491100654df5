//! What truly happens at the cranks, as columns of one value per step: power of each side, cadence, speed; heart beats and
//! the place beside them.

use super::super::timed::TimedValue;

/// By design: twelve and more points to a turn of the cranks, enough for the stroke's ripple.
pub(crate) const STEP_S: f64 = 0.05;

/// Where the bike truly is at a whole second.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct TruePosition {
    pub north_m: f64,
    pub east_m: f64,
    pub altitude_m: f64,
    pub distance_m: f64,
}

/// Work of both sides, J.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WorkOfSides {
    pub left_j: f64,
    pub right_j: f64,
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
    /// From when one turn of the cranks drives the wheel how far, m.
    pub developments_m: Vec<TimedValue>,
    /// On the road: where the bike is at each whole second. Empty indoors.
    pub places: Vec<TruePosition>,
    /// The strap's messages: whole beats per minute, once a beat.
    pub beats: Vec<TimedValue>,
    /// Work of both sides up to the beginning of each step, J.
    pub(super) left_work_j: Vec<f64>,
    pub(super) right_work_j: Vec<f64>,
}

impl RideSignal {
    pub(super) fn with_capacity(steps: usize) -> Self {
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

    #[inline]
    pub(crate) fn len(&self) -> usize {
        self.left_w.len()
    }

    /// Work of each side from the start until `at_s`.
    #[inline]
    pub fn work_until(&self, at_s: f64) -> WorkOfSides {
        let place = (at_s / STEP_S).max(0.0);
        let i = place as usize;
        if i >= self.len() {
            return match self.len().checked_sub(1) {
                Some(last) => self.work_at(last, 1.0),
                None => WorkOfSides { left_j: 0.0, right_j: 0.0 },
            };
        }
        self.work_at(i, place - i as f64)
    }

    #[inline]
    fn work_at(&self, i: usize, part: f64) -> WorkOfSides {
        let dt_s = part * STEP_S;
        WorkOfSides {
            left_j: self.left_work_j[i] + self.left_w[i] * dt_s,
            right_j: self.right_work_j[i] + self.right_w[i] * dt_s,
        }
    }

    /// Mean power of the rider between two true times, W.
    pub fn mean_w(&self, from_s: f64, to_s: f64) -> f64 {
        let (from, to) = (self.work_until(from_s), self.work_until(to_s));
        (to.left_j + to.right_j - from.left_j - from.right_j) / (to_s - from_s)
    }
}
