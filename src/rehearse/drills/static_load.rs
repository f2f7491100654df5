//! `static_load`: masses are hung, the rider waits. What the unit shows of them is typed (`instruments/hung.rs`).

use crate::protocol::Side;
use crate::session::Sides;

use super::super::stretches::{RiderAction, ScriptBuilder};
use super::rehearsed::{AskedRepeat, HungMass, RehearsedDrill};

/// To hang a mass and read it. Common practice, no source.
const TYPING_S: f64 = 30.0;

pub(super) struct StaticLoad<'a> {
    pub loads_kg: &'a [f64],
    pub sides: &'a [Side],
    pub angles_deg: &'a [f64],
}

impl RehearsedDrill for StaticLoad<'_> {
    fn ride(&self, script: &mut ScriptBuilder, asked: &AskedRepeat) {
        // A tester takes as long whatever the unit senses.
        let masses = self.masses(Sides::Both).len();
        script.add(RiderAction::Still, Some(asked.of), TYPING_S * masses as f64, 0.0, 0.0);
    }

    /// For each side and angle all masses; both sides where none is named.
    fn masses(&self, senses: Sides) -> Vec<HungMass> {
        let sides = if self.sides.is_empty() { &[Side::Left, Side::Right][..] } else { self.sides };
        let angles: Vec<Option<f64>> =
            if self.angles_deg.is_empty() { vec![None] } else { self.angles_deg.iter().copied().map(Some).collect() };
        let is_sensed = |side: &Side| match senses {
            Sides::Both | Sides::Total => true,
            Sides::LeftDoubled => *side == Side::Left,
            Sides::RightDoubled => *side == Side::Right,
        };
        let mut masses = vec![];
        for side in sides.iter().copied().filter(is_sensed) {
            for &angle_deg in &angles {
                masses.extend(self.loads_kg.iter().map(|&mass_kg| HungMass { mass_kg, side, angle_deg }));
            }
        }
        masses
    }
}
