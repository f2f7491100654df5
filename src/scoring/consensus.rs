//! Which references serve a measure, and what they say together: a weighted mean with its budget lines.

use crate::quantity::Unit;
use crate::ride::{ReferenceTrace, Ride, Window};
use crate::session::{Location, Sides};
use crate::stats;

use super::budget::{Line, Source};

/// ±0.5 %, k = 2: chain loss that changes with ring and cog. Common practice, no source.
const RING_LOSS_STANDARD_PCT: f64 = 0.25;
/// A hub's flywheel stores work over a window with margins: 1 % as a standard uncertainty. Common practice, no source.
const FLYWHEEL_STANDARD_PCT: f64 = 1.0;
/// A reference must cover this share of a window to take part in its consensus. Common practice, no source.
const COVERAGE: f64 = 0.95;
/// A reference that states no uncertainty at all is taken as good to a milliwatt: for a slip of the pen it would take all the
/// weight. Far below what any instrument states, so that the number itself moves nothing.
const LEAST_VARIANCE_W2: f64 = 1e-6;

/// What a measure asks of a reference.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ReferenceNeed {
    /// Mean power or work over a steady stretch: any reference serves.
    SteadyPower,
    /// Work over a short stretch with margins: a hub only where nothing better is there.
    ShortWork,
    /// Edges, coasting and peaks: no hub, its flywheel hides them.
    Edges,
    /// The split between the sides.
    Sides,
}

/// Indices of the references that serve.
pub fn serving(ride: &Ride, need: ReferenceNeed) -> Vec<usize> {
    let all = 0..ride.references.len();
    let hubless = || all.clone().filter(|&i| ride.references[i].trace.located != Location::Hub);
    match need {
        ReferenceNeed::SteadyPower => all.collect(),
        ReferenceNeed::Edges => hubless().collect(),
        ReferenceNeed::ShortWork if hubless().next().is_none() => all.collect(),
        ReferenceNeed::ShortWork => hubless().collect(),
        ReferenceNeed::Sides => hubless()
            .filter(|&i| {
                let trace = &ride.references[i].trace;
                trace.sides == Sides::Both && trace.right_share_pct.iter().any(Option::is_some)
            })
            .collect(),
    }
}

/// A reference's part in a consensus.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Member {
    /// Index into the ride's references.
    pub reference: usize,
    pub weight: f64,
}

/// A weighted mean of references, weights constant over a window.
#[derive(Debug, Clone, PartialEq)]
pub struct Consensus {
    /// Weights sum to 1.
    pub members: Vec<Member>,
    pub mean_w: f64,
    short: bool,
}

impl Consensus {
    /// The consensus over a window; `None` if no serving reference covers it.
    pub fn over(ride: &Ride, need: ReferenceNeed, window: Window) -> Option<Self> {
        let mut members: Vec<(usize, f64, f64)> = Vec::new();
        for i in serving(ride, need) {
            let reference = &ride.references[i];
            let seconds = window.seconds().filter(|&k| ride.recorded_at(k));
            let asked = seconds.clone().count();
            let powers: Vec<f64> = seconds.filter_map(|k| reference.trace.power_at(k)).collect();
            if (powers.len() as f64) < COVERAGE * asked as f64 {
                continue;
            }
            let Some(mean_w) = stats::mean(&powers) else { continue };
            let u = lines_of(reference, mean_w, need == ReferenceNeed::ShortWork)
                .iter()
                .map(|l| l.standard_uncertainty.powi(2))
                .sum::<f64>();
            members.push((i, 1.0 / u.max(LEAST_VARIANCE_W2), mean_w));
        }
        let total: f64 = members.iter().map(|m| m.1).sum();
        if members.is_empty() {
            return None;
        }
        let mean_w = members.iter().map(|m| m.1 / total * m.2).sum();
        let members = members.into_iter().map(|(reference, w, _)| Member { reference, weight: w / total }).collect();
        Some(Self { members, mean_w, short: need == ReferenceNeed::ShortWork })
    }

    /// One reference by itself.
    pub fn single(reference: usize, mean_w: f64) -> Self {
        Self { members: vec![Member { reference, weight: 1.0 }], mean_w, short: false }
    }

    pub fn power_at(&self, ride: &Ride, second: usize) -> Option<f64> {
        self.blend(|i| ride.references[i].trace.power_at(second))
    }

    /// Σ weight × value; `None` if one member has no value.
    pub fn blend(&self, value: impl Fn(usize) -> Option<f64>) -> Option<f64> {
        self.members.iter().try_fold(0.0, |sum, member| Some(sum + member.weight * value(member.reference)?))
    }

    pub fn indices(&self) -> Vec<usize> {
        self.members.iter().map(|member| member.reference).collect()
    }

    /// Reference lines in watts at a mean power: gains are independent between references, chain loss is shared.
    pub fn lines(&self, ride: &Ride, power_w: f64) -> Vec<Line> {
        let mut gain = 0.0;
        let (mut loss, mut ring, mut flywheel) = (0.0, 0.0, 0.0);
        for &Member { reference, weight } in &self.members {
            for line in lines_of(&ride.references[reference], power_w, self.short) {
                let part = weight * line.standard_uncertainty;
                match line.source {
                    Source::ReferenceGain => gain += part * part,
                    Source::ChainLoss => loss += part,
                    Source::RingLoss => ring += part,
                    _ => flywheel += part * part,
                }
            }
        }
        vec![
            Line::b(Source::ReferenceGain, f64::sqrt(gain)),
            Line::b(Source::ChainLoss, loss),
            Line::b(Source::RingLoss, ring),
            Line::b(Source::Flywheel, f64::sqrt(flywheel)),
        ]
    }

    /// Standard uncertainty of the unit's clock against the worst of these references.
    pub fn clock_u(&self, ride: &Ride) -> f64 {
        clock_u(ride, &self.indices())
    }
}

/// The unit's and the references' clocks together.
pub fn clock_u(ride: &Ride, references: &[usize]) -> f64 {
    let worst = references.iter().map(|&i| ride.references[i].trace.clock.standard_uncertainty_s).fold(0.0, f64::max);
    ride.unit.clock.standard_uncertainty_s.hypot(worst)
}

/// One reference's lines at the unit's place, in watts.
pub(super) fn lines_of(reference: &ReferenceTrace, power_w: f64, short: bool) -> Vec<Line> {
    let own_place_w = power_w / reference.carried_by;
    let expanded_w = reference.uncertainty.in_unit(Unit::Watt, own_place_w).unwrap_or(0.0) * reference.carried_by;
    // Stated with a coverage factor of 2.
    let mut lines = vec![Line::b(Source::ReferenceGain, expanded_w / 2.0)];
    if reference.loss_standard_pct > 0.0 {
        lines.push(Line::b(Source::ChainLoss, reference.loss_standard_pct / 100.0 * power_w));
        lines.push(Line::b(Source::RingLoss, RING_LOSS_STANDARD_PCT / 100.0 * power_w));
    }
    if short && reference.trace.located == Location::Hub {
        lines.push(Line::b(Source::Flywheel, FLYWHEEL_STANDARD_PCT / 100.0 * power_w));
    }
    lines
}
