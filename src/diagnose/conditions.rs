//! Where and when a stretch was ridden: what effects on the unit's level hang on.

use super::drills::is_soft_pedalling;
use super::evidence::Evidence;
use crate::protocol::Ring;
use crate::ride::Window;
use crate::stats;

/// The thermometer of a head unit tells whole degrees, and the sensor follows in minutes.
const THERMOMETER_S: f64 = 300.0;

/// Where and when a stretch was ridden.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct BlockConditions {
    pub power_w: f64,
    pub at_s: f64,
    pub ring: Option<Ring>,
    pub warmer_c: f64,
    pub soft: bool,
}

impl Evidence<'_> {
    /// How much warmer the unit was around a time than at the ride's start, °C; 0 where nothing tells.
    pub fn warmer_c(&self, at_s: f64) -> f64 {
        let around = |from_s: f64, to_s: f64| {
            let window = Window { start_s: from_s.max(0.0), end_s: to_s.min(self.ride.length_s as f64) };
            let read = window.seconds().filter_map(|k| self.ride.unit.temperature_at(k));
            stats::mean(&read.collect::<Vec<_>>())
        };
        let start_c = around(0.0, THERMOMETER_S / 5.0);
        let now_c = around(at_s - THERMOMETER_S, at_s + THERMOMETER_S);
        now_c.zip(start_c).map_or(0.0, |(now, start)| now - start)
    }

    /// Where and when the middle of a window of a phase as found lies.
    pub fn place(&self, found: usize, power_w: f64, window: Window) -> BlockConditions {
        let phase = &self.protocol.phases[self.matches.found[found].phase];
        let at_s = (window.start_s + window.end_s) / 2.0;
        BlockConditions {
            power_w,
            at_s,
            ring: phase.ring.or(self.ridden(found).and_then(|ridden| ridden.ring)),
            warmer_c: self.warmer_c(at_s),
            soft: is_soft_pedalling(&phase.drill),
        }
    }
}
