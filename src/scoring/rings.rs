//! The unit's steady error by ring, W.

use crate::protocol::Ring;
use crate::quantity::Unit;

use super::consensus::ReferenceNeed;
use super::protocol_ride::{ProtocolRide, SteadyBlock};
use super::repeats::mean_value;
use super::scores::RingScore;
use super::value::{SecondUnit, Value};

/// Of the rings that have steady blocks.
pub fn score(ride: &ProtocolRide) -> Vec<RingScore> {
    let blocks: Vec<SteadyBlock> = ride.steady_blocks().collect();
    let error =
        |block: &SteadyBlock| ride.context.mean_error(ReferenceNeed::SteadyPower, block.window, Unit::Watt).ok();
    let on_ring = |ring: Ring| {
        let errors: Vec<Value> = blocks.iter().filter(|block| block.ring == Some(ring)).filter_map(error).collect();
        if errors.is_empty() {
            return None;
        }
        let mean = mean_value(&errors.iter().collect::<Vec<_>>());
        let also = Some(SecondUnit { unit: Unit::Percent, factor: 100.0 / mean.reference });
        Some(RingScore { ring, blocks: errors.len(), error: Value { also, ..mean } })
    };
    [Ring::Big, Ring::Small].into_iter().filter_map(on_ring).collect()
}
