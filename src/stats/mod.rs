//! Numbers in, numbers out: estimators and intervals that budgets and decisions build on.
//!
//! Nothing here reads a file, prints or rounds. Inputs are finite `f64`s; too few of them give `None`.

mod binomial;
mod components;
mod consensus;
mod distributions;
mod line;
mod physics;
mod serial;
mod summary;

/// Expanded uncertainties are stated with it where nobody asks otherwise. Source: GUM 6.2.2 and ISO/IEC 17025 practice.
pub const USUAL_COVERAGE: f64 = 0.95;

pub use binomial::{Sides, clopper_pearson, wilson, zero_failure_sample_size};
pub use components::{
    Components, Places, Proportions, equal_proportions, exact_equal_proportions, holm, random_effects,
    variance_components, variance_interval,
};
pub use consensus::{
    Anova, Consensus, Precision, RandomEffects, birge_ratio, dersimonian_laird, e_n, grubbs_three, inverse,
    one_way_anova, repeatability_reproducibility, weighted_consensus,
};
pub use distributions::{conformance_probability, coverage_factor, t_cdf, t_quantile, welch_satterthwaite};
pub use line::{Line, LineFit, York, deming, line_fit, robust_line, york};
pub use physics::{STANDARD_GRAVITY_M_S2, hanging_mass_torque, normal_gravity, power_from_torque, speed_m_s};
pub use serial::{Ratio, effective_samples, newey_west_mean_se, ratio};
pub use summary::{LimitsOfAgreement, autocorrelation, limits_of_agreement, mean, median, sample_sd};
