//! Which ring and cog pull from when on, and what the chain takes there.

use crate::protocol::Ring;
use crate::session::Drivetrain;

use super::loss::{Loss, MIDDLE_GEAR};
use super::ride::RideSignal;
use super::stretches::ScriptStretch;
use super::timed::TimedValue;

/// From when a ring and a cog pull.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct SimulatedGear {
    pub from_s: f64,
    pub ring: Ring,
    pub cog: u32,
    /// Of the chain drive, as a share.
    pub loss: f64,
}

impl SimulatedGear {
    #[inline]
    pub fn at(gears: &[SimulatedGear], t_s: f64) -> &SimulatedGear {
        let next = gears.partition_point(|gear| gear.from_s <= t_s);
        &gears[next.saturating_sub(1)]
    }
}

/// The gears of a ride; what stands on the shifters while nobody pedals is none.
pub(super) fn gears(
    signal: &RideSignal,
    stretches: &[ScriptStretch],
    drivetrain: &Drivetrain,
    loss: &Loss,
) -> Vec<SimulatedGear> {
    let gear = |from_s: f64, ring: Ring, development_m: f64| {
        let teeth = drivetrain.teeth(ring).map_or(MIDDLE_GEAR.0, f64::from);
        let cog = drivetrain.wheel_m.map_or(MIDDLE_GEAR.1, |wheel_m| teeth * wheel_m / development_m);
        SimulatedGear { from_s, ring, cog: cog.round() as u32, loss: loss.of(ring, teeth, cog) }
    };
    let same = |a: &SimulatedGear, b: &SimulatedGear| (a.ring, a.cog) == (b.ring, b.cog);
    let stands = |stretch: &ScriptStretch| stretch.act.stops();
    let planned = |stretch: &ScriptStretch| gear(stretch.start_s, stretch.ring, stretch.development_m);
    // On the road a rider shifts whenever the road asks for it.
    let shifted = |changed: &TimedValue| {
        let ridden = stretches.partition_point(|stretch| stretch.start_s <= changed.at_s).saturating_sub(1);
        gear(changed.at_s, stretches[ridden].ring, changed.value)
    };
    let mut gears: Vec<SimulatedGear> = if signal.places.is_empty() {
        stretches.iter().filter(|stretch| !stands(stretch)).map(planned).collect()
    } else {
        signal.developments_m.iter().map(shifted).collect()
    };
    gears.dedup_by(|next, last| same(next, last));
    if gears.is_empty() {
        gears.extend(stretches.first().map(planned));
    }
    gears
}
