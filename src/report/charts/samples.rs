//! The ride's samples as pictures draw them and as the tables behind pictures list them.

use chrono::{DateTime, Utc};

use crate::report::picture::{Numbers, cell};
use crate::report::svg::{self, Look, Points};
use crate::ride::{Ride, Trace};

/// Neighbouring samples further apart than this are not joined: a head unit writes once a second, and one late
/// stamp is no gap.
pub(super) const GAP_S: f64 = 2.5;

/// Session seconds of a time.
pub(super) fn seconds(ride: &Ride, at: DateTime<Utc>) -> f64 {
    (at - ride.start).num_milliseconds() as f64 / 1000.0
}

/// A trace's own power samples from `from_s` to `to_s`.
pub(super) fn power(trace: &Trace, from_s: f64, to_s: f64) -> Points {
    let first = trace.time_s.partition_point(|t| *t < from_s);
    let last = trace.time_s.partition_point(|t| *t <= to_s);
    (first..last).map(|i| (trace.time_s[i], trace.power_w.get(i).copied().flatten())).collect()
}

/// All instruments' power over a stretch: references beneath, the unit on top.
pub(super) struct PowerLines {
    pub lines: Vec<(Points, Look)>,
    pub highest_w: f64,
}

impl PowerLines {
    pub fn of(ride: &Ride, (from_s, to_s): (f64, f64)) -> Self {
        let mut lines: Vec<_> = ride
            .references
            .iter()
            .enumerate()
            .map(|(i, r)| (power(&r.trace, from_s, to_s), svg::reference_look(i)))
            .collect();
        lines.push((power(&ride.unit, from_s, to_s), svg::UNIT));
        let highest_w = lines.iter().flat_map(|(l, _)| l).filter_map(|p| p.1).fold(20.0, f64::max);
        Self { lines, highest_w }
    }
}

/// Mean power of every instrument over each `bin_s` seconds, with the time of day at which it begins.
pub(super) fn means(ride: &Ride, (from_s, to_s): (f64, f64), bin_s: usize) -> Numbers {
    let traces: Vec<&Trace> = std::iter::once(&ride.unit).chain(ride.references.iter().map(|r| &r.trace)).collect();
    let mut columns = vec![if bin_s > 1 { format!("{bin_s} s from, UTC") } else { "time, UTC".to_owned() }];
    columns.extend(traces.iter().map(|t| format!("power of {}, W", t.label)));
    let row = |from: usize| {
        let mean = |trace: &&Trace| {
            let found: Vec<f64> = (from..from + bin_s).filter_map(|k| trace.power_at(k)).collect();
            cell(crate::stats::mean(&found), if bin_s > 1 { 1 } else { 0 })
        };
        let at = ride.utc(from as f64).format("%H:%M:%S").to_string();
        std::iter::once(at).chain(traces.iter().map(mean)).collect()
    };
    let seconds = from_s.max(0.0).ceil() as usize..(to_s.max(0.0).ceil() as usize).min(ride.length_s);
    Numbers { columns, rows: seconds.step_by(bin_s).map(row).collect() }
}
