//! All of a session's recordings onto one clock: the way through this folder.

use std::collections::BTreeMap;
use std::path::PathBuf;

use chrono::DateTime;

use super::aligned::{Aligned, ApartInstrument};
use super::combine::moved;
use super::error::AlignError;
use super::fields::not_its_own;
use super::place::Placing;
use super::session_clock::SessionClock;
use super::times::{LONGEST_S, last_s};
use super::trace::{PlacedRecording, trace};
use crate::recording::Recording;
use crate::ride::AlignedOn;
use crate::session::{Instrument, Session};

/// Another reference's recording may begin or end so much beyond the first one's before session time is made longer for it:
/// head units on one bike are started and stopped within a minute. Common practice, no source.
const BEYOND_S: f64 = 60.0;

/// Brings all recordings of a session onto the clock of the first reference's recording.
///
/// An instrument with several recordings becomes one trace, each recording aligned by itself; one that can't be is
/// left out with a caution if another can, and an instrument of which none can is apart. Session time covers what any
/// reference recorded. A session without any recording (typed readings only) gives empty traces.
///
/// # Errors
/// [`AlignError`] if a listed recording was not read, if no reference has one, or if a time stamp is wrong.
pub fn to_session_time(session: &Session, recordings: &BTreeMap<PathBuf, Recording>) -> Result<Aligned, AlignError> {
    let instruments = SessionInstruments::of(session);
    let Some(first) = instruments.references.iter().find(|r| !r.recordings.is_empty()) else {
        if instruments.units.iter().any(|u| !u.recordings.is_empty()) {
            return Err(AlignError::NoReference);
        }
        return Ok(nothing_recorded(&instruments));
    };
    let mut placed = AllPlaced::of(session, &instruments, first, recordings, 0.0)?;
    // A first reference whose first file is missing leaves what others recorded before session time.
    let earlier_s = -placed.references_begin_s();
    if earlier_s > BEYOND_S {
        placed = AllPlaced::of(session, &instruments, first, recordings, earlier_s.ceil())?;
    }
    placed.aligned(session, &instruments, recordings)
}

/// A session's instruments, units first.
struct SessionInstruments<'a> {
    units: Vec<&'a Instrument>,
    references: Vec<&'a Instrument>,
}

impl<'a> SessionInstruments<'a> {
    fn of(session: &'a Session) -> Self {
        Self {
            units: session.units.iter().map(|u| &u.instrument).collect(),
            references: session.references.iter().map(|r| &r.instrument).collect(),
        }
    }

    fn all(&self) -> Vec<&'a Instrument> {
        self.units.iter().chain(&self.references).copied().collect()
    }
}

/// Every recording in its place, by instrument.
struct AllPlaced<'a> {
    placing: Placing<'a>,
    units: Vec<Vec<PlacedRecording<'a>>>,
    references: Vec<Vec<PlacedRecording<'a>>>,
    apart: Vec<ApartInstrument>,
}

impl<'a> AllPlaced<'a> {
    /// Session time begins `earlier_s` before the first reference's recording.
    fn of(
        session: &'a Session,
        instruments: &SessionInstruments<'a>,
        first: &'a Instrument,
        recordings: &'a BTreeMap<PathBuf, Recording>,
        earlier_s: f64,
    ) -> Result<Self, AlignError> {
        let mut placing = Placing::new(SessionClock::new(session, first, recordings, earlier_s)?, recordings);
        if session.marks.iter().any(|m| m.at.offset_s.is_none()) {
            placing.cautions.push("marks: no time zone was written, so their times were read as UTC".into());
        }
        let mut apart = vec![];
        let mut placed_of = |instrument: &&'a Instrument| match placing.recordings_of(instrument) {
            Err(why) if why.is_of_one_instrument() => {
                apart.push(ApartInstrument { label: instrument.label.clone(), why });
                Ok(vec![])
            }
            placed => placed,
        };
        let units = instruments.units.iter().map(&mut placed_of).collect::<Result<_, _>>()?;
        let references = instruments.references.iter().map(&mut placed_of).collect::<Result<_, _>>()?;
        Ok(Self { placing, units, references, apart })
    }

    /// References whose clock is known by more than its stamps.
    fn tied(&self) -> impl Iterator<Item = &PlacedRecording<'a>> {
        self.references.iter().flatten().filter(|placed| placed.clock.aligned_on != AlignedOn::Nothing)
    }

    fn references_begin_s(&self) -> f64 {
        self.tied().map(|placed| placed.session_s(0.0)).fold(0.0, f64::min)
    }

    fn references_end_s(&self) -> f64 {
        self.tied().map(|placed| placed.session_s(last_s(placed.recording))).fold(0.0, f64::max)
    }

    fn aligned(
        mut self,
        session: &Session,
        instruments: &SessionInstruments,
        recordings: &BTreeMap<PathBuf, Recording>,
    ) -> Result<Aligned, AlignError> {
        let mut length_s = self.placing.session.length_s()?;
        let beyond_s = self.references_end_s() - length_s as f64;
        if beyond_s > BEYOND_S {
            length_s = (length_s + beyond_s.floor() as usize).min(LONGEST_S);
        }
        if let Some(later_s) = self.placing.redate() {
            for placed in self.units.iter_mut().chain(&mut self.references).flatten() {
                placed.stamped_s -= later_s;
                moved(&mut placed.clock, later_s);
            }
        }
        let all = instruments.all();
        let Self { mut placing, units, references, apart } = self;
        placing.cautions.extend(all.iter().filter_map(|i| not_its_own(i, &all, recordings)));
        let traces = |instruments: &[&Instrument], placed: Vec<Vec<PlacedRecording>>| {
            instruments.iter().zip(placed).map(|(i, placed)| trace(i, placed, length_s, &all)).collect()
        };
        Ok(Aligned {
            start: placing.session.start,
            length_s,
            units: traces(&instruments.units, units),
            references: traces(&instruments.references, references),
            edges: placing.edges(session),
            gears: placing.gears(),
            cautions: placing.cautions,
            apart,
        })
    }
}

/// A session of typed readings only.
fn nothing_recorded(instruments: &SessionInstruments) -> Aligned {
    let empty = |all: &[&Instrument]| all.iter().map(|i| trace(i, vec![], 0, all)).collect();
    Aligned {
        start: DateTime::UNIX_EPOCH,
        length_s: 0,
        units: empty(&instruments.units),
        references: empty(&instruments.references),
        edges: vec![],
        gears: vec![],
        cautions: vec![],
        apart: vec![],
    }
}
