//! Every clock onto one: recordings to traces in session time.
//!
//! Clocks are brought together on what both recordings share and the unit does not produce, so that a unit that
//! reports late is found late. All is done on absolute time stamps: a missing second shifts nothing.

mod clock;
#[cfg(test)]
mod tests;

use std::collections::BTreeMap;
use std::fmt;
use std::path::{Path, PathBuf};

use chrono::{DateTime, Datelike, Days, SubsecRound, TimeDelta, Utc};

use self::clock::{ChannelUnused, FEWEST_COMMON_S, LONGEST_S, LevelChannel, OffsetSearch, SecondValues};
use crate::recording::{Recording, Samples, TimerKind};
use crate::ride::{AlignedOn, Clock, Edge, EdgeKind, Gear, Trace};
use crate::session::{ClockTime, Instrument, Session};
use crate::stats;

/// All that was recorded, in session time and in the session's order.
#[derive(Debug, Clone, PartialEq)]
pub struct Aligned {
    /// Session second 0: the whole second in which the first reference's recording starts.
    pub start: DateTime<Utc>,
    /// Grid seconds from there to the first reference's last sample.
    pub length_s: usize,
    pub units: Vec<Trace>,
    pub references: Vec<Trace>,
    pub edges: Vec<Edge>,
    pub gears: Vec<Gear>,
    /// One sentence each.
    pub cautions: Vec<String>,
}

/// Why recordings can't be brought together.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum AlignError {
    #[error("{}: the session lists this recording, but it was not read", .0.display())]
    Unread(PathBuf),
    #[error("no reference has a recording; list one under `references`")]
    NoReference,
    #[error("{}: no power for `{instrument}` in {field}; name the field or column that holds it (`assize inspect` lists them)", .file.display())]
    NoPower { file: PathBuf, instrument: String, field: String },
    #[error("{0}: longer than two days, so a time stamp in it is wrong; cut or repair the file")]
    TooLong(RecordedSpan),
    #[error(
        "{theirs} and {session} are of different days, and nothing that both recorded (heart rate, position, speed) links them; list recordings of one ride"
    )]
    DifferentDays { theirs: RecordedSpan, session: RecordedSpan },
    #[error(
        "{theirs} and {session} have no time in common, and nothing that both recorded (heart rate, position, speed) links them; list recordings of one ride"
    )]
    NoOverlap { theirs: RecordedSpan, session: RecordedSpan },
    #[error(
        "{theirs} and {session} have only {overlap_s:.0} s in common, but 60 s are needed; list the whole recordings"
    )]
    ShortOverlap { theirs: RecordedSpan, session: RecordedSpan, overlap_s: f64 },
}

/// When a recording ran, by its own stamps.
#[derive(Debug, Clone, PartialEq)]
pub struct RecordedSpan {
    pub file: PathBuf,
    pub from: DateTime<Utc>,
    pub to: DateTime<Utc>,
}

impl RecordedSpan {
    fn of(recording: &Recording) -> Self {
        let to = recording.start + TimeDelta::milliseconds((last_s(recording) * 1000.0) as i64);
        Self { file: recording.file.clone(), from: recording.start, to }
    }
}

impl fmt::Display for RecordedSpan {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let to = if self.from.date_naive() == self.to.date_naive() { "%H:%M:%S" } else { "%F %H:%M:%S" };
        write!(f, "{} ({} to {} UTC)", self.file.display(), self.from.format("%F %H:%M:%S"), self.to.format(to))
    }
}

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
        let empty = |all: &[&Instrument]| all.iter().map(|i| trace(i, vec![], 0, all)).collect();
        let (units, references) = (empty(&units), empty(&references));
        return Ok(Aligned {
            start: DateTime::UNIX_EPOCH,
            length_s: 0,
            units,
            references,
            edges: vec![],
            gears: vec![],
            cautions: vec![],
        });
    };
    let mut bench = SessionClocks::new(session, first, recordings)?;
    let mut unit_parts = units.iter().map(|unit| bench.parts(unit)).collect::<Result<Vec<_>, _>>()?;
    let mut reference_parts =
        references.iter().map(|reference| bench.parts(reference)).collect::<Result<Vec<_>, _>>()?;
    let length_s = bench.length_s()?;
    if let Some(later_s) = bench.redate() {
        for part in unit_parts.iter_mut().chain(&mut reference_parts).flatten() {
            part.stamped_s -= later_s;
            moved(&mut part.clock, later_s);
        }
    }
    let all: Vec<&Instrument> = units.iter().chain(&references).copied().collect();
    bench.cautions.extend(all.iter().filter_map(|i| not_its_own(i, &all, recordings)));
    let traces = |own: &[&Instrument], parts: Vec<Vec<PlacedRecording>>| {
        own.iter().zip(parts).map(|(i, parts)| trace(i, parts, length_s, &all)).collect()
    };
    let (edges, gears) = bench.edges_and_gears(session);
    Ok(Aligned {
        start: bench.start,
        length_s,
        units: traces(&units, unit_parts),
        references: traces(&references, reference_parts),
        edges,
        gears,
        cautions: bench.cautions,
    })
}

/// A typed time in session seconds; without a date, on the day that brings it nearest to the start. Without an offset
/// it is UTC.
pub fn session_seconds(at: &ClockTime, start: DateTime<Utc>) -> f64 {
    let offset = TimeDelta::seconds(i64::from(at.offset_s.unwrap_or(0)));
    let on = |date: chrono::NaiveDate| seconds(date.and_time(at.time).and_utc() - offset - start);
    match at.date {
        Some(date) => on(date),
        None => {
            let today = start.date_naive();
            let days = [Some(today), today.checked_sub_days(Days::new(1)), today.checked_add_days(Days::new(1))];
            let all = days.into_iter().flatten().map(on);
            all.min_by(|a, b| a.abs().total_cmp(&b.abs())).unwrap_or_else(|| on(today))
        }
    }
}

fn seconds(delta: TimeDelta) -> f64 {
    delta.num_seconds() as f64 + f64::from(delta.subsec_nanos()) * 1e-9
}

fn last_s(recording: &Recording) -> f64 {
    recording.samples.time_s.last().copied().unwrap_or(0.0)
}

/// The column that holds an instrument's channel: the usual one, or the one that its session names. Empty without a
/// value.
fn channel<'a>(instrument: &Instrument, samples: &'a Samples, name: &str) -> &'a [Option<f64>] {
    samples.channel(instrument.fields.get(name).map_or(name, String::as_str)).unwrap_or(&[])
}

/// Channels that are of the power meter, not of the head unit.
const OF_THE_METER: [&str; 2] = ["cadence", "right_share"];

/// The field that holds an instrument's channel: the one that its session names, else the usual one. `None` where that
/// is another instrument's: of two meters in one recording, cadence and balance are the one's whose power is in the
/// usual field.
pub(crate) fn field<'a>(instrument: &'a Instrument, all: &[&Instrument], name: &'a str) -> Option<&'a str> {
    let shares = |other: &&Instrument| {
        other.label != instrument.label && other.recordings.iter().any(|r| instrument.recordings.contains(r))
    };
    match instrument.fields.get(name) {
        Some(named) => Some(named),
        None if !OF_THE_METER.contains(&name) => Some(name),
        None => (!instrument.fields.contains_key("power") || !all.iter().any(shares)).then_some(name),
    }
}

/// What to say where an instrument is not credited with a channel that its recording holds.
fn not_its_own(
    instrument: &Instrument,
    all: &[&Instrument],
    recordings: &BTreeMap<PathBuf, Recording>,
) -> Option<String> {
    let held = |name: &&&str| {
        let read = instrument.recordings.iter().filter_map(|path| recordings.get(path));
        field(instrument, all, name).is_none() && read.into_iter().any(|r| r.samples.channel(name).is_some())
    };
    let names: Vec<&str> = OF_THE_METER.iter().filter(held).copied().collect();
    let names = names.join(" and ");
    (!names.is_empty()).then(|| {
        format!(
            "{}: {names} of its recording taken for another instrument's; where it is its own, say so, as in `cadence: \
             cadence`",
            instrument.label
        )
    })
}

/// One recording of an instrument and where it stands in session time.
struct PlacedRecording<'a> {
    recording: &'a Recording,
    /// Session time of its start, as stamped.
    stamped_s: f64,
    clock: Clock,
}

impl PlacedRecording<'_> {
    /// Session time of a time since the recording's start.
    fn session_s(&self, time_s: f64) -> f64 {
        let reset_s = self.clock.reset.filter(|(at_s, _)| time_s >= *at_s).map_or(0.0, |(_, by_s)| by_s);
        (self.stamped_s + self.clock.offset_s) + time_s + self.clock.drift_ppm * 1e-6 * time_s + reset_s
    }
}

/// The session's clock, and the recordings already brought onto it.
struct SessionClocks<'a> {
    recordings: &'a BTreeMap<PathBuf, Recording>,
    start: DateTime<Utc>,
    first: &'a Instrument,
    /// The first reference's, by start; one head unit, one clock.
    own: Vec<&'a Recording>,
    /// Recordings that hold a unit under test.
    unit_files: Vec<&'a Path>,
    /// In the order in which they were met.
    clocks: Vec<(&'a Recording, Clock)>,
    cautions: Vec<String>,
}

impl<'a> SessionClocks<'a> {
    fn new(
        session: &'a Session,
        first: &'a Instrument,
        recordings: &'a BTreeMap<PathBuf, Recording>,
    ) -> Result<Self, AlignError> {
        let read = |path: &PathBuf| recordings.get(path).ok_or_else(|| AlignError::Unread(path.clone()));
        let mut own = first.recordings.iter().map(read).collect::<Result<Vec<_>, _>>()?;
        own.sort_by_key(|r| r.start);
        let unit_files = session.units.iter().flat_map(|u| u.instrument.recordings.iter().map(PathBuf::as_path));
        let start = own[0].start.trunc_subsecs(0);
        let cautions = if session.marks.iter().any(|m| m.at.offset_s.is_none()) {
            vec!["marks: no time zone was written, so their times were read as UTC".into()]
        } else {
            vec![]
        };
        Ok(Self { recordings, start, first, own, unit_files: unit_files.collect(), clocks: vec![], cautions })
    }

    fn stamped_s(&self, recording: &Recording) -> f64 {
        seconds(recording.start - self.start)
    }

    fn length_s(&self) -> Result<usize, AlignError> {
        let ends = self.own.iter().map(|r| (self.stamped_s(r) + last_s(r), r));
        let (end_s, last) = ends.max_by(|a, b| a.0.total_cmp(&b.0)).ok_or(AlignError::NoReference)?;
        if end_s > LONGEST_S as f64 {
            return Err(AlignError::TooLong(RecordedSpan { from: self.start, ..RecordedSpan::of(last) }));
        }
        // The grid second nearest to the last sample is the last.
        Ok((end_s + 0.5).floor() as usize + 1)
    }

    /// An instrument's recordings in session time and in order.
    fn parts(&mut self, instrument: &'a Instrument) -> Result<Vec<PlacedRecording<'a>>, AlignError> {
        let mut parts = vec![];
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
                Ok(clock) => parts.push(PlacedRecording { recording, stamped_s: self.stamped_s(recording), clock }),
                Err(error) => failed.push(error),
            }
        }
        if parts.is_empty() && !failed.is_empty() {
            return Err(failed.swap_remove(0));
        }
        self.cautions.extend(failed.iter().map(|e| format!("{}: a recording was left out: {e}", instrument.label)));
        parts.sort_by(|a, b| a.session_s(0.0).total_cmp(&b.session_s(0.0)));
        Ok(parts)
    }

    /// A recording's clock: known, the session's own, or found.
    fn clock(&mut self, instrument: &'a Instrument, recording: &'a Recording) -> Result<Clock, AlignError> {
        if channel(instrument, &recording.samples, "power").is_empty() {
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
        let clock = if self.own.iter().any(|r| r.file == recording.file) {
            stamps(AlignedOn::SessionClock, 0.0, 0.0)
        } else {
            self.found(instrument, recording)?
        };
        self.check_overlap(recording, &clock)?;
        self.clocks.push((recording, clock.clone()));
        Ok(clock)
    }

    /// Clock of a recording of another head unit, on all that both have and the unit does not produce.
    fn found(&mut self, instrument: &Instrument, recording: &Recording) -> Result<Clock, AlignError> {
        let (label, theirs) = (&instrument.label, &self.first.label);
        let mut shared = vec![];
        match self.by_strap(instrument, recording) {
            Ok(clock) => shared.push(clock),
            Err(ChannelUnused::Unlike(share)) => self.cautions.push(format!(
                "{label}: its heart rate is not the one recorded with {theirs} (the same in {:.0} % of seconds in which neither \
                 changes), so it was not used",
                100.0 * share
            )),
            Err(ChannelUnused::Absent) => {
                let (own, its) = self.signals(instrument, recording, "heart_rate");
                if self.overlaps(recording) && !own.is_empty() && !its.is_empty() {
                    self.cautions.push(format!(
                        "{label}: its heart rate and that recorded with {theirs} change too little, or not at the same time, so \
                         it was not used"
                    ));
                }
            }
        }
        // What else was recorded shows the same reset, which only the strap's windows are looked through for.
        let others = match shared.first() {
            Some(Clock { reset: Some(_), .. }) => [].as_slice(),
            _ => &[LevelChannel::POSITION, LevelChannel::SPEED, LevelChannel::ALTITUDE],
        };
        for &level in others {
            shared.extend(self.by_level(instrument, recording, level, shared.first()));
        }
        if let Some(mut clock) = self.agreed(label, shared, last_s(recording) / 2.0) {
            let on = clock.aligned_on.word();
            self.cautions.extend(self.set_wrong(label, recording, &clock));
            if let Some((at_s, by_s)) = clock.reset {
                let at_s = self.stamped_s(recording) + clock.offset_s + at_s;
                let at = (self.start + TimeDelta::seconds(at_s as i64)).format("%H:%M:%S");
                let way = if by_s > 0.0 { "back" } else { "forward" };
                let by_s = by_s.abs();
                self.cautions.push(format!(
                    "{label}: its clock was put {way} by {by_s:.1} s around {at} UTC; the {on} says so, and it was followed"
                ));
            }
            if let Some((at_s, off_s)) = jump(&clock, self.stamped_s(recording)) {
                let at = (self.start + TimeDelta::seconds(at_s as i64)).format("%H:%M:%S");
                self.cautions.push(format!(
                    "{label}: no steady clock: around {at} UTC its {on} is {off_s:.1} s off from what the rest says"
                ));
                // Where in the ride a phase lies is not known here: anything up to the worst (GUM 4.3.7).
                clock.standard_uncertainty_s = clock.standard_uncertainty_s.hypot(off_s / 3f64.sqrt());
            }
            return Ok(clock);
        }
        let power = self.by_level(instrument, recording, LevelChannel::POWER, None);
        if power.is_none() && self.comparable(recording) {
            self.check_overlap(recording, &stamps(AlignedOn::Nothing, 0.0, 0.0))?;
        }
        let clock = power.unwrap_or_else(|| {
            let guess_s = if self.comparable(recording) { 0.0 } else { -self.stamped_s(recording) };
            stamps(AlignedOn::Nothing, guess_s, 1.0)
        });
        self.cautions.extend(self.set_wrong(label, recording, &clock));
        self.cautions.push(match clock.aligned_on {
            AlignedOn::Power => format!(
                "{label}: aligned with {theirs} on power, the last resort: a constant lag can't be told from a clock \
                 offset; let all head units record one heart-rate strap"
            ),
            _ if self.comparable(recording) => {
                format!("{label}: nothing in common with {theirs} to align on; its time stamps are taken as they are")
            }
            _ => format!(
                "{label}: no time of day and nothing in common with {theirs} to align on; both are taken to start together"
            ),
        });
        Ok(clock)
    }

    /// What to say of a clock that is off by more than clocks that were set.
    fn set_wrong(&self, label: &str, recording: &Recording, clock: &Clock) -> Option<String> {
        let same_era = self.comparable(recording) && (recording.clock_unset() || !self.own[0].clock_unset());
        let (off, on, theirs) = (spoken(clock.offset_s.abs()), clock.aligned_on.word(), &self.first.label);
        let way = if clock.offset_s > 0.0 { "behind" } else { "ahead of" };
        (same_era && clock.offset_s.abs() > WRONG_CLOCK_S)
            .then(|| format!("{label}: its clock ran {off} {way} that of {theirs}; the {on} says so"))
    }

    /// Whether stamps alone give it enough in common with the first reference's.
    fn overlaps(&self, recording: &Recording) -> bool {
        self.overlap_s(recording, 0.0) >= FEWEST_COMMON_S as f64
    }

    /// Where the first reference's clock was never set and another's was: session time gets that one's date. Returns by how
    /// many whole seconds it moved.
    fn redate(&mut self) -> Option<f64> {
        let set = |(r, clock): &&(&Recording, Clock)| r.is_dated() && clock.aligned_on.tells_lag();
        if !self.own[0].clock_unset() {
            return None;
        }
        let (by, clock) = self.clocks.iter().find(set)?;
        let later_s = -clock.offset_s.round();
        self.cautions.push(format!(
            "{}: its clock was never set; the session is dated by {}",
            self.first.label,
            by.file.display()
        ));
        self.start += TimeDelta::seconds(later_s as i64);
        self.clocks.iter_mut().for_each(|(_, clock)| moved(clock, later_s));
        Some(later_s)
    }

    /// The first of several clocks of one recording, with the part of those that agree with it in the ride's middle; the
    /// others are a caution.
    fn agreed(&mut self, label: &str, clocks: Vec<Clock>, middle_s: f64) -> Option<Clock> {
        /// About 99 % of agreeing pairs are nearer.
        const APART: f64 = 2.6;
        let mut clocks = clocks.into_iter();
        let first = clocks.next()?;
        let mut joint = first.clone();
        let (mut weight, mut moved) = (first.standard_uncertainty_s.powi(-2), 0.0);
        for other in clocks {
            let apart_s = other.offset_s - first.offset_s + (other.drift_ppm - first.drift_ppm) * 1e-6 * middle_s;
            let (on, word) = (other.aligned_on, first.aligned_on.word());
            if apart_s.abs() > APART * other.standard_uncertainty_s.hypot(first.standard_uncertainty_s) {
                self.cautions.push(format!(
                    "{label}: its {word} and its {} put its clock {:.1} s apart; the {word} was gone by",
                    on.word(),
                    apart_s.abs()
                ));
                continue;
            }
            let w = other.standard_uncertainty_s.powi(-2);
            weight += w;
            moved += w * apart_s;
            joint.also.push(on);
        }
        joint.offset_s += moved / weight;
        joint.standard_uncertainty_s = weight.powf(-0.5);
        Some(joint)
    }

    fn by_strap(&self, instrument: &Instrument, recording: &Recording) -> Result<Clock, ChannelUnused> {
        let (own, theirs) = self.signals(instrument, recording, "heart_rate");
        let (own, theirs) = (own.without_held(), theirs.without_held());
        let anywhere = || clock::by_heart_rate(&own, &theirs, OffsetSearch::Everywhere);
        if !self.comparable(recording) {
            return anywhere();
        }
        clock::by_heart_rate(&own, &theirs, OffsetSearch::Near).or_else(|near| anywhere().map_err(|_| near))
    }

    /// Clock by a channel that moves, near what another one gave; `None` where it is missing, or not the same thing.
    fn by_level(
        &self,
        instrument: &Instrument,
        recording: &Recording,
        level: LevelChannel,
        known: Option<&Clock>,
    ) -> Option<Clock> {
        let signals = |name| self.signals(instrument, recording, name);
        let pairs = match level.on {
            AlignedOn::Position => {
                let (north, east) = (signals("latitude"), signals("longitude"));
                let shrink = north.0.middle().to_radians().cos();
                let metres = |(own, theirs): (SecondValues, SecondValues), by| (own.times(by), theirs.times(by));
                vec![metres(north, DEGREE_M), metres(east, DEGREE_M * shrink)]
            }
            // A head unit can make speed up from power.
            AlignedOn::Speed if self.is_units(recording) && !self.same_speed_sensor(recording) => return None,
            AlignedOn::Speed => vec![signals("speed")],
            AlignedOn::Altitude => {
                let (own, theirs) = signals("altitude");
                let (own, theirs) = (own.climb(), theirs.climb());
                if own.spread().min(theirs.spread()) < LEAST_CLIMB_M {
                    return None;
                }
                vec![(own, theirs)]
            }
            _ => vec![signals("power")],
        };
        // Power is the unit's own: far from its stamps it is believed only where a time zone explains it.
        let far = if level.on == AlignedOn::Power { OffsetSearch::OtherZone } else { OffsetSearch::Everywhere };
        let searches: &[OffsetSearch] = match known {
            Some(clock) => &[OffsetSearch::Around(clock.offset_s)],
            // Of two recordings one after the other, seconds that look alike prove nothing.
            None if self.comparable(recording) && level.on == AlignedOn::Power && !self.overlaps(recording) => &[far],
            None if self.comparable(recording) => &[OffsetSearch::Near, far],
            None => &[OffsetSearch::Everywhere],
        };
        searches.iter().find_map(|search| clock::by_level(&pairs, *search, level).ok())
    }

    fn is_units(&self, recording: &Recording) -> bool {
        self.unit_files.contains(&recording.file.as_path())
    }

    /// Whether both head units name one speed sensor.
    fn same_speed_sensor(&self, recording: &Recording) -> bool {
        let serials = |r: &Recording| -> Vec<String> {
            let of_speed = r.sensors.iter().filter(|s| s.kind.as_deref().is_some_and(|kind| kind.contains("speed")));
            of_speed.filter_map(|s| s.serial.clone()).collect()
        };
        let theirs = serials(recording);
        self.own.iter().any(|own| serials(own).iter().any(|serial| theirs.contains(serial)))
    }

    /// A channel as the first reference's head unit and another recorded it.
    fn signals(&self, instrument: &Instrument, recording: &Recording, name: &str) -> (SecondValues, SecondValues) {
        fn part<'b>(
            bench: &SessionClocks,
            of: &Instrument,
            r: &'b Recording,
            name: &str,
        ) -> (f64, &'b [f64], &'b [Option<f64>]) {
            (bench.stamped_s(r), &r.samples.time_s, channel(of, &r.samples, name))
        }
        let own = self.own.iter().map(|r| part(self, self.first, r, name));
        (SecondValues::new(own), SecondValues::new([part(self, instrument, recording, name)]))
    }

    /// Whether both clocks tell the time of day, or neither does.
    fn comparable(&self, recording: &Recording) -> bool {
        is_relative(recording) == is_relative(self.own[0])
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

    fn check_overlap(&self, recording: &Recording, clock: &Clock) -> Result<(), AlignError> {
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

    /// Laps, timer events and typed marks, and gear changes, of all recordings, each in order of time.
    fn edges_and_gears(&self, session: &Session) -> (Vec<Edge>, Vec<Gear>) {
        let (mut edges, mut gears) = (vec![], vec![]);
        for (recording, clock) in &self.clocks {
            let part = PlacedRecording { recording, stamped_s: self.stamped_s(recording), clock: clock.clone() };
            let mut borders: Vec<f64> = recording.laps.iter().flat_map(|lap| [lap.start_s, lap.end_s]).collect();
            borders.sort_by(f64::total_cmp);
            borders.dedup();
            edges.extend(borders.iter().map(|s| Edge { at_s: part.session_s(*s), kind: EdgeKind::Lap }));
            edges.extend(recording.timer.iter().map(|event| {
                let kind = match event.kind {
                    TimerKind::Start => EdgeKind::TimerStart,
                    TimerKind::Stop => EdgeKind::TimerStop,
                };
                Edge { at_s: part.session_s(event.at_s), kind }
            }));
            gears.extend(recording.gears.iter().map(|gear| Gear {
                at_s: part.session_s(gear.at_s),
                front_teeth: gear.front_teeth,
                rear_teeth: gear.rear_teeth,
            }));
        }
        edges.extend(session.marks.iter().map(|mark| Edge {
            at_s: session_seconds(&mark.at, self.start),
            kind: EdgeKind::Mark(mark.phase.clone()),
        }));
        edges.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
        gears.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
        (edges, gears)
    }
}

/// A degree of latitude (the metre was meant to make it 10,000 km to the pole).
const DEGREE_M: f64 = 1e7 / 90.0;

/// Standard deviation of what a ride climbs in 20 s from which altitude says something of time: a level road's drift and
/// noise stay below. Common practice, no source.
const LEAST_CLIMB_M: f64 = 1.0;

/// Head units set by satellite or phone agree to a few seconds; a minute is a clock set wrong.
const WRONG_CLOCK_S: f64 = 60.0;

fn stamps(aligned_on: AlignedOn, offset_s: f64, standard_uncertainty_s: f64) -> Clock {
    Clock { offset_s, drift_ppm: 0.0, standard_uncertainty_s, aligned_on, also: vec![], reset: None, windows: vec![] }
}

/// The same clock against session time that is called later by so much.
fn moved(clock: &mut Clock, later_s: f64) {
    clock.offset_s += later_s;
    clock.windows.iter_mut().for_each(|window| window.1 += later_s);
}

/// A recording that counts from its own start: its stamps begin at the Unix epoch, before any head unit was built.
fn is_relative(recording: &Recording) -> bool {
    recording.start.year() < 1989
}

/// The worst window that no steady clock explains: its session second, and by how much it is off.
fn jump(clock: &Clock, stamped_s: f64) -> Option<(f64, f64)> {
    let off_s = |&(at_s, offset_s, _): &(f64, f64, f64)| {
        let since_start_s = at_s - offset_s - stamped_s;
        offset_s - clock.offset_s - clock.drift_ppm * 1e-6 * since_start_s
    };
    let off: Vec<f64> = clock.windows.iter().map(off_s).collect();
    // Windows scatter by more than their seconds say where a channel is smoothed or drifts; one step does not show in the
    // median of what neighbours differ by. 0.6745 is the normal distribution's upper quartile.
    let steps: Vec<f64> = off.windows(2).map(|pair| (pair[1] - pair[0]).abs()).collect();
    let scatter_s = stats::median(&steps).map_or(0.0, |step| step / (0.6745 * 2f64.sqrt()));
    let windows = clock.windows.iter().zip(off).map(|(window, off_s)| (window.0, off_s, window.2.max(scatter_s)));
    // Filters of some seconds, each with its own, move one window of altitude this much.
    let least_s = if clock.aligned_on == AlignedOn::Altitude { 3.0 } else { 1.0 };
    let worst = windows.filter(|(_, off_s, u_s)| off_s.abs() > least_s && off_s.abs() > 5.0 * u_s);
    worst.max_by(|a, b| a.1.abs().total_cmp(&b.1.abs())).map(|(at_s, off_s, _)| (at_s, off_s))
}

/// `3 h 0 min 4 s`
fn spoken(time_s: f64) -> String {
    let s = time_s.round() as u64;
    let hours = if s >= 3600 { format!("{} h ", s / 3600) } else { String::new() };
    format!("{hours}{} min {} s", s / 60 % 60, s % 60)
}

/// One trace of an instrument's parts; its clock is the least certain of theirs. `all` are the session's instruments.
fn trace(instrument: &Instrument, parts: Vec<PlacedRecording>, length_s: usize, all: &[&Instrument]) -> Trace {
    let least_certain =
        parts.iter().map(|p| &p.clock).max_by(|a, b| a.standard_uncertainty_s.total_cmp(&b.standard_uncertainty_s));
    let mut trace = Trace {
        label: instrument.label.clone(),
        located: instrument.located,
        sides: instrument.sides,
        clock: least_certain.cloned().unwrap_or_else(|| stamps(AlignedOn::Nothing, 0.0, 1.0)),
        time_s: vec![],
        power_w: vec![],
        cadence_rpm: vec![],
        heart_rate_bpm: vec![],
        speed_m_s: vec![],
        altitude_m: vec![],
        temperature_c: vec![],
        right_share_pct: vec![],
        grid: vec![None; length_s],
    };
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
        let columns = [
            (&mut trace.power_w, "power"),
            (&mut trace.cadence_rpm, "cadence"),
            (&mut trace.heart_rate_bpm, "heart_rate"),
            (&mut trace.speed_m_s, "speed"),
            (&mut trace.altitude_m, "altitude"),
            (&mut trace.temperature_c, "temperature"),
            (&mut trace.right_share_pct, "right_share"),
        ];
        for (column, name) in columns {
            let from = field(instrument, all, name).and_then(|field| samples.channel(field)).unwrap_or(&[]);
            column.extend(kept.iter().map(|&i| from.get(i).copied().flatten()));
        }
    }
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
