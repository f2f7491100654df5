//! Uncertainty budgets: lines, how they combine, how repeats share them.

use std::sync::{Mutex, PoisonError};

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::stats;

macro_rules! sources {
    ($($(#[$doc:meta])* $variant:ident => $word:literal),+ $(,)?) => {
        /// Where a budget line comes from, and so what happens to it over repeats and contrasts.
        #[derive(Debug, Clone, Copy, PartialEq, Eq)]
        pub enum Source { $($(#[$doc])* $variant),+ }

        impl Source {
            pub fn word(self) -> &'static str {
                match self { $(Source::$variant => $word),+ }
            }

            /// The source that a verdict names so.
            pub fn from_word(word: &str) -> Option<Source> {
                match word { $($word => Some(Source::$variant),)+ _ => None }
            }
        }
    };
}

sources! {
    /// Scatter of this window or repeat; independent from the next one.
    Scatter => "scatter",
    /// The reference's gain: one draw per session.
    ReferenceGain => "reference gain",
    /// Chain-drive loss between reference and unit: one draw per session.
    ChainLoss => "chain loss",
    /// The part of the chain loss that changes with ring and cog: one draw per ring.
    RingLoss => "chain loss, ring to ring",
    /// A reference's split between the sides.
    SideSplit => "reference's split between sides",
    /// A hub's flywheel and smoothing.
    Flywheel => "flywheel and smoothing",
    /// Clock of the unit against the session's, strap delay included: one draw per session.
    Clock => "clock and strap delay",
    /// Sampling phase: common to all repeats of a session.
    SamplingPhase => "sampling phase",
    /// What the two head units store of a second: common to all repeats of a session.
    Storage => "what a second stores",
    /// Rounding of what was recorded.
    Resolution => "resolution",
    /// Hung mass.
    Mass => "hung mass",
    Gravity => "gravity",
    CrankLength => "crank length",
    CrankAngle => "crank angle",
}

impl Source {
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
    pub shape: Distribution,
}

/// How what is not known is distributed, about zero.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Distribution {
    /// Normal, or Student's t where the degrees of freedom are finite.
    Normal,
    Rectangular,
    /// The difference of two rounded readings.
    Triangular,
    /// Each of two head units has one of two habits, at even odds: no difference, or the whole one either way.
    Habits,
}

impl Distribution {
    pub fn word(self) -> &'static str {
        match self {
            Distribution::Normal => "normal",
            Distribution::Rectangular => "rectangular",
            Distribution::Triangular => "triangular",
            Distribution::Habits => "discrete",
        }
    }

    /// One draw of unit standard deviation. Of a normal one with these degrees of freedom the t itself, whose spread is
    /// more.
    fn draw(self, degrees_of_freedom: f64, chance: &StandardDraw) -> f64 {
        let first = chance.first;
        match self {
            Distribution::Normal if degrees_of_freedom.is_infinite() => chance.normal,
            // Bailey (1994), Math Comp 62:779-781; its limit is Box and Muller's normal deviate.
            Distribution::Normal => {
                let nu = degrees_of_freedom;
                (nu * (-2.0 * chance.ln_first / nu).exp_m1()).sqrt() * chance.cosine
            }
            Distribution::Rectangular => 3f64.sqrt() * (2.0 * first - 1.0),
            Distribution::Triangular => 6f64.sqrt() * (first + chance.second - 1.0),
            Distribution::Habits if first < 0.5 => 0.0,
            Distribution::Habits if first < 0.75 => 2f64.sqrt(),
            Distribution::Habits => -2f64.sqrt(),
        }
    }
}

/// What one draw of a line comes from, and what it costs time to work out of it.
struct StandardDraw {
    /// Uniform in 0 to 1: one from each of [`DRAWS`] equal parts.
    first: f64,
    /// Uniform in 0 to 1.
    second: f64,
    ln_first: f64,
    cosine: f64,
    /// Box and Muller's deviate.
    normal: f64,
}

/// The draws of a budget's nth line: the same for every budget, so made once.
fn chances(nth: usize) -> &'static [StandardDraw] {
    static KNOWN: Mutex<Vec<&'static [StandardDraw]>> = Mutex::new(vec![]);
    let mut known = KNOWN.lock().unwrap_or_else(PoisonError::into_inner);
    while known.len() <= nth {
        let mut rng = ChaCha8Rng::seed_from_u64(SEED);
        rng.set_stream(known.len() as u64);
        // In an order of its own.
        let mut parts: Vec<usize> = (0..DRAWS).collect();
        for i in (1..DRAWS).rev() {
            parts.swap(i, rng.random_range(0..=i));
        }
        let chance = |part| {
            let (first, second) = ((part as f64 + 0.5) / DRAWS as f64, rng.random::<f64>());
            let (ln_first, cosine) = (first.ln(), (std::f64::consts::TAU * second).cos());
            StandardDraw { first, second, ln_first, cosine, normal: (-2.0 * ln_first).sqrt() * cosine }
        };
        known.push(Box::leak(parts.into_iter().map(chance).collect()));
    }
    known[nth]
}

/// How the expanded uncertainty came about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Method {
    /// Root of the sum of squares times a factor from Student's t: JCGM 100 (GUM).
    Propagated,
    /// Distributions drawn from: JCGM 101.
    MonteCarlo,
}

impl Method {
    pub fn word(self) -> &'static str {
        match self {
            Method::Propagated => "GUM",
            Method::MonteCarlo => "Monte Carlo",
        }
    }
}

/// Draws of a budget; each line's are spread evenly over its distribution, so that few do: the tests below find 95 % limits
/// within half a per cent of what JCGM 101 prints.
const DRAWS: usize = 10_000;
/// Of what cancels, this share is what rounding left of a sum: some ten million times what it makes of one number.
const ROUNDING_LEFT: f64 = 1e-9;
/// Any fixed seed: the same budget gives the same number.
const SEED: u64 = 101;

impl Line {
    pub fn b(source: Source, standard_uncertainty: f64) -> Self {
        let (standard_uncertainty, degrees_of_freedom) = (standard_uncertainty.abs(), f64::INFINITY);
        Self { source, standard_uncertainty, degrees_of_freedom, shape: Distribution::Normal }
    }

    pub fn rectangular(source: Source, standard_uncertainty: f64) -> Self {
        Self { shape: Distribution::Rectangular, ..Self::b(source, standard_uncertainty) }
    }

    pub fn triangular(source: Source, standard_uncertainty: f64) -> Self {
        Self { shape: Distribution::Triangular, ..Self::b(source, standard_uncertainty) }
    }

    pub fn habits(source: Source, standard_uncertainty: f64) -> Self {
        Self { shape: Distribution::Habits, ..Self::b(source, standard_uncertainty) }
    }

    pub fn scatter(standard_uncertainty: f64, degrees_of_freedom: f64) -> Self {
        Self { source: Source::Scatter, standard_uncertainty, degrees_of_freedom, shape: Distribution::Normal }
    }

    /// `normal`, `t`, `rectangular`, …
    pub fn distribution(&self) -> &'static str {
        if self.degrees_of_freedom.is_finite() { "t" } else { self.shape.word() }
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
    pub method: Method,
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

    /// The budget after riding so many times as much: what comes fresh with each second or repeat averages out.
    pub fn after(&self, times: f64) -> Budget {
        let averaged = |line: &Line| {
            if !line.source.averages_over_repeats() {
                return *line;
            }
            Line { degrees_of_freedom: line.degrees_of_freedom * times, ..line.times(times.sqrt().recip()) }
        };
        Budget(self.0.iter().map(averaged).collect())
    }

    /// Root of the sum of squares, effective degrees of freedom and Student's t for `coverage`; where a part that is not
    /// normal dominates, the factor comes from draws.
    ///
    /// A Type B line beside scatter of few degrees of freedom raises the effective number, and t can fall faster than the
    /// sum grows: below some six degrees of freedom more doubt would give a smaller expanded uncertainty. It is never less
    /// than that of the lines with degrees of freedom alone.
    ///
    /// Source: JCGM 100:2008 (GUM), 5.1.2, G.4.1 and G.3; JCGM 101:2008, 5; the paradox: Ballico (2000), Metrologia 37:61-64,
    /// from memory.
    pub fn combine(&self, coverage: f64) -> Combined {
        let parts = self.parts();
        let (standard_uncertainty, degrees_of_freedom) = stats::welch_satterthwaite(&parts);
        let (mut coverage_factor, method) = if self.needs_draws() {
            let mut sizes: Vec<f64> = self.draws().into_iter().map(f64::abs).collect();
            let last = ((coverage * DRAWS as f64) as usize).min(DRAWS - 1);
            let (_, expanded, _) = sizes.select_nth_unstable_by(last, f64::total_cmp);
            (*expanded / standard_uncertainty, Method::MonteCarlo)
        } else {
            (stats::coverage_factor(coverage, degrees_of_freedom), Method::Propagated)
        };
        let scattered: Vec<(f64, f64)> = parts.iter().copied().filter(|(_, degrees)| degrees.is_finite()).collect();
        if (1..parts.len()).contains(&scattered.len()) && standard_uncertainty > 0.0 {
            let (alone, degrees_of_freedom) = stats::welch_satterthwaite(&scattered);
            let of_alone = alone * stats::coverage_factor(coverage, degrees_of_freedom);
            coverage_factor = coverage_factor.max(of_alone / standard_uncertainty);
        }
        Combined { standard_uncertainty, degrees_of_freedom, coverage_factor, method }
    }

    /// Probability that the true value lies between the ends, for this value and a flat prior (JCGM 106, 7).
    pub fn conformance(&self, value: f64, low: Option<f64>, high: Option<f64>) -> f64 {
        if self.needs_draws() {
            let inside = |true_value: f64| low.is_none_or(|l| true_value >= l) && high.is_none_or(|h| true_value <= h);
            return self.draws().into_iter().filter(|draw| inside(value + draw)).count() as f64 / DRAWS as f64;
        }
        let parts = self.parts();
        let (standard_uncertainty, degrees_of_freedom) = stats::welch_satterthwaite(&parts);
        stats::conformance_probability(value, standard_uncertainty, degrees_of_freedom, low, high)
    }

    /// Each line's standard uncertainty and degrees of freedom.
    fn parts(&self) -> Vec<(f64, f64)> {
        self.0.iter().map(|line| (line.standard_uncertainty, line.degrees_of_freedom)).collect()
    }

    /// Whether one part that is not normal outweighs all others together.
    fn needs_draws(&self) -> bool {
        let variance = self.part(|_| true).powi(2);
        let dominates = |line: &Line| line.standard_uncertainty.powi(2) > variance / 2.0;
        self.0.iter().any(|line| line.shape != Distribution::Normal && dominates(line))
    }

    /// Draws of what is not known of the value.
    fn draws(&self) -> Vec<f64> {
        let mut sums = vec![0.0; DRAWS];
        for (nth, line) in self.0.iter().enumerate() {
            for (sum, chance) in sums.iter_mut().zip(chances(nth)) {
                *sum += line.standard_uncertainty * line.shape.draw(line.degrees_of_freedom, chance);
            }
        }
        sums
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

    /// The budget of `of` less `against`: what both share cancels but for the difference in size, the clock's shift only
    /// where it is the `same_shift` for both.
    pub fn of_difference(of: &Budget, against: &Budget, same_shift: bool) -> Budget {
        let signed =
            of.0.iter()
                .copied()
                .chain(against.0.iter().map(|l| Line { standard_uncertainty: -l.standard_uncertainty, ..*l }));
        merge(signed, |source, sizes| {
            if source.cancels_in_contrast() || (same_shift && source == Source::Clock) {
                // What cancels leaves nothing, not what rounding left of a sum.
                let (left, largest) =
                    (sizes.iter().sum::<f64>().abs(), sizes.iter().fold(0.0_f64, |l, u| l.max(u.abs())));
                if left > ROUNDING_LEFT * largest { left } else { 0.0 }
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
        // Fresh draws add up to something normal; one draw for all keeps its shape.
        let shape =
            if group.len() > 1 && source.averages_over_repeats() { Distribution::Normal } else { group[0].shape };
        merged.push(Line { source, standard_uncertainty: size(source, &sizes), degrees_of_freedom, shape });
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
        let difference = Budget::of_difference(&one, &one, false);
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
        assert_eq!(Budget::of_difference(&one(Source::ChainLoss), &one(Source::ChainLoss), false).part(|_| true), 0.0);
    }

    #[test]
    fn a_clock_cancels_in_a_difference_of_lags_and_not_of_work() {
        let one = Budget(vec![Line::b(Source::Clock, 0.1)]);
        assert_eq!(Budget::of_difference(&one, &one, true).part(|_| true), 0.0);
        assert!((Budget::of_difference(&one, &one, false).part(|_| true) - 0.1 * 2f64.sqrt()).abs() < 1e-12);
    }

    /// Half-width of the 95 % interval of a budget with nothing but this line, of standard deviation 1.
    fn alone(line: Line) -> (f64, Method) {
        let combined = Budget(vec![line]).combine(0.95);
        (combined.expanded(), combined.method)
    }

    #[test]
    fn a_part_that_is_not_normal_and_dominates_is_drawn_from() {
        let near = |(expanded, method): (f64, Method), exact: f64| {
            assert_eq!(method, Method::MonteCarlo);
            assert!((expanded - exact).abs() < 0.01, "{expanded}, exactly {exact}");
        };
        // 95 % of a rectangle's width: 0.95·√3. JCGM 100, table G.1 and 4.3.7; 1.65 in G.2.
        near(alone(Line::rectangular(Source::Resolution, 1.0)), 0.95 * 3f64.sqrt());
        // A triangle of half-width √6 leaves 5 % outside (1 − √0.05)·√6.
        near(alone(Line::triangular(Source::Resolution, 1.0)), (1.0 - 0.05_f64.sqrt()) * 6f64.sqrt());
        // Four habits of two head units: half of the draws are nothing, the rest ±√2.
        near(alone(Line::habits(Source::Storage, 1.0)), 2f64.sqrt());
        assert_eq!(alone(Line::b(Source::Clock, 1.0)).1, Method::Propagated);
    }

    #[test]
    fn four_rectangles_come_out_as_in_the_supplement_to_the_gum() {
        // JCGM 101:2008, 9.2.3: four rectangles of unit standard deviation, 95 % within ±3.88, where the GUM's
        // factor gives ±3.92; 9.2.4: one of them ten times as wide, ±17.0 where the GUM gives ±19.9 (figures
        // from memory).
        let four = |widest: f64| {
            let sources = [Source::Mass, Source::Gravity, Source::CrankLength, Source::CrankAngle];
            let sizes = [1.0, 1.0, 1.0, widest];
            Budget(sources.into_iter().zip(sizes).map(|(source, u)| Line::rectangular(source, u)).collect())
        };
        let combined = four(10.0).combine(0.95);
        assert_eq!(combined.method, Method::MonteCarlo);
        // So many draws are good to half a per cent.
        assert!((combined.expanded() - 17.0).abs() < 0.2, "{}", combined.expanded());
        let mut sizes: Vec<f64> = four(1.0).draws().into_iter().map(f64::abs).collect();
        sizes.sort_by(f64::total_cmp);
        assert!((sizes[DRAWS * 95 / 100] - 3.88).abs() < 0.05);
        assert_eq!(four(1.0).combine(0.95).method, Method::Propagated);
        assert!((four(1.0).combine(0.95).expanded() - 3.92).abs() < 0.01);
    }

    #[test]
    fn draws_of_a_scatter_are_students_t_and_the_same_every_time() {
        let budget = Budget(vec![Line::scatter(1.0, 5.0), Line::habits(Source::Storage, 1e-6)]);
        let mut sizes: Vec<f64> = budget.draws().into_iter().map(f64::abs).collect();
        sizes.sort_by(f64::total_cmp);
        // t of 5 degrees of freedom: 2.571 (tables of Student's t).
        assert!((sizes[DRAWS * 95 / 100] - 2.571).abs() < 0.05, "{}", sizes[DRAWS * 95 / 100]);
        assert_eq!(budget.draws(), budget.draws());
    }

    #[test]
    fn conformance_follows_the_draws() {
        let budget = Budget(vec![Line::rectangular(Source::Resolution, 1.0)]);
        // A rectangle from −√3 to √3, limit at 0: half; at √3: all.
        assert!((budget.conformance(0.0, None, Some(0.0)) - 0.5).abs() < 0.01);
        assert_eq!(budget.conformance(0.0, None, Some(3f64.sqrt())), 1.0);
    }
}
