//! How far unit and reference differ from second to second: limits of agreement.

use crate::quantity::Unit;
use crate::ride::Window;
use crate::scoring::budget::{Budget, Line};
use crate::scoring::consensus::ReferenceNeed;
use crate::scoring::context::ScoringContext;
use crate::scoring::no_value::NoValue;
use crate::scoring::value::{Measured, Value};
use crate::stats;

use super::measure::{MeasureScoring, Needs, Repeats, first_unit};

/// 95 % of a normal distribution lie within so many standard deviations, as Bland and Altman (1986) take it.
const LIMIT_SDS: f64 = 1.96;
/// Squares of normal values have a kurtosis of 15, so that their variance is known with (15 − 1)/2 times fewer degrees of
/// freedom than that of the values.
const FEWER_DEGREES: f64 = 7.0;

pub const SPREAD: MeasureScoring = MeasureScoring {
    needs: Needs::Always(ReferenceNeed::SteadyPower),
    in_phase: |phase, check| spread(&phase.context, phase.window, first_unit(&check.limit)),
    over_ride: |ride, check| spread(&ride.context, ride.window, first_unit(&check.limit)),
    repeats: Repeats::ShowOwn,
    ..MeasureScoring::NONE
};

/// The limit of agreement farther from zero, without its sign, of the per-second error; both limits beside it.
///
/// Whatever scatters in the reference is part of it: it is how far the two instruments differ.
fn spread(context: &ScoringContext, window: Window, first: Unit) -> Measured {
    let ride = context.ride;
    let consensus = context.consensus(ReferenceNeed::SteadyPower, window)?;
    let paired = context.power_pairs(&consensus, window);
    let mean = context.error_of(&paired, &consensus, window, Unit::Watt, |k| ride.unit.power_at(k))?;
    let differences = paired.differences();
    let (Some(limits), Some(scatter)) = (stats::limits_of_agreement(&differences), limit_scatter(&differences)) else {
        return Err(NoValue::TooFewForLimitsOfAgreement);
    };
    let mut budget = Budget::default();
    budget.push(scatter);
    for line in consensus.lines(ride, mean.reference) {
        budget.push(line);
    }
    let farther_w = limits.high.max(-limits.low);
    let spread = Value::power_error(farther_w, mean.reference, budget, first);
    let agreement = Some([limits.low, limits.high].map(|limit_w| limit_w * spread.per_watt()));
    Ok(Value { agreement, references: mean.references, notes: mean.notes, ..spread })
}

/// Scatter line of either limit of agreement of differences that remember their neighbours; `None` of too few.
///
/// The limit m ± 1.96 s is as uncertain as m and s: u² = s²/n + 1.96²·Var(d²)/(4 s² n'), with the effective numbers n of
/// the differences and n' of their squared deviations. For independent normal ones that is Bland and Altman's s²·(1/n +
/// 1.96²/2n), their 2.92 s²/n (1999, Stat Methods Med Res 8:135-160), which they round to 3 s²/n (1986, Lancet 327:307-310).
fn limit_scatter(differences: &[f64]) -> Option<Line> {
    let (mean, sd) = (stats::mean(differences)?, stats::sample_sd(differences)?);
    if sd == 0.0 {
        return Some(Line::scatter(0.0, f64::INFINITY));
    }
    let squares: Vec<f64> = differences.iter().map(|d| (d - mean).powi(2)).collect();
    let [n, n_squares] = [differences, &squares].map(stats::effective_samples);
    let u_mean2 = sd * sd / n;
    let u_sd2 = stats::sample_sd(&squares)?.powi(2) / (4.0 * sd * sd * n_squares);
    let parts = [
        (u_mean2.sqrt(), (n - 1.0).max(1.0)),
        (LIMIT_SDS * u_sd2.sqrt(), ((n_squares - 1.0) / FEWER_DEGREES).max(1.0)),
    ];
    let (u, degrees_of_freedom) = stats::welch_satterthwaite(&parts);
    Some(Line::scatter(u, degrees_of_freedom))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 95 % limits of agreement of seconds that remember their neighbours, against what they are in the long run.
    #[test]
    fn limits_of_agreement_cover_what_they_are_in_the_long_run() {
        use rand::{RngExt, SeedableRng};
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(1999);
        let mut normal = move || {
            let (a, b): (f64, f64) = (rng.random(), rng.random());
            (-2.0 * (1.0 - a).ln()).sqrt() * (std::f64::consts::TAU * b).cos()
        };
        for (phi, n) in [(0.0, 210), (0.6, 210), (0.8, 210), (0.3, 100)] {
            let trials = 1500;
            let mut hits = 0;
            for _ in 0..trials {
                let mut x = normal();
                let mut series = vec![];
                for _ in 0..n {
                    x = phi * x + f64::sqrt(1.0 - phi * phi) * normal();
                    series.push(2.0 + 5.0 * x);
                }
                let expanded = Budget(vec![limit_scatter(&series).unwrap()]).combine(0.95).expanded();
                let limits = stats::limits_of_agreement(&series).unwrap();
                hits += u64::from((limits.high - (2.0 + 1.96 * 5.0)).abs() <= expanded);
            }
            let (low, high) = stats::clopper_pearson(hits, trials, 0.999, stats::Sides::Two);
            println!("phi {phi}, n {n}: {hits} of {trials}");
            assert!(high >= 0.93 && low <= 0.97, "phi {phi}, n {n}: {hits} of {trials}");
        }
    }

    #[test]
    fn independent_seconds_give_bland_and_altmans_standard_error() {
        use rand::{RngExt, SeedableRng};
        // Quantiles of a normal distribution stand for a perfect sample: 2.92 s²/n.
        let n = 2000;
        let middle = |i: i32| stats::t_quantile((f64::from(i) + 0.5) / f64::from(n), f64::INFINITY);
        // In an order of chance, so that none remembers the one before.
        let mut sample: Vec<f64> = (0..n).map(middle).collect();
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(1986);
        (1..sample.len()).rev().for_each(|i| sample.swap(i, rng.random_range(0..=i)));
        let u = limit_scatter(&sample).unwrap().standard_uncertainty;
        assert!((u / f64::sqrt(2.92 / f64::from(n)) - 1.0).abs() < 0.1, "{u}");
    }
}
