//! Uncertainty budgets: lines, how they combine, how repeats share them.

use crate::stats;

/// Where a budget line comes from, and so what happens to it over repeats and contrasts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Source {
    /// Scatter of this window or repeat; independent from the next one.
    Scatter,
    /// The reference's gain: one draw per session.
    ReferenceGain,
    /// Chain-drive loss between reference and unit: one draw per session.
    ChainLoss,
    /// The part of the chain loss that changes with ring and cog: one draw per ring.
    RingLoss,
    /// A reference's split between the sides.
    SideSplit,
    /// A hub's flywheel and smoothing.
    Flywheel,
    /// Clock of the unit against the session's, strap delay included: one draw per session.
    Clock,
    /// Sampling phase and storage mode: common to all repeats of a session.
    SamplingPhase,
    /// Rounding of what was recorded.
    Resolution,
    /// Typed masses, lengths, gravity, angle.
    Load,
}

impl Source {
    pub fn word(self) -> &'static str {
        match self {
            Source::Scatter => "scatter",
            Source::ReferenceGain => "reference gain",
            Source::ChainLoss => "chain loss",
            Source::RingLoss => "chain loss, ring to ring",
            Source::SideSplit => "reference's split between sides",
            Source::Flywheel => "flywheel and smoothing",
            Source::Clock => "clock and strap delay",
            Source::SamplingPhase => "sampling phase",
            Source::Resolution => "resolution",
            Source::Load => "hung load",
        }
    }

    /// Whether a fresh draw comes with each repeat.
    fn averages_over_repeats(self) -> bool {
        matches!(self, Source::Scatter | Source::Resolution)
    }

    /// Whether both sides of a contrast on one drivetrain share the same draw.
    fn cancels_in_contrast(self) -> bool {
        // A clock's effect has whatever sign the edge has, so it may add.
        !matches!(self, Source::Scatter | Source::Resolution | Source::RingLoss | Source::Clock)
    }

    /// Type A or B in the words of the GUM, 3.3.4.
    pub fn evaluation(self) -> &'static str {
        if self == Source::Scatter { "A" } else { "B" }
    }
}

/// One contribution, in the unit of the value it belongs to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Line {
    pub source: Source,
    pub standard_uncertainty: f64,
    /// Infinite for Type B lines.
    pub degrees_of_freedom: f64,
}

impl Line {
    pub fn b(source: Source, standard_uncertainty: f64) -> Self {
        Self { source, standard_uncertainty: standard_uncertainty.abs(), degrees_of_freedom: f64::INFINITY }
    }

    pub fn scatter(standard_uncertainty: f64, degrees_of_freedom: f64) -> Self {
        Self { source: Source::Scatter, standard_uncertainty, degrees_of_freedom }
    }

    fn times(self, factor: f64) -> Self {
        Self { standard_uncertainty: self.standard_uncertainty * factor.abs(), ..self }
    }
}

/// Independent lines of one value.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Budget(pub Vec<Line>);

/// A combined budget.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Combined {
    pub standard_uncertainty: f64,
    pub degrees_of_freedom: f64,
    pub coverage_factor: f64,
}

impl Combined {
    pub fn expanded(&self) -> f64 {
        self.standard_uncertainty * self.coverage_factor
    }
}

impl Budget {
    pub fn push(&mut self, line: Line) {
        if line.standard_uncertainty > 0.0 {
            self.0.push(line);
        }
    }

    /// The same budget in another unit.
    pub fn times(&self, factor: f64) -> Budget {
        Budget(self.0.iter().map(|line| line.times(factor)).collect())
    }

    /// Every line of these sources made wider.
    pub fn widened(&self, factor: f64, which: impl Fn(Source) -> bool) -> Budget {
        Budget(self.0.iter().map(|line| if which(line.source) { line.times(factor) } else { *line }).collect())
    }

    /// Root of the sum of squares, effective degrees of freedom and Student's t for `coverage`.
    ///
    /// A Type B line beside scatter of few degrees of freedom raises the effective number, and t can fall faster than the
    /// sum grows: below some six degrees of freedom more doubt would give a smaller expanded uncertainty. It is never less
    /// than that of the lines with degrees of freedom alone.
    ///
    /// Source: JCGM 100:2008 (GUM), 5.1.2, G.4.1 and G.3; the paradox: Ballico (2000), Metrologia 37:61-64, from memory.
    pub fn combine(&self, coverage: f64) -> Combined {
        let mut parts: Vec<(f64, f64)> =
            self.0.iter().map(|l| (l.standard_uncertainty, l.degrees_of_freedom)).collect();
        let (standard_uncertainty, degrees_of_freedom) = stats::welch_satterthwaite(&parts);
        let mut coverage_factor = stats::coverage_factor(coverage, degrees_of_freedom);
        parts.retain(|(_, degrees_of_freedom)| degrees_of_freedom.is_finite());
        if (1..self.0.len()).contains(&parts.len()) && standard_uncertainty > 0.0 {
            let (alone, degrees_of_freedom) = stats::welch_satterthwaite(&parts);
            let of_alone = alone * stats::coverage_factor(coverage, degrees_of_freedom);
            coverage_factor = coverage_factor.max(of_alone / standard_uncertainty);
        }
        Combined { standard_uncertainty, degrees_of_freedom, coverage_factor }
    }

    /// Total standard uncertainty of the lines of some sources.
    pub fn part(&self, which: impl Fn(Source) -> bool) -> f64 {
        self.0.iter().filter(|l| which(l.source)).map(|l| l.standard_uncertainty.powi(2)).sum::<f64>().sqrt()
    }

    /// The budget of the mean of values with these budgets.
    ///
    /// What comes fresh with each repeat goes down with the root of their number; what is one draw for all
    /// (reference, clock, sampling phase) keeps its mean size.
    pub fn of_mean(budgets: &[&Budget]) -> Budget {
        let n = budgets.len() as f64;
        merge(budgets.iter().flat_map(|b| b.0.iter().copied()), |source, sizes| {
            if source.averages_over_repeats() {
                sizes.iter().map(|u| u * u).sum::<f64>().sqrt() / n
            } else {
                sizes.iter().sum::<f64>() / n
            }
        })
    }

    /// The budget of `of` less `against`: what both share cancels but for the difference in size.
    pub fn of_difference(of: &Budget, against: &Budget) -> Budget {
        let signed =
            of.0.iter()
                .copied()
                .chain(against.0.iter().map(|l| Line { standard_uncertainty: -l.standard_uncertainty, ..*l }));
        merge(signed, |source, sizes| {
            if source.cancels_in_contrast() {
                sizes.iter().sum::<f64>().abs()
            } else {
                sizes.iter().map(|u| u * u).sum::<f64>().sqrt()
            }
        })
    }
}

/// Lines of one source become one line, in order of first appearance; degrees of freedom by Welch and Satterthwaite.
fn merge(lines: impl Iterator<Item = Line>, size: impl Fn(Source, &[f64]) -> f64) -> Budget {
    let mut by_source: Vec<(Source, Vec<Line>)> = Vec::new();
    for line in lines {
        match by_source.iter_mut().find(|(source, _)| *source == line.source) {
            Some((_, group)) => group.push(line),
            None => by_source.push((line.source, vec![line])),
        }
    }
    let mut merged = Budget::default();
    for (source, group) in by_source {
        let sizes: Vec<f64> = group.iter().map(|l| l.standard_uncertainty).collect();
        let parts: Vec<(f64, f64)> = group.iter().map(|l| (l.standard_uncertainty, l.degrees_of_freedom)).collect();
        let (_, degrees_of_freedom) = stats::welch_satterthwaite(&parts);
        merged.push(Line { source, standard_uncertainty: size(source, &sizes), degrees_of_freedom });
    }
    merged
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_reference_gain_does_not_average_out_over_repeats() {
        let mut one = Budget::default();
        one.push(Line::scatter(3.0, 5.0));
        one.push(Line::b(Source::ReferenceGain, 2.0));
        let mean = Budget::of_mean(&[&one, &one, &one, &one]);
        assert!((mean.part(|s| s == Source::Scatter) - 1.5).abs() < 1e-12);
        assert!((mean.part(|s| s == Source::ReferenceGain) - 2.0).abs() < 1e-12);
    }

    #[test]
    fn a_reference_gain_cancels_in_a_contrast_and_the_ring_term_does_not() {
        let mut one = Budget::default();
        one.push(Line::b(Source::ReferenceGain, 2.0));
        one.push(Line::b(Source::RingLoss, 0.3));
        let difference = Budget::of_difference(&one, &one);
        assert_eq!(difference.part(|s| s == Source::ReferenceGain), 0.0);
        assert!((difference.part(|s| s == Source::RingLoss) - 0.3 * 2f64.sqrt()).abs() < 1e-12);
    }

    #[test]
    fn correlation_adds_or_cancels_as_the_gum_says() {
        // GUM 5.2.2: u = 1 and 1 give 2 with r = +1, 0 with r = −1, √2 with r = 0.
        let one = |source| Budget(vec![Line::b(source, 1.0)]);
        let sum = Budget::of_mean(&[&one(Source::ReferenceGain), &one(Source::ReferenceGain)]).times(2.0);
        assert_eq!(sum.part(|_| true), 2.0);
        let free = Budget::of_mean(&[&one(Source::Resolution), &one(Source::Resolution)]).times(2.0);
        assert!((free.part(|_| true) - 2f64.sqrt()).abs() < 1e-12);
        assert_eq!(Budget::of_difference(&one(Source::ChainLoss), &one(Source::ChainLoss)).part(|_| true), 0.0);
    }
}
