//! The road: hills, air and tyres, gears, and junctions at which everyone stands.

use crate::protocol::Ring;
use crate::session::Drivetrain;

use super::super::gearing::developments_m;
use super::super::loss::LOSS;
use super::super::noise::{Noise, Purpose, Wander};
use super::super::span::{TrueSpan, inside};
use super::super::stretches::{RiderAction, ScriptStretch};
use super::motion::{Course, Motion, SLOW_S, fade, power_tau_s};
use super::rider::Rider;
use super::signal::TruePosition;

// The balance of power at the wheel: air, tyres, slope and what speeding up takes (Martin et al. 1998). Bearings are
// left out. Figures are common practice, no source: a rider on the hoods, no wind.
const MASS_KG: f64 = 82.0;
/// Standard gravity. Source: 3rd CGPM (1901).
const GRAVITY_M_S2: f64 = 9.80665;
const AIR_KG_M3: f64 = 1.2;
const DRAG_AREA_M2: f64 = 0.33;
const ROLLING: f64 = 0.005;
/// Brakes on the way to a stop, m/s². Common practice, no source.
const BRAKING_M_S2: f64 = 1.8;
/// Faster than this nobody rides in traffic, m/s. Common practice, no source.
const MOST_M_S: f64 = 16.0;

/// Length and steepness of the hills' waves, m and as a share. Made up.
const HILLS: [(f64, f64); 3] = [(900.0, 0.006), (2300.0, 0.008), (5100.0, 0.006)];
/// What no map shows: dips and rises of a few lengths of the bike, relative and in metres. Fitted to how cadence wanders on
/// real roads.
const BUMPS: (f64, f64) = (0.012, 25.0);
/// A rider answers a slope with more power, per unit of slope. Common practice, no source.
const POWER_BY_SLOPE: f64 = 3.0;
/// An easy rider lets the bike roll where it falls more than this. Common practice, no source.
const ROLLS_BELOW: f64 = -0.009;

/// Made up.
const START_ALTITUDE_M: f64 = 120.0;

pub(super) struct Road {
    developments_m: [Vec<f64>; 2],
    development_m: f64,
    shifted_s: f64,
    phases: [f64; 3],
    bumps: Noise,
    bump: f64,
    /// Slope of the hill, and with its bumps.
    hill: f64,
    slope: f64,
    heading: f64,
    place: TruePosition,
    halts: Vec<TrueSpan>,
    rolls: bool,
}

impl Road {
    pub fn new(stretches: &[ScriptStretch], drivetrain: &Drivetrain, seed: u64) -> Self {
        let mut terrain = Noise::new(seed, Purpose::Terrain);
        let phases = std::array::from_fn(|_| terrain.between(0.0, std::f64::consts::TAU));
        let developments_m = [Ring::Big, Ring::Small].map(|ring| developments_m(drivetrain, ring));
        Self {
            development_m: stretches.first().map_or(1.0, |s| s.development_m),
            developments_m,
            shifted_s: 0.0,
            phases,
            bumps: terrain,
            bump: 0.0,
            hill: 0.0,
            slope: 0.0,
            heading: 0.0,
            place: TruePosition { altitude_m: START_ALTITUDE_M, ..TruePosition::default() },
            halts: halts(stretches, &mut Noise::new(seed, Purpose::Traffic)),
            rolls: false,
        }
    }

    fn force_n(&self, speed_m_s: f64) -> f64 {
        let air_n = 0.5 * AIR_KG_M3 * DRAG_AREA_M2 * speed_m_s * speed_m_s;
        air_n + MASS_KG * GRAVITY_M_S2 * (ROLLING + self.slope)
    }

    /// The cog on the asked ring that comes nearest to the cadence, once it is a cog away; nobody shifts with the cranks still.
    fn shift(&mut self, stretch: &ScriptStretch, speed_m_s: f64, rpm: f64, t_s: f64) {
        let cogs = &self.developments_m[usize::from(stretch.ring == Ring::Small)];
        let wanted_m = speed_m_s.max(1.5) * 60.0 / rpm;
        let on_ring = cogs.iter().any(|m| (m - self.development_m).abs() < 1e-9);
        let off = (self.development_m / wanted_m - 1.0).abs();
        let pause_s = if stretch.act == RiderAction::Sprint { BETWEEN_SPRINTERS_SHIFTS_S } else { BETWEEN_SHIFTS_S };
        if on_ring && (off < SHIFTS_AT || t_s - self.shifted_s < pause_s) {
            return;
        }
        let nearest = cogs.iter().copied().min_by(|a, b| (a - wanted_m).abs().total_cmp(&(b - wanted_m).abs()));
        if let Some(nearest_m) = nearest.filter(|m| *m != self.development_m) {
            (self.development_m, self.shifted_s) = (nearest_m, t_s);
        }
    }
}

/// Cadence that is off by this share makes a rider shift, and not again at once. Common practice, no source.
const SHIFTS_AT: f64 = 0.07;
const BETWEEN_SHIFTS_S: f64 = 2.0;
const BETWEEN_SPRINTERS_SHIFTS_S: f64 = 0.8;
/// Legs leave a wheel that turns them faster than this alone. Common practice, no source.
const MOST_RPM: f64 = 135.0;

/// Junctions come where nothing of the protocol is ridden, now and then. Common practice, no source.
fn halts(stretches: &[ScriptStretch], noise: &mut Noise) -> Vec<TrueSpan> {
    let mut found = vec![];
    for stretch in stretches.iter().filter(|s| matches!(s.act, RiderAction::Ride | RiderAction::Recovery)) {
        let (comes, lasts_s, place) = (noise.uniform() < 0.3, noise.between(8.0, 30.0), noise.uniform());
        let room_s = stretch.end_s - stretch.start_s - lasts_s - 40.0;
        if comes && room_s > 0.0 {
            let start_s = stretch.start_s + 12.0 + place * room_s;
            found.push(TrueSpan { start_s, end_s: start_s + lasts_s });
        }
    }
    found
}

impl Course for Road {
    fn slow_step(&mut self, motion: &Motion, stretch: &ScriptStretch) {
        let (speed_m_s, dt_s) = (motion.speed_m_s, SLOW_S);
        let moved_m = speed_m_s * dt_s;
        let distance_m = self.place.distance_m;
        let mut wander = Wander::from(self.bump, BUMPS.0, BUMPS.1, moved_m);
        self.bump = wander.next(&mut self.bumps);
        let hills: f64 = HILLS
            .iter()
            .zip(self.phases)
            .map(|((length_m, steep), phase)| steep * libm::sin(std::f64::consts::TAU * distance_m / length_m + phase))
            .sum();
        let asked = stretch.grade_pct.map_or(hills, |pct| pct / 100.0 + 0.2 * hills);
        self.hill += (asked - self.hill) * (moved_m / 40.0).min(1.0);
        self.slope = self.hill + self.bump;
        self.heading = 2.0 * libm::sin(distance_m / 700.0 + self.phases[0]) + 1.2 * libm::sin(distance_m / 2900.0);
        let (sin, cos) = libm::sincos(self.heading);
        self.place.north_m += moved_m * cos;
        self.place.east_m += moved_m * sin;
        self.place.altitude_m += moved_m * self.hill;
        self.place.distance_m += moved_m;
        let easy = matches!(stretch.act, RiderAction::Ride | RiderAction::Recovery);
        self.rolls = easy && self.hill < ROLLS_BELOW && speed_m_s > if self.rolls { 6.0 } else { 7.5 };
    }

    fn step(&mut self, motion: &mut Motion, stretch: &ScriptStretch, t_s: f64, rider: &Rider) {
        let halts = stretch.act == RiderAction::Still || inside(&self.halts, t_s);
        let rpm = stretch.cadence_rpm * rider.cadence_factor;
        let brakes_n = if halts || motion.speed_m_s > MOST_M_S { BRAKING_M_S2 * MASS_KG } else { 0.0 };
        let force_n = self.force_n(motion.speed_m_s) + brakes_n;
        let stops = halts || self.rolls || stretch.act.stops();
        if !stops && stretch.act != RiderAction::Restart {
            self.shift(stretch, motion.speed_m_s, rpm, t_s);
        }
        let flies = motion.speed_m_s * 60.0 / self.development_m > MOST_RPM;
        if stops || flies || !motion.legs_catch_up(self.development_m) {
            // Whoever stands does not roll back.
            return motion.roll(
                stops || flies,
                if motion.speed_m_s == 0.0 { force_n.max(0.0) } else { force_n },
                MASS_KG,
            );
        }
        // Where a grade was asked for, the power asked for was meant for it; who sprints gives the more, the steeper it is.
        let meant_pct = stretch.grade_pct.filter(|_| stretch.act != RiderAction::Sprint).unwrap_or(0.0);
        let steeper = self.slope - meant_pct / 100.0;
        let slope = (POWER_BY_SLOPE * steeper).clamp(-0.3, 0.3);
        let aim_w = stretch.aim_w * (rider.power_factor + slope) * fade(stretch.act, t_s - stretch.start_s);
        motion.push(aim_w, power_tau_s(stretch.act), self.development_m);
        motion.drive(1.0 - LOSS, force_n, MASS_KG, self.development_m);
    }

    fn development_m(&self, _stretch: &ScriptStretch) -> f64 {
        self.development_m
    }

    fn place(&self) -> Option<TruePosition> {
        Some(self.place)
    }
}

#[cfg(test)]
mod tests {
    use super::super::super::head_units::DEGREE_M;
    use super::super::super::tests::{bench_trial, drivetrain};
    use super::super::super::{Rehearsal, RehearsalPlan, RideSetting, simulate};
    use super::super::signal::STEP_S;
    use super::*;
    use crate::protocol::Drill;
    use crate::quantity::Range;

    fn ridden(seed: u64) -> Rehearsal {
        simulate(&bench_trial(), &RehearsalPlan { setting: RideSetting::Road, ..RehearsalPlan::new(seed) })
    }

    /// At a steady speed power is the sum of air, tyres and slope (Martin et al. 1998); computed by hand.
    #[test]
    fn forces_on_the_road_add_up() {
        let mut road = Road::new(&[], &drivetrain(), 1);
        assert!((road.force_n(10.0) * 10.0 - (198.0 + 40.207)).abs() < 0.01);
        road.slope = 0.05;
        assert!((road.force_n(4.0) * 4.0 - (12.672 + 16.083 + 160.829)).abs() < 0.01);
    }

    #[test]
    fn whatever_pulls_goes_at_cadence_times_development() {
        let truth = ridden(3).truth;
        let signal = &truth.signal;
        for (i, cadence_rpm) in signal.cadence_rpm.iter().enumerate() {
            let t_s = i as f64 * STEP_S;
            if signal.left_w[i] + signal.right_w[i] != 0.0 {
                let last = signal.developments_m.partition_point(|d| d.at_s <= t_s) - 1;
                let driven_m_s = cadence_rpm / 60.0 * signal.developments_m[last].value;
                assert!((driven_m_s - signal.speed_m_s[i]).abs() < 1e-6, "{t_s} s");
            }
        }
        assert!(signal.developments_m.len() > 100, "{} shifts", signal.developments_m.len());
    }

    /// Hills make a rider push on; a hill that was asked for was meant by the power asked for.
    #[test]
    fn a_climb_is_ridden_at_the_power_asked_for_it() {
        let mut protocol = bench_trial();
        protocol.phases.iter_mut().for_each(|phase| phase.grade_pct = Some(Range::between(4.0, 4.0)));
        let mut ratios = vec![];
        for seed in 1..5 {
            let truth =
                simulate(&protocol, &RehearsalPlan { setting: RideSetting::Road, ..RehearsalPlan::new(seed) }).truth;
            for block in truth.moves.iter().filter(|ridden| ridden.act == "block") {
                let Drill::Steady { power_w, .. } = &protocol.phases[block.phase_index].drill else { panic!() };
                ratios.push(block.mean_power_w / power_w.aim_w());
            }
        }
        let mean = ratios.iter().sum::<f64>() / ratios.len() as f64;
        assert!(ratios.len() >= 16 && (mean - 1.0).abs() < 0.04, "{mean}: {ratios:?}");
    }

    #[test]
    fn at_a_junction_the_bike_stands_and_the_recording_goes_on() {
        let seconds: usize = (1..5)
            .map(|seed| {
                let samples = &ridden(seed).recordings[1].samples;
                let stands = (300..samples.len() - 60).filter(|i| samples.speed_m_s[*i] == Some(0.0));
                stands.inspect(|i| assert!(samples.power_w[*i].is_none_or(|w| w < 40.0))).count()
            })
            .sum();
        assert!(seconds > 10, "{seconds} s");
    }

    #[test]
    fn head_units_of_one_ride_share_road_and_height_but_for_their_own_errors() {
        let rehearsal = ridden(2);
        let start_s = |n: usize| (rehearsal.recordings[n].start - rehearsal.truth.date).as_seconds_f64();
        // Metres that two head units are apart in height, and north to south, at one true second.
        let apart = |t_s: f64| {
            let at = |n: usize| {
                let samples = &rehearsal.recordings[n].samples;
                let shown_s = t_s + rehearsal.truth.instruments[n].clock_offset_s - start_s(n);
                let i = samples.time_s.partition_point(|s| *s < shown_s);
                (samples.altitude_m[i].unwrap(), samples.latitude_deg[i].unwrap() * DEGREE_M)
            };
            let (a, b) = (at(0), at(1));
            (a.0 - b.0, a.1 - b.1)
        };
        let all: Vec<(f64, f64)> = (1..40).map(|n| apart(100.0 * f64::from(n))).collect();
        // The second hundred seconds later drifts by 4 m an hour at most.
        assert!(all.windows(2).all(|w| (w[0].0 - w[1].0).abs() < 1.5), "{all:?}");
        let rms = (all.iter().map(|a| a.1 * a.1).sum::<f64>() / all.len() as f64).sqrt();
        assert!((1.0..12.0).contains(&rms), "{rms} m");
        let climbed = &rehearsal.recordings[0].samples.altitude_m;
        let high = climbed.iter().flatten().fold(f64::MIN, |a, b| a.max(*b));
        let low = climbed.iter().flatten().fold(f64::MAX, |a, b| a.min(*b));
        assert!(high - low > 8.0, "{low} to {high}");
    }
}
