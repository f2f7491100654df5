//! Scatter over the repeats of a session, in a form that a faulty repeat can't hide in.

/// Repeat-to-repeat scatter: a standard uncertainty of one repeat and its degrees of freedom.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RepeatScatter {
    pub sd: f64,
    pub degrees_of_freedom: f64,
}

/// Weight of the figure from simulation, in degrees of freedom. It steadies the estimate from six repeats and is
/// outvoted by twelve.
const PRIOR_DEGREES_OF_FREEDOM: f64 = 2.0;

/// The figure from simulation by itself, good to a quarter: GUM G.4.2 makes that 8 degrees of freedom.
const ALONE_DEGREES_OF_FREEDOM: f64 = 8.0;

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
const SMALLEST: usize = 4;

/// A gap between repeats of so many scatters of sound meters parts faulty ones from sound ones.
const KINDS_APART: f64 = 5.0;

/// The same where faults may be most of the repeats: of two kinds further apart than sound meters are, what scatters is
/// the steadier one. How a fault's size changes from repeat to repeat is no scatter of the measurement.
pub fn scatter_within_kinds(values: &[f64], from_simulation: f64) -> RepeatScatter {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let gaps = || (1..sorted.len()).map(|i| (i, sorted[i] - sorted[i - 1]));
    let widest = gaps().max_by(|a, b| a.1.total_cmp(&b.1));
    match widest {
        Some((i, gap)) if sorted.len() >= SMALLEST && gap > KINDS_APART * from_simulation => {
            let (low, high) = sorted.split_at(i);
            let sd = |of: &[f64]| crate::stats::sample_sd(of).unwrap_or(f64::INFINITY);
            scatter_within_kinds(if sd(low) <= sd(high) { low } else { high }, from_simulation)
        }
        _ => scatter(&sorted, from_simulation),
    }
}

/// Scatter of one repeat from what the repeats gave, steadied by a figure known from simulation.
///
/// A third of the repeats may be faulty without widening it: an ordinary standard deviation would grow with
/// the fault and declare it not significant. Below four repeats the ordinary one is all there is. The figure
/// from simulation is the floor: edges sampled once a second fall into two clusters, and the distance within
/// one cluster says nothing of the distance between them.
pub fn scatter(values: &[f64], from_simulation: f64) -> RepeatScatter {
    let Some((own_variance, own_dof)) = own_scatter(values) else {
        return RepeatScatter { sd: from_simulation, degrees_of_freedom: ALONE_DEGREES_OF_FREEDOM };
    };
    let degrees_of_freedom = own_dof + PRIOR_DEGREES_OF_FREEDOM;
    let variance = (own_dof * own_variance + PRIOR_DEGREES_OF_FREEDOM * from_simulation.powi(2)) / degrees_of_freedom;
    if variance <= from_simulation.powi(2) {
        // The repeats bear the figure out, so both together know it.
        return RepeatScatter { sd: from_simulation, degrees_of_freedom: own_dof + ALONE_DEGREES_OF_FREEDOM };
    }
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
    // Beyond the table the factor tends to 2.2219 and the efficiency to 0.82.
    let (factor, dof) =
        if n - SMALLEST > last { (2.2219 * (1.0 - 3.6 / n as f64), 0.65 * n as f64) } else { (factor, dof) };
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
        let sound = scatter(&[0.1, -0.2, 0.3, 0.0, -0.1, 0.2], 0.2);
        let faulty = scatter(&[0.1, -25.0, 0.3, 0.0, -24.0, 0.2], 0.2);
        assert!(faulty.sd < 2.0 * sound.sd, "{faulty:?} against {sound:?}");
        assert!(crate::stats::sample_sd(&[0.1, -25.0, 0.3, 0.0, -24.0, 0.2]).unwrap() > 10.0);
    }

    #[test]
    fn most_repeats_may_be_faulty_by_different_amounts() {
        let short = [-26.5, -23.4, -19.3, -14.4, -0.2, 0.2];
        assert_eq!(scatter_within_kinds(&short, 1.8).sd, 1.8);
        assert!(scatter(&short, 1.8).sd > 5.0, "one kind by itself is wider");
        let sound = [2.9, -1.4, 0.3, 4.1, -3.0, 1.2];
        let by_value = |mut values: Vec<f64>| {
            values.sort_by(f64::total_cmp);
            values
        };
        assert_eq!(scatter_within_kinds(&sound, 1.8), scatter(&by_value(sound.to_vec()), 1.8));
    }

    #[test]
    fn two_clusters_do_not_look_like_no_scatter() {
        let lags_s = [0.51, 0.52, 0.53, -0.45, 0.52, -0.47];
        assert!(scatter(&lags_s, 0.4).sd >= 0.4);
    }

    #[test]
    fn one_repeat_alone_takes_the_figure_from_simulation() {
        assert_eq!(scatter(&[1.0], 0.4), RepeatScatter { sd: 0.4, degrees_of_freedom: ALONE_DEGREES_OF_FREEDOM });
    }
}
