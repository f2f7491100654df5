//! Every recording where it belongs in session time, and what the recordings tell of edges and gears.

use std::collections::BTreeMap;
use std::path::PathBuf;

use chrono::TimeDelta;

use super::combine::{by_stamps, moved};
use super::error::AlignError;
use super::fields::column;
use super::find_clock::ClockSearch;
use super::session_clock::SessionClock;
use super::times::session_seconds;
use super::trace::PlacedRecording;
use crate::recording::{Recording, TimerKind};
use crate::ride::{AlignedOn, Clock, Edge, EdgeKind, Gear};
use crate::session::{Instrument, Session};

/// The recordings already brought onto the session's clock.
pub(super) struct Placing<'a> {
    pub session: SessionClock<'a>,
    recordings: &'a BTreeMap<PathBuf, Recording>,
    /// In the order in which they were met.
    clocks: Vec<(&'a Recording, Clock)>,
    pub cautions: Vec<String>,
}

impl<'a> Placing<'a> {
    pub fn new(session: SessionClock<'a>, recordings: &'a BTreeMap<PathBuf, Recording>) -> Self {
        Self { session, recordings, clocks: vec![], cautions: vec![] }
    }

    /// An instrument's recordings in session time and in order.
    pub fn recordings_of(&mut self, instrument: &'a Instrument) -> Result<Vec<PlacedRecording<'a>>, AlignError> {
        let mut placed = vec![];
        let mut failed = vec![];
        for path in &instrument.recordings {
            let recording = self.recordings.get(path).ok_or_else(|| AlignError::Unread(path.clone()))?;
            let named = instrument.fields.iter().filter(|(name, _)| !matches!(name.as_str(), "time" | "power"));
            for (name, field) in named.filter(|(_, field)| recording.samples.channel(field).is_none()) {
                self.cautions.push(format!(
                    "{}: no `{field}` in {}, so it has no {name} there; `assize inspect` lists what it has",
                    instrument.label,
                    path.display()
                ));
            }
            match self.clock(instrument, recording) {
                Ok(clock) => {
                    placed.push(PlacedRecording { recording, stamped_s: self.session.stamped_s(recording), clock });
                }
                Err(error) => failed.push(error),
            }
        }
        if placed.is_empty() && !failed.is_empty() {
            return Err(failed.swap_remove(0));
        }
        self.cautions.extend(failed.iter().map(|e| format!("{}: a recording was left out: {e}", instrument.label)));
        placed.sort_by(|a, b| a.session_s(0.0).total_cmp(&b.session_s(0.0)));
        Ok(placed)
    }

    /// A recording's clock: known, the session's own, or found.
    fn clock(&mut self, instrument: &'a Instrument, recording: &'a Recording) -> Result<Clock, AlignError> {
        if column(instrument, &recording.samples, "power").is_empty() {
            return Err(AlignError::NoPower {
                file: recording.file.clone(),
                instrument: instrument.label.clone(),
                field: instrument.fields.get("power").map_or("its usual field".into(), |f| format!("`{f}`")),
            });
        }
        if let Some((_, known)) = self.clocks.iter().find(|(r, _)| r.file == recording.file) {
            let mut clock = known.clone();
            if clock.aligned_on != AlignedOn::SessionClock && clock.aligned_on.tells_lag() {
                clock.aligned_on = AlignedOn::SameRecording;
            }
            return Ok(clock);
        }
        let clock = if self.session.made(recording) {
            by_stamps(AlignedOn::SessionClock, 0.0, 0.0)
        } else {
            ClockSearch { session: &self.session, instrument, recording }.clock(&mut self.cautions)?
        };
        self.session.check_overlap(recording, &clock)?;
        self.clocks.push((recording, clock.clone()));
        Ok(clock)
    }

    /// Where the first reference's clock was never set and another's was: session time gets that one's date. Returns by how
    /// many whole seconds it moved.
    pub fn redate(&mut self) -> Option<f64> {
        let set = |(r, clock): &&(&Recording, Clock)| r.is_dated() && clock.aligned_on.tells_lag();
        if !self.session.own[0].clock_unset() {
            return None;
        }
        let (by, clock) = self.clocks.iter().find(set)?;
        let later_s = -clock.offset_s.round();
        self.cautions.push(format!(
            "{}: its clock was never set; the session is dated by {}",
            self.session.first.label,
            by.file.display()
        ));
        self.session.start += TimeDelta::seconds(later_s as i64);
        self.clocks.iter_mut().for_each(|(_, clock)| moved(clock, later_s));
        Some(later_s)
    }

    /// Laps, timer events and typed marks of all recordings, in order of time.
    pub fn edges(&self, session: &Session) -> Vec<Edge> {
        let mut edges = vec![];
        for placed in self.placed() {
            let recording = placed.recording;
            let mut borders: Vec<f64> = recording.laps.iter().flat_map(|lap| [lap.start_s, lap.end_s]).collect();
            borders.sort_by(f64::total_cmp);
            borders.dedup();
            edges.extend(borders.iter().map(|s| Edge { at_s: placed.session_s(*s), kind: EdgeKind::Lap }));
            edges.extend(recording.timer.iter().map(|event| {
                let kind = match event.kind {
                    TimerKind::Start => EdgeKind::TimerStart,
                    TimerKind::Stop => EdgeKind::TimerStop,
                };
                Edge { at_s: placed.session_s(event.at_s), kind }
            }));
        }
        edges.extend(session.marks.iter().map(|mark| Edge {
            at_s: session_seconds(&mark.at, self.session.start),
            kind: EdgeKind::Mark(mark.phase.clone()),
        }));
        edges.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
        edges
    }

    /// Gear changes of all recordings, in order of time.
    pub fn gears(&self) -> Vec<Gear> {
        let mut gears = vec![];
        for placed in self.placed() {
            gears.extend(placed.recording.gears.iter().map(|gear| Gear {
                at_s: placed.session_s(gear.at_s),
                front_teeth: gear.front_teeth,
                rear_teeth: gear.rear_teeth,
            }));
        }
        gears.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
        gears
    }

    fn placed(&self) -> impl Iterator<Item = PlacedRecording<'a>> {
        self.clocks.iter().map(|&(recording, ref clock)| PlacedRecording {
            recording,
            stamped_s: self.session.stamped_s(recording),
            clock: clock.clone(),
        })
    }
}
