//! Whether all recordings are of one ride: aligned, and left out where they have nothing in common.

use std::collections::BTreeMap;
use std::path::PathBuf;

use chrono::DateTime;

use super::evidence::Evidence;
use super::tested::TestedPremise;
use crate::align::{self, AlignError, Aligned};
use crate::premise::{Premise, Takes};
use crate::recording::Recording;
use crate::ride::{AlignedOn, Clock, Ride, Trace};
use crate::session::{Instrument, Session};
use crate::stats;

/// Power that scatters by less is the same on any ride, and tells none from another. Common practice, no source.
const TELLS_W: f64 = 10.0;

/// A session with what is of one ride.
#[derive(Debug, Clone, PartialEq)]
pub struct OneRide {
    /// Without references that are of another ride.
    pub session: Session,
    pub aligned: Aligned,
    pub tested: Vec<TestedPremise>,
}

/// Brings the session's recordings together, for one of its units; references that are of another ride are left out.
///
/// # Errors
/// [`AlignError`] where no clock can be set at all.
pub fn one_ride(
    session: &Session,
    unit: usize,
    recordings: &BTreeMap<PathBuf, Recording>,
) -> Result<OneRide, AlignError> {
    let ride = Alignment::of(session.clone(), unit, recordings)?;
    if ride.unit_is_apart()
        && let Some(first) = ride.first()
        && let others = ride.tied_to_nothing()
        && let Some(without) = ride.without(std::slice::from_ref(&first), recordings)?
        && !without.unit_is_apart()
    {
        let evidence = Evidence::AloneAgainst { others };
        let alone = TestedPremise::contradicted(Premise::SameRide, vec![first], evidence, Takes::Reference);
        return without.left(vec![alone], recordings);
    }
    ride.left(vec![], recordings)
}

struct Alignment {
    session: Session,
    unit: usize,
    aligned: Aligned,
}

impl Alignment {
    fn of(session: Session, unit: usize, recordings: &BTreeMap<PathBuf, Recording>) -> Result<Self, AlignError> {
        let aligned = align::to_session_time(&session, recordings)?;
        Ok(Self { session, unit, aligned })
    }

    /// Label of the first reference that has a recording: its clock is the session's.
    fn first(&self) -> Option<String> {
        let recorded = self.session.references.iter().find(|r| !r.instrument.recordings.is_empty());
        recorded.map(|reference| reference.instrument.label.clone())
    }

    fn unit_is_apart(&self) -> bool {
        self.contradicts(&self.aligned.units[self.unit]).is_some()
    }

    /// Why a trace is of another ride; `None` where it is of this one, or nothing tells.
    fn contradicts(&self, trace: &Trace) -> Option<Evidence> {
        if let Some(apart) = self.aligned.apart.iter().find(|apart| apart.label == trace.label) {
            return Some(Evidence::NotAligned { says: apart.why.to_string() });
        }
        let alone = trace.clock.aligned_on == AlignedOn::Nothing && !trace.time_s.is_empty();
        let first = self.aligned.references.iter().find(|r| r.clock.aligned_on == AlignedOn::SessionClock)?;
        (alone && tells(trace) && tells(first)).then_some(Evidence::NothingInCommon)
    }

    /// Labels of the instruments that have nothing in common with the first reference.
    fn tied_to_nothing(&self) -> Vec<String> {
        let traces = self.aligned.units.iter().chain(&self.aligned.references);
        traces.filter(|trace| self.contradicts(trace).is_some()).map(|trace| trace.label.clone()).collect()
    }

    /// Aligned again without some references; `None` where none that recorded would be left.
    fn without(&self, out: &[String], recordings: &BTreeMap<PathBuf, Recording>) -> Result<Option<Self>, AlignError> {
        let mut session = self.session.clone();
        session.references.retain(|reference| !out.contains(&reference.instrument.label));
        if session.references.iter().all(|reference| reference.instrument.recordings.is_empty()) {
            return Ok(None);
        }
        Self::of(session, self.unit, recordings).map(Some)
    }

    /// What is left of the references, and what became of each instrument.
    fn left(
        self,
        mut tested: Vec<TestedPremise>,
        recordings: &BTreeMap<PathBuf, Recording>,
    ) -> Result<OneRide, AlignError> {
        let unit = &self.aligned.units[self.unit];
        let recorded = |trace: &&Trace| !trace.time_s.is_empty() || self.contradicts(trace).is_some();
        let (mut out, first) = (vec![], self.first());
        for trace in std::iter::once(unit).chain(&self.aligned.references).filter(recorded) {
            let about = vec![trace.label.clone()];
            let is_unit = trace.label == unit.label;
            tested.push(match (self.contradicts(trace), trace.clock.aligned_on) {
                (Some(evidence), _) => {
                    let takes = if is_unit { Takes::Verdict } else { Takes::Reference };
                    out.extend((!is_unit).then(|| trace.label.clone()));
                    TestedPremise::contradicted(Premise::SameRide, about, evidence, takes)
                }
                // The session's own clock; another instrument of the same recording is of the same ride.
                (None, AlignedOn::SessionClock) if first.as_ref() == Some(&trace.label) => continue,
                (None, AlignedOn::Nothing) => TestedPremise::untested(Premise::SameRide, about, Evidence::NothingTells),
                (None, on) => TestedPremise::held(Premise::SameRide, about, Evidence::Shares { on }),
            });
        }
        let left = if out.is_empty() { None } else { self.without(&out, recordings)? };
        let Self { session, aligned, .. } = left.unwrap_or(self);
        Ok(OneRide { session, aligned, tested })
    }
}

/// Whether a trace's power changes enough to know a ride by.
fn tells(trace: &Trace) -> bool {
    let power_w: Vec<f64> = trace.power_w.iter().flatten().copied().collect();
    stats::sample_sd(&power_w).is_some_and(|spread_w| spread_w > TELLS_W)
}

/// The ride of a session whose clocks can't be set: who was there, and from when to when the recordings say.
pub fn without_clocks(session: &Session, unit: usize, recordings: &BTreeMap<PathBuf, Recording>) -> Ride {
    let read = || session.recordings().into_keys().filter_map(|path| recordings.get(&path));
    let start = read().map(|recording| recording.start).min().unwrap_or(DateTime::UNIX_EPOCH);
    let trace = |instrument: &Instrument| {
        Trace::without_values(&instrument.label, instrument.located, instrument.sides, Clock::unknown(), 0)
    };
    Ride {
        start,
        length_s: read().map(|recording| recording.duration_s() as usize + 1).max().unwrap_or(0),
        unit: trace(&session.units[unit].instrument),
        references: vec![],
        edges: vec![],
        gears: vec![],
    }
}
