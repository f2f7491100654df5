//! What the statistics give on random inputs, for `.ci/second_statistics.py` to compare with other implementations.

use assize::stats::{self, Line, Sides};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use serde_json::{Value, json};

/// Inputs drawn for each function.
const DRAWS: usize = 200;

/// Random inputs of the sizes that a trial has, and some that it never has.
struct Draws(ChaCha8Rng);

impl Draws {
    fn between(&mut self, low: f64, high: f64) -> f64 {
        self.0.random_range(low..high)
    }

    /// Even in its logarithm.
    fn log(&mut self, low: f64, high: f64) -> f64 {
        self.between(low.ln(), high.ln()).exp()
    }

    fn count(&mut self, low: usize, high: usize) -> usize {
        self.0.random_range(low..=high)
    }

    /// Normal enough: the sum of twelve even numbers.
    fn noise(&mut self) -> f64 {
        (0..12).map(|_| self.0.random::<f64>()).sum::<f64>() - 6.0
    }

    /// A level with scatter, each value remembering the one before.
    fn sample(&mut self, n: usize) -> Vec<f64> {
        let (level, sd, memory) = (self.between(-300.0, 300.0), self.log(0.01, 50.0), self.between(-0.5, 0.95));
        let mut x = 0.0;
        let mut next = || {
            x = memory * x + self.noise();
            level + sd * x
        };
        (0..n).map(|_| next()).collect()
    }

    fn each(&mut self, n: usize, mut one: impl FnMut(&mut Self) -> f64) -> Vec<f64> {
        (0..n).map(|_| one(self)).collect()
    }

    /// Points along a line with uncertainties in x and y.
    fn points(&mut self, n: usize) -> [Vec<f64>; 4] {
        let (slope, scatter) = (self.between(0.2, 3.0), self.log(0.5, 4.0));
        let true_x = self.each(n, |d| d.between(0.0, 100.0));
        let (sx, sy) = (self.each(n, |d| d.log(0.3, 3.0)), self.each(n, |d| d.log(0.3, 3.0)));
        let x = (0..n).map(|i| true_x[i] + scatter * sx[i] * self.noise()).collect();
        let y = (0..n).map(|i| 20.0 + slope * true_x[i] + scatter * sy[i] * self.noise()).collect();
        [x, y, sx, sy]
    }

    /// A covariance of independent parts and two shared ones.
    fn covariance(&mut self, n: usize) -> Vec<Vec<f64>> {
        let own = self.each(n, |d| d.log(0.1, 10.0));
        let shared = [0, 1].map(|_| self.each(n, Self::noise));
        let entry =
            |i: usize, j: usize| shared.iter().map(|s| s[i] * s[j]).sum::<f64>() + if i == j { own[i] } else { 0.0 };
        (0..n).map(|i| (0..n).map(|j| entry(i, j)).collect()).collect()
    }

    /// (hits, trials)
    fn of_trials(&mut self, low: usize, high: usize) -> (u64, u64) {
        let trials = self.count(low, high);
        (self.count(0, trials) as u64, trials as u64)
    }

    fn probability(&mut self) -> f64 {
        let tail = self.log(1e-4, 0.5);
        if self.count(0, 1) == 0 { tail } else { 1.0 - tail }
    }

    /// Fractional, large and infinite ones too; JSON has no infinity, so that is `null`.
    fn degrees_of_freedom(&mut self) -> f64 {
        match self.count(0, 9) {
            0 => f64::INFINITY,
            1 => self.log(5e3, 2e4),
            2 => self.log(1e5, 1e9),
            _ => self.log(1.0, 1e4),
        }
    }
}

fn numbers(line: &Line) -> Vec<f64> {
    vec![line.intercept, line.slope, line.u_intercept, line.u_slope, line.covariance, line.at(7.0), line.u_at(7.0)]
}

fn interval((low, high): (f64, f64)) -> Vec<f64> {
    vec![low, high]
}

/// One function on one input: its arguments by name, and what it gives.
type Case = (Value, Vec<f64>);

fn of_distributions(name: &str, d: &mut Draws) -> Option<Case> {
    Some(match name {
        "t_cdf" => {
            let (t, nu) = (d.between(-8.0, 8.0), d.degrees_of_freedom());
            (json!({ "t": t, "nu": nu }), vec![stats::t_cdf(t, nu)])
        }
        "t_quantile" => {
            let (p, nu) = (d.probability(), d.degrees_of_freedom());
            (json!({ "p": p, "nu": nu }), vec![stats::t_quantile(p, nu)])
        }
        "coverage_factor" => {
            let (coverage, nu) = (d.between(0.5, 0.999), d.degrees_of_freedom());
            (json!({ "coverage": coverage, "nu": nu }), vec![stats::coverage_factor(coverage, nu)])
        }
        "welch_satterthwaite" => {
            let n = d.count(1, 6);
            let (u, nu) = (d.each(n, |d| d.log(0.01, 10.0)), d.each(n, Draws::degrees_of_freedom));
            let parts: Vec<(f64, f64)> = u.iter().copied().zip(nu.iter().copied()).collect();
            let (combined, effective) = stats::welch_satterthwaite(&parts);
            (json!({ "u": u, "nu": nu }), vec![combined, effective])
        }
        "conformance_probability" => {
            let (value, u, nu) = (d.between(-5.0, 5.0), d.log(0.1, 5.0), d.degrees_of_freedom());
            let (low, high) = [(None, Some(3.0)), (Some(-3.0), None), (Some(-2.0), Some(2.0))][d.count(0, 2)];
            let p = stats::conformance_probability(value, u, nu, low, high);
            (json!({ "value": value, "u": u, "nu": nu, "low": low, "high": high }), vec![p])
        }
        "clopper_pearson" => {
            let (n, level) = (d.count(0, 1200), d.between(0.5, 0.999));
            let k = if d.count(0, 1) == 0 { d.count(0, n) } else { d.count(0, n.min(8)) };
            let (sides, word) = [(Sides::Lower, "lower"), (Sides::Upper, "upper"), (Sides::Two, "two")][d.count(0, 2)];
            let limits = stats::clopper_pearson(k as u64, n as u64, level, sides);
            (json!({ "k": k, "n": n, "level": level, "sides": word }), interval(limits))
        }
        "wilson" => {
            let (n, level) = (d.count(1, 1200), d.between(0.5, 0.999));
            let k = d.count(0, n);
            (json!({ "k": k, "n": n, "level": level }), interval(stats::wilson(k as u64, n as u64, level)))
        }
        "zero_failure_sample_size" => {
            let (confidence, rate) = (d.between(0.05, 0.999), d.log(0.001, 0.9));
            let n = stats::zero_failure_sample_size(confidence, rate);
            (json!({ "confidence": confidence, "rate": rate }), vec![n as f64])
        }
        _ => return None,
    })
}

fn of_samples(name: &str, d: &mut Draws) -> Option<Case> {
    let n = d.count(3, 300);
    let x = d.sample(n);
    Some(match name {
        "mean" => (json!({ "x": x }), vec![stats::mean(&x)?]),
        "sample_sd" => (json!({ "x": x }), vec![stats::sample_sd(&x)?]),
        "median" => (json!({ "x": x }), vec![stats::median(&x)?]),
        "autocorrelation" => {
            let lag = d.count(0, n - 1);
            (json!({ "x": x, "lag": lag }), vec![stats::autocorrelation(&x, lag)?])
        }
        "limits_of_agreement" => {
            let l = stats::limits_of_agreement(&x)?;
            let limits = [l.mean, l.sd, l.low, l.high];
            (json!({ "x": x }), [&limits[..], &interval(l.low_interval), &interval(l.high_interval)].concat())
        }
        "effective_samples" => (json!({ "x": x }), vec![stats::effective_samples(&x)]),
        "newey_west_mean_se" => {
            let lags = d.count(0, n / 4);
            (json!({ "x": x, "lags": lags }), vec![stats::newey_west_mean_se(&x, lags)?])
        }
        "ratio" => {
            let reference = d.each(n, |d| d.between(80.0, 320.0));
            let gain = d.between(0.9, 1.1);
            let unit: Vec<f64> = reference.iter().zip(&x).map(|(r, e)| gain * r + e / 50.0).collect();
            let r = stats::ratio(&unit, &reference)?;
            let result = vec![r.ratio, r.standard_uncertainty, r.residual_sd, r.effective_samples, r.n as f64];
            (json!({ "unit": unit, "reference": reference }), result)
        }
        _ => return None,
    })
}

fn of_lines(name: &str, d: &mut Draws) -> Option<Case> {
    let n = d.count(3, 60);
    let [x, y, sx, sy] = d.points(n);
    Some(match name {
        "line_fit" => {
            let fit = stats::line_fit(&x, &y)?;
            (json!({ "x": x, "y": y }), [numbers(&fit.line), vec![fit.residual_sd, fit.dof]].concat())
        }
        "deming" => {
            let ratio = d.log(0.2, 5.0);
            let (intercept, slope) = stats::deming(&x, &y, ratio)?;
            (json!({ "x": x, "y": y, "variance_ratio": ratio }), vec![intercept, slope])
        }
        "york" => {
            let r = if d.count(0, 1) == 0 { 0.0 } else { d.between(-0.7, 0.7) };
            let fit = stats::york(&x, &y, &sx, &sy, r)?;
            let result = [numbers(&fit.line), numbers(&fit.scaled()), vec![fit.mswd, fit.dof]].concat();
            (json!({ "x": x, "y": y, "sx": sx, "sy": sy, "r": r }), result)
        }
        "robust_line" => {
            let mut y = y;
            for _ in 0..n / 8 {
                let i = d.count(0, n - 1);
                y[i] += d.between(-200.0, 200.0);
            }
            let line = stats::robust_line(&x, &y, &sy)?;
            (json!({ "x": x, "y": y, "sigma": sy }), numbers(&line))
        }
        _ => return None,
    })
}

fn of_several(name: &str, d: &mut Draws) -> Option<Case> {
    let n = d.count(2, 12);
    let values = d.each(n, |d| 250.0 + 4.0 * d.noise());
    let cells: Vec<Vec<f64>> = (0..n).map(|i| d.each(2 + (i + n) % 4, |d| values[i] + 3.0 * d.noise())).collect();
    Some(match name {
        "e_n" => {
            let [x, u, r, u_r] = [d.between(-9.0, 9.0), d.log(0.1, 9.0), d.between(-9.0, 9.0), d.log(0.1, 9.0)];
            (json!({ "x": x, "u": u, "r": r, "u_r": u_r }), vec![stats::e_n(x, u, r, u_r)])
        }
        "birge_ratio" => {
            let (chi2, dof) = (d.log(0.01, 100.0), d.count(1, 30) as f64);
            (json!({ "chi2": chi2, "dof": dof }), vec![stats::birge_ratio(chi2, dof)?])
        }
        "weighted_consensus" => {
            let covariance = d.covariance(n);
            let c = stats::weighted_consensus(&values, &covariance)?;
            (json!({ "values": values, "covariance": covariance }), vec![c.value, c.u, c.chi2, c.dof, c.p])
        }
        "inverse" => {
            let matrix = d.covariance(n);
            (json!({ "matrix": matrix }), stats::inverse(&matrix)?.concat())
        }
        "grubbs_three" => {
            let x = [0, 1, 2].map(|_| d.each(n, Draws::noise));
            let variance = |a: usize, b: usize| {
                let difference: Vec<f64> = x[a].iter().zip(&x[b]).map(|(a, b)| a - b).collect();
                stats::sample_sd(&difference).map(|sd| sd * sd)
            };
            let noise = stats::grubbs_three(variance(0, 1)?, variance(0, 2)?, variance(1, 2)?);
            (json!({ "x": x }), noise.to_vec())
        }
        "one_way_anova" => {
            let a = stats::one_way_anova(&cells)?;
            let result = vec![a.between_squares, a.between_dof, a.within_squares, a.within_dof, a.f, a.p];
            (json!({ "groups": cells }), result)
        }
        "repeatability_reproducibility" => {
            let p = stats::repeatability_reproducibility(&cells)?;
            // As a variance: the root of a small difference keeps few digits anywhere.
            let result = vec![p.mean, p.repeatability_sd, p.between_sd.powi(2), p.reproducibility_sd];
            (json!({ "cells": cells }), result)
        }
        "dersimonian_laird" => {
            let variances = d.each(n, |d| d.log(1.0, 30.0));
            let r = stats::dersimonian_laird(&values, &variances)?;
            let result = vec![r.mean, r.u, r.tau2, r.q, r.dof, r.p];
            (json!({ "values": values, "variances": variances }), result)
        }
        _ => return None,
    })
}

fn of_components(name: &str, d: &mut Draws) -> Option<Case> {
    let n = d.count(2, 9);
    let level = d.between(0.8, 0.99);
    Some(match name {
        "variance_interval" => {
            let (mean_square, dof) = (d.log(0.01, 100.0), d.count(1, 60) as f64);
            let limits = stats::variance_interval(mean_square, dof, level);
            (json!({ "mean_square": mean_square, "dof": dof, "level": level }), interval(limits))
        }
        "variance_components" => {
            let cells: Vec<Vec<f64>> = (0..n)
                .map(|i| {
                    let centre = 4.0 * d.noise();
                    d.each(1 + (i + n) % 4, |d| centre + 3.0 * d.noise())
                })
                .collect();
            let c = stats::variance_components(&cells, level)?;
            let result = [
                &[c.between, c.within, c.f, c.between_dof, c.within_dof, c.p][..],
                &interval(c.between_interval),
                &interval(c.within_interval),
            ];
            (json!({ "cells": cells, "level": level }), result.concat())
        }
        "random_effects" => {
            let values = d.each(n, |d| 250.0 + 4.0 * d.noise());
            let variances = d.each(n, |d| d.log(1.0, 30.0));
            let r = stats::random_effects(&values, &variances, level)?;
            let result = [
                &[r.mean, r.u, r.dof, r.tau2, r.q, r.p, r.i2_pct][..],
                &interval(r.interval),
                &interval(r.tau2_interval),
            ];
            (json!({ "values": values, "variances": variances, "level": level }), result.concat())
        }
        "equal_proportions" => {
            let groups: Vec<(u64, u64)> = (0..n).map(|_| d.of_trials(5, 300)).collect();
            let found = stats::equal_proportions(&groups)?;
            (json!({ "groups": groups }), vec![found.chi2, found.dof, found.p, found.least_expected])
        }
        "exact_equal_proportions" => {
            let groups: Vec<(u64, u64)> = (0..d.count(2, 4)).map(|_| d.of_trials(2, 7)).collect();
            (json!({ "groups": groups }), vec![stats::exact_equal_proportions(&groups)?])
        }
        "holm" => {
            let p = d.each(n, |d| d.log(1e-6, 1.0));
            (json!({ "p": p }), stats::holm(&p))
        }
        _ => return None,
    })
}

fn of_physics(name: &str, d: &mut Draws) -> Option<Case> {
    Some(match name {
        "normal_gravity" => {
            let (latitude, height) = (d.between(-90.0, 90.0), d.between(-100.0, 4000.0));
            (json!({ "latitude_deg": latitude, "height_m": height }), vec![stats::normal_gravity(latitude, height)])
        }
        "power_from_torque" => {
            let (torque, cadence) = (d.between(-5.0, 250.0), d.between(0.0, 180.0));
            (json!({ "torque_nm": torque, "cadence_rpm": cadence }), vec![stats::power_from_torque(torque, cadence)])
        }
        "hanging_mass_torque" => {
            let (mass, gravity) = (d.between(1.0, 30.0), d.between(9.78, 9.84));
            let (length, angle) = (d.between(0.15, 0.18), d.between(0.0, 180.0));
            let arguments = json!({ "mass_kg": mass, "gravity": gravity, "length_m": length, "angle_deg": angle });
            (arguments, vec![stats::hanging_mass_torque(mass, gravity, length, angle)])
        }
        "speed_m_s" => {
            let (front, rear) = (d.count(20, 60), d.count(9, 52));
            let (wheel, cadence) = (d.between(1.9, 2.3), d.between(0.0, 180.0));
            let speed = stats::speed_m_s(front as u32, rear as u32, wheel, cadence);
            (json!({ "front": front, "rear": rear, "wheel_m": wheel, "cadence_rpm": cadence }), vec![speed])
        }
        _ => return None,
    })
}

const FUNCTIONS: &[&str] = &[
    "t_cdf",
    "t_quantile",
    "coverage_factor",
    "welch_satterthwaite",
    "conformance_probability",
    "clopper_pearson",
    "wilson",
    "zero_failure_sample_size",
    "mean",
    "sample_sd",
    "median",
    "autocorrelation",
    "limits_of_agreement",
    "effective_samples",
    "newey_west_mean_se",
    "ratio",
    "line_fit",
    "deming",
    "york",
    "robust_line",
    "e_n",
    "birge_ratio",
    "weighted_consensus",
    "inverse",
    "grubbs_three",
    "one_way_anova",
    "repeatability_reproducibility",
    "dersimonian_laird",
    "variance_interval",
    "variance_components",
    "random_effects",
    "equal_proportions",
    "exact_equal_proportions",
    "holm",
    "normal_gravity",
    "power_from_torque",
    "hanging_mass_torque",
    "speed_m_s",
];

#[test]
#[ignore = "writes what the statistics give on random inputs into the file ASSIZE_STATISTICS_TO, drawn by the seed ASSIZE_STATISTICS_SEED"]
fn results_on_random_inputs_are_written() {
    let variable = |name: &str| std::env::var(name).unwrap_or_else(|_| panic!("{name} is not set"));
    let seed = variable("ASSIZE_STATISTICS_SEED").parse().expect("a seed is a whole number");
    let mut d = Draws(ChaCha8Rng::seed_from_u64(seed));
    let mut cases: Vec<Value> = vec![];
    for name in FUNCTIONS {
        for _ in 0..DRAWS {
            let by = [of_distributions, of_samples, of_lines, of_several, of_components, of_physics];
            // What has no answer (too few points, an iteration that does not settle) is no case.
            if let Some((given, result)) = by.iter().find_map(|of| of(name, &mut d)) {
                cases.push(json!({ "function": name, "given": given, "result": result }));
            }
        }
    }
    let text = serde_json::to_string(&cases).expect("numbers");
    std::fs::write(variable("ASSIZE_STATISTICS_TO"), text).expect("the file is written");
}
