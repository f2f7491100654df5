//! Whether the readings that a protocol asks for were typed.

use super::evidence::Evidence;
use super::tested::TestedPremise;
use crate::premise::{Premise, Takes};
use crate::protocol::{Drill, Protocol, Side};
use crate::session::{LoadReading, Session, Sides, Unit};

/// A mass is called by its round figure and typed as it was weighed. Common practice, no source.
const SAME_MASS: f64 = 0.05;
const SAME_ANGLE_DEG: f64 = 5.0;
/// Where nobody said the angle.
const HORIZONTAL_DEG: f64 = 90.0;

/// A line for each phase of typed readings.
pub fn readings(protocol: &Protocol, session: &Session, unit: &Unit) -> Vec<TestedPremise> {
    let tested = protocol.phases.iter().filter_map(|phase| {
        let (read, asked) = match &phase.drill {
            Drill::StaticLoad { loads_kg, sides, angles_deg } => {
                let asked = asked_loads(loads_kg, sides, angles_deg, unit.instrument.sides);
                (read_of(&asked, &session.readings.loads), asked.len())
            }
            Drill::ZeroCheck => {
                let readings = [session.readings.zero_before, session.readings.zero_after];
                (readings.iter().flatten().count(), readings.len())
            }
            _ => return None,
        };
        let about = vec![phase.id.to_string()];
        let missing = Evidence::ReadingsMissing { read, asked };
        let typed = if read < asked { Err(missing) } else { Ok(Evidence::ReadingsComplete) };
        Some(TestedPremise::of(Premise::Readings, about, typed, Takes::Check))
    });
    tested.collect()
}

struct AskedLoad {
    mass_kg: f64,
    side: Side,
    angle_deg: f64,
}

/// Every mass on every side that the unit senses, at every angle.
fn asked_loads(loads_kg: &[f64], sides: &[Side], angles_deg: &[f64], senses: Sides) -> Vec<AskedLoad> {
    let sides = if sides.is_empty() { &[Side::Left, Side::Right][..] } else { sides };
    let sensed = |side: &&Side| match senses {
        Sides::Both | Sides::Total => true,
        Sides::LeftDoubled => **side == Side::Left,
        Sides::RightDoubled => **side == Side::Right,
    };
    let angles: Vec<f64> = if angles_deg.is_empty() { vec![HORIZONTAL_DEG] } else { angles_deg.to_vec() };
    let mut asked = vec![];
    for side in sides.iter().filter(sensed) {
        for angle_deg in &angles {
            asked.extend(loads_kg.iter().map(|mass_kg| AskedLoad {
                mass_kg: *mass_kg,
                side: *side,
                angle_deg: *angle_deg,
            }));
        }
    }
    asked
}

/// How many of the asked loads have a reading of their own.
fn read_of(asked: &[AskedLoad], loads: &[LoadReading]) -> usize {
    let mut left: Vec<&LoadReading> = loads.iter().collect();
    let mut read = 0;
    for load in asked {
        let of_this = |reading: &&LoadReading| {
            (reading.mass_kg / load.mass_kg - 1.0).abs() <= SAME_MASS
                && reading.side.is_none_or(|side| side == load.side)
                && (reading.angle_deg.unwrap_or(HORIZONTAL_DEG) - load.angle_deg).abs() <= SAME_ANGLE_DEG
        };
        if let Some(at) = left.iter().position(of_this) {
            left.remove(at);
            read += 1;
        }
    }
    read
}
