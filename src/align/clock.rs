//! One recording's clock against the session's, from a channel that both recorded.

use std::ops::Range;

use crate::ride::{AlignedOn, Clock};
use crate::stats::{Line, robust_line};

/// From strap to stored sample, differing between head units. Type B: two delays, each anywhere from 0.05 to 0.35 s (common
/// practice, no source), are apart by a triangular distribution of ±0.3 s, whose standard uncertainty is 0.3/√6 (GUM 4.3.9).
const STRAP_DELAY_S: f64 = 0.122_474;

/// Two messages that come a quarter of a second apart at most, one on either side: a triangular distribution of ±0.25 s
/// (GUM 4.3.9). Four messages a second: common practice, no source.
const LAST_OF_FOUR_S: f64 = 0.102_062;

/// Both of the above.
const SPEED_DELAY_S: f64 = 0.159_426;

/// Of crystal clocks; keeps a short ride from inventing a drift. Common practice, no source.
const DRIFT_SD: f64 = 50e-6;

/// Long enough for some fifty changes of heart rate, short enough for a clock to stay put.
const WINDOW_S: usize = 300;

/// Fewer changes of heart rate than this in a window say nothing about a fraction of a second.
const FEWEST_STEPS: f64 = 3.0;

/// Where neither changes, one strap gives both the same reading but for lost messages (97 % and more in rehearsals,
/// irregular recordings too); another strap hardly ever does.
const SAME_STRAP_SHARE: f64 = 0.8;

/// If every window's offset is this near to a whole second, the fraction is taken as unseen: a strap heard once a
/// second at one phase gives whole seconds whatever the clocks say, and clocks that close by chance are one case in
/// seventeen.
const WHOLE_S: f64 = 0.03;

/// Standard uncertainty of a fraction that is anywhere within half a second (GUM 4.3.7).
const UNSEEN_FRACTION_S: f64 = 0.288_675;

/// Common practice, no source.
const LONGEST_HELD_S: usize = 90;

/// Fewer seconds in common are no basis for an alignment.
pub(super) const FEWEST_COMMON_S: usize = 60;

/// Time stamps are searched this far to either side before they are taken to be nonsense.
const NEAR_S: i64 = 600;

/// A clock put right by phone or satellite while it records is followed this far.
const RESET_S: i64 = 10;

/// A clock that nobody sets stays this near to where it is on average.
const DRIFTS_S: i64 = 2;

/// A longer ride has a wrong stamp in it.
pub(super) const LONGEST_S: usize = 48 * 3600;

/// A channel, one value per second of a clock; NaN where nothing was recorded.
pub(super) struct SecondValues {
    /// Session time of the first value, as stamped.
    origin_s: f64,
    values: Vec<f64>,
}

impl SecondValues {
    /// From recordings on one clock: (session time of the recording's start as stamped, times since, values).
    pub(super) fn new<'a>(parts: impl IntoIterator<Item = (f64, &'a [f64], &'a [Option<f64>])>) -> Self {
        let mut signal = Self { origin_s: 0.0, values: vec![] };
        for (start_s, times_s, column) in parts {
            if signal.values.is_empty() {
                signal.origin_s = start_s;
            }
            for (time_s, value) in times_s.iter().zip(column) {
                let second = (start_s - signal.origin_s + time_s).round();
                let Some(value) = value.filter(|_| (0.0..LONGEST_S as f64).contains(&second)) else { continue };
                let second = second as usize;
                if second >= signal.values.len() {
                    signal.values.resize(second + 1, f64::NAN);
                }
                signal.values[second] = value;
            }
        }
        signal
    }

    /// Value at a whole second; NaN outside.
    fn at(&self, second: i64) -> f64 {
        usize::try_from(second).ok().and_then(|i| self.values.get(i)).copied().unwrap_or(f64::NAN)
    }

    /// How far it rises within 20 s around each second: an offset or slow drift of the sensor is not in it.
    pub fn climb(self) -> Self {
        const HALF_S: i64 = 10;
        let rise = |j: i64| self.at(j + HALF_S) - self.at(j - HALF_S);
        Self { values: (0..self.values.len() as i64).map(rise).collect(), origin_s: self.origin_s }
    }

    /// Without what a head unit goes on showing when it no longer hears the strap: hearts do not keep one beat so long.
    pub fn without_held(mut self) -> Self {
        let mut from = 0;
        while from < self.values.len() {
            let value = self.values[from];
            let held = self.values[from..].iter().take_while(|v| **v == value).count().max(1);
            if held > LONGEST_HELD_S {
                self.values[from..from + held].fill(f64::NAN);
            }
            from += held;
        }
        self
    }

    pub fn is_empty(&self) -> bool {
        self.values.iter().all(|v| v.is_nan())
    }

    pub fn times(mut self, factor: f64) -> Self {
        self.values.iter_mut().for_each(|v| *v *= factor);
        self
    }

    /// Mean of what is known; NaN of nothing.
    pub fn middle(&self) -> f64 {
        let known = || self.values.iter().filter(|v| !v.is_nan());
        known().sum::<f64>() / known().count() as f64
    }

    /// Standard deviation of what is known; 0 of nothing.
    pub fn spread(&self) -> f64 {
        let known = || self.values.iter().filter(|v| !v.is_nan());
        let n = (known().count() as f64).max(1.0);
        let mean = self.middle();
        (known().map(|v| (v - mean).powi(2)).sum::<f64>() / n).sqrt()
    }

    /// Whether all that is known within two seconds is the same.
    fn is_level_around(&self, second: i64) -> bool {
        let here = self.at(second);
        (second - 2..=second + 2).map(|j| self.at(j)).all(|value| value.is_nan() || value == here)
    }

    fn is_flat(&self) -> bool {
        let mut known = self.values.iter().filter(|v| !v.is_nan());
        known.next().is_none_or(|first| known.all(|v| v == first))
    }
}

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

impl OffsetSearch {
    /// A channel that repeats itself (laps, hill repeats) must not find another lap; one that is off by less is told.
    const AROUND_S: i64 = 60;
    /// Zones lie whole quarters of an hour from UTC, 14 h at most (IANA time zone database, from memory). A whole day is none:
    /// the same plan at the same hour of another day is another ride.
    const ZONE_S: i64 = 900;
    const FARTHEST_ZONE_S: i64 = 14 * 3600;
    /// Clocks that were set to a zone agree to some seconds but for it.
    const ZONE_OFF_S: i64 = 10;
}

/// Why a channel was not used.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum ChannelUnused {
    /// Missing on one side, without change, or too little in common.
    Absent,
    /// Present on both sides but not the same thing: the share that agrees.
    Unlike(f64),
}

/// Clock of `theirs` from the heart rate that both head units took from one strap.
///
/// A head unit stores what the strap last said at each whole second of its own clock. If the clocks differ by k
/// seconds and a fraction f, a change is stored k seconds apart in a share 1 − f of cases and k + 1 in the others.
/// Least squares about k sees λf, about k + 1 −λ(1 − f), with a λ below 1 where readings flicker; their ratio gives f
/// without λ, and without bias. A robust line through the windows gives offset and drift.
pub(super) fn by_heart_rate(
    session: &SecondValues,
    theirs: &SecondValues,
    search: OffsetSearch,
) -> Result<Clock, ChannelUnused> {
    let lag_s = best_lag(session, theirs, search).ok_or(ChannelUnused::Absent)?;
    let length = theirs.values.len();
    let count = (length as f64 / WINDOW_S as f64).round().max(1.0) as usize;
    let windows: Vec<WindowEvidence> = (0..count)
        .map(|w| WindowEvidence::of(session, theirs, lag_s, w * length / count..(w + 1) * length / count))
        .collect();
    let total = |of: fn(&WindowEvidence) -> usize| windows.iter().map(of).sum::<usize>();
    let (common, steady) = (total(|w| w.common), total(|w| w.steady));
    if common < FEWEST_COMMON_S || steady == 0 {
        return Err(ChannelUnused::Absent);
    }
    let share = total(|w| w.same) as f64 / steady as f64;
    if share < SAME_STRAP_SHARE {
        return Err(ChannelUnused::Unlike(share));
    }
    let mut offsets: Vec<WindowOffset> = windows.into_iter().filter_map(|w| w.offset).collect();
    let reset = ClockStep::find(&offsets, |seconds, before, after| {
        let lag = |offset_s: f64| lag_s + offset_s.round() as i64;
        best_change(session, theirs, seconds, (lag(before), lag(after)))
    });
    if let Some(reset) = &reset {
        offsets.remove(reset.window);
        offsets[reset.window..].iter_mut().for_each(|o| o.offset_s -= reset.by_s);
    }
    let line = line_through(&offsets).ok_or(ChannelUnused::Absent)?;
    let whole_s = session.origin_s - theirs.origin_s + lag_s as f64;
    let whole = offsets.iter().all(|o| (o.offset_s - o.offset_s.round()).abs() < WHOLE_S);
    let u_fraction_s = if whole { UNSEEN_FRACTION_S } else { 0.0 };
    Ok(Clock {
        offset_s: whole_s + line.intercept,
        drift_ppm: line.slope * 1e6,
        standard_uncertainty_s: line
            .u_at(length as f64 / 2.0)
            .hypot(STRAP_DELAY_S)
            .hypot(u_fraction_s)
            .hypot(reset.as_ref().map_or(0.0, |r| r.u_s / 2.0)),
        aligned_on: AlignedOn::HeartRate,
        also: vec![],
        reset: reset.map(|r| (r.at_s, r.by_s)),
        windows: offsets.iter().map(|o| o.at_session(whole_s, theirs.origin_s)).collect(),
    })
}

/// What a level channel is in [`by_level`].
#[derive(Debug, Clone, Copy)]
pub(super) struct LevelChannel {
    pub on: AlignedOn,
    /// Standard uncertainty of what the two head units may lag apart in it. Type B.
    pub delay_s: f64,
    /// Standard uncertainty of one window's offset beyond what its scatter says. Type B.
    pub window_s: f64,
    /// Least share of one's variance that the other must explain.
    pub alike: f64,
    /// What it takes to be believed far from what the clocks say.
    pub far: FarEvidence,
}

/// What tells one ride from another of the same plan or the same roads.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum FarEvidence {
    Never,
    /// Least share of one's variance that the other must explain.
    Alike(f64),
    /// Most that the two lie apart, root mean square in the channel's unit.
    Apart(f64),
}

impl LevelChannel {
    /// Two receivers, each with its own filter and its own moment of the second, are metres apart on one bike; who rides the
    /// same roads again is somewhere else by more. Common practice, no source.
    pub const POSITION: Self =
        Self { on: AlignedOn::Position, delay_s: 0.3, window_s: 0.0, alike: 0.9, far: FarEvidence::Apart(20.0) };
    /// One sensor gives both nearly the same; two sensors, or one made up from power, do not.
    /// A second's value is the last message before it, of four a second, and which one it is can stay so all ride long.
    pub const SPEED: Self = Self {
        on: AlignedOn::Speed,
        delay_s: SPEED_DELAY_S,
        window_s: LAST_OF_FOUR_S,
        alike: 0.97,
        far: FarEvidence::Alike(0.99),
    };
    /// Pressure sensors are smoothed over some seconds. Common practice, no source.
    pub const ALTITUDE: Self =
        Self { on: AlignedOn::Altitude, delay_s: 0.7, window_s: 0.0, alike: 0.5, far: FarEvidence::Never };
    /// A power meter's own delay is in the offset.
    pub const POWER: Self =
        Self { on: AlignedOn::Power, delay_s: 0.5, window_s: 0.0, alike: 0.5, far: FarEvidence::Alike(0.8) };
}

/// Clock of `theirs` from a channel that moves: its components (two of a position) as both recorded them.
///
/// Windowed offsets as of [`by_heart_rate`], but that a level moves in all seconds. Power goes by whole seconds: two meters
/// do not share their fractions.
pub(super) fn by_level(
    pairs: &[(SecondValues, SecondValues)],
    search: OffsetSearch,
    level: LevelChannel,
) -> Result<Clock, ChannelUnused> {
    let lag_s =
        pairs.iter().find_map(|(session, theirs)| best_lag(session, theirs, search)).ok_or(ChannelUnused::Absent)?;
    let (explained, apart) = likeness(pairs, lag_s);
    let same = match (search, level.far) {
        (OffsetSearch::Near | OffsetSearch::Around(_), _) => explained >= level.alike,
        (_, FarEvidence::Never) => false,
        (_, FarEvidence::Alike(least)) => explained >= least,
        (_, FarEvidence::Apart(most)) => apart <= most,
    };
    if !same {
        return Err(ChannelUnused::Unlike(explained));
    }
    let (session, theirs) = pairs.first().ok_or(ChannelUnused::Absent)?;
    let length = theirs.values.len();
    let count = (length as f64 / WINDOW_S as f64).round().max(1.0) as usize;
    let windows = (0..count).map(|w| w * length / count..(w + 1) * length / count);
    let offsets: Vec<WindowOffset> = match level.on {
        AlignedOn::Power => vec![],
        _ => windows.filter_map(|window| level_offset(pairs, lag_s, &window, level.window_s)).collect(),
    };
    let line = line_through(&offsets);
    let whole_s = session.origin_s - theirs.origin_s + lag_s as f64;
    let u_s = line.as_ref().map_or(UNSEEN_FRACTION_S, |line| line.u_at(length as f64 / 2.0));
    Ok(Clock {
        offset_s: whole_s + line.as_ref().map_or(0.0, |line| line.intercept),
        drift_ppm: line.map_or(0.0, |line| line.slope * 1e6),
        standard_uncertainty_s: u_s.hypot(level.delay_s),
        aligned_on: level.on,
        also: vec![],
        reset: None,
        windows: offsets.iter().map(|o| o.at_session(whole_s, theirs.origin_s)).collect(),
    })
}

/// What one window of a level channel says beyond the whole lag; `None` where it hardly moves.
fn level_offset(
    pairs: &[(SecondValues, SecondValues)],
    lag_s: i64,
    window: &Range<usize>,
    beyond_s: f64,
) -> Option<WindowOffset> {
    const LEAST_SURE_S: f64 = 2.0;
    let near = nearest_lag(lag_s, |lag| {
        let parts = pairs.iter().map(|(session, theirs)| differences(session, theirs, lag, window));
        parts.fold((0.0, 0.0), |sum, part| (sum.0 + part.0, sum.1 + part.1))
    });
    let pull = |lag| LevelOffset::of(pairs, lag, window);
    let lag = (near - 2..near + 2).find(|lag| pull(*lag).shift_s() >= 0.0 && pull(lag + 1).shift_s() < 0.0)?;
    let (below, above) = (pull(lag), pull(lag + 1));
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

/// [`ChangeOffset`] of a level channel, of all its components together.
#[derive(Default)]
struct LevelOffset {
    moved: f64,
    weight: f64,
    /// Sum of squares of what is left apart.
    misfit: f64,
    n: f64,
}

impl LevelOffset {
    fn of(pairs: &[(SecondValues, SecondValues)], lag_s: i64, window: &Range<usize>) -> Self {
        let mut pull = Self::default();
        for (session, theirs) in pairs {
            for j in window.start as i64..window.end as i64 {
                let slope = (theirs.at(j - 1) - theirs.at(j + 1)) / 2.0;
                let apart = session.at(j + lag_s) - theirs.at(j);
                if (slope * apart).is_nan() {
                    continue;
                }
                pull.moved += slope * apart;
                pull.weight += slope * slope;
                pull.misfit += apart * apart;
                pull.n += 1.0;
            }
        }
        pull
    }

    fn shift_s(&self) -> f64 {
        self.moved / self.weight
    }
}

/// Offset beyond the whole lag in one window.
struct WindowOffset {
    /// Seconds since the recording's start.
    at_s: f64,
    offset_s: f64,
    u_s: f64,
}

/// A clock that was put right while it recorded.
struct ClockStep {
    /// Seconds since the recording's start from which the offset is another.
    at_s: f64,
    by_s: f64,
    u_s: f64,
    /// Index of the window that it lies in or next to, which says nothing for sure.
    window: usize,
}

impl ClockStep {
    /// A smaller step is no clock put right, and can't be told from drift and chance.
    const LEAST_S: f64 = 1.0;
    /// Standard uncertainties by which a step must stand out, and within which all windows must lie once it is taken out.
    const SURE: f64 = 5.0;
    const FIT_S: f64 = 0.5;

    /// A single step that explains the windows, if they need one. `second(among, before, after)` is the second of the
    /// recording at which the change from one offset to the other fits best.
    fn find(offsets: &[WindowOffset], second: impl Fn(Range<i64>, f64, f64) -> f64) -> Option<Self> {
        let fits = |o: &WindowOffset, level: f64| (o.offset_s - level).abs() <= Self::FIT_S.max(Self::SURE * o.u_s);
        let steps = (1..offsets.len().saturating_sub(1)).filter_map(|n| {
            let (before, after) = (level(&offsets[..n])?, level(&offsets[n + 1..])?);
            let by_s = after.0 - before.0;
            let u_s = before.1.hypot(after.1);
            let stands_out = by_s.abs() > Self::LEAST_S.max(Self::SURE * u_s);
            let explains =
                offsets[..n].iter().all(|o| fits(o, before.0)) && offsets[n + 1..].iter().all(|o| fits(o, after.0));
            (stands_out && explains).then_some((n, before.0, after.0, u_s))
        });
        // Of those that explain all the rest, the one whose own window lies most between.
        let between = |&(n, before, after, _): &(usize, f64, f64, f64)| {
            ((offsets[n].offset_s - before) / (after - before) - 0.5).abs()
        };
        let (window, before, after, u_s) = steps.min_by(|x, y| between(x).total_cmp(&between(y)))?;
        let at_s = second(offsets[window - 1].at_s as i64..offsets[window + 1].at_s as i64, before, after);
        Some(Self { at_s, by_s: after - before, u_s, window })
    }
}

/// The second at which changing from one lag to the other leaves the least apart; behind a hole, if one fits as well.
fn best_change(session: &SecondValues, theirs: &SecondValues, seconds: Range<i64>, (before, after): (i64, i64)) -> f64 {
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
    let equal: Vec<i64> = sums.iter().filter(|(sum, _)| *sum <= least + 1e-9).map(|(_, j)| *j).collect();
    let behind_hole = equal.iter().find(|&&j| theirs.at(j - 1).is_nan());
    behind_hole.or(equal.get(equal.len() / 2)).map_or(f64::INFINITY, |j| *j as f64)
}

/// Weighted mean of some offsets and its standard uncertainty.
fn level(offsets: &[WindowOffset]) -> Option<(f64, f64)> {
    let weight: f64 = offsets.iter().map(|o| o.u_s.powi(-2)).sum();
    let mean = offsets.iter().map(|o| o.offset_s * o.u_s.powi(-2)).sum::<f64>() / weight;
    (!offsets.is_empty()).then(|| (mean, weight.powf(-0.5)))
}

impl WindowOffset {
    /// (session second, offset, standard uncertainty), as [`Clock::windows`] has it.
    fn at_session(&self, whole_s: f64, origin_s: f64) -> (f64, f64, f64) {
        let offset_s = whole_s + self.offset_s;
        (origin_s + self.at_s + offset_s, offset_s, self.u_s)
    }
}

/// The lag, in whole seconds of the two signals' own counts, at which they differ least over the whole ride.
///
/// First on means of some seconds, then to the second around the best.
fn best_lag(session: &SecondValues, theirs: &SecondValues, search: OffsetSearch) -> Option<i64> {
    const BIN_S: i64 = 5;
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
            let around = home - OffsetSearch::AROUND_S..=home + OffsetSearch::AROUND_S;
            return least_misfit(&session.values, &theirs.values, around, home, FEWEST_COMMON_S);
        }
        OffsetSearch::OtherZone => {
            let stamped = (theirs.origin_s - session.origin_s).round() as i64;
            let zones = OffsetSearch::FARTHEST_ZONE_S / OffsetSearch::ZONE_S;
            let lags = (-zones..=zones).filter(|zone| *zone != 0).flat_map(|zone| {
                let home = stamped + zone * OffsetSearch::ZONE_S;
                home - OffsetSearch::ZONE_OFF_S..=home + OffsetSearch::ZONE_OFF_S
            });
            return least_misfit(&session.values, &theirs.values, lags, stamped, FEWEST_COMMON_S);
        }
    };
    let coarse = least_misfit(&a, &b, lags, stamped, FEWEST_COMMON_S / BIN_S as usize)? * BIN_S;
    let around = coarse - 2 * BIN_S..=coarse + 2 * BIN_S;
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

/// The lag with the least mean square of a[i] − b[i − lag], the nearest to `home` among equals, of those that have at
/// least `fewest` values in common, and half of what the best-covered lag has.
fn least_misfit(a: &[f64], b: &[f64], lags: impl Iterator<Item = i64>, home: i64, fewest: usize) -> Option<i64> {
    let misfits: Vec<(i64, f64, usize)> = lags.map(|lag| misfit(a, b, lag)).collect();
    let most = misfits.iter().map(|(_, _, n)| *n).max()?;
    let common = misfits.into_iter().filter(|(_, _, n)| *n >= fewest && 2 * n >= most);
    let mean = |(_, sum, n): &(i64, f64, usize)| sum / *n as f64;
    let best = common.min_by(|x, y| mean(x).total_cmp(&mean(y)).then((x.0 - home).abs().cmp(&(y.0 - home).abs())))?;
    Some(best.0)
}

/// (lag, sum of squares, number of values in common)
fn misfit(a: &[f64], b: &[f64], lag: i64) -> (i64, f64, usize) {
    let (skip_a, skip_b) = (lag.max(0) as usize, (-lag).max(0) as usize);
    let pairs = a.iter().skip(skip_a).zip(b.iter().skip(skip_b));
    let (sum, n) = pairs.map(|(a, b)| a - b).filter(|d| !d.is_nan()).fold((0.0, 0), |(s, n), d| (s + d * d, n + 1));
    (lag, sum, n)
}

/// 1 less the square differences over the variance, over the common seconds; and their root mean square.
fn likeness(pairs: &[(SecondValues, SecondValues)], lag_s: i64) -> (f64, f64) {
    let (mut apart, mut all, mut seconds_in_common) = (0.0, 0.0, 0.0);
    for (session, theirs) in pairs {
        let seconds = (0..theirs.values.len() as i64).map(|j| (session.at(j + lag_s), theirs.at(j)));
        let (a, b): (Vec<f64>, Vec<f64>) = seconds.filter(|(a, b)| !(a - b).is_nan()).unzip();
        let centre = a.iter().sum::<f64>() / a.len() as f64;
        all += a.iter().map(|v| (v - centre).powi(2)).sum::<f64>();
        apart += misfit(&a, &b, 0).1;
        seconds_in_common = a.len() as f64;
    }
    (1.0 - apart / all, (apart / seconds_in_common).sqrt())
}

/// Sum of square differences in a window, and their number.
fn differences(session: &SecondValues, theirs: &SecondValues, lag_s: i64, window: &Range<usize>) -> (f64, f64) {
    let seconds = window.start as i64..window.end as i64;
    let differences = seconds.map(|j| session.at(j + lag_s) - theirs.at(j)).filter(|d| !d.is_nan());
    differences.fold((0.0, 0.0), |(s, n), d| (s + d * d, n + 1.0))
}

/// The lag of least mean difference near the whole ride's: a clock can drift or be set while it records. What is left of a
/// window beside a gap is too little to tell of a clock that was set.
fn nearest_lag(lag_s: i64, differences: impl Fn(i64) -> (f64, f64)) -> i64 {
    let misfit = |lag: i64| {
        let (sum, n) = differences(lag);
        if n < FEWEST_COMMON_S as f64 { f64::INFINITY } else { sum / n }
    };
    let reach_s = if differences(lag_s).1 < WINDOW_S as f64 / 2.0 { DRIFTS_S } else { RESET_S };
    let lags = (0..=reach_s).flat_map(|d| [lag_s + d, lag_s - d]);
    let misfits = lags.map(|lag| (lag, misfit(lag)));
    // The first of equals is the nearest.
    misfits.min_by(|x, y| x.1.total_cmp(&y.1)).map_or(lag_s, |(lag, _)| lag)
}

/// What some minutes of both signals say.
struct WindowEvidence {
    /// Seconds in which both have a value.
    common: usize,
    /// Those of them around which neither changes.
    steady: usize,
    /// Those of the steady ones in which both have the same.
    same: usize,
    /// Beyond the whole ride's lag; `None` with too few changes of heart rate.
    offset: Option<WindowOffset>,
}

impl WindowEvidence {
    fn of(session: &SecondValues, theirs: &SecondValues, lag_s: i64, window: Range<usize>) -> Self {
        let lag_here_s = nearest_lag(lag_s, |lag| differences(session, theirs, lag, &window));
        let (mut common, mut steady, mut same) = (0, 0, 0);
        for j in window.start as i64..window.end as i64 {
            let apart = (session.at(j + lag_here_s) - theirs.at(j)).abs();
            common += usize::from(!apart.is_nan());
            // An irregular recording is written when something changed, and just then a second early or late differs.
            if !apart.is_nan() && theirs.is_level_around(j) && session.is_level_around(j + lag_here_s) {
                steady += 1;
                same += usize::from(apart < 0.5);
            }
        }
        Self { common, steady, same, offset: Self::offset(session, theirs, lag_s, lag_here_s, &window) }
    }

    fn offset(
        session: &SecondValues,
        theirs: &SecondValues,
        lag_s: i64,
        near_s: i64,
        window: &Range<usize>,
    ) -> Option<WindowOffset> {
        let pull = |lag_s| ChangeOffset::of(session, theirs, lag_s, window.clone());
        // Between which two whole lags?
        let lag = (near_s - 2..near_s + 2).find(|lag| pull(*lag).shift_s >= 0.0 && pull(lag + 1).shift_s < 0.0)?;
        let (below, above) = (pull(lag), pull(lag + 1));
        let fraction = below.shift_s / (below.shift_s - above.shift_s);
        let steps = below.steps;
        if steps.is_nan() || steps < FEWEST_STEPS {
            return None;
        }
        // Of a share seen in so many cases, with one of each added so that none and all stay uncertain.
        let share = (steps * fraction + 1.0) / (steps + 2.0);
        let u_s = (share * (1.0 - share) / steps).sqrt();
        Some(WindowOffset { at_s: below.at_s, offset_s: (lag - lag_s) as f64 + fraction, u_s })
    }
}

/// How far one signal lies beyond a whole lag of the other, by least squares on the central difference.
struct ChangeOffset {
    shift_s: f64,
    /// Number of changes that speak, each counted by its weight.
    steps: f64,
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
            if slope.is_nan() || now.is_nan() || !(low - 0.5..=high + 0.5).contains(&here) {
                continue;
            }
            moved += slope * (here - now);
            weight += slope * slope;
            fourth += slope.powi(4);
            moment += slope * slope * j as f64;
        }
        // Each step of height h has two slopes of h/2.
        Self { shift_s: moved / weight, steps: weight * weight / fourth / 2.0, at_s: moment / weight }
    }
}

/// Line through the windows' offsets, its slope held by what clocks plausibly drift; a level line through a single
/// window.
fn line_through(offsets: &[WindowOffset]) -> Option<Line> {
    let only = offsets.first()?;
    let column = |of: fn(&WindowOffset) -> f64| offsets.iter().map(of).collect::<Vec<f64>>();
    let Some(free) = robust_line(&column(|o| o.at_s), &column(|o| o.offset_s), &column(|o| o.u_s)) else {
        let var_slope = DRIFT_SD * DRIFT_SD;
        return Some(Line {
            intercept: only.offset_s,
            slope: 0.0,
            u_intercept: only.u_s.hypot(only.at_s * DRIFT_SD),
            u_slope: DRIFT_SD,
            covariance: -only.at_s * var_slope,
        });
    };
    // The slope read once more, as 0 ± DRIFT_SD: what a Kalman filter does with a measurement.
    let spread = free.u_slope.powi(2) + DRIFT_SD.powi(2);
    let (gain_intercept, gain_slope) = (free.covariance / spread, free.u_slope.powi(2) / spread);
    Some(Line {
        intercept: free.intercept - gain_intercept * free.slope,
        slope: free.slope - gain_slope * free.slope,
        u_intercept: (free.u_intercept.powi(2) - gain_intercept * free.covariance).max(0.0).sqrt(),
        u_slope: free.u_slope * (1.0 - gain_slope).sqrt(),
        covariance: free.covariance * (1.0 - gain_slope),
    })
}
