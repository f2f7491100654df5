//! The matcher against known truth, small and with fixed seeds; `cargo bench --bench assignment` is the large one.

use crate::common;
use std::sync::LazyLock;

use crate::common::assignment::{CASES, Tally, tally};
use assize::internals::rehearse::{RehearsalPlan, RideHabits, simulate};
use assize::stats::{Sides, clopper_pearson};
use rayon::prelude::*;

/// One in a thousand: what exact limits leave to luck.
const LEVEL: f64 = 0.999;
/// Rides of each case.
const SEEDS: u64 = 3;

fn all() -> &'static Tally {
    static ALL: LazyLock<Tally> = LazyLock::new(|| {
        let rides: Vec<_> = CASES.iter().flat_map(|case| (101..101 + SEEDS).map(move |seed| (case, seed))).collect();
        let one = |(case, seed): &(&common::assignment::Case, u64)| {
            let protocol = case.protocol();
            let rehearsal = simulate(&protocol, &case.plan(*seed));
            tally(&protocol, &rehearsal, &common::judge(&rehearsal))
        };
        let mut sum = Tally::default();
        rides.par_iter().map(one).collect::<Vec<_>>().into_iter().for_each(|one| sum += one);
        sum
    });
    &ALL
}

/// A rate may be `asked` or more, as far as so many trials can tell.
#[track_caller]
fn at_least(asked: f64, hits: usize, n: usize) {
    let (_, high) = clopper_pearson(hits as u64, n as u64, LEVEL, Sides::Upper);
    assert!(n > 100 && high >= asked, "{hits} of {n}");
}

#[test]
fn ridden_repeats_are_found() {
    at_least(0.99, all().found, all().ridden);
}

#[test]
fn nothing_is_found_where_it_was_not_ridden() {
    let n = all().ridden + all().spoiled;
    at_least(0.99, n - all().invented.len(), n);
}

#[test]
fn edges_lie_within_two_seconds_of_where_the_rider_began_to_change() {
    let near = all().outer_edges().filter(|edge| edge.off_s.abs() <= 2.0).count();
    at_least(0.95, near, all().outer_edges().count());
}

#[test]
fn the_ring_is_told_and_right() {
    at_least(0.99, all().ring_right, all().seconds);
}

/// Clocks of rides of one seed are much alike, so this is no more than a lower limit.
#[test]
fn clocks_lie_within_their_uncertainty() {
    at_least(0.93, all().clocks_inside(), all().clocks.len());
}

#[test]
fn a_unit_that_reports_late_is_reported_late() {
    let protocol = common::shipped("bench-both-rings.yaml");
    (101..109_u64).into_par_iter().for_each(|seed| {
        let plan = RehearsalPlan { habits: RideHabits::varied(seed), ..common::plan(seed, &["late=3"]) };
        let verdict = common::judge(&simulate(&protocol, &plan)).verdict;
        let checks = verdict.repeats.iter().flat_map(|r| &r.checks).filter(|c| c.measure.ends_with("_lag"));
        let lags: Vec<f64> = checks.filter_map(|check| check.value).collect();
        assert!(lags.len() == 4 && lags.iter().all(|lag_s| (lag_s - 3.0).abs() < 1.0), "seed {seed}: {lags:?}");
    });
}
