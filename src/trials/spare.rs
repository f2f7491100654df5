//! What a protocol could do without: phases and checks that no fault needed in order to be found.

use std::collections::BTreeSet;

use crate::protocol::{Drill, Part, Phase, Protocol};

use super::{Point, without_keys};

/// What no session with a fault needed in order to fail, all taken together.
#[derive(Debug, Clone, PartialEq)]
pub struct Spare {
    /// Selectors of phases that need not be ridden.
    pub phases: Vec<String>,
    /// Of what is left: `PHASE MEASURE`, `CONTRAST MEASURE` or `whole ride MEASURE`.
    pub checks: Vec<String>,
    /// Sessions with a fault that failed; so many would fail still.
    pub failed: u64,
    /// The protocol without all that.
    pub protocol: Protocol,
}

/// Takes away the longest phases first, then checks, those first by which the fewest sessions failed: whatever leaves
/// every failed session a reason to fail.
pub fn spare(protocol: &Protocol, points: &[Point]) -> Spare {
    let faulty = points.iter().filter(|point| point.fault.is_some()).flat_map(|point| &point.sessions);
    let failed: Vec<&BTreeSet<String>> = faulty.map(|judged| &judged.failed_at).filter(|all| !all.is_empty()).collect();
    let suffices = |fewer: &Protocol| {
        let left: BTreeSet<String> = checks(fewer).collect();
        failed.iter().all(|all| all.iter().any(|check| left.contains(check)))
    };
    let mut spare = Spare { phases: vec![], checks: vec![], failed: failed.len() as u64, protocol: protocol.clone() };

    let mut longest: Vec<&Phase> = protocol.phases.iter().filter(|phase| counts(phase)).collect();
    longest.sort_by(|a, b| b.planned_s().total_cmp(&a.planned_s()));
    for id in longest.into_iter().map(|phase| phase.id.to_string()) {
        let fewer = without_phase(&spare.protocol, &id);
        if suffices(&fewer) {
            spare.protocol = fewer;
            spare.phases.push(id);
        }
    }
    let failed_by =
        |name: &str| failed.iter().filter(|all| all.iter().any(|check| without_keys(check) == name)).count();
    let names: BTreeSet<String> = checks(&spare.protocol).map(|check| without_keys(&check)).collect();
    let mut rarest: Vec<String> = names.into_iter().collect();
    rarest.sort_by_key(|name| failed_by(name));
    for name in rarest {
        let fewer = without_check(&spare.protocol, &name);
        if suffices(&fewer) {
            spare.protocol = fewer;
            spare.checks.push(name);
        }
    }
    spare
}

/// What lies between drills and what is typed is no part of the question.
fn counts(phase: &Phase) -> bool {
    phase.part == Part::Required && !matches!(phase.drill, Drill::Free { .. } | Drill::Wait { .. } | Drill::ZeroCheck)
}

/// Required checks, as a session names what failed it.
fn checks(protocol: &Protocol) -> impl Iterator<Item = String> {
    let required = protocol.phases.iter().filter(|phase| phase.part != Part::Advisory);
    let of_phases = required.flat_map(|phase| {
        let checks = phase.checks.iter().filter(|check| !check.advisory);
        checks.map(|check| format!("{} {}", phase.id, check.measure.word()))
    });
    let contrasts = protocol.contrasts.iter().filter(|contrast| !contrast.advisory);
    let contrasts = contrasts.map(|contrast| format!("{} {}", contrast.name, contrast.measure.word()));
    let whole_ride = protocol.whole_ride.iter().filter(|check| !check.advisory);
    of_phases.chain(contrasts).chain(whole_ride.map(|check| format!("whole ride {}", check.measure.word())))
}

/// The recovery after it goes with it, and a contrast that loses a side.
fn without_phase(protocol: &Protocol, id: &str) -> Protocol {
    let mut fewer = protocol.clone();
    let Some(at) = fewer.phases.iter().position(|phase| phase.id.to_string() == id) else { return fewer };
    let gone = fewer.phases.remove(at);
    let recovery = format!("{}-recovery", gone.id.name);
    if fewer.phases.get(at).is_some_and(|next| next.id.name == recovery) {
        fewer.phases.remove(at);
    }
    let phases = &fewer.phases;
    let both = |contrast: &crate::protocol::Contrast| {
        [&contrast.of, &contrast.against].iter().all(|side| phases.iter().any(|phase| side.selects(&phase.id)))
    };
    fewer.contrasts.retain(both);
    fewer
}

/// Without a check of all phases of a name, of a contrast or of the whole ride.
fn without_check(protocol: &Protocol, name: &str) -> Protocol {
    let mut fewer = protocol.clone();
    for phase in &mut fewer.phases {
        let of = &phase.id.name;
        phase.checks.retain(|check| format!("{of} {}", check.measure.word()) != name);
    }
    fewer.contrasts.retain(|contrast| format!("{} {}", contrast.name, contrast.measure.word()) != name);
    fewer.whole_ride.retain(|check| format!("whole ride {}", check.measure.word()) != name);
    fewer
}
