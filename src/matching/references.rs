//! Which reference the matcher believes, and below which power its crank is not driven.

use crate::ride::{Ride, Trace};

/// Power below which a crank is taken as not driven: a coasting meter reads a few watts at most.
pub(super) const COASTING_W: f64 = 10.0;

/// References in the order in which the matcher believes them, whatever the session's: off the hub first, then both
/// sides before one.
pub(super) fn by_fitness(ride: &Ride) -> Vec<&Trace> {
    let mut traces: Vec<&Trace> = ride.references.iter().map(|r| &r.trace).collect();
    traces.sort_by_key(|t| (t.located.fitness(t.sides), &t.label));
    traces
}
