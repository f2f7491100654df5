//! Where the unit's level shows, stretch by stretch, for diagnosis.

use crate::quantity::Unit;
use crate::ride::Window;
use crate::stats;

use super::budget::Source;
use super::phase::RiddenPhase;
use super::protocol_ride::ProtocolRide;
use super::scores::SteadyStretch;

/// Steady blocks in parts, and soft pedalling as it was scored.
pub fn stretches(ride: &ProtocolRide) -> Vec<SteadyStretch> {
    let phases = ride.phases().enumerate();
    phases.filter_map(|(found, phase)| Some(of_phase(found, &phase?))).flatten().collect()
}

fn of_phase(found: usize, phase: &RiddenPhase) -> Vec<SteadyStretch> {
    let RiddenPhase { context, window, .. } = phase;
    let Some(looked_at) = phase.drill.level_stretches() else { return vec![] };
    let (Ok(consensus), Ok(whole)) =
        (context.consensus(looked_at.need, *window), context.mean_error(looked_at.need, *window, Unit::Watt))
    else {
        return vec![];
    };
    let own = |source| matches!(source, Source::Scatter | Source::Clock | Source::Resolution);
    let parts = (window.length_s() / looked_at.part_s.unwrap_or(window.length_s())).floor().max(1.0);
    let length_s = window.length_s() / parts;
    let part = |n: usize| {
        let start_s = window.start_s + n as f64 * length_s;
        let part = Window { start_s, end_s: start_s + length_s };
        let pairs = context.power_pairs(&consensus, part);
        let (unit_w, power_w) = (stats::mean(&pairs.unit)?, stats::mean(&pairs.reference)?);
        // Half of the part must be there, as of a window that is scored.
        if pairs.unit.len() * 2 < pairs.asked_s || power_w <= 0.0 {
            return None;
        }
        Some(SteadyStretch {
            found,
            window: part,
            power_w,
            error_w: unit_w - power_w,
            own_u_w: whole.budget.part(own) * parts.sqrt(),
            shared: consensus.lines(context.ride, power_w),
        })
    };
    (0..parts as usize).filter_map(part).collect()
}
