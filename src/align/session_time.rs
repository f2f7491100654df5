//! All of a session's recordings onto one clock: the way through this folder.

use std::collections::BTreeMap;
use std::path::PathBuf;

use chrono::DateTime;

use super::aligned::Aligned;
use super::combine::moved;
use super::error::AlignError;
use super::fields::not_its_own;
use super::place::Placing;
use super::session_clock::SessionClock;
use super::trace::{PlacedRecording, trace};
use crate::recording::Recording;
use crate::session::{Instrument, Session};

/// Brings all recordings of a session onto the clock of the first reference's recording.
///
/// An instrument with several recordings becomes one trace, each recording aligned by itself; one that can't be is
/// left out with a caution if another can. A session without any recording (typed readings only) gives empty traces.
///
/// # Errors
/// [`AlignError`] if a listed recording was not read or holds no power, or if an instrument has nothing in common
/// with the first reference.
pub fn to_session_time(session: &Session, recordings: &BTreeMap<PathBuf, Recording>) -> Result<Aligned, AlignError> {
    let units: Vec<&Instrument> = session.units.iter().map(|u| &u.instrument).collect();
    let references: Vec<&Instrument> = session.references.iter().map(|r| &r.instrument).collect();
    let Some(first) = references.iter().find(|r| !r.recordings.is_empty()) else {
        if units.iter().any(|u| !u.recordings.is_empty()) {
            return Err(AlignError::NoReference);
        }
        return Ok(nothing_recorded(&units, &references));
    };
    let mut placing = Placing::new(SessionClock::new(session, first, recordings)?, recordings);
    if session.marks.iter().any(|m| m.at.offset_s.is_none()) {
        placing.cautions.push("marks: no time zone was written, so their times were read as UTC".into());
    }
    let mut of_units = units.iter().map(|i| placing.recordings_of(i)).collect::<Result<Vec<_>, _>>()?;
    let mut of_references = references.iter().map(|i| placing.recordings_of(i)).collect::<Result<Vec<_>, _>>()?;
    let length_s = placing.session.length_s()?;
    if let Some(later_s) = placing.redate() {
        for placed in of_units.iter_mut().chain(&mut of_references).flatten() {
            placed.stamped_s -= later_s;
            moved(&mut placed.clock, later_s);
        }
    }
    let all: Vec<&Instrument> = units.iter().chain(&references).copied().collect();
    placing.cautions.extend(all.iter().filter_map(|i| not_its_own(i, &all, recordings)));
    let traces = |instruments: &[&Instrument], placed: Vec<Vec<PlacedRecording>>| {
        instruments.iter().zip(placed).map(|(i, placed)| trace(i, placed, length_s, &all)).collect()
    };
    Ok(Aligned {
        start: placing.session.start,
        length_s,
        units: traces(&units, of_units),
        references: traces(&references, of_references),
        edges: placing.edges(session),
        gears: placing.gears(),
        cautions: placing.cautions,
    })
}

/// A session of typed readings only.
fn nothing_recorded(units: &[&Instrument], references: &[&Instrument]) -> Aligned {
    let empty = |all: &[&Instrument]| all.iter().map(|i| trace(i, vec![], 0, all)).collect();
    Aligned {
        start: DateTime::UNIX_EPOCH,
        length_s: 0,
        units: empty(units),
        references: empty(references),
        edges: vec![],
        gears: vec![],
        cautions: vec![],
    }
}
