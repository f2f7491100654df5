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

/// Readings of an instrument of its own, in a session where all are without noise: two watts to either side every other second,
/// nothing in the mean.
pub fn of_its_own(power_w: &mut [Option<f64>]) {
    for (power_w, apart_w) in power_w.iter_mut().zip([2.0, -2.0, 0.0, -2.0, 2.0].into_iter().cycle()) {
        *power_w = power_w.map(|w| if w > 30.0 { w + apart_w } else { w });
    }
}

/// [`judge`] of a rehearsal with ideal instruments, which would read the same to the watt: no two meters do.
pub fn judge_ideal(rehearsal: &Rehearsal) -> Judgement {
    let mut recordings = rehearsal.recordings.clone();
    let units = rehearsal.session.units.len();
    recordings.iter_mut().take(units).for_each(|recording| of_its_own(&mut recording.samples.power_w));
    if let Some(third) = recordings.get_mut(3) {
        third.samples.power_w.iter_mut().rev().zip([3.0, -3.0, 0.0].into_iter().cycle()).for_each(
            |(power_w, apart_w)| {
                *power_w = power_w.map(|w| if w > 30.0 { w + apart_w } else { w });
            },
        );
    }
    trials::judge(&rehearsal.session, recordings).unwrap_or_else(|e| panic!("{e}"))
}
