//! Which faults are tried at which sizes where nobody says.

use crate::protocol::Protocol;
use crate::rehearse::{Fault, RehearsalBench, RehearsalPlan, check_faults};

/// From what nobody would notice to what nobody would argue about. Common practice, no source.
const LADDERS: &[(&str, &str, &[f64])] = &[
    ("gain", "", &[1.0, 2.0, 3.0, 4.0, 5.0, 7.0]),
    ("offset", "", &[2.0, 4.0, 6.0, 9.0, 13.0, 20.0]),
    ("ring-offset", "@big", &[2.0, 4.0, 6.0, 9.0, 13.0, 20.0]),
    ("side-short", "@left", &[20.0, 40.0, 60.0, 80.0, 110.0, 150.0]),
    ("side-short", "@right", &[20.0, 40.0, 60.0, 80.0, 110.0, 150.0]),
    ("side-short", "@left,1/3", &[40.0, 60.0, 80.0, 110.0, 150.0, 200.0]),
    ("late", "", &[0.5, 1.0, 1.5, 2.0, 3.0]),
    ("late-wake", "", &[0.5, 1.0, 1.5, 2.0, 2.5, 4.0]),
    ("late-wake", "@1/3", &[1.0, 1.5, 2.0, 2.5, 4.0]),
    ("late-cadence", "", &[1.0, 2.0, 3.0, 4.0, 5.0]),
    ("held-reading", "", &[1.0, 2.0, 3.0, 4.0, 5.0]),
    ("phantom", "", &[5.0, 10.0, 20.0, 30.0]),
    ("soft-dropout", "", &[0.1, 0.2, 0.3, 0.5]),
    ("drift", "", &[4.0, 7.0, 10.0, 15.0, 25.0]),
    ("temperature-drift", "", &[1.0, 2.0, 3.0, 5.0, 8.0]),
];

/// Every fault of the usual sizes that finds something to strike in this protocol on this bench, ladder by ladder from its
/// least size.
pub fn ladders(protocol: &Protocol, bench: &RehearsalBench) -> Vec<Fault> {
    let strikes = |fault: &Fault| {
        let plan = RehearsalPlan { faults: vec![fault.clone()], bench: bench.clone(), ..RehearsalPlan::new(1) };
        check_faults(protocol, &plan).is_ok()
    };
    let all =
        LADDERS.iter().flat_map(|(kind, places, sizes)| sizes.iter().map(move |size| format!("{kind}={size}{places}")));
    all.map(|text| text.parse::<Fault>().unwrap_or_else(|why| panic!("{why}"))).filter(strikes).collect()
}

/// One fault in the sizes that were asked for.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct FaultLadder {
    /// Of size 0.
    pub fault: Fault,
    /// From the least, whatever its sign.
    pub sizes: Vec<LadderSize>,
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct LadderSize {
    pub size: f64,
    /// Among the faults that were given.
    pub place: usize,
}

/// Faults that differ by size alone as a ladder each, in the order that they came; each fault with its place.
pub(super) fn by_ladder(faults: impl IntoIterator<Item = (usize, Fault)>) -> Vec<FaultLadder> {
    let mut all: Vec<FaultLadder> = vec![];
    for (place, fault) in faults {
        let size = LadderSize { size: fault.size, place };
        let fault = Fault { size: 0.0, ..fault };
        match all.iter_mut().find(|known| known.fault == fault) {
            Some(known) => known.sizes.push(size),
            None => all.push(FaultLadder { fault, sizes: vec![size] }),
        }
    }
    for ladder in &mut all {
        ladder.sizes.sort_by(|a, b| a.size.abs().total_cmp(&b.size.abs()));
    }
    all
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_protocol_without_sprints_has_no_sides_to_fall_short() {
        let shipped = |name: &str| {
            let file = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("protocols").join(name);
            crate::protocol::load(&file, None).unwrap_or_else(|problems| panic!("{problems}"))
        };
        let mut protocol = shipped("bench-both-rings.yaml");
        let kinds =
            |protocol: &Protocol| by_ladder(ladders(protocol, &RehearsalBench::both()).into_iter().enumerate()).len();
        assert_eq!(kinds(&protocol), LADDERS.len());
        protocol.phases.retain(|phase| !phase.drill.kind().is_all_out());
        assert_eq!(kinds(&protocol), LADDERS.len() - 3);
    }

    #[test]
    fn sizes_of_one_fault_are_a_ladder() {
        let faults = ["gain=3", "gain=-2", "gain=2@P", "gain=1"].map(|text| text.parse::<Fault>().unwrap());
        let ladders = by_ladder(faults.into_iter().enumerate());
        let sizes: Vec<Vec<f64>> = ladders.iter().map(|ladder| ladder.sizes.iter().map(|s| s.size).collect()).collect();
        assert_eq!(sizes, [vec![1.0, -2.0, 3.0], vec![2.0]]);
    }
}
