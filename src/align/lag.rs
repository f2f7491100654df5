//! The lag between two recordings of one channel, in whole seconds: where they lie least apart.

use std::ops::Range;

use super::second_values::{SecondValues, SharedSignal};

/// Fewer seconds in common are no basis for an alignment. Common practice, no source.
pub(super) const FEWEST_COMMON_S: usize = 60;

/// Length of the windows whose offsets a line is laid through. Long enough for some fifty changes of heart rate (common
/// practice, no source), short enough for a clock to stay put: at 50 ppm (`windows::DRIFT_SD`) it moves by 0.015 s, an
/// eighth of what the strap's delay is known to.
pub(super) const WINDOW_S: usize = 300;

/// Time stamps are searched this far to either side before they are taken to be nonsense. Common practice, no source.
const NEAR_S: i64 = 600;

/// A clock put right by phone or satellite while it records is followed this far. Common practice, no source.
const RESET_S: i64 = 10;

/// A clock that nobody sets stays this near to where it is on average. At twice `windows::DRIFT_SD`, 100 ppm, it takes
/// 5.6 h from the ride's middle to be 2 s off, so that rides of 11 h are covered.
const DRIFTS_S: i64 = 2;

/// Seconds of which means are compared first: a fifth of the values and a fifth of the lags cost a twenty-fifth of the
/// time, and a lag of half of them still shows. Common practice, no source.
const BIN_S: i64 = 5;

/// The lag by means may be off by a bin, as either side's bins begin anywhere; one more for their noise.
const AROUND_BINS: i64 = 2;

/// A channel that repeats itself (laps, hill repeats) must not find another lap; one that is off by less is told. Common
/// practice, no source.
const AROUND_S: i64 = 60;

/// Zones lie whole quarters of an hour from UTC, 14 h at most (IANA time zone database, from memory). A whole day is none:
/// the same plan at the same hour of another day is another ride.
const ZONE_S: i64 = 900;
const FARTHEST_ZONE_S: i64 = 14 * 3600;

/// Clocks that were set to a zone agree to some seconds but for it. Common practice, no source.
const ZONE_OFF_S: i64 = 10;

/// The offset lies within a second of the whole lag that fits best; a second more for noise.
const AROUND_NEAREST_S: i64 = 2;

/// Where to look for an offset.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum OffsetSearch {
    /// Both clocks were set: near their stamps.
    Near,
    /// Anywhere that the two can overlap.
    Everywhere,
    /// Near an offset that another channel gave, s.
    Around(f64),
    /// Where a clock is that was set to another time zone: quarters of an hour from its stamps.
    OtherZone,
}

/// The lag, in whole seconds of the two signals' own counts, at which they differ least over the whole ride.
///
/// First on means of some seconds, then to the second around the best.
pub(super) fn best_lag(signal: &SharedSignal, search: OffsetSearch) -> Option<i64> {
    let SharedSignal { session, theirs } = signal;
    if session.is_flat() || theirs.is_flat() {
        return None;
    }
    let (a, b) = (binned(&session.values, BIN_S as usize), binned(&theirs.values, BIN_S as usize));
    let (stamped, lags) = match search {
        OffsetSearch::Near => {
            let stamped = (theirs.origin_s - session.origin_s).round() as i64;
            let bins = |s: i64| s.div_euclid(BIN_S);
            (bins(stamped), bins(stamped - NEAR_S)..=bins(stamped + NEAR_S))
        }
        OffsetSearch::Everywhere => (0, 1 - b.len() as i64..=a.len() as i64 - 1),
        OffsetSearch::Around(offset_s) => {
            let home = (theirs.origin_s - session.origin_s + offset_s).round() as i64;
            let around = home - AROUND_S..=home + AROUND_S;
            return least_misfit(&session.values, &theirs.values, around, home, FEWEST_COMMON_S);
        }
        OffsetSearch::OtherZone => {
            let stamped = (theirs.origin_s - session.origin_s).round() as i64;
            let zones = FARTHEST_ZONE_S / ZONE_S;
            let lags = (-zones..=zones).filter(|zone| *zone != 0).flat_map(|zone| {
                let home = stamped + zone * ZONE_S;
                home - ZONE_OFF_S..=home + ZONE_OFF_S
            });
            return least_misfit(&session.values, &theirs.values, lags, stamped, FEWEST_COMMON_S);
        }
    };
    let coarse = least_misfit(&a, &b, lags, stamped, FEWEST_COMMON_S / BIN_S as usize)? * BIN_S;
    let around = coarse - AROUND_BINS * BIN_S..=coarse + AROUND_BINS * BIN_S;
    least_misfit(&session.values, &theirs.values, around, coarse, FEWEST_COMMON_S)
}

/// Means of `width` values at a time; NaN where all are missing.
fn binned(values: &[f64], width: usize) -> Vec<f64> {
    let mean = |bin: &[f64]| {
        let (sum, n) = bin.iter().filter(|v| !v.is_nan()).fold((0.0, 0.0), |(s, n), v| (s + v, n + 1.0));
        sum / n
    };
    values.chunks(width).map(mean).collect()
}

/// How far two signals lie apart at one lag.
struct LagMisfit {
    lag: i64,
    squares: f64,
    common: usize,
}

/// The lag with the least mean square of a[i] − b[i − lag], the nearest to `home` among equals, of those that have at
/// least `fewest` values in common, and half of what the best-covered lag has (common practice, no source).
fn least_misfit(a: &[f64], b: &[f64], lags: impl Iterator<Item = i64>, home: i64, fewest: usize) -> Option<i64> {
    let misfits: Vec<LagMisfit> = lags.map(|lag| misfit(a, b, lag)).collect();
    let most = misfits.iter().map(|m| m.common).max()?;
    let common = misfits.into_iter().filter(|m| m.common >= fewest && 2 * m.common >= most);
    let mean = |m: &LagMisfit| m.squares / m.common as f64;
    let away = |m: &LagMisfit| (m.lag - home).abs();
    common.min_by(|x, y| mean(x).total_cmp(&mean(y)).then(away(x).cmp(&away(y)))).map(|m| m.lag)
}

fn misfit(a: &[f64], b: &[f64], lag: i64) -> LagMisfit {
    let (skip_a, skip_b) = (lag.max(0) as usize, (-lag).max(0) as usize);
    let pairs = a.iter().skip(skip_a).zip(b.iter().skip(skip_b));
    let apart = pairs.map(|(a, b)| a - b).filter(|d| !d.is_nan());
    let (squares, common) = apart.fold((0.0, 0), |(s, n), d| (s + d * d, n + 1));
    LagMisfit { lag, squares, common }
}

/// How alike two recordings of a channel are, over the seconds that both have.
pub(super) struct Likeness {
    /// 1 less the square differences over the variance.
    pub explained: f64,
    /// Root mean square of the differences.
    pub apart: f64,
}

impl Likeness {
    /// Of all components together.
    pub fn of(signals: &[SharedSignal], lag_s: i64) -> Self {
        let (mut apart, mut all, mut seconds_in_common) = (0.0, 0.0, 0.0);
        for SharedSignal { session, theirs } in signals {
            let seconds = (0..theirs.values.len() as i64).map(|j| (session.at(j + lag_s), theirs.at(j)));
            let (a, b): (Vec<f64>, Vec<f64>) = seconds.filter(|(a, b)| !(a - b).is_nan()).unzip();
            let centre = a.iter().sum::<f64>() / a.len() as f64;
            all += a.iter().map(|v| (v - centre).powi(2)).sum::<f64>();
            apart += misfit(&a, &b, 0).squares;
            seconds_in_common = a.len() as f64;
        }
        Self { explained: 1.0 - apart / all, apart: (apart / seconds_in_common).sqrt() }
    }
}

/// Square differences in one window.
struct WindowMisfit {
    squares: f64,
    n: f64,
}

fn differences(session: &SecondValues, theirs: &SecondValues, lag_s: i64, window: &Range<usize>) -> WindowMisfit {
    let seconds = window.start as i64..window.end as i64;
    let differences = seconds.map(|j| session.at(j + lag_s) - theirs.at(j)).filter(|d| !d.is_nan());
    let (squares, n) = differences.fold((0.0, 0.0), |(s, n), d| (s + d * d, n + 1.0));
    WindowMisfit { squares, n }
}

/// The lag of least mean difference in a window, near the whole ride's: a clock can drift or be set while it records. What
/// is left of a window beside a gap, less than half of one, is too little to tell of a clock that was set.
pub(super) fn nearest_lag(signals: &[SharedSignal], lag_s: i64, window: &Range<usize>) -> i64 {
    let differences = |lag: i64| {
        let parts = signals.iter().map(|both| differences(&both.session, &both.theirs, lag, window));
        parts.fold(WindowMisfit { squares: 0.0, n: 0.0 }, |sum, part| WindowMisfit {
            squares: sum.squares + part.squares,
            n: sum.n + part.n,
        })
    };
    let misfit = |lag: i64| {
        let WindowMisfit { squares, n } = differences(lag);
        if n < FEWEST_COMMON_S as f64 { f64::INFINITY } else { squares / n }
    };
    let reach_s = if differences(lag_s).n < WINDOW_S as f64 / 2.0 { DRIFTS_S } else { RESET_S };
    let lags = (0..=reach_s).flat_map(|d| [lag_s + d, lag_s - d]);
    let misfits = lags.map(|lag| (lag, misfit(lag)));
    // The first of equals is the nearest.
    misfits.min_by(|x, y| x.1.total_cmp(&y.1)).map_or(lag_s, |(lag, _)| lag)
}

/// The whole lag between which and the next one the offset of a window lies, looked for around the nearest: where the
/// signals are still to be shifted forwards at the one and backwards at the other.
pub(super) fn lag_below(nearest_s: i64, shift_s: impl Fn(i64) -> f64) -> Option<i64> {
    (nearest_s - AROUND_NEAREST_S..nearest_s + AROUND_NEAREST_S)
        .find(|lag| shift_s(*lag) >= 0.0 && shift_s(lag + 1) < 0.0)
}
