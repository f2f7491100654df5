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

/// Faults that differ by size alone, with the places in the order that they came: a ladder each, from its least size.
pub fn by_ladder(faults: impl IntoIterator<Item = (usize, Fault)>) -> Vec<(Fault, Vec<(f64, usize)>)> {
    let mut all: Vec<(Fault, Vec<(f64, usize)>)> = vec![];
    for (place, fault) in faults {
        let size = fault.size;
        let kind = Fault { size: 0.0, ..fault };
        match all.iter_mut().find(|(known, _)| *known == kind) {
            Some((_, sizes)) => sizes.push((size, place)),
            None => all.push((kind, vec![(size, place)])),
        }
    }
    all.iter_mut().for_each(|(_, sizes)| sizes.sort_by(|a, b| a.0.abs().total_cmp(&b.0.abs())));
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
        protocol.phases.retain(|phase| !matches!(phase.drill, crate::protocol::Drill::Sprint { .. }));
        assert_eq!(kinds(&protocol), LADDERS.len() - 3);
    }

    #[test]
    fn sizes_of_one_fault_are_a_ladder() {
        let faults = ["gain=3", "gain=-2", "gain=2@P", "gain=1"].map(|text| text.parse::<Fault>().unwrap());
        let ladders = by_ladder(faults.into_iter().enumerate());
        let sizes: Vec<Vec<f64>> = ladders.iter().map(|(_, sizes)| sizes.iter().map(|s| s.0).collect()).collect();
        assert_eq!(sizes, [vec![1.0, -2.0, 3.0], vec![2.0]]);
    }
}
