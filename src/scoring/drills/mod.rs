//! Drills as scoring sees them: what of a ride is scored, how its repeats scatter, what pictures mark in it.
//!
//! Takes a drill of the protocol, gives what scoring asks of it ([`ScoredDrill`]). One file per drill; [`scored`] is the
//! table of them, and nothing else in scoring tells drills apart.

mod coast_restart;
mod free;
mod ramp;
mod scored_drill;
mod soft_pedal;
mod sprint;
mod static_load;
mod steady;
mod wait;
mod zero_check;

use crate::protocol::Drill;

pub use scored_drill::{CHUNK_S, EFFORT_TAIL_S, ScoredDrill};

/// The drill as scoring sees it.
pub fn scored(drill: &Drill) -> Box<dyn ScoredDrill + '_> {
    match drill {
        Drill::Free { .. } => Box::new(free::Free),
        Drill::Wait { .. } => Box::new(wait::Wait),
        Drill::Steady { settle_s, .. } => Box::new(steady::Steady { settle_s: *settle_s }),
        Drill::Sprint { .. } => Box::new(sprint::Sprint),
        Drill::CoastRestart { .. } => Box::new(coast_restart::CoastRestart),
        Drill::SoftPedal { .. } => Box::new(soft_pedal::SoftPedal),
        Drill::Ramp { settle_s, .. } => Box::new(ramp::Ramp { settle_s: *settle_s }),
        Drill::StaticLoad { sides, .. } => Box::new(static_load::StaticLoad { sides }),
        Drill::ZeroCheck => Box::new(zero_check::ZeroCheck),
    }
}
