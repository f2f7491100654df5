//! The statistics against published worked examples, standards' tables and certified data sets.
//!
//! Each check names its source and how far its digits were seen: `verified` (seen in a public source, and recomputed
//! independently), `from memory` (recalled, and recomputed), `computed` (a published formula, but a number made here
//! by an independent route: an oracle, not a published value). Data sets stand in `shared/reference-values`.

use assize::internals::scoring::budget::{Budget, Line, Source};
use assize::stats::{
    Anova, STANDARD_GRAVITY_M_S2, Sides, autocorrelation, birge_ratio, clopper_pearson, conformance_probability,
    coverage_factor, deming, dersimonian_laird, e_n, effective_samples, grubbs_three, hanging_mass_torque,
    limits_of_agreement, line_fit, mean, median, newey_west_mean_se, normal_gravity, one_way_anova, power_from_torque,
    repeatability_reproducibility, sample_sd, speed_m_s, t_cdf, t_quantile, weighted_consensus, welch_satterthwaite,
    wilson, york, zero_failure_sample_size,
};

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// Numeric cells of a data set, row by row, without its header and its first `skip` columns.
fn rows(file: &str, skip: usize) -> Vec<Vec<f64>> {
    let path = format!("{}/shared/reference-values/{file}", env!("CARGO_MANIFEST_DIR"));
    let text = std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{path}: {e}"));
    let cells = |line: &str| line.split(',').skip(skip).map(|cell| cell.parse().expect(cell)).collect();
    text.lines().skip(1).map(cells).collect()
}

fn column(rows: &[Vec<f64>], index: usize) -> Vec<f64> {
    rows.iter().map(|row| row[index]).collect()
}

/// Groups of the second column by the first, in order of appearance.
fn groups(rows: &[Vec<f64>]) -> Vec<Vec<f64>> {
    let mut groups: Vec<(f64, Vec<f64>)> = vec![];
    for row in rows {
        match groups.last_mut() {
            Some((key, values)) if *key == row[0] => values.push(row[1]),
            _ => groups.push((row[0], vec![row[1]])),
        }
    }
    groups.into_iter().map(|(_, values)| values).collect()
}

#[track_caller]
fn near(value: f64, expected: f64, tolerance: f64) {
    assert!((value - expected).abs() <= tolerance, "{value} is not within {tolerance} of {expected}");
}

/// Agrees to about so many significant digits.
#[track_caller]
fn agrees(value: f64, expected: f64, digits: i32) {
    near(value, expected, expected.abs() * 10f64.powi(-digits));
}

/// Half a unit of the last of so many decimals, and a hair for a number that lies on the edge.
#[track_caller]
fn prints(value: f64, expected: f64, decimals: i32) {
    near(value, expected, 0.5 * 10f64.powi(-decimals) * (1.0 + 1e-9));
}

fn difference(a: &[f64], b: &[f64]) -> Vec<f64> {
    a.iter().zip(b).map(|(a, b)| a - b).collect()
}

/// NIST StRD, Univariate Summary Statistics, certified values. `verified`.
#[test]
fn nist_univariate_mean_sd_and_lag_1_autocorrelation() {
    let file = |name| column(&rows(name, 0), 0);
    let alternating = |first: f64, low: f64, high: f64| {
        let pairs = std::iter::repeat_n([low, high], 500).flatten();
        std::iter::once(first).chain(pairs).collect::<Vec<f64>>()
    };
    // Digits to expect of mean, s and r(1): the inputs of the NumAcc sets are not exact in binary.
    let sets = [
        ("Michelso", file("nist-michelso.csv"), 299.8524, 0.0790105478190518, 0.535199668621283, [14, 12, 12]),
        ("Mavro", file("nist-mavro.csv"), 2.001856, 0.000429123454003053, 0.937989183438248, [14, 12, 12]),
        ("Lew", file("nist-lew.csv"), -177.435, 277.332168044316, -0.307304800605679, [14, 14, 13]),
        ("Lottery", file("nist-lottery.csv"), 518.958715596330, 291.699727470969, -0.120948622967393, [14, 14, 13]),
        ("NumAcc1", vec![10000001.0, 10000003.0, 10000002.0], 10000002.0, 1.0, -0.5, [15, 15, 15]),
        ("NumAcc2", alternating(1.2, 1.1, 1.3), 1.2, 0.1, -0.999, [13, 13, 13]),
        ("NumAcc3", alternating(1000000.2, 1000000.1, 1000000.3), 1000000.2, 0.1, -0.999, [14, 9, 9]),
        ("NumAcc4", alternating(10000000.2, 10000000.1, 10000000.3), 10000000.2, 0.1, -0.999, [14, 8, 7]),
    ];
    for (name, data, certified_mean, certified_sd, certified_r, digits) in sets {
        println!("{name}");
        agrees(mean(&data).unwrap(), certified_mean, digits[0]);
        agrees(sample_sd(&data).unwrap(), certified_sd, digits[1]);
        agrees(autocorrelation(&data, 1).unwrap(), certified_r, digits[2]);
    }
}

/// NIST StRD, Linear Regression, Norris, certified values. `verified`.
#[test]
fn nist_norris_line() {
    let data = rows("nist-norris.csv", 0);
    let fit = line_fit(&column(&data, 1), &column(&data, 0)).unwrap();
    agrees(fit.line.intercept, -0.262323073774029, 10);
    agrees(fit.line.slope, 1.00211681802045, 13);
    agrees(fit.line.u_intercept, 0.232818234301152, 11);
    agrees(fit.line.u_slope, 0.429796848199937e-3, 11);
    agrees(fit.residual_sd, 0.884796396144373, 11);
    assert_eq!(fit.dof, 34.0);
    agrees(fit.residual_sd.powi(2) * fit.dof, 26.6173985294224, 11);
}

/// GUM Annex H.3, Table H.6: thermometer corrections. `verified`.
#[test]
fn gum_h3_calibration_line_and_prediction() {
    let t = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511];
    let y = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160];
    let fit = line_fit(&t.map(|t| t - 20.0), &y).unwrap();
    prints(fit.line.intercept, -0.1712, 4);
    prints(fit.line.u_intercept, 0.0029, 4);
    prints(fit.line.slope, 0.00218, 5);
    prints(fit.line.u_slope, 0.00067, 5);
    prints(fit.line.covariance / (fit.line.u_intercept * fit.line.u_slope), -0.930, 3);
    prints(fit.residual_sd, 0.0035, 4);
    prints(fit.line.at(10.0), -0.1494, 4);
    prints(fit.line.u_at(10.0), 0.0041, 4);
}

/// Natrella (1963), NBS Handbook 91, 5-4.1: Young's modulus against temperature. `verified`.
#[test]
fn natrella_line_band() {
    let x = [30, 100, 200, 300, 400, 500, 600, 700, 800, 900, 1000, 1100, 1200, 1300, 1400, 1500].map(f64::from);
    let y = [4642, 4612, 4565, 4513, 4476, 4433, 4389, 4347, 4303, 4251, 4201, 4140, 4100, 4073, 4024, 3999];
    let fit = line_fit(&x, &y.map(f64::from)).unwrap();
    prints(fit.line.slope, -0.44985482, 8);
    prints(fit.line.intercept, 4654.9846, 4);
    // Printed without rounding, like the residual SD below.
    near(fit.line.u_slope.powi(2), 0.000025649045, 1e-12);
    // A desk calculation, one unit off in the last digit.
    near(fit.line.u_intercept.powi(2), 19.879452, 1.5e-6);
    near(fit.residual_sd, 9.277617, 1e-6);
    prints(fit.line.u_at(1200.0).powi(2), 10.53, 2);
    prints(fit.line.u_at(750.0).powi(2) + fit.residual_sd.powi(2), 91.45, 2);
}

/// Bland and Altman (1986), Lancet 327:307-310: peak flow by two meters. Mean, SD and limits `verified`; standard
/// errors and intervals `from memory`.
#[test]
fn bland_altman_peak_flow() {
    let data = rows("bland-altman-1986-pefr.csv", 1);
    let limits = limits_of_agreement(&difference(&column(&data, 0), &column(&data, 2))).unwrap();
    assert_eq!(limits.n, 17);
    prints(limits.mean, -2.1, 1);
    prints(limits.sd, 38.8, 1);
    // The paper takes 2 SD, of the rounded values.
    let round = |v: f64| (v * 10.0).round() / 10.0;
    prints(round(limits.mean) - 2.0 * round(limits.sd), -79.7, 1);
    prints(round(limits.mean) + 2.0 * round(limits.sd), 75.5, 1);
    // 1.96 SD: `computed`.
    prints(limits.low, -78.0973, 4);
    prints(limits.high, 73.8620, 4);
    // The half width does not hang on the factor of the limits: 34.6 is half of −114.3 to −45.1, 16.3 its standard
    // error.
    let half = (limits.low_interval.1 - limits.low_interval.0) / 2.0;
    near(half, 34.6, 0.2);
    prints(half / t_quantile(0.975, 16.0), 16.3, 1);
    near((limits.high_interval.1 - limits.high_interval.0) / 2.0, half, 1e-9);
    // The mean's own: 9.4, −22.0 to 17.8.
    let u_mean = limits.sd / 17f64.sqrt();
    prints(u_mean, 9.4, 1);
    prints(limits.mean - t_quantile(0.975, 16.0) * u_mean, -22.0, 1);
    prints(limits.mean + t_quantile(0.975, 16.0) * u_mean, 17.8, 1);
}

/// Bland and Altman (1986): each meter's two readings. `from memory`.
#[test]
fn bland_altman_repeatability() {
    let data = rows("bland-altman-1986-pefr.csv", 1);
    let repeats = |one: usize, other: usize| {
        let pairs: Vec<Vec<f64>> = data.iter().map(|row| vec![row[one], row[other]]).collect();
        // The paper takes the SD of the differences, √2 of one reading's.
        2f64.sqrt() * repeatability_reproducibility(&pairs).unwrap().repeatability_sd
    };
    let (large, mini) = (repeats(0, 1), repeats(2, 3));
    prints(large, 21.6, 1);
    prints(mini, 28.2, 1);
    let halves: Vec<f64> = data.iter().map(|row| (row[0] + row[1] - row[2] - row[3]) / 2.0).collect();
    let of_means = limits_of_agreement(&halves).unwrap().sd;
    prints(of_means, 33.2, 1);
    prints((of_means.powi(2) + large.powi(2) / 4.0 + mini.powi(2) / 4.0).sqrt(), 37.7, 1);
}

/// GUM 4.4.3, Table 1: twenty temperatures. `verified`.
#[test]
fn gum_type_a_evaluation() {
    let t = [
        96.90, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07, 100.33, 100.42, 100.68, 100.95, 101.11,
        101.20, 101.57, 101.84, 102.36, 102.72,
    ];
    prints(mean(&t).unwrap(), 100.145, 3);
    prints(sample_sd(&t).unwrap(), 1.489, 3);
    prints(sample_sd(&t).unwrap() / 20f64.sqrt(), 0.333, 3);
    near(median(&t).unwrap(), 100.20, 1e-9);
}

/// GUM 4.3 and G.4.2: 10 nm at 95 % with 5 degrees of freedom is 3.9 nm. `verified`.
#[test]
fn gum_type_b_from_an_interval() {
    prints(10.0 / coverage_factor(0.95, 5.0), 3.9, 1);
}

/// GUM G.4.1: product of three means. `verified`; 19.0 comes from the rounded 1.03 %, unrounded it is 18.9987.
#[test]
fn gum_g4_effective_degrees_of_freedom() {
    let (u, nu) = welch_satterthwaite(&[(0.25, 9.0), (0.57, 4.0), (0.82, 14.0)]);
    prints(u, 1.03, 2);
    prints(nu, 19.0, 1);
    prints(nu, 18.9987, 4);
    prints(coverage_factor(0.95, nu), 2.09, 2);
    prints(coverage_factor(0.95, nu) * u, 2.2, 1);
}

/// GUM Annex H.1, Table H.1: end gauge. `verified`.
#[test]
fn gum_h1_end_gauge_budget() {
    const LENGTH_NM: f64 = 50_000_623.0;
    let comparator = [(13.0 / 5f64.sqrt(), 24.0), (10.0 / coverage_factor(0.95, 5.0), 5.0), (20.0 / 3.0, 8.0)];
    let (u_d, nu_d) = welch_satterthwaite(&comparator);
    prints(u_d, 9.7, 1);
    // 25.6 from parts rounded to 5.8, 3.9, 6.7 and 9.7.
    near(nu_d, 25.6, 0.2);
    let expansion = LENGTH_NM * 0.1 * 1e-6 / 3f64.sqrt();
    let gradient = LENGTH_NM * 11.5e-6 * 0.05 / 3f64.sqrt();
    prints(expansion, 2.9, 1);
    prints(gradient, 16.6, 1);
    let (u, nu) = welch_satterthwaite(&[(75.0 / 3.0, 18.0), (u_d, nu_d), (expansion, 50.0), (gradient, 2.0)]);
    prints(u * u, 1002.0, 0);
    prints(u, 32.0, 0);
    prints(nu, 16.7, 1);
    prints(coverage_factor(0.99, nu.floor()), 2.92, 2);
    prints(coverage_factor(0.99, nu.floor()) * u.round(), 93.0, 0);
    // The same by a budget's lines; t of 16.7 degrees of freedom lies between 2.90 and 2.92.
    let mut budget = Budget::default();
    budget.push(Line::scatter(u_d, nu_d));
    for (u, degrees_of_freedom) in [(75.0 / 3.0, 18.0), (expansion, 50.0), (gradient, 2.0)] {
        budget.push(Line { degrees_of_freedom, ..Line::b(Source::Mass, u) });
    }
    let combined = budget.combine(0.99);
    near(combined.standard_uncertainty, u, 1e-12);
    near(combined.degrees_of_freedom, nu, 1e-12);
    assert!((2.90 * u..2.92 * u).contains(&combined.expanded()), "{combined:?}");
}

/// EA-4/02 M:2022, Supplement S2: 10 kg weight. `verified`; 29.2 mg is of the table's rounded values.
#[test]
fn ea_4_02_weight_budget() {
    let any = f64::INFINITY;
    let (rectangle_15, rectangle_10) = (15.0 / 3f64.sqrt(), 10.0 / 3f64.sqrt());
    let parts = [45.0 / 2.0, rectangle_15, 25.0 / 3f64.sqrt(), rectangle_10, rectangle_10].map(|u| (u, any));
    let (u, nu) = welch_satterthwaite(&parts);
    near(u, 29.2, 0.1);
    prints(u, 29.262, 3);
    assert_eq!(nu, f64::INFINITY);
}

/// GUM Table G.2: coverage factors. Row 16 and k = 2.00 at 95.45 % `verified`, the rest `from memory`.
#[test]
fn gum_table_g2() {
    let table = [
        (1.0, [1.84, 6.31, 12.71, 13.97, 63.66, 235.80]),
        (2.0, [1.32, 2.92, 4.30, 4.53, 9.92, 19.21]),
        (3.0, [1.20, 2.35, 3.18, 3.31, 5.84, 9.22]),
        (4.0, [1.14, 2.13, 2.78, 2.87, 4.60, 6.62]),
        (5.0, [1.11, 2.02, 2.57, 2.65, 4.03, 5.51]),
        (6.0, [1.09, 1.94, 2.45, 2.52, 3.71, 4.90]),
        (7.0, [1.08, 1.89, 2.36, 2.43, 3.50, 4.53]),
        (8.0, [1.07, 1.86, 2.31, 2.37, 3.36, 4.28]),
        (9.0, [1.06, 1.83, 2.26, 2.32, 3.25, 4.09]),
        (10.0, [1.05, 1.81, 2.23, 2.28, 3.17, 3.96]),
        (16.0, [1.03, 1.75, 2.12, 2.17, 2.92, 3.54]),
        (20.0, [1.03, 1.72, 2.09, 2.13, 2.85, 3.42]),
        (50.0, [1.01, 1.68, 2.01, 2.05, 2.68, 3.16]),
        (100.0, [1.005, 1.660, 1.984, 2.025, 2.626, 3.077]),
        (f64::INFINITY, [1.000, 1.645, 1.960, 2.000, 2.576, 3.000]),
    ];
    // The levels with whole σ stand for erf(k/√2).
    let levels = [0.682_689_492_1, 0.90, 0.95, 0.954_499_736_1, 0.99, 0.997_300_203_9];
    for (nu, factors) in table {
        for (level, factor) in levels.into_iter().zip(factors) {
            prints(coverage_factor(level, nu), factor, if nu >= 100.0 { 3 } else { 2 });
        }
    }
}

/// NIST/SEMATECH e-Handbook, upper critical values of Student's t. `verified`.
#[test]
fn nist_t_table() {
    let table = [
        (1.0, [3.078, 6.314, 12.706, 31.821, 63.657]),
        (2.0, [1.886, 2.920, 4.303, 6.965, 9.925]),
        (5.0, [1.476, 2.015, 2.571, 3.365, 4.032]),
        (9.0, [1.383, 1.833, 2.262, 2.821, 3.250]),
        (10.0, [1.372, 1.812, 2.228, 2.764, 3.169]),
        (16.0, [1.337, 1.746, 2.120, 2.583, 2.921]),
        (19.0, [1.328, 1.729, 2.093, 2.539, 2.861]),
        (30.0, [1.310, 1.697, 2.042, 2.457, 2.750]),
        (60.0, [1.296, 1.671, 2.000, 2.390, 2.660]),
        (100.0, [1.290, 1.660, 1.984, 2.364, 2.626]),
        (f64::INFINITY, [1.282, 1.645, 1.960, 2.326, 2.576]),
    ];
    for (nu, row) in table {
        for (alpha, t) in [0.10, 0.05, 0.025, 0.01, 0.005].into_iter().zip(row) {
            prints(t_quantile(1.0 - alpha, nu), t, 3);
            near(t_cdf(t, nu), 1.0 - alpha, 1e-4);
        }
    }
}

/// NIST/SEMATECH e-Handbook 1.3.6.7.1, the normal curve's area from 0 to z. `verified`: seen as a public program's copy of
/// the page's table.
#[test]
fn nist_normal_table() {
    for (z, area) in [
        (0.50, 0.19146),
        (1.00, 0.34134),
        (1.40, 0.41924),
        (1.50, 0.43319),
        (1.64, 0.44950),
        (1.96, 0.47500),
        (2.33, 0.49010),
        (2.58, 0.49506),
        (3.09, 0.49900),
        (3.29, 0.49950),
    ] {
        prints(t_cdf(z, f64::INFINITY) - 0.5, area, 5);
        prints(0.5 - t_cdf(-z, f64::INFINITY), area, 5);
    }
}

/// NIST/SEMATECH e-Handbook 1.3.6.7.4, critical values of χ², three decimals. `verified`: upper tails seen as a public
/// program's copy of the page's table, lower ones in a handout that cites it. The five decimals, and 0.005 and 0.995, which
/// the page leaves out: `computed` with scipy 1.17.1.
#[test]
fn chi_square_tail_of_a_consensus() {
    let table = [
        (1, 0.05, Some(3.841), 3.84146),
        (1, 0.025, Some(5.024), 5.02389),
        (1, 0.01, Some(6.635), 6.63490),
        (1, 0.005, None, 7.87944),
        (2, 0.05, Some(5.991), 5.99146),
        (5, 0.05, Some(11.070), 11.07050),
        (5, 0.025, Some(12.833), 12.83250),
        (5, 0.005, None, 16.74960),
        (10, 0.05, Some(18.307), 18.30704),
        (10, 0.025, Some(20.483), 20.48318),
        (10, 0.01, Some(23.209), 23.20925),
        (10, 0.005, None, 25.18818),
        (10, 0.95, Some(3.940), 3.94030),
        (10, 0.975, Some(3.247), 3.24697),
        (10, 0.995, None, 2.15586),
    ];
    for (nu, tail, printed, chi2) in table {
        // One value apart from the others, all of unit variance: χ² is its square times ν/(ν + 1).
        let n = nu + 1;
        let of = |chi2: f64| {
            let mut values = vec![0.0; n];
            values[0] = (chi2 * n as f64 / nu as f64).sqrt();
            let unit = |i: usize, j: usize| f64::from(u8::from(i == j));
            let covariance: Vec<Vec<f64>> = (0..n).map(|i| (0..n).map(|j| unit(i, j)).collect()).collect();
            weighted_consensus(&values, &covariance).unwrap()
        };
        agrees(of(chi2).chi2, chi2, 12);
        // Six digits of χ² are some six of the tail.
        near(of(chi2).p, tail, 5e-6 * tail.max(0.1));
        // Half a unit of the last printed decimal to either side.
        if let Some(printed) = printed {
            assert!((of(printed + 5e-4).p..of(printed - 5e-4).p).contains(&tail), "{nu} {tail}");
        }
    }
}

/// GUM Annex H.5, Table H.9: ten days of voltage. Days and the mean of all `verified`; u of the mean `from memory`.
#[test]
fn gum_h5_between_days() {
    let day_means = [172.0, 116.0, 13.0, 144.0, 106.0, 31.0, 60.0, 125.0, 163.0, 41.0];
    prints(mean(&day_means).unwrap(), 97.0, 0);
    let between = sample_sd(&day_means).unwrap();
    prints(between, 57.0, 0);
    prints(between / 10f64.sqrt(), 18.0, 0);
}

/// GUM Annex H.5: readings of a day made up so that its mean and SD are those of Table H.9. The two scatters that F is made of
/// `verified`; F `computed` from the table, as the printed one is made of rounded parts; critical values and the between-day
/// component `from memory`.
#[test]
fn gum_h5_within_days() {
    let day_means = [172.0, 116.0, 13.0, 144.0, 106.0, 31.0, 60.0, 125.0, 163.0, 41.0];
    let day_sds = [60.0, 77.0, 111.0, 101.0, 67.0, 93.0, 80.0, 73.0, 88.0, 86.0];
    let day = |(mean, sd): (f64, f64)| [-1.0, -1.0, 0.0, 1.0, 1.0].map(|e| mean + sd * e).to_vec();
    let days: Vec<Vec<f64>> = day_means.into_iter().zip(day_sds).map(day).collect();
    let anova = one_way_anova(&days).unwrap();
    assert_eq!((anova.between_dof, anova.within_dof), (9.0, 40.0));
    // `computed`.
    prints(anova.f, 2.2615, 4);
    // Printed: 2.25, which is what 57 and 85 give, and not what the table does.
    let rounded = |v: f64| v.round().powi(2);
    let within = repeatability_reproducibility(&days).unwrap().repeatability_sd;
    prints(5.0 * rounded(sample_sd(&day_means).unwrap()) / rounded(within), 2.25, 2);
    // Between F at 0.05 (2.12) and at 0.025 (2.45).
    assert!((0.025..0.05).contains(&anova.p), "{}", anova.p);
    let precision = repeatability_reproducibility(&days).unwrap();
    prints(precision.repeatability_sd, 85.0, 0);
    prints(precision.between_sd, 43.0, 0);
}

/// GUM 5.2.2: parts of 3 and 4, independent and fully correlated. `verified`.
#[test]
fn gum_correlated_parts() {
    let one = |source, u| Budget(vec![Line::b(source, u)]);
    // A mean of two, twice, is their sum.
    let sum = |source| Budget::of_mean(&[&one(source, 3.0), &one(source, 4.0)]).times(2.0).part(|_| true);
    near(sum(Source::Resolution), 5.0, 1e-12);
    near(sum(Source::ReferenceGain), 7.0, 1e-12);
}

/// JCGM 106:2012, 7.3 and 7.4 (`from memory`); the rest `computed` from its formulas.
#[test]
fn jcgm_106_conformance_probability() {
    let normal = f64::INFINITY;
    let p = |y, u, low, high| conformance_probability(y, u, normal, low, high);
    prints(p(-5.47, 0.05, None, Some(-5.40)), 0.92, 2);
    prints(p(509.7, 8.6, Some(490.0), None), 0.99, 2);
    prints(p(13.6, 1.8, Some(12.5), Some(16.3)), 0.66, 2);
    for (share, z) in [(0.80, 0.84), (0.90, 1.28), (0.95, 1.64), (0.99, 2.33), (0.999, 3.09)] {
        prints(t_quantile(share, normal), z, 2);
    }
    near(p(1.2, 0.8, Some(-2.0), Some(2.0)), 0.8413130748, 1e-9);
    near(p(1.5, 0.5, Some(-2.0), Some(2.0)), 0.8413447461, 1e-9);
    near(p(2.0, 0.5, Some(-2.0), Some(2.0)), 0.5, 1e-9);
    near(p(0.0, 0.5, Some(-1.5), Some(1.5)), 0.9973002039, 1e-9);
}

/// ILAC-G8:09/2019, Table 1: false accept at the acceptance limit. `verified` (bounds), digits `computed`.
#[test]
fn ilac_g8_guard_bands() {
    // U = 2u = 1, limit 0: the measured value lies w below it.
    let false_accept = |w: f64| 1.0 - conformance_probability(-w, 0.5, f64::INFINITY, None, Some(0.0));
    for (w, bound, computed) in
        [(3.0, 1e-6, 9.866e-10), (1.5, 0.0016, 0.001350), (1.0, 0.025, 0.022750), (0.83, 0.05, 0.048457)]
    {
        assert!(false_accept(w) < bound, "w = {w} U");
        near(false_accept(w), computed, 6e-7 * bound.max(1e-3) / 1e-3);
    }
    near(false_accept(0.0), 0.5, 1e-12);
}

/// ISO 13528:2022 and ISO/IEC 17043 for the formula; numbers `computed` (3-4-5 triangles).
#[test]
fn e_n_numbers() {
    for (x, u, reference, u_reference, expected) in [
        (250.0, 3.0, 252.0, 4.0, -0.4),
        (301.0, 4.0, 300.0, 3.0, 0.2),
        (100.6, 0.3, 100.0, 0.4, 1.2),
        (253.5, 1.5, 250.0, 2.0, 1.4),
        (100.5, 0.3, 100.0, 0.4, 1.0),
    ] {
        near(e_n(x, u, reference, u_reference), expected, 1e-12);
    }
}

/// NIST StRD, Analysis of Variance, SiRstv and AtmWtAg, certified values. `verified`.
#[test]
fn nist_one_way_analysis_of_variance() {
    let silicon = one_way_anova(&groups(&rows("nist-sirstv.csv", 0))).unwrap();
    agrees(silicon.between_squares, 5.11462616000000e-02, 10);
    agrees(silicon.within_squares, 2.16636560000000e-01, 10);
    agrees(silicon.f, 1.18046237440255, 10);
    let explained = |a: &Anova| a.between_squares / (a.between_squares + a.within_squares);
    agrees(explained(&silicon), 1.90999039051129e-01, 10);
    assert_eq!((silicon.between_dof, silicon.within_dof), (4.0, 20.0));
    let silver = one_way_anova(&groups(&rows("nist-atmwtag.csv", 0))).unwrap();
    // Seven leading digits are constant.
    agrees(silver.between_squares, 3.63834187500000e-09, 7);
    agrees(silver.within_squares, 1.04951729166667e-08, 7);
    agrees(silver.f, 15.9467335677930, 7);
    agrees(explained(&silver), 0.257426544538321, 7);
    agrees((silver.within_squares / silver.within_dof).sqrt(), 1.51048314446410e-05, 7);
    // `computed` from the certified sums.
    let precision = repeatability_reproducibility(&groups(&rows("nist-sirstv.csv", 0))).unwrap();
    agrees(precision.repeatability_sd, 0.104076068334656, 10);
    near(precision.reproducibility_sd, 0.1059376018, 1e-9);
}

/// NIST/SEMATECH e-Handbook 1.3.6.7.3, upper critical values of F at 0.05 and 0.10, three decimals. `verified`: seen as a
/// public program's copy of the page's tables. The four decimals, and what that copy leaves out: `computed` with scipy
/// 1.17.1.
#[test]
fn f_tail_of_an_analysis_of_variance() {
    for (nu1, nu2, alpha, printed, f) in [
        (3, 2, 0.05, Some(19.164), 19.1643),
        (4, 2, 0.05, Some(19.247), 19.2468),
        (5, 2, 0.10, Some(9.293), 9.2926),
        (1, 3, 0.05, Some(10.128), 10.1280),
        (2, 3, 0.05, Some(9.552), 9.5521),
        (10, 3, 0.05, Some(8.786), 8.7855),
        (20, 3, 0.05, None, 8.6602),
        (3, 3, 0.025, None, 15.4392),
        (3, 2, 0.01, None, 99.1662),
        (10, 1, 0.05, Some(241.882), 241.8817),
    ] {
        // A group of ν2 + 1 values about 0 with unit variance; of ν1 groups of one value, one stands apart.
        let of = |f: f64| {
            let half = (f64::from(nu2) / 2.0).sqrt();
            let mut groups = vec![vec![0.0; nu2 as usize + 1]];
            (groups[0][0], groups[0][1]) = (half, -half);
            groups.extend(vec![vec![0.0]; nu1 as usize]);
            groups[1][0] = (f * f64::from(nu1) / (1.0 - 1.0 / f64::from(nu1 + nu2 + 1))).sqrt();
            one_way_anova(&groups).unwrap()
        };
        let anova = of(f);
        assert_eq!((anova.between_dof, anova.within_dof), (f64::from(nu1), f64::from(nu2)));
        agrees(anova.f, f, 12);
        near(anova.p, alpha, 1e-6);
        // Half a unit of the last printed decimal to either side.
        if let Some(printed) = printed {
            assert!((of(printed + 5e-4).p..of(printed - 5e-4).p).contains(&alpha), "{nu1} {nu2} {alpha}");
        }
    }
}

/// ASTM E691, glucose in serum; materials A, D, E `from memory`, B and C `computed`.
#[test]
fn astm_e691_glucose() {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/shared/reference-values/astm-e691-glucose.csv");
    let text = std::fs::read_to_string(path).unwrap();
    let cells = |material: &str| -> Vec<Vec<f64>> {
        let of = text.lines().filter_map(|line| line.strip_prefix(material)).map(|rest| {
            let cells: Vec<f64> = rest.split(',').skip(1).map(|cell| cell.parse().unwrap()).collect();
            vec![cells[0], cells[2]]
        });
        groups(&of.collect::<Vec<_>>())
    };
    for (material, centre, of_means, repeatability, reproducibility, r, big_r) in [
        ("A", 41.5183, 0.6061, 1.0632, 1.0632, 2.98, 2.98),
        ("D", 194.7171, 2.5950, 2.6251, 3.3657, 7.35, 9.42),
        ("E", 294.4921, 2.6931, 3.9350, 4.1923, 11.02, 11.74),
        ("B", 79.6079, 0.8627, 1.4961, 1.4961, 4.19, 4.19),
        ("C", 135.1387, 2.6567, 2.7509, 3.4789, 7.70, 9.74),
    ] {
        let cells = cells(material);
        assert_eq!((cells.len(), cells[0].len()), (8, 3));
        let means: Vec<f64> = cells.iter().map(|c| mean(c).unwrap()).collect();
        let precision = repeatability_reproducibility(&cells).unwrap();
        prints(precision.mean, centre, 4);
        prints(sample_sd(&means).unwrap(), of_means, 4);
        prints(precision.repeatability_sd, repeatability, 4);
        prints(precision.reproducibility_sd, reproducibility, 4);
        prints(2.8 * precision.repeatability_sd, r, 2);
        prints(2.8 * precision.reproducibility_sd, big_r, 2);
    }
}

/// ISO 5725-2:1994, Annex B: softening point of pitch, °C. Data and results of levels 2 and 3 `from memory`; level 1 and the
/// mean and s_r of level 4 `computed`.
#[test]
fn iso_5725_softening_point_of_pitch() {
    const NONE: f64 = f64::NAN;
    #[rustfmt::skip]
    let laboratories = [
        [91.0, 89.6, 97.0, 97.2, 96.5, 97.0, 104.0, 104.0],
        [89.7, 89.8, 98.5, 97.2, 97.2, 97.0, 102.6, 103.6],
        [88.0, 87.5, 97.8, 94.5, 94.2, 95.8, 103.0, 99.5],
        [89.2, 88.5, 96.8, 97.5, 96.0, 98.0, 102.5, 103.5],
        [89.0, 90.0, 97.2, NONE, 98.2, 98.5, 101.0, 100.2],
        [88.5, 90.5, 97.8, 97.2, 99.5, 103.2, 102.2, 102.0],
        [88.9, 88.2, 96.6, 97.5, 98.2, 99.0, 102.8, 102.2],
        [NONE, NONE, 96.0, 97.5, 98.4, 97.4, 102.6, 103.9],
        [90.1, 88.4, 95.5, 96.8, 98.2, 96.7, 102.8, 102.0],
        [86.0, 85.8, 95.2, 95.0, 94.8, 93.0, 99.8, 100.8],
        [87.6, 84.4, 93.2, 93.4, 93.6, 93.9, 98.2, 97.8],
        [88.2, 87.4, 95.8, 95.4, 95.8, 95.4, 101.7, 101.2],
        [91.0, 90.4, 98.2, 99.5, 98.0, 97.0, 104.5, 105.6],
        [87.5, 87.8, 97.0, 95.5, 97.1, 96.6, 105.2, 101.8],
        [87.5, 87.6, 95.0, 95.2, 97.8, 99.2, 101.5, 100.9],
        [88.8, 85.0, 95.0, 93.2, 97.2, 97.8, 99.5, 99.8],
    ];
    let levels =
        [(88.40, 1.109, Some(1.670)), (96.27, 0.925, Some(1.597)), (97.07, 0.993, Some(2.010)), (101.96, 1.004, None)];
    for (level, (centre, repeatability, reproducibility)) in levels.into_iter().enumerate() {
        let cells: Vec<Vec<f64>> = laboratories
            .iter()
            .map(|row| row[2 * level..2 * level + 2].iter().copied().filter(|v| v.is_finite()).collect())
            .collect();
        let precision = repeatability_reproducibility(&cells).unwrap();
        prints(precision.mean, centre, 2);
        prints(precision.repeatability_sd, repeatability, 3);
        if let Some(reproducibility) = reproducibility {
            prints(precision.reproducibility_sd, reproducibility, 3);
        }
    }
}

/// Van Baak, time-nuts mailing list, May 2013: three oscillators of 6, 8 and 10. `verified`.
#[test]
fn three_oscillators() {
    let [a, b, c] = grubbs_three(100.0, 136.0, 164.0);
    assert_eq!([a.sqrt(), b.sqrt(), c.sqrt()], [6.0, 8.0, 10.0]);
    let rounded = grubbs_three(10.0 * 10.0, 11.7 * 11.7, 12.8 * 12.8);
    for (variance, printed) in rounded.into_iter().zip([6.044, 7.967, 10.018]) {
        prints(variance.sqrt(), printed, 3);
    }
}

/// Grubbs (1973), Technometrics 15:53-66: three chronographs (data seen; estimates `computed`).
#[test]
fn grubbs_chronographs() {
    let f = [793.8, 793.1, 792.4, 794.0, 791.4, 792.4, 791.7, 792.3, 789.6, 794.4, 790.9, 793.5];
    let c = [794.6, 793.9, 793.2, 794.0, 792.2, 793.1, 792.4, 792.8, 790.2, 795.0, 791.6, 793.8];
    let t = [793.2, 793.3, 792.6, 793.8, 791.6, 791.6, 791.6, 792.4, 788.5, 794.7, 791.3, 793.5];
    // Mean difference F − C: `verified`.
    near(mean(&difference(&f, &c)).unwrap(), -0.6083333, 1e-7);
    let variance = |a: &[f64], b: &[f64]| sample_sd(&difference(a, b)).unwrap().powi(2);
    let noise = grubbs_three(variance(&f, &c), variance(&f, &t), variance(&c, &t));
    for (variance, expected) in noise.into_iter().zip([0.0065151515, 0.0525, 0.2186363636]) {
        near(variance, expected, 1e-9);
    }
}

/// Newcombe (1998), Stat Med 17:857-872, Table I, methods 5 and 3, 95 %. `verified`: seen in public test suites that cite it.
#[test]
fn newcombe_binomial_intervals() {
    for (r, n, exact, score) in [
        (81, 263, (0.2527, 0.3676), (0.2553, 0.3662)),
        (15, 148, (0.0578, 0.1617), (0.0624, 0.1605)),
        (0, 20, (0.0000, 0.1684), (0.0000, 0.1611)),
        (1, 29, (0.0009, 0.1776), (0.0061, 0.1718)),
    ] {
        let ((low, high), (score_low, score_high)) = (clopper_pearson(r, n, 0.95, Sides::Two), wilson(r, n, 0.95));
        prints(low, exact.0, 4);
        prints(high, exact.1, 4);
        prints(score_low, score.0, 4);
        prints(score_high, score.1, 4);
    }
    // Not of the table; `computed` from Wilson's formula, which for these two is z/(2·√(n + z²)) about a half, and
    // z²/(n + z²), with z² = 3.841459.
    prints(wilson(5, 10, 0.95).1, 0.5 + 0.263407, 6);
    prints(wilson(0, 10, 0.95).1, 0.2775, 4);
}

/// Zero failures: Hanley and Lippman-Hand (1983), JAMA 249:1743-1745 (rule `verified`, digits `computed`); sample
/// sizes are the usual success-run figures, `from memory`.
#[test]
fn zero_failures() {
    for (n, limit) in [
        (10, 0.258866),
        (20, 0.139108),
        (30, 0.095034),
        (50, 0.058155),
        (100, 0.029513),
        (300, 0.009936),
        (1000, 0.002991),
    ] {
        let (low, high) = clopper_pearson(0, n, 0.95, Sides::Upper);
        prints(high, limit, 6);
        assert_eq!(low, 0.0);
        assert!(high < 3.0 / n as f64);
        near(clopper_pearson(n, n, 0.95, Sides::Lower).0, 1.0 - high, 1e-9);
    }
    for (reliability, confidence, n) in [
        (0.95, 0.95, 59),
        (0.90, 0.95, 29),
        (0.90, 0.90, 22),
        (0.95, 0.90, 45),
        (0.99, 0.95, 299),
        (0.99, 0.99, 459),
        (0.80, 0.95, 14),
    ] {
        assert_eq!(zero_failure_sample_size(confidence, 1.0 - reliability), n);
    }
}

/// Zwiers and von Storch (1995), J Climate 8:336-351, and Bayley and Hammersley (1946) for finite n: sixty samples of
/// ρ = 0.5 are worth 20.45. Formula published, number `computed`.
#[test]
fn effective_samples_of_a_first_order_process() {
    let mut rng = ChaCha8Rng::seed_from_u64(1995);
    let estimates: Vec<f64> = (0..2000)
        .map(|_| {
            // Sums of twelve uniform numbers are normal enough.
            let mut normal = || (0..12).map(|_| rng.random::<f64>()).sum::<f64>() - 6.0;
            let mut x = normal() / 0.75f64.sqrt();
            let series: Vec<f64> = (0..60)
                .map(|_| {
                    x = 0.5 * x + normal();
                    x
                })
                .collect();
            effective_samples(&series)
        })
        .collect();
    // It leans to fewer, so that intervals cover, but by less than a fifth.
    let effective = mean(&estimates).unwrap();
    assert!((0.8 * 20.4545454545..20.4545454545).contains(&effective), "{effective}");
}

/// Newey-West standard error of a mean on NIST data. `computed`.
#[test]
fn newey_west_of_a_mean() {
    for (file, expected, digits) in [
        ("nist-mavro.csv", [6.0077283560e-05, 8.3634595713e-05, 1.2530620416e-04, 1.6369045732e-04], 9),
        ("nist-michelso.csv", [7.8614502479e-03, 9.7405864300e-03, 1.1235965112e-02, 1.2724145122e-02], 9),
        ("nist-lew.csv", [19.5612583663, 16.2805052331, 11.0949683925, 6.9143047448], 10),
    ] {
        let data = column(&rows(file, 0), 0);
        for (lags, se) in [0, 1, 4, 10].into_iter().zip(expected) {
            agrees(newey_west_mean_se(&data, lags).unwrap(), se, digits);
        }
    }
}

/// Four lags on quarterly data: output of a commercial statistics package, kept in statsmodels' regression tests. `verified`.
///
/// The error of a coefficient is that of the mean of residual times regressor, once the others are fitted out of the
/// regressor (Frisch and Waugh 1933, from memory).
#[test]
fn newey_west_of_a_regression() {
    let data = rows("newey-west-macro.csv", 0);
    let (y, n) = (column(&data, 0), data.len());
    let regressors = [column(&data, 1), column(&data, 2), vec![1.0; n]];
    let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
    let less = |a: &[f64], b: &[f64], by: f64| a.iter().zip(b).map(|(a, b)| a - by * b).collect::<Vec<f64>>();
    let fitted_out = |of: &[f64], by: &[f64]| less(of, by, dot(of, by) / dot(by, by));
    let own = |k: usize| {
        let (a, b) = (&regressors[(k + 1) % 3], &regressors[(k + 2) % 3]);
        // Two at right angles, one after the other.
        let across = fitted_out(b, a);
        fitted_out(&fitted_out(&regressors[k], a), &across)
    };
    let slopes: Vec<f64> = (0..3).map(|k| dot(&own(k), &y) / dot(&own(k), &own(k))).collect();
    let residuals = (0..3).fold(y.clone(), |rest, k| less(&rest, &regressors[k], slopes[k]));
    for (k, (slope, se)) in [
        (4.3742216647032, 0.33125644884286),
        (-0.61399696947899, 0.29582347593197),
        (-9.4816727746549, 1.1859338087713),
    ]
    .into_iter()
    .enumerate()
    {
        let regressor = own(k);
        let products: Vec<f64> = regressor.iter().zip(&residuals).map(|(x, e)| x * e).collect();
        let of_mean = newey_west_mean_se(&products, 4).unwrap();
        let small_sample = (n as f64 / (n as f64 - 3.0)).sqrt();
        agrees(slopes[k], slope, 9);
        agrees(small_sample * of_mean * n as f64 / dot(&regressor, &regressor), se, 9);
    }
}

/// Pearson's (1901) points with York's (1966) weights. Line, scale and scaled standard errors are those of the tests of
/// LinearFitXYerrors.jl, standard errors as the weights say and χ²/(n − 2) those of the tests of the R package bfsl, both
/// libraries that fit lines. `verified`: seen there; York et al. (2004), whose formulas these are, was not.
#[test]
fn pearson_york_line() {
    let x = [0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4];
    let y = [5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5];
    let sx = [1000.0, 1000.0, 500.0, 800.0, 200.0, 80.0, 60.0, 20.0, 1.8, 1.0].map(|w: f64| 1.0 / w.sqrt());
    let sy = [1.0, 1.8, 4.0, 8.0, 20.0, 20.0, 70.0, 70.0, 100.0, 500.0].map(|w: f64| 1.0 / w.sqrt());
    let fit = york(&x, &y, &sx, &sy, 0.0).unwrap();
    agrees(fit.line.intercept, 5.47991022403286, 12);
    agrees(fit.line.slope, -0.48053340744620, 12);
    prints(fit.line.u_intercept, 0.294970735, 9);
    prints(fit.line.u_slope, 0.0579850090, 10);
    prints(fit.mswd, 1.483294149, 9);
    agrees(fit.scaled().u_intercept, 0.359246522551112, 8);
    agrees(fit.scaled().u_slope, 0.070620269528771, 8);
    near(birge_ratio(fit.mswd * fit.dof, fit.dof).unwrap(), 1.217905640539398, 1e-9);
    // Major axis of the same points: Pearson prints 5.784 and 0.546. `from memory`.
    let (intercept, slope) = deming(&x, &y, 1.0).unwrap();
    prints(intercept, 5.784, 3);
    prints(slope, -0.546, 3);
    // Ordinary least squares. `computed`.
    let exact_x = line_fit(&x, &y).unwrap().line;
    near(exact_x.slope, -0.53957727, 1e-8);
    near(exact_x.intercept, 5.76118519, 1e-8);
}

/// Ripley and Thompson (1987), Analyst 112:377-383: arsenate in river water. Line and scale `verified`.
#[test]
fn ripley_thompson_line() {
    let data = rows("ripley-thompson-1987-arsenate.csv", 0);
    let fit = york(&column(&data, 0), &column(&data, 2), &column(&data, 1), &column(&data, 3), 0.0).unwrap();
    prints(fit.line.intercept, 0.1064, 4);
    prints(fit.line.slope, 0.9730, 4);
    prints(fit.mswd, 1.358, 3);
    // `computed`
    prints(fit.line.u_intercept, 0.04819371, 8);
    prints(fit.line.u_slope, 0.07661611, 8);
}

/// Closed-form Deming: fitting x on y gives the reciprocal slope. `computed`.
#[test]
fn deming_is_symmetric() {
    let x = [1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0, 10.0];
    let y = [2.3, 4.1, 7.9, 7.7, 13.5, 11.3, 19.1, 14.9, 24.7, 20.5];
    let (intercept, slope) = deming(&x, &y, 1.0).unwrap();
    near(slope, 2.532471219912, 1e-11);
    near(intercept, -1.328591709518, 1e-11);
    near(deming(&y, &x, 1.0).unwrap().1 * slope, 1.0, 1e-12);
}

/// Equivalence by interval: output of an R package's two one-sided tests, kept in statsmodels' tests. `verified`.
#[test]
fn equivalence_is_the_90_per_cent_interval_inside_the_margin() {
    let data = rows("tost-clinic.csv", 2);
    let inside = |(low, high): (f64, f64)| low > -0.6 && high < 0.6;
    for (index, paired, welch, equivalent) in [
        (0, (-0.0744336620516462, 0.4037669953849797), (-0.2666862980722534, 0.596019631405587), (true, true)),
        (1, (0.1261653305099018, 0.999168002823431), (0.194916250699966, 0.930417082633366), (false, false)),
    ] {
        // The larger of the two tests' probabilities; paired, then Welch.
        let p = [[0.003166881489265175, 0.04853083976236974], [0.4412034046017588, 0.4317936812594803]][index];
        let (a, b) = (column(&data[..15], index), column(&data[15..], index));
        let d = difference(&a, &b);
        let interval = |u: f64, nu: f64| {
            let (centre, half) = (mean(&d).unwrap(), coverage_factor(0.90, nu) * u);
            (centre - half, centre + half)
        };
        let by_pairs = interval(sample_sd(&d).unwrap() / 15f64.sqrt(), 14.0);
        near(by_pairs.0, paired.0, 1e-9);
        near(by_pairs.1, paired.1, 1e-9);
        let (u, nu) = welch_satterthwaite(&[&a, &b].map(|g| (sample_sd(g).unwrap() / 15f64.sqrt(), 14.0)));
        let by_groups = interval(u, nu);
        near(by_groups.0, welch.0, 1e-9);
        near(by_groups.1, welch.1, 1e-9);
        let larger = |u: f64, nu: f64| t_cdf((mean(&d).unwrap().abs() - 0.6) / u, nu);
        near(larger(sample_sd(&d).unwrap() / 15f64.sqrt(), 14.0), p[0], 1e-9);
        near(larger(u, nu), p[1], 1e-9);
        assert_eq!((inside(by_pairs), inside(by_groups)), equivalent);
    }
}

/// Lakens (2017), Soc Psychol Pers Sci 8(4):355-362: two groups from their summaries. t = −2.69 and p = 0.004 `from memory`,
/// further digits `computed`.
#[test]
fn equivalence_from_summaries() {
    let (difference, margin) = (5.25 - 5.22, 0.43 * ((0.95f64.powi(2) + 0.83f64.powi(2)) / 2.0).sqrt());
    let (u, nu) = welch_satterthwaite(&[(0.95 / 95f64.sqrt(), 94.0), (0.83 / 89f64.sqrt(), 88.0)]);
    prints((difference - margin) / u, -2.69, 2);
    prints(t_cdf((difference - margin) / u, nu), 0.004, 3);
    near(nu, 181.13436716, 1e-8);
    near((difference + margin) / u, 3.1497301457, 1e-9);
    near(t_cdf(-(difference + margin) / u, nu), 0.00095601, 1e-8);
    near(difference - coverage_factor(0.90, nu) * u, -0.1870843118, 1e-9);
    near(difference + coverage_factor(0.90, nu) * u, 0.2470843118, 1e-9);
}

/// Colditz et al. (1994), JAMA 271:698-702: BCG vaccine, log relative risk; results of the R package
/// metafor and of a commercial statistics package. `verified`.
#[test]
fn bcg_vaccine_thirteen_trials() {
    let treated = [4, 6, 3, 62, 33, 180, 8, 505, 29, 17, 186, 5, 27].map(f64::from);
    let of_treated = [123, 306, 231, 13598, 5069, 1541, 2545, 88391, 7499, 1716, 50634, 2498, 16913].map(f64::from);
    let control = [11, 29, 11, 248, 47, 372, 10, 499, 45, 65, 141, 3, 29].map(f64::from);
    let of_control = [139, 303, 220, 12867, 5808, 1451, 629, 88391, 7277, 1665, 27338, 2341, 17854].map(f64::from);
    let trials = (0..13).map(|i| (treated[i], of_treated[i], control[i], of_control[i]));
    let (risks, variances): (Vec<f64>, Vec<f64>) =
        trials.map(|(a, n1, c, n2)| ((a / n1 / (c / n2)).ln(), 1.0 / a - 1.0 / n1 + 1.0 / c - 1.0 / n2)).unzip();
    let pooled = dersimonian_laird(&risks, &variances).unwrap();
    let z = coverage_factor(0.95, f64::INFINITY);
    prints(pooled.mean, -0.7141, 4);
    prints(pooled.mean - z * pooled.u, -1.0644, 4);
    prints(pooled.mean + z * pooled.u, -0.3638, 4);
    prints(pooled.mean / pooled.u, -3.9952, 4);
    prints(pooled.tau2, 0.3088, 4);
    prints(pooled.q, 152.2330, 4);
    prints(100.0 * (1.0 - pooled.dof / pooled.q), 92.1173, 4);
    prints(pooled.mean.exp(), 0.4896, 4);
    prints(birge_ratio(pooled.q, pooled.dof).unwrap().powi(2), 12.6861, 4);
    let own = |i: usize, j: usize| if i == j { variances[i] } else { 0.0 };
    let diagonal: Vec<Vec<f64>> = (0..13).map(|i| (0..13).map(|j| own(i, j)).collect()).collect();
    let fixed = weighted_consensus(&risks, &diagonal).unwrap();
    prints(fixed.value, -0.4303, 4);
    prints(fixed.value / fixed.u, -10.6247, 4);
}

/// Kacker (2004), Metrologia 41:132-136, Table 1; output of the R package metafor, kept in statsmodels' tests. `verified`.
#[test]
fn kacker_nine_measurements() {
    let y = [61.00, 61.40, 62.21, 62.30, 62.34, 62.60, 62.70, 62.84, 65.90];
    let v = [0.2025, 1.2100, 0.0900, 0.2025, 0.3844, 0.5625, 0.0676, 0.0225, 1.8225];
    let pooled = dersimonian_laird(&y, &v).unwrap();
    agrees(pooled.tau2, 0.288049246973751, 10);
    agrees(pooled.mean, 62.3901386044504, 12);
    agrees(pooled.u, 0.245749668040304, 10);
    agrees(pooled.q, 24.801897741835, 10);
    agrees(pooled.p, 0.00167935146372742, 8);
    assert_eq!(pooled.dof, 8.0);
    // The fixed-effect row is the weighted mean of independent values.
    let diagonal: Vec<Vec<f64>> = (0..9).map(|i| (0..9).map(|j| if i == j { v[i] } else { 0.0 }).collect()).collect();
    let fixed = weighted_consensus(&y, &diagonal).unwrap();
    agrees(fixed.value, 62.5833970939982, 12);
    agrees(fixed.u, 0.107845705498231, 11);
    agrees(fixed.chi2, 24.801897741835, 10);
    agrees(fixed.p, 0.00167935146372742, 8);
    assert_eq!(fixed.dof, 8.0);
}

/// DerSimonian and Kacker (2007), Contemp Clin Trials 28:105-114, Tables 3 and 4: six trials. `verified`.
#[test]
fn dersimonian_kacker_six_trials() {
    let trials = [
        (156.0, 5.0, 74.0, 8.0),
        (303.0, 5.0, 303.0, 17.0),
        (565.0, 12.0, 477.0, 9.0),
        (1570.0, 69.0, 1565.0, 94.0),
        (103.0, 9.0, 105.0, 11.0),
        (4659.0, 313.0, 4650.0, 352.0),
    ];
    let log_odds = trials.map(|(n1, a, n2, c): (f64, f64, f64, f64)| (a / (n1 - a) / (c / (n2 - c))).ln());
    let variances = trials.map(|(n1, a, n2, c)| 1.0 / a + 1.0 / (n1 - a) + 1.0 / c + 1.0 / (n2 - c));
    let pooled = dersimonian_laird(&log_odds, &variances).unwrap();
    prints(pooled.tau2.sqrt(), 0.2323, 4);
    prints(pooled.mean, -0.3240, 4);
    prints(pooled.u, 0.1540, 4);
}

/// Definitions: P = T·2πn/60, T = m·g·l, v = ratio × circumference × cadence/60. `computed`; standard gravity is
/// exact (3rd CGPM 1901).
#[test]
fn cycling_physics() {
    for (torque, cadence, power) in [
        (10.0, 90.0, 94.2477796077),
        (40.0, 90.0, 376.9911184308),
        (30.0, 100.0, 314.159265359),
        (100.0, 60.0, 628.318530718),
    ] {
        near(power_from_torque(torque, cadence), power, 1e-9);
    }
    for (mass, length, torque) in [(10.0, 0.1725, 16.91647125), (20.0, 0.170, 33.34261), (5.0, 0.175, 8.58081875)] {
        near(hanging_mass_torque(mass, STANDARD_GRAVITY_M_S2, length, 90.0), torque, 1e-12);
    }
    near(hanging_mass_torque(10.0, STANDARD_GRAVITY_M_S2, 0.2, 30.0), 9.80665, 1e-12);
    near(power_from_torque(hanging_mass_torque(10.0, STANDARD_GRAVITY_M_S2, 0.1725, 90.0), 90.0), 159.433985411, 1e-9);
    for (front, rear, wheel, cadence, speed) in [
        (50, 25, 2.105, 90.0, 6.315),
        (34, 34, 2.105, 60.0, 2.105),
        (53, 11, 2.105, 90.0, 15.2134090909),
        (39, 19, 2.096, 100.0, 7.1705263158),
        (50, 17, 2.136, 95.0, 9.9470588235),
    ] {
        near(speed_m_s(front, rear, wheel, cadence), speed, 1e-9);
    }
}

/// Moritz (1988), Geodesist's Handbook, GRS80: 0°, 45°, 90° `verified`, the others `computed`.
#[test]
fn grs80_normal_gravity() {
    for (latitude, gravity) in [
        (0.0, 9.780326772),
        (30.0, 9.793248704),
        (45.0, 9.806199203),
        (50.0, 9.810703568),
        (60.0, 9.819178385),
        (90.0, 9.832186368),
    ] {
        near(normal_gravity(latitude, 0.0), gravity, 2e-9);
        near(normal_gravity(-latitude, 0.0), gravity, 2e-9);
    }
    near(normal_gravity(45.0, 1000.0), 9.806199203 - 3.086e-3, 2e-9);
}
