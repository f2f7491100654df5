//! References carried to the unit's place on the drivetrain.

use crate::align::Aligned;
use crate::ride::{ReferenceTrace, Ride, Trace};
use crate::session::{Drivetrain, Location, Session};

/// The ride as one unit sees it: references multiplied across the chain where it lies between.
///
/// `unit` is an index into the session's units.
pub fn to_unit_place(aligned: &Aligned, session: &Session, unit: usize) -> Ride {
    let place = session.units[unit].instrument.located;
    let references = aligned
        .references
        .iter()
        .zip(&session.references)
        .map(|(trace, reference)| {
            let carried_by = carried_by(reference.instrument.located, place, &session.drivetrain);
            let crosses_chain = reference.instrument.located.behind_chain() != place.behind_chain();
            ReferenceTrace {
                trace: scaled(trace, carried_by),
                carried_by,
                uncertainty: reference.uncertainty.clone(),
                loss_standard_pct: if crosses_chain { session.drivetrain.loss_expanded_pct / 2.0 } else { 0.0 },
            }
        })
        .collect();
    Ride {
        start: aligned.start,
        length_s: aligned.length_s,
        unit: aligned.units[unit].clone(),
        references,
        edges: aligned.edges.clone(),
        gears: aligned.gears.clone(),
    }
}

/// The factor from a reading at `from` to the power at `to`; only the chain loses anything worth counting.
///
/// Source of the default loss: Martin et al. 1998, J Appl Biomech 14(3):276-291 (97.7 %, from memory).
fn carried_by(from: Location, to: Location, drivetrain: &Drivetrain) -> f64 {
    let kept = 1.0 - drivetrain.loss_pct / 100.0;
    match (from.behind_chain(), to.behind_chain()) {
        (true, false) => 1.0 / kept,
        (false, true) => kept,
        _ => 1.0,
    }
}

fn scaled(trace: &Trace, factor: f64) -> Trace {
    let mut trace = trace.clone();
    if factor != 1.0 {
        for power_w in trace.power_w.iter_mut().flatten() {
            *power_w *= factor;
        }
    }
    trace
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_hub_reading_gets_the_chain_loss_back() {
        // Martin et al. 1998 (from memory): 97.698 % efficiency, so 250 W at the hub are 255.89 W at the crank.
        let drivetrain = Drivetrain { loss_pct: 100.0 - 97.698, ..Drivetrain::default() };
        let factor = carried_by(Location::Hub, Location::Spindle, &drivetrain);
        assert!((250.0 * factor - 255.890_601_7).abs() < 1e-6);
        assert_eq!(carried_by(Location::Pedals, Location::Spider, &drivetrain), 1.0);
        assert!((carried_by(Location::Pedals, Location::Hub, &drivetrain) * factor - 1.0).abs() < 1e-15);
    }
}
