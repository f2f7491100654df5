//! A recording's clock from a channel whose level moves all the time: position, speed, altitude, power.

use std::ops::Range;

use super::channels::{FarEvidence, SharedChannel, UnitsPart};
use super::lag::{Likeness, OffsetSearch, WINDOW_S, best_lag, lag_below, nearest_lag};
use super::second_values::SharedSignal;
use super::windows::{UNSEEN_FRACTION_S, WindowOffset, line_through};
use crate::ride::Clock;

/// A window that is less sure of its offset hardly moves. Common practice, no source.
const LEAST_SURE_S: f64 = 2.0;

/// Clock of `theirs` from all components of a channel together, as both recorded them; `None` where it is missing, or not
/// the same thing. `window_s` and `far` are what the channel's table says of its level.
///
/// Windowed offsets as of `by_change.rs`, but that a level moves in all seconds. The unit's own power goes by whole
/// seconds: two meters do not share their fractions.
pub(super) fn by_level(
    signals: &[SharedSignal],
    search: OffsetSearch,
    channel: &SharedChannel,
    window_s: f64,
    far: FarEvidence,
) -> Option<Clock> {
    let lag_s = signals.iter().find_map(|both| best_lag(both, search))?;
    let Likeness { explained, apart } = Likeness::of(signals, lag_s);
    let same = match (search, far) {
        (OffsetSearch::Near | OffsetSearch::Around(_), _) => explained >= channel.alike,
        (_, FarEvidence::Never) => false,
        (_, FarEvidence::Alike(least)) => explained >= least,
        (_, FarEvidence::Apart(most)) => apart <= most,
    };
    if !same {
        return None;
    }
    let SharedSignal { session, theirs } = signals.first()?;
    let length = theirs.values.len();
    let count = (length as f64 / WINDOW_S as f64).round().max(1.0) as usize;
    let windows = (0..count).map(|w| w * length / count..(w + 1) * length / count);
    let offsets: Vec<WindowOffset> = match channel.unit {
        UnitsPart::Own => vec![],
        _ => windows.filter_map(|window| level_offset(signals, lag_s, &window, window_s)).collect(),
    };
    let line = line_through(&offsets);
    let whole_s = session.origin_s - theirs.origin_s + lag_s as f64;
    let u_s = line.as_ref().map_or(UNSEEN_FRACTION_S, |line| line.u_at(length as f64 / 2.0));
    Some(Clock {
        offset_s: whole_s + line.as_ref().map_or(0.0, |line| line.intercept),
        drift_ppm: line.map_or(0.0, |line| line.slope * 1e6),
        standard_uncertainty_s: u_s.hypot(channel.delay_s),
        aligned_on: channel.on,
        also: vec![],
        apart: vec![],
        reset: None,
        windows: offsets.iter().map(|o| o.in_session(whole_s, theirs.origin_s)).collect(),
    })
}

/// What one window says beyond the whole lag; `None` where it hardly moves.
fn level_offset(signals: &[SharedSignal], lag_s: i64, window: &Range<usize>, beyond_s: f64) -> Option<WindowOffset> {
    let near_s = nearest_lag(signals, lag_s, window);
    let shift = |lag| LevelOffset::of(signals, lag, window);
    let lag = lag_below(near_s, |lag| shift(lag).shift_s())?;
    let (below, above) = (shift(lag), shift(lag + 1));
    let fraction = below.shift_s() / (below.shift_s() - above.shift_s());
    // As if seconds were independent: what they are not shows as scatter between windows.
    let u_s = (below.misfit.min(above.misfit) / below.n / below.weight).sqrt();
    let middle = (window.start + window.end) as f64 / 2.0;
    (u_s < LEAST_SURE_S).then_some(WindowOffset {
        at_s: middle,
        offset_s: (lag - lag_s) as f64 + fraction,
        u_s: u_s.hypot(beyond_s),
    })
}

/// How far one signal lies beyond a whole lag of the other, by least squares on the central difference of all components
/// together.
#[derive(Default)]
struct LevelOffset {
    moved: f64,
    weight: f64,
    /// Sum of squares of what is left apart.
    misfit: f64,
    n: f64,
}

impl LevelOffset {
    fn of(signals: &[SharedSignal], lag_s: i64, window: &Range<usize>) -> Self {
        let mut offset = Self::default();
        for SharedSignal { session, theirs } in signals {
            for j in window.start as i64..window.end as i64 {
                let slope = (theirs.at(j - 1) - theirs.at(j + 1)) / 2.0;
                let apart = session.at(j + lag_s) - theirs.at(j);
                if (slope * apart).is_nan() {
                    continue;
                }
                offset.moved += slope * apart;
                offset.weight += slope * slope;
                offset.misfit += apart * apart;
                offset.n += 1.0;
            }
        }
        offset
    }

    fn shift_s(&self) -> f64 {
        self.moved / self.weight
    }
}
