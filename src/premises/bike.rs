//! Whether chainrings, cassette and wheel are as stated: speed over cadence against the teeth.

use super::evidence::Evidence;
use super::tested::TestedPremise;
use crate::matching::{SteadyGear, steady_gears};
use crate::premise::{Premise, Takes};
use crate::ride::Ride;
use crate::session::{Drivetrain, Session};

/// What a stretch's ratio is known to: whole-number cadence averaged, and the moments at which both are sampled. Common
/// practice, no source.
const RATIO_SD: f64 = 0.004;
/// Farther than this from every gear a stretch is in none of them.
const FITS: f64 = 3.0 * RATIO_SD;
/// A stretch that no gear explains (a slipping sensor, a shift in it) costs as much as one five deviations off, and no more.
const MOST_COST: f64 = 12.5;
/// Circumferences differ by so much from what tables say of a tyre, as a standard deviation. Common practice, no source.
const WHEEL_SD: f64 = 0.01;
const WHEEL_STEP: f64 = 0.0025;
const WHEEL_STEPS: i32 = 8;
/// Chainrings that are made. Common practice, no source.
const TEETH: std::ops::RangeInclusive<u32> = 28..=60;
/// Fewer stretches fit many bikes.
const FEWEST: usize = 6;
/// Other teeth have to be likelier by this log of odds: more than two odd stretches can make them, and one of some sixty others
/// looks better by ln 60 = 4 by chance.
const LIKELIER: f64 = 2.0 * MOST_COST + 5.0;

/// How well teeth explain the stretches.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BikeFit {
    pub log_likelihood: f64,
    /// Stretches at one of the gears.
    pub fit: usize,
}

/// The stated teeth against what speed over cadence shows, and against the teeth that gear changes name.
pub fn bike(session: &Session, ride: &Ride) -> Vec<TestedPremise> {
    let drivetrain = &session.drivetrain;
    let untested = |evidence| vec![TestedPremise::untested(Premise::Bike, vec![], evidence)];
    if drivetrain.chainrings.is_empty() {
        return untested(Evidence::NothingTells);
    }
    if let Some(teeth) = other_ring(drivetrain, ride) {
        let evidence = Evidence::OtherRingNamed { teeth, stated: drivetrain.chainrings.clone() };
        return vec![TestedPremise::contradicted(Premise::Bike, vec![], evidence, Takes::Rings)];
    }
    if drivetrain.cassette.is_empty() || drivetrain.wheel_m.is_none() {
        return untested(Evidence::NothingTells);
    }
    let Some(gears) = steady_gears(session, ride) else { return untested(Evidence::SpeedNotOfWheel) };
    if gears.len() < FEWEST {
        return untested(Evidence::NothingTells);
    }
    let (stated, of) = (fit(&drivetrain.chainrings, drivetrain, &gears), gears.len());
    let others = drivetrain.chainrings.iter().enumerate().flat_map(|(i, ring)| {
        TEETH.filter(move |teeth| teeth != ring).map(move |teeth| {
            let mut rings = drivetrain.chainrings.clone();
            rings[i] = teeth;
            rings
        })
    });
    // Where the stated teeth explain all, no others can by so much.
    let better = (stated.fit < of).then(|| {
        let tried = others.map(|rings| (fit(&rings, drivetrain, &gears), rings));
        tried.max_by(|a, b| a.0.log_likelihood.total_cmp(&b.0.log_likelihood))
    });
    match better.flatten().filter(|(fit, _)| fit.log_likelihood > stated.log_likelihood + LIKELIER) {
        Some((better_fit, better)) => {
            let (fit, better_fit) = (stated.fit, better_fit.fit);
            let evidence =
                Evidence::OtherTeethFit { fit, of, stated: drivetrain.chainrings.clone(), better, better_fit };
            vec![TestedPremise::contradicted(Premise::Bike, vec![], evidence, Takes::Rings)]
        }
        None => vec![TestedPremise::held(Premise::Bike, vec![], Evidence::GearsFit { fit: stated.fit, of })],
    }
}

/// A chainring that most gear changes name and the session does not.
fn other_ring(drivetrain: &Drivetrain, ride: &Ride) -> Option<u32> {
    let named: Vec<u32> = ride.gears.iter().filter_map(|gear| gear.front_teeth).collect();
    let unknown: Vec<u32> = named.iter().copied().filter(|teeth| !drivetrain.chainrings.contains(teeth)).collect();
    let times = |teeth: u32| unknown.iter().filter(|other| **other == teeth).count();
    // One odd event is a slip of the bike's, as many as a quarter of all are another ring.
    (!unknown.is_empty() && 4 * unknown.len() >= named.len())
        .then(|| unknown.iter().copied().max_by_key(|t| times(*t)))?
}

/// At the circumference that explains most.
fn fit(chainrings: &[u32], drivetrain: &Drivetrain, gears: &[SteadyGear]) -> BikeFit {
    let log_of = |front: u32, rear: u32| (f64::from(front) / f64::from(rear.max(1))).ln();
    let ratios: Vec<f64> =
        chainrings.iter().flat_map(|&front| drivetrain.cassette.iter().map(move |&rear| log_of(front, rear))).collect();
    let at_wheel = |step: i32| {
        let wheel = f64::from(step) * WHEEL_STEP;
        let off = |gear: &SteadyGear| {
            ratios.iter().map(|ratio| (gear.log_ratio - wheel - ratio).abs()).fold(f64::INFINITY, f64::min)
        };
        let offs: Vec<f64> = gears.iter().map(off).collect();
        let cost: f64 = offs.iter().map(|off| (0.5 * (off / RATIO_SD).powi(2)).min(MOST_COST)).sum();
        let log_likelihood = -cost - 0.5 * (wheel / WHEEL_SD).powi(2);
        BikeFit { log_likelihood, fit: offs.iter().filter(|off| **off <= FITS).count() }
    };
    let steps = (-WHEEL_STEPS..=WHEEL_STEPS).map(at_wheel);
    steps
        .max_by(|a, b| a.log_likelihood.total_cmp(&b.log_likelihood))
        .unwrap_or(BikeFit { log_likelihood: 0.0, fit: 0 })
}
