//! Masses hung from a crank: nothing is ridden, a person types the torque that the unit shows.

use crate::protocol::Side;

use super::scored_drill::ScoredDrill;

pub struct StaticLoad<'a> {
    pub sides: &'a [Side],
}

impl ScoredDrill for StaticLoad<'_> {
    fn typed_sides(&self) -> Option<&[Side]> {
        Some(self.sides)
    }
}
