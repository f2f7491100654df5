//! Off the bike: nothing to score.

use super::scored_drill::ScoredDrill;

pub struct Wait;

impl ScoredDrill for Wait {}
