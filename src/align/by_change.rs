//! A recording's clock from a channel whose whole numbers both head units took from one sensor: heart rate.

use std::ops::Range;

use super::channels::SharedChannel;
use super::lag::{FEWEST_COMMON_S, OffsetSearch, WINDOW_S, best_lag, lag_below, nearest_lag};
use super::reset::Reset;
use super::second_values::{SecondValues, SharedSignal};
use super::windows::{UNSEEN_FRACTION_S, WindowOffset, line_through};
use crate::ride::{Clock, ClockReset};

/// Fewer changes than this in a window say nothing about a fraction of a second: of a share seen in n cases the standard
/// uncertainty is √(¼/n) at most, for three cases 1/√12 s, as much as of a fraction that was not seen at all.
const FEWEST_CHANGES: f64 = 3.0;

/// If every window's offset is this near to a whole second, the fraction is taken as unseen: a strap heard once a
/// second at one phase gives whole seconds whatever the clocks say, and clocks that close by chance are one case in
/// seventeen (2 × 0.03 of a second).
const WHOLE_S: f64 = 0.03;

/// Readings are whole numbers, so that two which lie less than this apart are the same.
const SAME: f64 = 0.5;

/// Why a channel was not used.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum ChannelUnused {
    /// Missing on one side, without change, or too little in common.
    Absent,
    /// Present on both sides but not the same thing: the share that agrees.
    Unlike(f64),
}

/// Clock of `theirs` from the seconds at which both change.
///
/// A head unit stores what the strap last said at each whole second of its own clock. If the clocks differ by k
/// seconds and a fraction f, a change is stored k seconds apart in a share 1 − f of cases and k + 1 in the others.
/// Least squares about k sees λf, about k + 1 −λ(1 − f), with a λ below 1 where readings flicker; their ratio gives f
/// without λ, and without bias. A robust line through the windows gives offset and drift.
pub(super) fn by_change(
    signal: &SharedSignal,
    search: OffsetSearch,
    channel: &SharedChannel,
) -> Result<Clock, ChannelUnused> {
    let SharedSignal { session, theirs } = signal;
    let lag_s = best_lag(signal, search).ok_or(ChannelUnused::Absent)?;
    let length = theirs.values.len();
    let count = (length as f64 / WINDOW_S as f64).round().max(1.0) as usize;
    let windows: Vec<WindowEvidence> =
        (0..count).map(|w| WindowEvidence::of(signal, lag_s, w * length / count..(w + 1) * length / count)).collect();
    let total = |of: fn(&WindowEvidence) -> usize| windows.iter().map(of).sum::<usize>();
    let (common, still) = (total(|w| w.common), total(|w| w.still));
    if common < FEWEST_COMMON_S || still == 0 {
        return Err(ChannelUnused::Absent);
    }
    let share = total(|w| w.same) as f64 / still as f64;
    if share < channel.alike {
        return Err(ChannelUnused::Unlike(share));
    }
    let mut offsets: Vec<WindowOffset> = windows.into_iter().filter_map(|w| w.offset).collect();
    let reset = Reset::find(&offsets, signal, lag_s);
    if let Some(reset) = &reset {
        offsets.remove(reset.window);
        offsets[reset.window..].iter_mut().for_each(|o| o.offset_s -= reset.by_s);
    }
    let line = line_through(&offsets).ok_or(ChannelUnused::Absent)?;
    let whole_s = session.origin_s - theirs.origin_s + lag_s as f64;
    let whole = offsets.iter().all(|o| (o.offset_s - o.offset_s.round()).abs() < WHOLE_S);
    let u_fraction_s = if whole { UNSEEN_FRACTION_S } else { 0.0 };
    // A reset in mid-ride moves half of the windows, and so the middle of their line by half of its own error.
    let u_reset_s = reset.as_ref().map_or(0.0, |reset| reset.u_s / 2.0);
    Ok(Clock {
        offset_s: whole_s + line.intercept,
        drift_ppm: line.slope * 1e6,
        standard_uncertainty_s: line
            .u_at(length as f64 / 2.0)
            .hypot(channel.delay_s)
            .hypot(u_fraction_s)
            .hypot(u_reset_s),
        aligned_on: channel.on,
        also: vec![],
        apart: vec![],
        reset: reset.map(|reset| ClockReset { at_s: reset.at_s, by_s: reset.by_s }),
        windows: offsets.iter().map(|o| o.in_session(whole_s, theirs.origin_s)).collect(),
    })
}

/// What some minutes of both signals say.
struct WindowEvidence {
    /// Seconds in which both have a value.
    common: usize,
    /// Those of them around which neither changes.
    still: usize,
    /// Those of the still ones in which both have the same.
    same: usize,
    /// Beyond the whole ride's lag; `None` with too few changes.
    offset: Option<WindowOffset>,
}

impl WindowEvidence {
    fn of(signal: &SharedSignal, lag_s: i64, window: Range<usize>) -> Self {
        let SharedSignal { session, theirs } = signal;
        let lag_here_s = nearest_lag(std::slice::from_ref(signal), lag_s, &window);
        let (mut common, mut still, mut same) = (0, 0, 0);
        for j in window.start as i64..window.end as i64 {
            let apart = (session.at(j + lag_here_s) - theirs.at(j)).abs();
            common += usize::from(!apart.is_nan());
            // An irregular recording is written when something changed, and just then a second early or late differs.
            if !apart.is_nan() && theirs.is_still_around(j) && session.is_still_around(j + lag_here_s) {
                still += 1;
                same += usize::from(apart < SAME);
            }
        }
        Self { common, still, same, offset: Self::offset(signal, lag_s, lag_here_s, &window) }
    }

    fn offset(signal: &SharedSignal, lag_s: i64, near_s: i64, window: &Range<usize>) -> Option<WindowOffset> {
        let shift = |lag_s| ChangeOffset::of(&signal.session, &signal.theirs, lag_s, window.clone());
        let lag = lag_below(near_s, |lag| shift(lag).shift_s)?;
        let (below, above) = (shift(lag), shift(lag + 1));
        let fraction = below.shift_s / (below.shift_s - above.shift_s);
        let changes = below.changes;
        if changes.is_nan() || changes < FEWEST_CHANGES {
            return None;
        }
        // Of a share seen in so many cases, with one of each added so that none and all stay uncertain (Laplace's rule of
        // succession).
        let share = (changes * fraction + 1.0) / (changes + 2.0);
        let u_s = (share * (1.0 - share) / changes).sqrt();
        Some(WindowOffset { at_s: below.at_s, offset_s: (lag - lag_s) as f64 + fraction, u_s })
    }
}

/// How far one signal lies beyond a whole lag of the other, by least squares on the central difference.
struct ChangeOffset {
    shift_s: f64,
    /// Number of changes that speak, each counted by its weight.
    changes: f64,
    /// Where they are, in seconds of the other's count.
    at_s: f64,
}

impl ChangeOffset {
    fn of(session: &SecondValues, theirs: &SecondValues, lag_s: i64, window: Range<usize>) -> Self {
        let (mut moved, mut weight, mut fourth, mut moment) = (0.0, 0.0, 0.0, 0.0);
        for j in window.start as i64..window.end as i64 {
            let (before, now, after) = (theirs.at(j - 1), theirs.at(j), theirs.at(j + 1));
            let here = session.at(j + lag_s);
            let slope = (before - after) / 2.0;
            let (low, high) = (before.min(now).min(after), before.max(now).max(after));
            // What lies outside of the neighbours is a lost message or a held reading, not a shift. (NaN is neither.)
            if slope.is_nan() || now.is_nan() || !(low - SAME..=high + SAME).contains(&here) {
                continue;
            }
            moved += slope * (here - now);
            weight += slope * slope;
            fourth += slope.powi(4);
            moment += slope * slope * j as f64;
        }
        // Each step of height h has two slopes of h/2.
        Self { shift_s: moved / weight, changes: weight * weight / fourth / 2.0, at_s: moment / weight }
    }
}
