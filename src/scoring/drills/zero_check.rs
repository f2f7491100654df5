//! The zero offset before and after, as a person types it.

use crate::protocol::Side;

use super::scored_drill::ScoredDrill;

pub struct ZeroCheck;

impl ScoredDrill for ZeroCheck {
    fn typed_sides(&self) -> Option<&[Side]> {
        Some(&[])
    }
}
