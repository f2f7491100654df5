//! A clock that was put right while it recorded: one step that explains what no steady clock does.

use std::ops::Range;

use super::second_values::SharedSignal;
use super::windows::WindowOffset;

/// A smaller step is no clock put right, and can't be told from drift and chance. This and the next two are set by hand: in
/// no ride of `tests/clocks.rs` whose clock is steady do they find a reset.
const LEAST_S: f64 = 1.0;
/// Standard uncertainties by which a step must stand out, and within which all windows must lie once it is taken out.
const SURE: f64 = 5.0;
/// Windows that lie this near to their level are explained however sure they are.
const FIT_S: f64 = 0.5;

/// Sums of squares that differ by less are equal but for rounding: readings in whole numbers have whole squares.
const EQUAL: f64 = 1e-9;

/// A clock that was put right while it recorded.
pub(super) struct Reset {
    /// Seconds since the recording's start from which the offset is another.
    pub at_s: f64,
    pub by_s: f64,
    pub u_s: f64,
    /// Index of the window that it lies in or next to, which says nothing for sure.
    pub window: usize,
}

/// A possible reset: the windows before and behind one of them, each on a level of its own.
struct Candidate {
    window: usize,
    before: Level,
    after: Level,
}

impl Reset {
    /// A single step that explains the windows, if they need one. `lag_s` is the lag that offsets are beyond.
    pub fn find(offsets: &[WindowOffset], signal: &SharedSignal, lag_s: i64) -> Option<Self> {
        let fits = |o: &WindowOffset, level: f64| (o.offset_s - level).abs() <= FIT_S.max(SURE * o.u_s);
        let candidates = (1..offsets.len().saturating_sub(1)).filter_map(|window| {
            let (earlier, later) = (&offsets[..window], &offsets[window + 1..]);
            let (before, after) = (Level::of(earlier)?, Level::of(later)?);
            let stands_out = (after.offset_s - before.offset_s).abs() > LEAST_S.max(SURE * before.u_s.hypot(after.u_s));
            let explains =
                earlier.iter().all(|o| fits(o, before.offset_s)) && later.iter().all(|o| fits(o, after.offset_s));
            (stands_out && explains).then_some(Candidate { window, before, after })
        });
        // Of those that explain all the rest, the one whose own window lies most between.
        let between = |c: &Candidate| {
            let (before_s, after_s) = (c.before.offset_s, c.after.offset_s);
            ((offsets[c.window].offset_s - before_s) / (after_s - before_s) - 0.5).abs()
        };
        let Candidate { window, before, after } = candidates.min_by(|x, y| between(x).total_cmp(&between(y)))?;
        let seconds = offsets[window - 1].at_s as i64..offsets[window + 1].at_s as i64;
        let lag = |level: &Level| lag_s + level.offset_s.round() as i64;
        let at_s = best_change(signal, seconds, lag(&before), lag(&after));
        Some(Self { at_s, by_s: after.offset_s - before.offset_s, u_s: before.u_s.hypot(after.u_s), window })
    }
}

/// Weighted mean of some windows' offsets.
struct Level {
    offset_s: f64,
    u_s: f64,
}

impl Level {
    fn of(offsets: &[WindowOffset]) -> Option<Self> {
        let weight: f64 = offsets.iter().map(|o| o.u_s.powi(-2)).sum();
        let mean = offsets.iter().map(|o| o.offset_s * o.u_s.powi(-2)).sum::<f64>() / weight;
        (!offsets.is_empty()).then(|| Self { offset_s: mean, u_s: weight.powf(-0.5) })
    }
}

/// The second at which changing from one lag to the other leaves the least apart; behind a hole, if one fits as well.
fn best_change(SharedSignal { session, theirs }: &SharedSignal, seconds: Range<i64>, before: i64, after: i64) -> f64 {
    let apart = |j: i64, lag: i64| {
        let d = session.at(j + lag) - theirs.at(j);
        if d.is_nan() { 0.0 } else { d * d }
    };
    let mut sum = 0.0;
    let sums: Vec<(f64, i64)> = seconds
        .map(|j| {
            sum += apart(j, before) - apart(j, after);
            (sum, j + 1)
        })
        .collect();
    let least = sums.iter().map(|(sum, _)| *sum).fold(f64::INFINITY, f64::min);
    let equal: Vec<i64> = sums.iter().filter(|(sum, _)| *sum <= least + EQUAL).map(|(_, j)| *j).collect();
    let behind_hole = equal.iter().find(|&&j| theirs.at(j - 1).is_nan());
    behind_hole.or(equal.get(equal.len() / 2)).map_or(f64::INFINITY, |j| *j as f64)
}
