//! Rehearsed sessions judged in memory.

pub mod assignment;
pub mod clocks;
pub mod distortions;
pub mod gate;
pub mod marks;
pub mod season;
pub mod shipped;
pub mod steady;

use std::path::Path;

use assize::internals::rehearse::{Fault, Rehearsal, RehearsalPlan, simulate};
use assize::internals::trials;
use assize::judge::Judgement;
use assize::protocol::{self, Protocol};

/// A shipped protocol by file name.
pub fn shipped(name: &str) -> Protocol {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("protocols").join(name);
    protocol::load(&file, None).unwrap_or_else(|problems| panic!("{problems}"))
}

/// A plan with faults as the command line writes them.
pub fn plan(seed: u64, faults: &[&str]) -> RehearsalPlan {
    let faults = faults.iter().map(|text| text.parse::<Fault>().unwrap_or_else(|e| panic!("{e}"))).collect();
    RehearsalPlan { faults, ..RehearsalPlan::new(seed) }
}

/// Judges a rehearsal without going through files.
pub fn judge(rehearsal: &Rehearsal) -> Judgement {
    trials::judge(&rehearsal.session, rehearsal.recordings.clone()).unwrap_or_else(|e| panic!("{e}"))
}

pub fn rehearse_and_judge(protocol: &Protocol, seed: u64, faults: &[&str]) -> Judgement {
    judge(&simulate(protocol, &plan(seed, faults)))
}
