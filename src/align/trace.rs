//! One trace of an instrument's recordings.

use super::combine::{UNALIGNED_U_S, by_stamps};
use super::fields::field;
use crate::recording::Recording;
use crate::ride::{AlignedOn, ChannelColumn, Clock, Trace};
use crate::session::Instrument;

/// One recording of an instrument and where it stands in session time.
pub(super) struct PlacedRecording<'a> {
    pub recording: &'a Recording,
    /// Session time of its start, as stamped.
    pub stamped_s: f64,
    pub clock: Clock,
}

impl PlacedRecording<'_> {
    /// Session time of a time since the recording's start.
    pub fn session_s(&self, time_s: f64) -> f64 {
        let reset_s = self.clock.reset.filter(|reset| time_s >= reset.at_s).map_or(0.0, |reset| reset.by_s);
        (self.stamped_s + self.clock.offset_s) + time_s + self.clock.drift_ppm * 1e-6 * time_s + reset_s
    }
}

/// One trace of an instrument's parts; its clock is the least certain of theirs. `all` are the session's instruments.
pub(super) fn trace(
    instrument: &Instrument,
    parts: Vec<PlacedRecording>,
    length_s: usize,
    all: &[&Instrument],
) -> Trace {
    let least_certain =
        parts.iter().map(|p| &p.clock).max_by(|a, b| a.standard_uncertainty_s.total_cmp(&b.standard_uncertainty_s));
    let clock = least_certain.cloned().unwrap_or_else(|| by_stamps(AlignedOn::Nothing, 0.0, UNALIGNED_U_S));
    let Instrument { label, located, sides, .. } = instrument;
    let mut trace = Trace::without_values(label, *located, *sides, clock, 0);
    for part in &parts {
        let samples = &part.recording.samples;
        let after_s = trace.time_s.last().copied().unwrap_or(f64::NEG_INFINITY);
        // Where two recordings of one instrument overlap, the earlier goes on.
        let mut last_s = after_s;
        let kept: Vec<usize> = (0..samples.len())
            .filter(|&i| {
                let session_s = part.session_s(samples.time_s[i]);
                // A clock put back shows some seconds twice.
                let rises = session_s > last_s;
                last_s = last_s.max(session_s);
                rises
            })
            .collect();
        trace.time_s.extend(kept.iter().map(|&i| part.session_s(samples.time_s[i])));
        for ChannelColumn { name, values } in trace.columns_mut() {
            let from = field(instrument, all, name).and_then(|field| samples.channel(field)).unwrap_or(&[]);
            values.extend(kept.iter().map(|&i| from.get(i).copied().flatten()));
        }
    }
    trace.grid = vec![None; length_s];
    for (i, time_s) in trace.time_s.iter().enumerate() {
        let second = (time_s + 0.5).floor();
        let Some(place) = (second >= 0.0).then_some(second as usize).and_then(|s| trace.grid.get_mut(s)) else {
            continue;
        };
        let further = |j: usize| (trace.time_s[j] - second).abs() > (time_s - second).abs();
        if place.is_none_or(further) {
            *place = Some(i);
        }
    }
    trace
}
