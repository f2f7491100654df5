//! Whether the unit's error is one factor at all powers: a line across steady levels.

use crate::quantity::Unit;
use crate::ride::Window;
use crate::scoring::budget::{Budget, Line, Source};
use crate::scoring::consensus::ReferenceNeed;
use crate::scoring::context::ScoringContext;
use crate::scoring::no_value::NoValue;
use crate::scoring::value::{Measured, Value, ValueKind};
use crate::stats;

use super::measure::{MeasureScoring, Needs};

/// Two levels lie on a line whatever they are.
const LEAST_LEVELS: usize = 3;
/// York's fit weighs by noise, which recordings of whole watts without any would make infinite. A microwatt is far below
/// what rounding leaves, so that the number itself moves nothing.
const LEAST_NOISE_W: f64 = 1e-6;
/// A fit as poor as this, one in twenty, is no fit by the noise alone: the level of a test that is usual. Common practice,
/// no source.
const ODD_FIT_P: f64 = 0.05;

pub const LINEARITY: MeasureScoring = MeasureScoring {
    needs: Needs::Always(ReferenceNeed::SteadyPower),
    in_phase: |phase, _| linearity(&phase.context, phase.drill.steady_levels(phase.ridden)),
    over_ride: |ride, _| linearity(&ride.context, ride.steady.iter().map(|block| block.window)),
    ..MeasureScoring::NONE
};

/// Slope of the unit on the reference less one, %: York's fit with the blocks' noise only, the reference's gain added
/// to the slope afterwards.
///
/// Source: York et al. (2004), Am J Phys 72:367-375.
fn linearity(context: &ScoringContext, blocks: impl IntoIterator<Item = Window>) -> Measured {
    let (mut x, mut y, mut s, mut noise_degrees) = (vec![], vec![], vec![], 0.0);
    let mut lines = Vec::new();
    for window in blocks {
        let Ok(consensus) = context.consensus(ReferenceNeed::SteadyPower, window) else { continue };
        let Ok(value) = context.mean_error(ReferenceNeed::SteadyPower, window, Unit::Watt) else { continue };
        x.push(value.reference);
        y.push(value.reference + value.value);
        let noise_w = value.budget.part(|source| matches!(source, Source::Scatter | Source::Resolution));
        let scatter = value.budget.0.iter().find(|line| line.source == Source::Scatter);
        noise_degrees += scatter.map_or(0.0, |line| line.degrees_of_freedom);
        // The noise of a difference, half of its variance on either side.
        s.push((noise_w / 2f64.sqrt()).max(LEAST_NOISE_W));
        lines.push((consensus, value.reference));
    }
    let spread = x.iter().copied().fold(f64::NEG_INFINITY, f64::max) - x.iter().copied().fold(f64::INFINITY, f64::min);
    let fit = if x.len() >= LEAST_LEVELS && spread > 0.0 { stats::york(&x, &y, &s, &s, 0.0) } else { None };
    let Some(fit) = fit else {
        return Err(NoValue::TooFewPowers);
    };
    let mut budget = Budget::default();
    budget.push(slope_scatter(&fit, noise_degrees));
    if let Some((consensus, mean_w)) = lines.last() {
        for line in consensus.lines(context.ride, *mean_w) {
            budget.push(Line::b(line.source, line.standard_uncertainty / mean_w * 100.0));
        }
    }
    let value = Value::count((fit.line.slope - 1.0) * 100.0, Unit::Percent);
    Ok(Value { kind: ValueKind::Measured, budget, gain_sensitive: true, ..value })
}

/// Scatter of a slope, %: as the blocks' own noise says, unless they lie farther from the line than one such fit in twenty
/// does; then as they lie.
fn slope_scatter(fit: &stats::York, noise_degrees: f64) -> Line {
    if fit.p < ODD_FIT_P {
        return Line::scatter(fit.scaled().u_slope * 100.0, fit.dof);
    }
    Line::scatter(fit.line.u_slope * 100.0, noise_degrees)
}
