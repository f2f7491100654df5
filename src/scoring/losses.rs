//! Seconds in which the unit said nothing: dropouts, and what the radio explains.

use crate::ride::{Ride, Window};

use super::consensus::{ReferenceNeed, clock_u, serving};

/// Below this the reference counts as coasting. Common practice, no source.
const PEDALLING_W: f64 = 15.0;
/// A single zero second may be a crank that passed no sensor: below 60 rpm some seconds hold no whole turn.
const SHORTEST_RUN_S: usize = 2;
/// Beside the clocks' uncertainty, readings of the same turn may stand in neighbouring seconds.
const NEAREST_SECOND_S: f64 = 1.0;

/// Per grid second: what is left out of every error measure, and why.
#[derive(Debug, Clone, PartialEq)]
pub struct Losses {
    pub dropout: Vec<bool>,
    /// The head unit lost the heart-rate strap in the same second: radio, not unit.
    pub set_aside: Vec<bool>,
}

impl Losses {
    /// Runs of two seconds or more in which the unit reads zero or nothing while the reference shows pedalling
    /// throughout, a clock's uncertainty and a second to either side.
    pub fn of(ride: &Ride) -> Self {
        let n = ride.length_s;
        let set_aside = set_aside(ride);
        let silent =
            |k: usize| ride.unit.recorded_at(k) && !set_aside[k] && ride.unit.power_at(k).is_none_or(|p| p == 0.0);
        let edge = serving(ride, ReferenceNeed::Edges);
        let witness = if edge.is_empty() { serving(ride, ReferenceNeed::SteadyPower) } else { edge };
        let margin = (clock_u(ride, &witness) + NEAREST_SECOND_S).ceil() as usize;
        let pedalling = |k: usize| {
            witness.iter().any(|&i| {
                let trace = &ride.references[i].trace;
                trace.power_at(k).is_some_and(|p| p >= PEDALLING_W) && trace.cadence_at(k).is_none_or(|c| c > 0.0)
            })
        };
        let mut dropout = vec![false; n];
        let mut k = 0;
        while k < n {
            let start = k;
            while k < n && silent(k) {
                k += 1;
            }
            let watched = start.saturating_sub(margin)..(k + margin).min(n);
            if k - start >= SHORTEST_RUN_S && watched.into_iter().all(pedalling) {
                dropout[start..k].fill(true);
            }
            k = k.max(start + 1);
        }
        Self { dropout, set_aside }
    }

    /// Whether an error measure may use this second.
    pub fn usable(&self, second: usize) -> bool {
        !self.dropout[second] && !self.set_aside[second]
    }

    pub fn dropout_s(&self, window: Window) -> usize {
        count(&self.dropout, window)
    }

    pub fn set_aside_s(&self, window: Window) -> usize {
        count(&self.set_aside, window)
    }
}

fn count(flags: &[bool], window: Window) -> usize {
    window.seconds().filter(|&k| flags.get(k).copied().unwrap_or(false)).count()
}

/// Seconds in which a head unit that otherwise hears the strap lost both strap and power.
fn set_aside(ride: &Ride) -> Vec<bool> {
    let unit = &ride.unit;
    let heard = (0..ride.length_s).filter(|&k| unit.heart_rate_at(k).is_some()).count();
    // For more than half of the ride. Common practice, no source.
    let hears_strap = heard * 2 > ride.length_s;
    (0..ride.length_s)
        .map(|k| hears_strap && unit.recorded_at(k) && unit.heart_rate_at(k).is_none() && unit.power_at(k).is_none())
        .collect()
}
