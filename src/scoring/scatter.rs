//! Scatter over the repeats of a session, in a form that a faulty repeat can't hide in.

/// Repeat-to-repeat scatter: a standard uncertainty of one repeat and its degrees of freedom.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RepeatScatter {
    pub sd: f64,
    pub degrees_of_freedom: f64,
}

/// Weight of an edge's figure from simulation, in degrees of freedom. It steadies the estimate from six repeats and is
/// outvoted by twelve. Chosen, not fitted; benches/gate.rs prints how often single edges and their means cover the truth.
const PRIOR_DEGREES_OF_FREEDOM: f64 = 2.0;

/// An edge's figure from simulation by itself, good to a quarter: GUM G.4.2 makes that 8 degrees of freedom.
const ALONE_DEGREES_OF_FREEDOM: f64 = 8.0;

/// The scatter of short work differs from session to session with riders and head units, like an inverse χ² of so many
/// degrees of freedom: most likely 3 to 5 for work, peaks and sides of 1,000 simulated sessions. benches/gate.rs prints the coverage that
/// it leads to.
const WORK_DEGREES_OF_FREEDOM: f64 = 4.0;

/// Factor and effective degrees of freedom of [`pairwise_scale`] on normal values, for n = 4, 5, … 20: with them
/// the mean square of the estimate is the variance and its spread is that of a χ² with these degrees of freedom.
/// From 100,000 simulated samples of each size (the estimator: Rousseeuw and Croux 1993, J Am Stat Assoc 88:1273-1283).
const CALIBRATION: [(f64, f64); 17] = [
    (1.003, 1.72),
    (1.653, 1.81),
    (1.257, 3.06),
    (1.759, 3.04),
    (1.405, 4.29),
    (1.831, 4.45),
    (1.530, 5.73),
    (1.897, 5.88),
    (1.623, 7.14),
    (1.936, 7.26),
    (1.695, 8.57),
    (1.966, 8.82),
    (1.749, 10.0),
    (1.993, 10.2),
    (1.796, 11.7),
    (2.017, 11.8),
    (1.831, 13.0),
];
/// Sample size of the first row of [`CALIBRATION`].
const SMALLEST: usize = 4;
/// What the factor tends to for large samples (Rousseeuw and Croux 1993) …
const LIMIT_FACTOR: f64 = 2.2219;
/// … from below, by so much over n: with it the factor goes on where the table ends, 1.82 at 20.
const FACTOR_APPROACH: f64 = 3.6;
/// Degrees of freedom per repeat beyond the table: 13.0 at 20, as in the table, and less than the 0.82 that the estimator's
/// efficiency tends to.
const DEGREES_PER_REPEAT: f64 = 0.65;

/// A gap between repeats of so many scatters of sound meters parts faulty ones from sound ones: even the whole range of six
/// normal values is wider than 4.76 once in a hundred (studentized range, from memory), and one gap in it seldomer.
const KINDS_APART: f64 = 5.0;

/// Scatter of one repeat's work or mean from what the repeats gave and what is known from simulation, each with its
/// weight.
///
/// Faults may be most of the repeats: of two kinds further apart than sound meters are, what scatters is the steadier one.
/// How a fault's size changes from repeat to repeat is no scatter of the measurement.
pub fn of_work(values: &[f64], from_simulation: f64) -> RepeatScatter {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let gaps = || (1..sorted.len()).map(|i| (i, sorted[i] - sorted[i - 1]));
    let widest = gaps().max_by(|a, b| a.1.total_cmp(&b.1));
    match widest {
        Some((i, gap)) if sorted.len() > 2 && gap > KINDS_APART * from_simulation => {
            let (low, high) = sorted.split_at(i);
            let sd = |of: &[f64]| crate::stats::sample_sd(of).unwrap_or(f64::INFINITY);
            of_work(if sd(low) <= sd(high) { low } else { high }, from_simulation)
        }
        _ => steadied(&sorted, from_simulation, WORK_DEGREES_OF_FREEDOM),
    }
}

/// The same of edges. Sampled once a second they fall into two clusters, and the distance within one cluster says nothing
/// of the distance between them: the figure from simulation is the floor.
pub fn of_edges(values: &[f64], from_simulation: f64) -> RepeatScatter {
    let scatter = steadied(values, from_simulation, PRIOR_DEGREES_OF_FREEDOM);
    if scatter.sd > from_simulation {
        return scatter;
    }
    // The repeats bear the figure out, so both together know it.
    let own_degrees = scatter.degrees_of_freedom - PRIOR_DEGREES_OF_FREEDOM;
    RepeatScatter { sd: from_simulation, degrees_of_freedom: own_degrees + ALONE_DEGREES_OF_FREEDOM }
}

/// The repeats' own variance and the one from simulation, weighted by their degrees of freedom: what is likely of a
/// variance with an inverse χ² for a prior. Source: Gelman et al. (2013), Bayesian Data Analysis, 2.6, from memory.
///
/// A third of the repeats may be faulty without widening it: an ordinary standard deviation would grow with the fault and
/// declare it not significant. Below four repeats the ordinary one is all there is.
fn steadied(values: &[f64], from_simulation: f64, prior_degrees: f64) -> RepeatScatter {
    let (own_variance, own_degrees) = own_scatter(values).unwrap_or((0.0, 0.0));
    let degrees_of_freedom = own_degrees + prior_degrees;
    let variance = (own_degrees * own_variance + prior_degrees * from_simulation.powi(2)) / degrees_of_freedom;
    RepeatScatter { sd: variance.sqrt(), degrees_of_freedom }
}

fn own_scatter(values: &[f64]) -> Option<(f64, f64)> {
    let n = values.len();
    if n < SMALLEST {
        let sd = crate::stats::sample_sd(values)?;
        return Some((sd * sd, n as f64 - 1.0));
    }
    let last = CALIBRATION.len() - 1;
    let (factor, dof) = CALIBRATION[(n - SMALLEST).min(last)];
    let (factor, dof) = if n - SMALLEST > last {
        (LIMIT_FACTOR * (1.0 - FACTOR_APPROACH / n as f64), DEGREES_PER_REPEAT * n as f64)
    } else {
        (factor, dof)
    };
    Some(((factor * pairwise_scale(values)).powi(2), dof))
}

/// The h(h−1)/2-th smallest distance between two values, h = n/2 + 1.
fn pairwise_scale(values: &[f64]) -> f64 {
    let n = values.len();
    let h = n / 2 + 1;
    let mut distances: Vec<f64> = (0..n).flat_map(|i| (i + 1..n).map(move |j| (values[i] - values[j]).abs())).collect();
    distances.sort_by(f64::total_cmp);
    distances[h * (h - 1) / 2 - 1]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_faulty_repeats_of_six_do_not_widen_the_scatter() {
        let sound = of_work(&[0.1, -0.2, 0.3, 0.0, -0.1, 0.2], 0.2);
        let faulty = of_work(&[0.1, -25.0, 0.3, 0.0, -24.0, 0.2], 0.2);
        assert!(faulty.sd < 2.0 * sound.sd, "{faulty:?} against {sound:?}");
        assert!(crate::stats::sample_sd(&[0.1, -25.0, 0.3, 0.0, -24.0, 0.2]).unwrap() > 10.0);
    }

    #[test]
    fn most_repeats_may_be_faulty_by_different_amounts() {
        let short = [-26.5, -23.4, -19.3, -14.4, -0.2, 0.2];
        assert!(of_work(&short, 1.8).sd < 1.8);
        assert!(of_edges(&short, 1.8).sd > 5.0, "one kind by itself is wider");
    }

    #[test]
    fn repeats_and_simulation_weigh_by_their_degrees_of_freedom() {
        // Three repeats have 2: (2·3² + 4·1.5²)/6 = 4.5.
        let scatter = of_work(&[-3.0, 0.0, 3.0], 1.5);
        assert!((scatter.sd - 4.5_f64.sqrt()).abs() < 1e-12 && scatter.degrees_of_freedom == 6.0, "{scatter:?}");
        assert_eq!(of_work(&[1.0], 1.5), RepeatScatter { sd: 1.5, degrees_of_freedom: WORK_DEGREES_OF_FREEDOM });
    }

    #[test]
    fn two_clusters_do_not_look_like_no_scatter() {
        let lags_s = [0.51, 0.52, 0.53, -0.45, 0.52, -0.47];
        assert!(of_edges(&lags_s, 0.4).sd >= 0.4);
    }

    #[test]
    fn one_repeat_alone_takes_the_figure_from_simulation() {
        assert_eq!(of_edges(&[1.0], 0.4), RepeatScatter { sd: 0.4, degrees_of_freedom: ALONE_DEGREES_OF_FREEDOM });
    }
}
