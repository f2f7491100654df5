//! Where each edge of a match lies, and how surely, by the posterior of its boundaries.

use super::chain::Segment;
use super::posterior::Posterior;

/// An edge of another repeat is not looked for further away.
const REACH_S: usize = 60;
/// Edges are told to within so many seconds.
pub(super) const NEAR_S: usize = 2;

/// One boundary of a match.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MatchedEdge {
    /// Standard deviation of where it is, s.
    pub sd_s: f64,
    /// Probability that it lies within [`NEAR_S`] of where it was put.
    pub near: f64,
}

/// The bounds of a segment put where most of their probability is, each with its spread. `room` is where its neighbours have
/// their middles.
pub(super) fn edges(posterior: &Posterior, segment: &Segment, room: (usize, usize)) -> (Vec<usize>, Vec<MatchedEdge>) {
    let bounds = &segment.bounds;
    let between = |a: usize, b: usize| (a + b) / 2;
    let of = |(of, &at): (usize, &usize)| {
        let low = of.checked_sub(1).map_or(room.0, |before| between(bounds[before], at));
        let high = bounds.get(of + 1).map_or(room.1, |after| between(at, *after));
        located(posterior.edge(segment.entry, of), at, (low.max(at.saturating_sub(REACH_S)), high.min(at + REACH_S)))
    };
    let (put, spreads): (Vec<usize>, Vec<MatchedEdge>) = bounds.iter().enumerate().map(of).unzip();
    let in_order = put.windows(2).all(|pair| pair[0] < pair[1]);
    (if in_order { put } else { bounds.clone() }, spreads)
}

/// The second around which most lies, of `low..=high`.
fn located(edge: &[f64], at: usize, (low, high): (usize, usize)) -> (usize, MatchedEdge) {
    let total: f64 = edge[low..=high].iter().sum();
    if total <= 0.0 {
        return (at, MatchedEdge { sd_s: 0.0, near: 1.0 });
    }
    let near = |k: usize| edge[k.saturating_sub(NEAR_S).max(low)..=(k + NEAR_S).min(high)].iter().sum::<f64>() / total;
    // Among seconds around which as much lies, the likeliest.
    let worth = |k: usize| near(k) + 0.1 * edge[k] / total;
    let put = (low..=high).fold(at, |best, k| if worth(k) > worth(best) + 1e-12 { k } else { best });
    let variance = (low..=high).map(|k| edge[k] / total * (k as f64 - put as f64).powi(2)).sum::<f64>();
    (put, MatchedEdge { sd_s: variance.sqrt(), near: near(put) })
}
