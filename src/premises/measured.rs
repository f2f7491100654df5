//! Whether an instrument measured at all.

use std::collections::BTreeMap;
use std::path::PathBuf;

use super::devices::instruments;
use super::evidence::Evidence;
use super::tested::TestedPremise;
use crate::align;
use crate::premise::{Premise, Takes};
use crate::recording::Recording;
use crate::session::{Instrument, Session, Sides, Unit};

/// Fewer readings than a minute's are no ride to judge by; the aligning says the same.
const FEWEST: usize = 60;
/// A reference that states both sides and shows one alone for so much of the time in which it shows power has lost the other.
/// Common practice, no source: a rider pedals with both legs but for drills of one, which take minutes.
const LOST_SIDE: f64 = 0.9;
/// A share at either end, in per cent: a head unit stores whole per cents.
const ONE_SIDE_PCT: f64 = 1.0;

pub(super) fn measured(
    session: &Session,
    unit: &Unit,
    recordings: &BTreeMap<PathBuf, Recording>,
) -> Vec<TestedPremise> {
    let all = instruments(session, unit);
    let recorded = |of: &&&Instrument| !of.recordings.is_empty();
    let tested = all.iter().filter(recorded).map(|instrument| {
        let is_unit = instrument.label == unit.instrument.label;
        let about = vec![instrument.label.clone()];
        // A unit that has lost a side has a fault, which is what it is judged for.
        let seen = seen(instrument, &all, recordings, !is_unit && instrument.sides == Sides::Both);
        TestedPremise::of(Premise::Measured, about, seen, if is_unit { Takes::Verdict } else { Takes::Reference })
    });
    tested.collect()
}

/// Whether an instrument's readings are a measurement; of `both_sides` where it says so.
pub(super) fn seen(
    instrument: &Instrument,
    all: &[&Instrument],
    recordings: &BTreeMap<PathBuf, Recording>,
    both_sides: bool,
) -> Result<Evidence, Evidence> {
    let column = |name: &str| -> Vec<Option<f64>> {
        let field = align::field(instrument, all, name);
        let read = instrument.recordings.iter().filter_map(|path| recordings.get(path));
        let of = |recording: &Recording| {
            let values = field.and_then(|field| recording.samples.channel(field)).unwrap_or_default().to_vec();
            if values.is_empty() { vec![None; recording.samples.len()] } else { values }
        };
        read.flat_map(of).collect()
    };
    let power_w = column("power");
    let known: Vec<f64> = power_w.iter().flatten().copied().collect();
    let values = known.len();
    let (low_w, high_w) = known.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(*v), h.max(*v)));
    if values < FEWEST {
        return Err(if values == 0 { Evidence::NoReadings } else { Evidence::Readings { values, low_w, high_w } });
    }
    if low_w == high_w {
        return Err(match low_w {
            0.0 => Evidence::OnlyZero { values },
            value_w => Evidence::OnlyOneValue { values, value_w },
        });
    }
    if both_sides {
        let right_pct = column("right_share");
        let pedalled = power_w.iter().zip(&right_pct).filter(|(power_w, _)| power_w.is_some_and(|w| w > 0.0));
        let shares: Vec<f64> = pedalled.filter_map(|(_, right)| *right).collect();
        for right in [false, true] {
            let at_end = |pct: &&f64| if right { **pct >= 100.0 - ONE_SIDE_PCT } else { **pct <= ONE_SIDE_PCT };
            let seconds = shares.iter().filter(at_end).count();
            if shares.len() >= FEWEST && seconds as f64 >= LOST_SIDE * shares.len() as f64 {
                return Err(Evidence::OnlyOneSide { seconds, of: shares.len(), right });
            }
        }
    }
    Ok(Evidence::Readings { values, low_w, high_w })
}
