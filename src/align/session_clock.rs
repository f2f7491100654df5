//! The clock that all others are set by: the first reference's, and how another recording stands to it.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use chrono::{DateTime, SubsecRound, TimeDelta, Utc};

use super::error::{AlignError, RecordedSpan};
use super::fields::column;
use super::lag::FEWEST_COMMON_S;
use super::second_values::{RecordedColumn, SecondValues, SharedSignal};
use super::times::{LONGEST_S, is_relative, last_s, seconds};
use crate::recording::Recording;
use crate::ride::Clock;
use crate::session::{Instrument, Session};

/// The session's clock.
pub(super) struct SessionClock<'a> {
    /// Session second 0.
    pub start: DateTime<Utc>,
    /// The first reference that has a recording.
    pub first: &'a Instrument,
    /// Its recordings, by start; one head unit, one clock. Never empty.
    pub own: Vec<&'a Recording>,
    /// Recordings that hold a unit under test.
    unit_files: Vec<&'a Path>,
}

impl<'a> SessionClock<'a> {
    /// Session second 0 is the whole second in which the first reference's recording starts, or `earlier_s` before it.
    pub fn new(
        session: &'a Session,
        first: &'a Instrument,
        recordings: &'a BTreeMap<PathBuf, Recording>,
        earlier_s: f64,
    ) -> Result<Self, AlignError> {
        let read = |path: &PathBuf| recordings.get(path).ok_or_else(|| AlignError::Unread(path.clone()));
        let mut own = first.recordings.iter().map(read).collect::<Result<Vec<_>, _>>()?;
        own.sort_by_key(|r| r.start);
        let unit_files = session.units.iter().flat_map(|u| u.instrument.recordings.iter().map(PathBuf::as_path));
        let start = own[0].start.trunc_subsecs(0) - TimeDelta::seconds(earlier_s as i64);
        Ok(Self { start, first, own, unit_files: unit_files.collect() })
    }

    /// Session time of a recording's start, as stamped.
    pub fn stamped_s(&self, recording: &Recording) -> f64 {
        seconds(recording.start - self.start)
    }

    /// Number of grid seconds.
    pub fn length_s(&self) -> Result<usize, AlignError> {
        let ends = self.own.iter().map(|r| (self.stamped_s(r) + last_s(r), r));
        let (end_s, last) = ends.max_by(|a, b| a.0.total_cmp(&b.0)).ok_or(AlignError::NoReference)?;
        if end_s > LONGEST_S as f64 {
            return Err(AlignError::TooLong(RecordedSpan { from: self.start, ..RecordedSpan::of(last) }));
        }
        // The grid second nearest to the last sample is the last.
        Ok((end_s + 0.5).floor() as usize + 1)
    }

    /// Whether it is this clock that a recording was made by.
    pub fn made(&self, recording: &Recording) -> bool {
        self.own.iter().any(|own| own.file == recording.file)
    }

    /// Whether a recording holds a unit under test.
    pub fn is_units(&self, recording: &Recording) -> bool {
        self.unit_files.contains(&recording.file.as_path())
    }

    /// Whether both clocks tell the time of day, or neither does.
    pub fn comparable(&self, recording: &Recording) -> bool {
        is_relative(recording) == is_relative(self.own[0])
    }

    /// Whether both head units name one sensor of a kind.
    pub fn same_sensor(&self, recording: &Recording, kind: &str) -> bool {
        let serials = |r: &Recording| -> Vec<String> {
            let of_kind = r.sensors.iter().filter(|s| s.kind.as_deref().is_some_and(|of| of.contains(kind)));
            of_kind.filter_map(|s| s.serial.clone()).collect()
        };
        let theirs = serials(recording);
        self.own.iter().any(|own| serials(own).iter().any(|serial| theirs.contains(serial)))
    }

    /// A column as the first reference's head unit and another recorded it.
    pub fn shared(&self, instrument: &Instrument, recording: &Recording, name: &str) -> SharedSignal {
        fn recorded<'b>(stamped_s: f64, of: &Instrument, r: &'b Recording, name: &str) -> RecordedColumn<'b> {
            RecordedColumn { stamped_s, time_s: &r.samples.time_s, values: column(of, &r.samples, name) }
        }
        let own = self.own.iter().map(|r| recorded(self.stamped_s(r), self.first, r, name));
        let theirs = recorded(self.stamped_s(recording), instrument, recording, name);
        SharedSignal { session: SecondValues::new(own), theirs: SecondValues::new([theirs]) }
    }

    /// Whether stamps alone give a recording enough in common with the first reference's.
    pub fn overlaps(&self, recording: &Recording) -> bool {
        self.overlap_s(recording, 0.0) >= FEWEST_COMMON_S as f64
    }

    /// Seconds that a recording has in common with the first reference's, from first to last sample.
    fn overlap_s(&self, recording: &Recording, offset_s: f64) -> f64 {
        let from_s = self.stamped_s(recording) + offset_s;
        let to_s = from_s + last_s(recording);
        let common = |r: &&Recording| {
            let own_s = self.stamped_s(r);
            (to_s.min(own_s + last_s(r)) - from_s.max(own_s)).max(0.0)
        };
        self.own.iter().map(common).sum()
    }

    /// # Errors
    /// [`AlignError`] where a recording on this clock has too little in common with the first reference's.
    pub fn check_overlap(&self, recording: &Recording, clock: &Clock) -> Result<(), AlignError> {
        let overlap_s = self.overlap_s(recording, clock.offset_s);
        if overlap_s >= FEWEST_COMMON_S as f64 {
            return Ok(());
        }
        let (theirs, session) = (RecordedSpan::of(recording), RecordedSpan::of(self.own[0]));
        Err(if overlap_s > 0.0 {
            AlignError::ShortOverlap { theirs, session, overlap_s }
        } else if theirs.from.date_naive() != session.from.date_naive() {
            AlignError::DifferentDays { theirs, session }
        } else {
            AlignError::NoOverlap { theirs, session }
        })
    }
}
