//! What to rehearse.

use chrono::{DateTime, Utc};

use super::bench::RehearsalBench;
use super::faults::Fault;
use super::habits::RideHabits;
use super::mishap::Mishap;
use super::setting::{Instruments, RideSetting};

/// What to rehearse. The same plan gives the same rehearsal, bit for bit, on any machine.
#[derive(Debug, Clone, PartialEq)]
pub struct RehearsalPlan {
    pub seed: u64,
    pub faults: Vec<Fault>,
    pub mishaps: Vec<Mishap>,
    /// True time of the ride's start, a whole second.
    pub date: DateTime<Utc>,
    pub bench: RehearsalBench,
    pub instruments: Instruments,
    pub habits: RideHabits,
    pub setting: RideSetting,
    pub tester: String,
    pub place: String,
    /// Draws what the unit is by nature (its gain, zero, noise), so that several seeds ride the same specimen; else the seed
    /// does.
    pub specimen: Option<u32>,
    /// Likewise the references.
    pub reference_set: Option<u32>,
}

impl RehearsalPlan {
    /// A sound unit on the usual bench, ridden at a fixed hour.
    pub fn new(seed: u64) -> Self {
        let date = DateTime::from_timestamp(1_795_267_800, 0).unwrap_or_default();
        let (bench, habits) = (RehearsalBench::both(), RideHabits::default());
        let (instruments, setting) = (Instruments::Real, RideSetting::default());
        let (tester, place) = ("tester A".to_owned(), "north bench".to_owned());
        let (specimen, reference_set) = (None, None);
        Self {
            seed,
            faults: vec![],
            mishaps: vec![],
            date,
            bench,
            instruments,
            habits,
            setting,
            tester,
            place,
            specimen,
            reference_set,
        }
    }
}
