//! Whether a plan can be ridden: that its faults, labels and mishaps find what they name.

use crate::protocol::Protocol;

use super::bench::drivetrain;
use super::plan::RehearsalPlan;
use super::{as_recorded, faults, script};

/// Whether every fault of the plan finds on this bench and in this protocol what it names.
///
/// # Errors
/// The first fault that names no instrument, a side that the instrument does not read, or nothing that it could strike,
/// in words.
pub fn check_faults(protocol: &Protocol, plan: &RehearsalPlan) -> Result<(), String> {
    let stretches = script::write(protocol, &drivetrain(), plan.seed);
    plan.faults.iter().try_for_each(|fault| faults::refuse(fault, &plan.bench, &stretches))
}

/// Whether the instruments of the plan's bench can be told apart by what they are called.
///
/// # Errors
/// Two of one label, in words.
pub fn check_labels(plan: &RehearsalPlan) -> Result<(), String> {
    let bench = plan.bench.clone().in_setting(plan.setting);
    let labels: Vec<&str> = bench.worn().map(|fitted| fitted.label.as_str()).collect();
    match (1..labels.len()).find(|&n| labels[..n].contains(&labels[n])) {
        Some(n) => Err(format!("two instruments would be called `{}`; give each a label of its own", labels[n])),
        None => Ok(()),
    }
}

/// Whether every mishap of the plan finds in this protocol and on this bench what it names.
///
/// # Errors
/// A phase or an instrument that is not there, or where it can't happen, in words.
pub fn check_mishaps(protocol: &Protocol, plan: &RehearsalPlan) -> Result<(), String> {
    plan.mishaps.iter().try_for_each(|mishap| {
        let phases = mishap.phases(protocol).map(|_| ());
        phases.and_then(|()| as_recorded::refuse(mishap, plan)).map_err(|why| format!("`{mishap}`: {why}"))
    })
}
