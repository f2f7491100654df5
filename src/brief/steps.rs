//! The session as the rider meets it: one step after another.

use crate::protocol::{Phase, Protocol};
use crate::quantity::Range;

use super::action::StepAction;
use super::list::StepList;
use super::step::{ProtocolPart, Step, StepLength, TypedReading};

/// Seconds of all countdowns among `steps`.
pub fn planned_s(steps: &[Step]) -> f64 {
    steps.iter().filter_map(|step| step.lasts.planned_s).sum()
}

/// The whole session in the order of the protocol, every repeat by itself.
///
/// What a protocol leaves unwritten is there too: the warm-up that it needs if it begins with no free phase, easy riding
/// between phases that no free phase lies between, rolling off after standing still, a cool-down, and the second
/// reading of the zero. Recoveries lie between repeats only: six sprints share five. With phases in `any` order the steps
/// are what to look for: before each repeat the rider rides on until the road brings it.
pub fn steps(protocol: &Protocol) -> Vec<Step> {
    let mut list = StepList::new(protocol);
    let phases = &protocol.phases;
    let rides = phases.iter().any(|phase| phase.is_scored_riding());
    if !phases.first().is_some_and(|p| p.drill.kind().is_free_riding()) {
        match protocol.needs.warm_up_s {
            Some(warm_up_s) => {
                list.push(Step::new(StepAction::WarmUp, None, StepLength::asked(Range::at_least(warm_up_s))))
            }
            None if rides => list.push(Step::new(StepAction::WarmUp, None, StepLength::open(None))),
            None => {}
        }
    }
    for (index, phase) in phases.iter().enumerate() {
        for repeat in 1..=phase.repeats {
            list.lead_to(index, repeat);
            list.add(index, ProtocolPart { phase: index, repeat, of: phase.repeats });
        }
    }
    if phases.last().is_some_and(Phase::is_scored_riding) {
        list.push(Step::new(StepAction::CoolDown, None, StepLength::open(None)));
    }
    let reads = |wanted: TypedReading| list.steps.iter().any(|step| step.reads == Some(wanted));
    if reads(TypedReading::ZeroBefore) && !reads(TypedReading::ZeroAfter) {
        let mut zero = Step::new(StepAction::Zero, None, StepLength::open(None));
        zero.reads = Some(TypedReading::ZeroAfter);
        list.push(zero);
    }
    list.finish()
}

#[cfg(test)]
mod tests {
    use super::super::aim::PowerAim;
    use super::super::tests::{all_shipped, shipped, written};
    use super::*;
    use crate::protocol::{PhaseOrder, Ring};

    fn acts(steps: &[Step]) -> Vec<StepAction> {
        steps.iter().map(|step| step.act).collect()
    }

    #[test]
    fn what_the_protocol_writes_takes_as_long_as_the_protocol_plans() {
        for name in all_shipped() {
            let protocol = shipped(&name);
            let steps = steps(&protocol);
            let any = protocol.order == PhaseOrder::Any;
            // The plan counts a recovery for each repeat; ridden are those between repeats, on the road none by the clock.
            let not_ridden_s: f64 = protocol
                .phases
                .iter()
                .map(|p| {
                    let recoveries = if any { p.repeats } else { 1 };
                    p.drill.recover_s().and_then(|r| r.middle()).unwrap_or(0.0) * f64::from(recoveries)
                })
                .sum();
            let of_protocol: Vec<Step> = steps.iter().filter(|s| s.part.is_some()).cloned().collect();
            let (ridden, waited): (Vec<Step>, Vec<Step>) =
                of_protocol.into_iter().partition(|s| s.act != StepAction::OffBike);
            assert!((planned_s(&ridden) - (protocol.riding_s() - not_ridden_s)).abs() < 1e-6, "{name}");
            assert_eq!(planned_s(&waited), protocol.waiting_s(), "{name}");
        }
    }

    #[test]
    fn every_repeat_of_every_shipped_protocol_opens_once_in_order_and_ends() {
        for name in all_shipped() {
            let protocol = shipped(&name);
            let steps = steps(&protocol);
            let asked: Vec<(usize, u32)> = protocol
                .phases
                .iter()
                .enumerate()
                .filter(|(_, p)| p.is_scored_riding())
                .flat_map(|(at, p)| (1..=p.repeats).map(move |repeat| (at, repeat)))
                .collect();
            let opened: Vec<(usize, u32)> = steps
                .iter()
                .filter(|s| s.opens_repeat())
                .map(|s| s.part.map(|p| (p.phase, p.repeat)).unwrap())
                .collect();
            assert_eq!(opened, asked, "{name}");
            let ended = steps.iter().filter(|s| s.presses_lap() && !s.act.is_scored()).count();
            assert_eq!(ended, asked.len(), "{name}");
            assert!(!steps.last().unwrap().act.is_scored(), "{name}");
        }
    }

    #[test]
    fn six_sprints_share_five_recoveries() {
        let steps = steps(&shipped("bench-both-rings"));
        let is_part = |s: &&Step| s.part.is_some_and(|p| shipped("bench-both-rings").phases[p.phase].repeats == 6);
        let count = |act: StepAction| steps.iter().filter(is_part).filter(|s| s.act == act).count();
        // Six sprints, and six times coast and restart, each with five recoveries between.
        assert_eq!((count(StepAction::Sprint), count(StepAction::Coast), count(StepAction::Recover)), (6, 6, 10));
    }

    #[test]
    fn a_change_of_ring_is_told_where_there_is_time_for_it() {
        let steps = steps(&shipped("bench-both-rings"));
        let blocks: Vec<usize> = (0..steps.len()).filter(|at| steps[*at].act == StepAction::Block).collect();
        let told: Vec<_> = blocks.iter().map(|at| (steps[*at].ring.unwrap(), steps[at - 1].shift_to)).collect();
        use Ring::{Big, Small};
        assert_eq!(
            told,
            [
                (Big, Some(Big)),
                (Small, Some(Small)),
                (Small, None),
                (Big, Some(Big)),
                (Big, None),
                (Small, Some(Small))
            ]
        );
    }

    #[test]
    fn what_is_left_unwritten_is_there() {
        let protocol = written(
            "  - {phase: a, drill: sprint, effort: at least 500 W, lasts: 8 s, repeat: 2}\n  \
             - {phase: b, drill: coast_restart, lead_in: 200 W for 20 s, coast: 8 s, restart: at least 300 W for 6 s, recover: 20 s}\n",
        );
        let steps = steps(&protocol);
        use StepAction::*;
        assert_eq!(acts(&steps), [WarmUp, Sprint, Recover, Sprint, Recover, LeadIn, Coast, Restart, CoolDown]);
        // Nobody says how long; and after a sprint the legs rest as after a sprint.
        assert_eq!(steps[0].lasts, StepLength::default());
        assert_eq!(steps[4].lasts, StepLength::planned(105.0));
        assert_eq!(steps[8].lasts, StepLength::default());
    }

    #[test]
    fn the_zero_is_read_again_at_the_end_and_each_mass_is_a_step() {
        let rig = steps(&shipped("rig-ramp-and-loads"));
        let reads: Vec<TypedReading> = rig.iter().filter_map(|s| s.reads).collect();
        assert_eq!((reads[0], reads[reads.len() - 1]), (TypedReading::ZeroBefore, TypedReading::ZeroAfter));
        let masses: Vec<f64> = reads
            .iter()
            .filter_map(|r| if let TypedReading::Torque(load) = r { Some(load.mass_kg) } else { None })
            .collect();
        assert_eq!(masses, [5.0, 10.0, 20.0, 10.0, 5.0, 5.0, 10.0, 20.0, 10.0, 5.0]);
        assert!(rig.iter().all(|s| !s.is_typed() || s.lasts.planned_s.is_none()));
    }

    /// What stands against somebody who gets on: a wheel blocked, a mass hung.
    fn walk_past_masses(name: &str, steps: &[Step]) {
        let (mut blocked, mut hung) = (None, false);
        for step in steps {
            match step.act {
                StepAction::BlockWheel => {
                    assert!(blocked.is_none() && !hung, "{name}: blocked twice");
                    blocked = Some(step.crank.unwrap());
                }
                StepAction::Load => {
                    let Some(TypedReading::Torque(load)) = step.reads else {
                        panic!("{name}: a mass without its reading")
                    };
                    assert_eq!(blocked, Some(load.at), "{name}: hung where the crank does not stand");
                    hung = true;
                }
                StepAction::MassOff => {
                    assert!(blocked.is_some() && hung, "{name}: nothing to take off");
                    assert_eq!(step.says(), "Take the mass off, release the wheel, nobody near the cranks");
                    (blocked, hung) = (None, false);
                }
                act => assert!(blocked.is_none() && !hung, "{name}: {} with the wheel blocked", act.word()),
            }
        }
        assert!(blocked.is_none() && !hung, "{name}: left with a mass on");
    }

    #[test]
    fn nobody_rolls_off_with_a_mass_on_in_any_shipped_protocol() {
        for name in all_shipped() {
            walk_past_masses(&name, &steps(&shipped(&name)));
        }
        let rig = steps(&shipped("rig-ramp-and-loads"));
        let count = |act: StepAction| rig.iter().filter(|step| step.act == act).count();
        assert_eq!((count(StepAction::BlockWheel), count(StepAction::Load), count(StepAction::MassOff)), (2, 10, 2));
    }

    /// Every drill before, between and after every other, up to four at a time, as written and as the road brings them.
    #[test]
    fn nobody_rolls_off_with_a_mass_on_in_any_order_of_drills() {
        let drills = [
            "drill: free, lasts: 2 min",
            "drill: wait, lasts: 10 min",
            "drill: steady, power: 200 W, lasts: 4 min, ring: small",
            "drill: sprint, effort: at least 500 W, lasts: 8 s, repeat: 2",
            "drill: coast_restart, lead_in: 200 W for 20 s, coast: 8 s, restart: at least 300 W for 6 s",
            "drill: soft_pedal, surge: 300 W for 10 s, soft: 30..90 W for 20 s",
            "drill: ramp, steps: [80 W, 140 W, 200 W], each: 60 s",
            "drill: static_load, loads: [5 kg, 10 kg], sides: [left, right], angles: [90 °, 45 °]",
            "drill: static_load, loads: [5 kg], repeat: 2",
            "drill: zero_check",
        ];
        let all: String =
            drills.iter().enumerate().map(|(n, drill)| format!("  - {{phase: p{n}, {drill}}}\n")).collect();
        let mut protocol = written(&all);
        let phases = std::mem::take(&mut protocol.phases);
        assert_eq!(phases.len(), drills.len());
        let mut orders: Vec<Vec<usize>> = vec![vec![]];
        let mut walked = 0;
        for _ in 0..4 {
            orders = orders.iter().flat_map(|o| (0..phases.len()).map(|n| [o.as_slice(), &[n]].concat())).collect();
            for order in &orders {
                protocol.phases = order.iter().map(|n| phases[*n].clone()).collect();
                for any in [PhaseOrder::AsWritten, PhaseOrder::Any] {
                    protocol.order = any;
                    walk_past_masses(&format!("{order:?}"), &steps(&protocol));
                    walked += 1;
                }
            }
        }
        assert_eq!(walked, 2 * (10 + 100 + 1000 + 10_000));
    }

    #[test]
    fn on_the_road_every_repeat_waits_for_its_place() {
        let steps = steps(&shipped("road-climbs"));
        for pair in steps.windows(2).filter(|pair| pair[1].opens_repeat()) {
            assert_eq!((pair[0].act, pair[0].lasts.planned_s), (StepAction::Look, None));
            assert_eq!(pair[0].grade_pct, pair[1].grade_pct);
        }
    }

    #[test]
    fn steps_are_told_in_few_words() {
        let steps = steps(&shipped("bench-both-rings"));
        let said = |act: StepAction| steps.iter().find(|s| s.act == act).unwrap().says();
        assert_eq!(said(StepAction::Sprint), "Sprint standing, at least 600 W, big ring");
        assert_eq!(said(StepAction::Block), "Steady, 120 W, 80 to 95 rpm, big ring");
        assert_eq!(said(StepAction::RollOff), "Roll off, then onto the big ring");
        assert_eq!(said(StepAction::Soft), "Pedal softly, 30 to 90 W, at least 50 rpm");
        assert_eq!(PowerAim::Between(30.0, 90.0).of_threshold(250.0), "12 to 36 %");
        assert_eq!(PowerAim::AtLeast(600.0).of_threshold(250.0), "at least 240 %");
    }
}
