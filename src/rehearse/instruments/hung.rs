//! Masses hung at the pedals and the zero, as a tester would type what the unit shows.

use crate::protocol::{Protocol, Side};
use crate::session::{LoadReading, Session, Sides};

use super::super::drills::{HungMass, rehearsed};
use super::super::faults::{self, Strike};
use super::super::gears::SimulatedGear;
use super::super::noise::{Noise, Purpose};
use super::super::plan::RehearsalPlan;
use super::super::readings::Update;
use super::super::setting::Instruments;
use super::super::stretches::{RepeatOf, ScriptStretch};
use super::instrument::{InstrumentDraw, RelativeNoise, add_errors};

/// Where the bench stands, if masses are hung: their weight hangs on it. Made up.
const LATITUDE_DEG: f64 = 52.4;
const HEIGHT_M: f64 = 35.0;
/// Masses as a shop has them, relative: standard deviation where the tester's are as poor as is allowed for, and of
/// better ones. Common practice, no source.
const POOR_MASS_SD: f64 = 0.005;
const GOOD_MASS_SD: f64 = 0.002;
/// Local gravity about the normal one, crank length and the level of a crank: rectangular, half widths. Common practice,
/// no source.
const GRAVITY_OFF: f64 = 0.0005;
const LENGTH_OFF_M: f64 = 0.0005;
const ANGLE_OFF_DEG: f64 = 1.0;
/// The step of a display. Common practice, no source.
const RESOLUTION_NM: f64 = 0.1;
/// An offset in watts is one of torque at this cadence. Common practice, no source.
const USUAL_RAD_S: f64 = 90.0 / 60.0 * std::f64::consts::TAU;
/// The display's counts of zero: here hundredths of a newton metre, made up, as counts differ from display to display.
const COUNTS_PER_NM: f64 = 100.0;

/// One mass as it truly pulls and as the unit feels it, N·m about the cranks' axis.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct TrueLoad {
    /// Index into the protocol's phases.
    pub phase_index: usize,
    pub typed: LoadReading,
    pub true_nm: f64,
    pub felt_nm: f64,
}

/// The unit on its bike, without noise.
pub(crate) struct UnitOnBike<'a> {
    pub draw: &'a InstrumentDraw,
    pub sides: Sides,
    pub gears: &'a [SimulatedGear],
    /// Of its sensor, one value per second.
    pub temperature_c: &'a [f64],
    pub strikes: &'a [&'a Strike],
}

impl UnitOnBike<'_> {
    /// What it shows of a torque on one side at a moment, N·m.
    fn feels_nm(&self, t_s: f64, side: Side, torque_nm: f64) -> f64 {
        let pull_w = torque_nm * USUAL_RAD_S;
        let (left_w, right_w) = if side == Side::Left { (pull_w, 0.0) } else { (0.0, pull_w) };
        let still = Update { from_s: t_s, at_s: t_s, left_w, right_w, rpm: 0.0, idle: false, woke: false };
        let mut shown = [still];
        let silent = &mut Noise::new(0, Purpose::Hung);
        let drawn = InstrumentDraw { noise: 0.0, ..self.draw.clone() };
        add_errors(&mut shown, &drawn, |_| RelativeNoise::default(), silent);
        faults::values(&mut shown, self.gears, self.temperature_c, self.strikes);
        torque_nm + (shown[0].left_w + shown[0].right_w - pull_w) / USUAL_RAD_S
    }

    /// By how far its zero creeps between two moments, N·m. No chain pulls then.
    fn creeps_nm(&self, from_s: f64, to_s: f64) -> f64 {
        let creeping = |strike: &&&Strike| faults::creeps(strike.fault.kind);
        let strikes: Vec<&Strike> = self.strikes.iter().filter(creeping).copied().collect();
        let alone = UnitOnBike { strikes: &strikes, ..*self };
        alone.feels_nm(to_s, Side::Left, 0.0) - alone.feels_nm(from_s, Side::Left, 0.0)
    }
}

/// Every load of every static phase, in order: for each side and angle all masses. None behind the chain, and none on a
/// side that the unit does not sense.
pub(crate) fn hang(
    protocol: &Protocol,
    plan: &RehearsalPlan,
    stretches: &[ScriptStretch],
    on: &UnitOnBike,
    length_m: f64,
) -> Vec<TrueLoad> {
    if plan.bench.unit.located.behind_chain() {
        return vec![];
    }
    let mut noise = Noise::new(plan.seed, Purpose::Hung);
    let systematic = if plan.instruments == Instruments::Ideal { 0.0 } else { plan.habits.systematic };
    let mass = match plan.habits.as_stated {
        true => POOR_MASS_SD * noise.normal(),
        false => noise.truncated(GOOD_MASS_SD, 2.0),
    };
    let weight =
        (1.0 + systematic * mass) * gravity_m_s2() * (1.0 + systematic * noise.between(-1.0, 1.0) * GRAVITY_OFF);
    let arm_m = length_m + systematic * noise.between(-1.0, 1.0) * LENGTH_OFF_M;
    let mut all = vec![];
    for stretch in stretches {
        let Some(RepeatOf { phase_index, .. }) = stretch.phase else { continue };
        let masses = rehearsed(&protocol.phases[phase_index].drill).masses(on.sides);
        let each_s = (stretch.end_s - stretch.start_s) / masses.len().max(1) as f64;
        let mut t_s = stretch.start_s + each_s / 2.0;
        for HungMass { mass_kg, side, angle_deg } in masses {
            let angle = angle_deg.unwrap_or(90.0) + systematic * noise.between(-1.0, 1.0) * ANGLE_OFF_DEG;
            let true_nm = mass_kg * weight * arm_m * libm::sin(angle.to_radians());
            let felt_nm = on.feels_nm(t_s, side, true_nm);
            let torque_nm = (felt_nm / RESOLUTION_NM).round() * RESOLUTION_NM;
            // As it is typed, and not 16.900000000000002.
            let torque_nm = (torque_nm * 1e3).round() / 1e3;
            let typed = LoadReading { mass_kg, side: Some(side), angle_deg, torque_nm };
            all.push(TrueLoad { phase_index, typed, true_nm, felt_nm });
            t_s += each_s;
        }
    }
    all
}

/// What the tester types besides: where the bench stands, the loads, and the zero, which creeps as the unit's does from
/// the zero check, or the start, to the end.
pub(crate) fn typed(
    protocol: &Protocol,
    stretches: &[ScriptStretch],
    on: &UnitOnBike,
    hung: &[TrueLoad],
    session: &mut Session,
) {
    let Session { conditions, readings, .. } = session;
    if protocol.phases.iter().any(|phase| phase.drill.kind().hangs_masses()) {
        (conditions.latitude_deg, conditions.height_m) = (Some(LATITUDE_DEG), Some(HEIGHT_M));
    }
    readings.loads = hung.iter().map(|hung| hung.typed.clone()).collect();
    let is_zero =
        |s: &&ScriptStretch| s.phase.is_some_and(|of| protocol.phases[of.phase_index].drill.kind().reads_zero());
    let from_s = stretches.iter().find(is_zero).map_or(0.0, |s| s.start_s);
    let to_s = stretches.last().map_or(0.0, |s| s.end_s);
    let creeps = (COUNTS_PER_NM * on.creeps_nm(from_s, to_s)).round();
    readings.zero_after = readings.zero_after.map(|after| after + creeps);
}

/// The gravity formula of 1980 as a series, with the free-air gradient. Source: Moritz 1980, Geodetic Reference System 1980
/// (from memory).
fn gravity_m_s2() -> f64 {
    let sin = |degree: f64| libm::sin(degree.to_radians());
    let (sin2, sin2_twice) = (sin(LATITUDE_DEG) * sin(LATITUDE_DEG), sin(2.0 * LATITUDE_DEG) * sin(2.0 * LATITUDE_DEG));
    9.780_327 * (1.0 + 0.005_302_4 * sin2 - 0.000_005_8 * sin2_twice) - 3.086e-6 * HEIGHT_M
}

#[cfg(test)]
mod tests {
    use super::super::super::ride::STEP_S;
    use super::super::super::tests::{bench_trial, hold, phase};
    use super::super::super::{BENCHES, Fault, RehearsalBench, RideHabits, simulate};
    use super::*;
    use crate::protocol::{Check, Drill, Measure, Target};
    use crate::quantity::{Bound, Limit, Range, Unit};

    const MASSES_KG: [f64; 3] = [10.0, 20.0, 10.0];

    /// A zero, then masses on both sides, then something to ride.
    fn protocol() -> Protocol {
        let mut protocol = bench_trial();
        let sides = vec![Side::Left, Side::Right];
        let loads = Drill::StaticLoad { loads_kg: MASSES_KG.to_vec(), sides, angles_deg: vec![90.0] };
        let soft = hold(Target::Value(60.0), 15.0, 20.0);
        let surge = hold(Target::Value(300.0), 8.0, 10.0);
        let soft = Drill::SoftPedal { surge, soft, recover_s: Some(Range::between(20.0, 30.0)) };
        protocol.phases =
            vec![phase("zero", &[], Drill::ZeroCheck), phase("loads", &[], loads), phase("soft", &[], soft)];
        let check = |measure, unit| {
            let limit = Limit::Within(Bound::single(1.0, unit));
            Check { measure, limit, advisory: false, clause: None, over_s: None }
        };
        protocol.phases[0].checks = vec![check(Measure::ZeroShift, Unit::One)];
        protocol.phases[1].checks =
            vec![check(Measure::TorqueError, Unit::Percent), check(Measure::Hysteresis, Unit::NewtonMetre)];
        protocol
    }

    fn ideal(faults: &[&str]) -> RehearsalPlan {
        let faults = faults.iter().map(|text| text.parse::<Fault>().unwrap()).collect();
        RehearsalPlan { faults, instruments: Instruments::Ideal, ..RehearsalPlan::new(3) }
    }

    /// Torque error in per cent, hysteresis in N·m, shift of the zero.
    fn truth(plan: &RehearsalPlan) -> [Option<f64>; 3] {
        let truth = simulate(&protocol(), plan).truth_file();
        let of = |measure: &str| {
            let mut checks = truth.phases.iter().flat_map(|phase| &phase.checks);
            checks.find(|check| check.measure == measure).and_then(|check| check.value)
        };
        ["torque_error", "hysteresis", "zero_shift"].map(of)
    }

    fn typed_nm(plan: &RehearsalPlan) -> Vec<f64> {
        simulate(&protocol(), plan).session.readings.loads.iter().map(|load| load.torque_nm).collect()
    }

    #[test]
    fn an_ideal_unit_shows_mass_times_gravity_times_arm() {
        // 9.8128 m/s² at 52.4° and 35 m by Somigliana's formula (Moritz 1988, from memory): 10 kg on 172.5 mm pull 16.927 N·m.
        assert!((gravity_m_s2() - crate::stats::normal_gravity(LATITUDE_DEG, HEIGHT_M)).abs() < 1e-5);
        assert!((gravity_m_s2() - 9.8128).abs() < 1e-4);
        assert_eq!(typed_nm(&ideal(&[])), [16.9, 33.9, 16.9].repeat(2));
        assert_eq!(truth(&ideal(&[])), [Some(0.0), Some(0.0), Some(2.0)]);
    }

    #[test]
    fn a_fault_shows_under_the_masses_by_its_size() {
        let near = |found: [Option<f64>; 3], expected: [f64; 3]| {
            for (found, expected) in found.into_iter().zip(expected) {
                assert!((found.unwrap() - expected).abs() < 1e-3 + 0.02 * expected.abs(), "{found:?}: {expected}");
            }
        };
        near(truth(&ideal(&["gain=3"])), [3.0, 0.0, 2.0]);
        // The left side by itself; the right one errs less.
        near(truth(&ideal(&["gain=3@left"])), [3.0, 0.0, 2.0]);
        // 9 W at 90/min, 2π·1.5 a second, are 0.955 N·m of 22.57 in the mean.
        near(truth(&ideal(&["offset=9"])), [4.231, 0.0, 2.0]);
        assert_eq!(typed_nm(&ideal(&["offset=9"])), [17.9, 34.8, 17.9].repeat(2));
        // Twice the left, and of the right nothing.
        assert_eq!(typed_nm(&ideal(&["doubled-side=left"])), [33.9, 67.7, 33.9, 0.0, 0.0, 0.0]);
        // Of the radio, the edges and the references it shows nothing.
        for fault in ["late=2", "late-wake=3", "held-reading=5", "gain=3@P", "offset=5@1/2"] {
            assert_eq!(truth(&ideal(&[fault])), truth(&ideal(&[])), "{fault}");
        }
    }

    #[test]
    fn a_zero_that_creeps_is_another_zero_and_another_reading_at_the_end() {
        let [torque_pct, hysteresis_nm, zero] = truth(&ideal(&["drift=60"])).map(Option::unwrap);
        let rehearsal = simulate(&protocol(), &ideal(&["drift=60"]));
        let still = |name: &str| rehearsal.truth.moves.iter().find(|m| m.phase == name).unwrap();
        let nm = |s: f64| 60.0 * s / 3600.0 / USUAL_RAD_S;
        let loads = still("loads");
        // From the first mass to the third of the same side: two of six loads later.
        assert!((hysteresis_nm - nm((loads.end_s - loads.start_s) / 3.0)).abs() < 1e-9);
        // The right side, whose masses hang in the second half, errs more.
        assert!((torque_pct / 100.0 * 22.57 - nm((loads.start_s + 3.0 * loads.end_s) / 4.0)).abs() < 2e-3);
        let rode_s = rehearsal.truth.signal.len() as f64 * STEP_S;
        assert!((zero - 2.0 - 100.0 * nm(rode_s - still("zero").start_s)).abs() < 1.0, "{zero}");
    }

    #[test]
    fn what_can_not_be_read_is_not_typed() {
        let with = |word: &str| {
            let bench = BENCHES.iter().find(|kind| kind.word == word).unwrap().bench;
            typed_nm(&RehearsalPlan { bench: bench(), ..ideal(&[]) })
        };
        assert_eq!(with("left-unit"), [16.9, 33.9, 16.9]);
        assert_eq!(with("spider-unit").len(), 6);
        assert!(with("hub-unit").is_empty());
        let mut right = RehearsalBench::both();
        right.unit.sides = Sides::RightDoubled;
        assert_eq!(typed_nm(&RehearsalPlan { bench: right, ..ideal(&[]) }), [16.9, 33.9, 16.9]);
    }

    #[test]
    fn masses_gravity_arm_and_level_are_off_by_what_is_allowed_for() {
        let ratio = |seed: u64| {
            let plan = RehearsalPlan {
                habits: RideHabits { as_stated: true, ..RideHabits::default() },
                ..RehearsalPlan::new(seed)
            };
            let rehearsal = simulate(&protocol(), &plan);
            let hung = rehearsal.truth.readings.hung();
            hung[1].true_nm / (20.0 * gravity_m_s2() * 0.1725) - 1.0
        };
        let ratios: Vec<f64> = (1..=60).map(ratio).collect();
        let sd = (ratios.iter().map(|r| r * r).sum::<f64>() / 60.0).sqrt();
        // 0.5 % of mass, 0.5 mm of 172.5 mm and 0.05 % over √3: 0.53 %; a standard deviation of 60 is sure to 9 %.
        assert!((0.0038..0.0068).contains(&sd), "{sd}");
    }
}
