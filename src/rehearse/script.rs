//! The protocol as one rider rides it: a list of stretches, each with its aim, ring, cog and cadence.

use crate::protocol::{Phase, Protocol, Ring};
use crate::session::Drivetrain;

use super::drills::{AskedRepeat, rehearsed};
use super::noise::{Noise, Purpose};
use super::stretches::{RepeatOf, RiderAction, ScriptBuilder, ScriptStretch};

/// The whole ride of `protocol`: still, warm-up, each phase between recoveries, cool-down, still.
pub(super) fn write(protocol: &Protocol, drivetrain: &Drivetrain, seed: u64) -> Vec<ScriptStretch> {
    let noise = Noise::new(seed, Purpose::Script);
    let mut script = ScriptBuilder::new(drivetrain, Ring::Big, noise);
    script.add(RiderAction::Still, None, 10.0, 0.0, 0.0);
    let starts_free = protocol.phases.first().is_some_and(|p| p.drill.kind().is_free_riding());
    let warm_up_s = protocol.needs.warm_up_s.unwrap_or(120.0);
    if !starts_free {
        script.warm_up(None, 1.04 * warm_up_s, None);
    }
    let mut before: Option<&Phase> = None;
    for (index, phase) in protocol.phases.iter().enumerate() {
        let next_ring = protocol.phases.get(index + 1).and_then(|next| next.ring);
        for repeat in 1..=phase.repeats {
            match before.filter(|_| repeat == 1).map(|b| &b.drill) {
                Some(drill) if drill.kind().is_free_riding() => {}
                Some(drill) if !drill.kind().is_ridden() => script.roll_off(phase),
                _ => script.recover(phase, repeat),
            }
            let of = RepeatOf { phase_index: index, repeat };
            rehearsed(&phase.drill).ride(&mut script, &AskedRepeat { phase, of, next_ring });
        }
        before = Some(phase);
    }
    if !before.is_some_and(|b| b.drill.kind().is_free_riding()) {
        script.add(RiderAction::Ride, None, 75.0, 90.0, 78.0);
    }
    script.add(RiderAction::Still, None, 12.0, 0.0, 0.0);
    script.stretches
}

/// A repeat beyond those written down, with the easy riding before it, on the ring ridden until then.
pub(super) fn again(
    protocol: &Protocol,
    drivetrain: &Drivetrain,
    of: RepeatOf,
    ring: Ring,
    noise: Noise,
) -> Vec<ScriptStretch> {
    let mut script = ScriptBuilder::new(drivetrain, ring, noise);
    let phase = &protocol.phases[of.phase_index];
    script.recover(phase, of.repeat);
    rehearsed(&phase.drill).ride(&mut script, &AskedRepeat { phase, of, next_ring: None });
    script.stretches
}

#[cfg(test)]
mod tests {
    use super::super::stretches::RiderAction;
    use super::super::tests::{bench_trial, drivetrain};
    use super::*;
    use crate::protocol::Drill;
    use crate::quantity::Range;

    #[test]
    fn stretches_follow_each_other_without_holes() {
        let stretches = write(&bench_trial(), &drivetrain(), 3);
        for pair in stretches.windows(2) {
            assert_eq!(pair[0].end_s, pair[1].start_s);
        }
        let total_min = stretches.last().unwrap().end_s / 60.0;
        assert!((60.0..85.0).contains(&total_min), "{total_min} min");
    }

    #[test]
    fn a_free_phase_is_the_recovery_and_brings_the_next_ring() {
        let mut protocol = bench_trial();
        let free = Drill::Free { power_w: Some(Range { low: None, high: Some(120.0) }), lasts_s: None };
        protocol.phases.insert(1, Phase { drill: free, ring: None, ..protocol.phases[0].clone() });
        let stretches = write(&protocol, &drivetrain(), 1);
        let first = stretches.iter().position(|s| s.act == RiderAction::Block).unwrap();
        let told: Vec<_> = stretches[first..first + 4].iter().map(|s| (s.act, s.ring, s.aim_w)).collect();
        assert_eq!(told[1], (RiderAction::Ride, Ring::Big, 90.0));
        assert_eq!(told[2], (RiderAction::Ride, Ring::Small, 90.0));
        assert_eq!((told[3].0, told[3].1), (RiderAction::Block, Ring::Small));
    }

    #[test]
    fn every_repeat_stays_inside_what_the_protocol_asks() {
        for seed in 0..20 {
            for s in write(&bench_trial(), &drivetrain(), seed) {
                let lasts_s = s.end_s - s.start_s;
                match s.act {
                    RiderAction::Block => assert!(lasts_s >= 240.0 && (80.0..=95.0).contains(&s.cadence_rpm)),
                    RiderAction::Sprint => assert!((6.0..=12.0).contains(&lasts_s) && s.aim_w >= 690.0),
                    RiderAction::Coast => assert!((7.0..=12.0).contains(&lasts_s)),
                    RiderAction::Restart => assert!((5.0..=10.0).contains(&lasts_s) && s.aim_w >= 300.0),
                    RiderAction::Soft => assert!((15.0..=25.0).contains(&lasts_s) && (30.0..=90.0).contains(&s.aim_w)),
                    _ => {}
                }
            }
        }
    }
}
