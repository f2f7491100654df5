//! Static loads: masses hung on the crank, torques read and typed into the session.

use super::super::asked::{SIDES, Side};
use super::super::drill::Drill;
use super::super::ranges::{ANGLE, MASS};
use super::super::yaml::{MapKeys, SourceFiles};
use super::facts::{Conduct, DrillFacts, PowerBasis};
use crate::quantity::Unit;

pub(super) const FACTS: DrillFacts =
    DrillFacts { hangs_masses: true, ..DrillFacts::of("static_load", Conduct::TypedReadings, read) };

fn read(reading: &mut SourceFiles, keys: &mut MapKeys, _: &PowerBasis) -> Option<Drill> {
    let loads_kg = keys.need(reading, "loads", "[5 kg, 10 kg, 5 kg]").and_then(|n| {
        let items = reading.list(n, "masses")?;
        let mut mass = |i| {
            let mass_kg = reading.words(i, "a mass, as in `10 kg`", |w| w.amount(Unit::Kilogram))?;
            reading.plausible(i, mass_kg, &MASS)
        };
        items.iter().map(&mut mass).collect()
    });
    let sides = keys.take("sides").map_or(Some(vec![Side::Left, Side::Right]), |n| {
        let items = reading.one_or_list(n, "sides")?;
        items.iter().map(|i| reading.one_of(i, &SIDES)).collect()
    });
    let angles_deg = keys.take("angles").map_or(Some(vec![90.0]), |n| {
        let items = reading.one_or_list(n, "angles")?;
        let mut angle = |i| {
            let angle = reading.words(i, "an angle, as in `90 °`", |w| w.quantity(&[Unit::Degree]))?;
            reading.plausible(i, angle.value, &ANGLE)
        };
        items.iter().map(&mut angle).collect()
    });
    Some(Drill::StaticLoad { loads_kg: loads_kg?, sides: sides?, angles_deg: angles_deg? })
}
