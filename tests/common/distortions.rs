//! What people, instruments and clocks do to a session that was ridden soundly: one table. Each says which premise it breaks,
//! and what no verdict may come to afterwards.

use std::path::PathBuf;

use assize::internals::rehearse::{Mishap, Rehearsal, RehearsalBench, RehearsalPlan, RideSetting, simulate};
use assize::premise::Premise;
use assize::protocol::Protocol;
use assize::recording::Recording;
use assize::session::{self, Session};
use assize::verdict::{Outcome, Verdict};
use chrono::{Datelike, TimeDelta};

/// A session on its way to the judge, with another ride of the same plan on another day.
pub struct DistortedSession {
    pub session: Session,
    pub recordings: Vec<Recording>,
    pub other: Vec<Recording>,
}

/// A line of the table.
pub struct Distortion {
    pub word: &'static str,
    pub is: &'static str,
    /// `None`: no premise is broken, and the verdict has to be right all the same.
    pub breaks: Option<Premise>,
    /// What the session may come to.
    pub may: &'static [Outcome],
    pub mishaps: &'static [&'static str],
    pub protocol: &'static str,
    pub does: fn(&mut DistortedSession),
}

const NOT_JUDGED: &[Outcome] = &[Outcome::NotJudged];
const UNDECIDED: &[Outcome] = &[Outcome::Undecided];
/// The unit is sound: whatever is lost, it does not fail.
const NO_FAIL: &[Outcome] = &[Outcome::Pass, Outcome::Undecided];
/// Where the references quarrel nothing is decided.
const NO_PASS: &[Outcome] = &[Outcome::Fail, Outcome::Undecided];
const FULL: &str = "bench-both-rings.yaml";
const RIG: &str = "rig-ramp-and-loads.yaml";

#[rustfmt::skip]
pub const DISTORTIONS: &[Distortion] = &[
    Distortion { word: "exchanged-files", is: "unit's and pedals' recordings exchanged in the session",
        breaks: Some(Premise::OwnRecording), may: NOT_JUDGED, mishaps: &[], protocol: FULL, does: |of| {
            let theirs = of.session.references[0].instrument.recordings.clone();
            of.session.references[0].instrument.recordings = std::mem::replace(&mut of.session.units[0].instrument.recordings, theirs);
        } },
    Distortion { word: "other-serial", is: "the session gives another serial number than the recording",
        breaks: Some(Premise::OwnRecording), may: NOT_JUDGED, mishaps: &[], protocol: FULL,
        does: |of| of.session.units[0].instrument.serial = Some("4711".to_owned()) },
    Distortion { word: "other-firmware", is: "the session gives another firmware than the recording",
        breaks: Some(Premise::Firmware), may: NO_FAIL, mishaps: &[], protocol: FULL,
        does: |of| of.session.units[0].instrument.firmware = Some("1.79".to_owned()) },
    Distortion { word: "copied-file", is: "the unit's recording is a copy of the pedals'",
        breaks: Some(Premise::TwoInstruments), may: NOT_JUDGED, mishaps: &[], protocol: FULL, does: |of| copy(of, 1.0, 0) },
    Distortion { word: "copied-and-scaled", is: "the same, scaled by 1.5 % and 3 s late",
        breaks: Some(Premise::TwoInstruments), may: NOT_JUDGED, mishaps: &[], protocol: FULL, does: |of| copy(of, 1.015, 3) },
    Distortion { word: "unit-reads-zero", is: "the unit's readings are all zero",
        breaks: Some(Premise::Measured), may: NOT_JUDGED, mishaps: &[], protocol: FULL, does: |of| powers(recording_of(of, 0), |_| 0.0) },
    Distortion { word: "unit-reads-one-value", is: "the unit's readings are all one value",
        breaks: Some(Premise::Measured), may: NOT_JUDGED, mishaps: &[], protocol: FULL, does: |of| powers(recording_of(of, 0), |_| 180.0) },
    Distortion { word: "pedals-read-zero", is: "the pedals' readings are all zero",
        breaks: Some(Premise::Measured), may: NO_FAIL, mishaps: &[], protocol: FULL, does: |of| powers(recording_of(of, 1), |_| 0.0) },
    Distortion { word: "pedals-lost-a-side", is: "the pedals show their right side alone",
        breaks: Some(Premise::Measured), may: NO_FAIL, mishaps: &[], protocol: FULL, does: |of| {
            let pedals = recording_of(of, 1);
            pedals.samples.right_share_pct.iter_mut().flatten().for_each(|share| *share = 100.0);
            powers(pedals, |w| (w / 2.0).round());
        } },
    Distortion { word: "unit-of-another-day", is: "the unit's recording is of another day's ride of the same plan",
        breaks: Some(Premise::SameRide), may: NOT_JUDGED, mishaps: &[], protocol: FULL, does: |of| another_day(of, 0) },
    Distortion { word: "pedals-of-another-day", is: "the pedals' recording is of another day's ride of the same plan",
        breaks: Some(Premise::SameRide), may: NO_FAIL, mishaps: &[], protocol: FULL, does: |of| another_day(of, 1) },
    Distortion { word: "unit-of-another-day-redated", is: "the same, with the stamps of this day and no strap",
        breaks: Some(Premise::SameRide), may: NOT_JUDGED, mishaps: &[], protocol: FULL, does: |of| {
            let start = of.recordings[0].start;
            another_day(of, 0);
            let unit = recording_of(of, 0);
            unit.start = start;
            unit.samples.heart_rate_bpm.iter_mut().for_each(|rate| *rate = None);
            unit.samples.speed_m_s.iter_mut().for_each(|speed| *speed = None);
        } },
    Distortion { word: "strap-late-in-one", is: "the unit's head unit hears the strap 4 s late, speed says otherwise",
        breaks: Some(Premise::Clocks), may: &[Outcome::Pass, Outcome::Undecided, Outcome::Fail], mishaps: &[], protocol: FULL, does: |of| {
            let rates = &mut recording_of(of, 0).samples.heart_rate_bpm;
            rates.rotate_right(4);
        } },
    Distortion { word: "unit-leads", is: "the unit's power and cadence stamped 3 s early",
        breaks: Some(Premise::Clocks), may: NO_FAIL, mishaps: &[], protocol: FULL, does: |of| {
            let samples = &mut recording_of(of, 0).samples;
            samples.power_w.rotate_left(3);
            samples.cadence_rpm.rotate_left(3);
        } },
    Distortion { word: "trainer-gains", is: "the trainer reads 9 % high",
        breaks: Some(Premise::References), may: NO_FAIL, mishaps: &[], protocol: FULL, does: |of| powers(recording_of(of, 2), |w| (w * 1.09).round()) },
    Distortion { word: "second-file-missing", is: "the pedals were restarted half way, and the second file left out",
        breaks: Some(Premise::Covered), may: NO_FAIL, mishaps: &[], protocol: FULL, does: |of| {
            let pedals = recording_of(of, 1);
            let half = pedals.samples.time_s.len() / 2;
            cut(pedals, 0..half);
        } },
    Distortion { word: "small-ring-mistyped", is: "a chainring of 36 teeth typed as 34",
        breaks: Some(Premise::Bike), may: NO_FAIL, mishaps: &[], protocol: FULL, does: |of| of.session.drivetrain.chainrings = vec![52, 34] },
    Distortion { word: "big-ring-mistyped", is: "a chainring of 52 teeth typed as 46",
        breaks: Some(Premise::Bike), may: NO_FAIL, mishaps: &[], protocol: FULL, does: |of| of.session.drivetrain.chainrings = vec![46, 36] },
    Distortion { word: "below-target", is: "blocks ridden 25 % below their target",
        breaks: Some(Premise::AsAsked), may: NO_FAIL, mishaps: &["off-target=-25@steady"], protocol: FULL, does: |_| () },
    Distortion { word: "short-warm-up", is: "recorded from four minutes before the first block on",
        breaks: Some(Premise::AsAsked), may: NO_FAIL, mishaps: &[], protocol: FULL, does: |of| {
            // The plan's warm-up is ten minutes and more.
            for recording in &mut of.recordings {
                let from = recording.samples.time_s.partition_point(|s| *s < 360.0);
                let to = recording.samples.time_s.len();
                cut(recording, from..to);
            }
        } },
    Distortion { word: "easy-spinning-pinned", is: "a sprint left out, and nine seconds of easy spinning pinned as it",
        breaks: Some(Premise::Pins), may: UNDECIDED, mishaps: &["skipped-repeat@standing-sprints/3"], protocol: FULL, does: |of| {
            let start = of.recordings[1].start + TimeDelta::seconds(60);
            let text = format!("standing-sprints/6={}..{}", start.format("%H:%M:%S"), (start + TimeDelta::seconds(9)).format("%H:%M:%S"));
            let phases = &of.session.protocol.as_ref().unwrap().phases;
            of.session.pins.push(session::pin(&text, phases).unwrap());
        } },
    Distortion { word: "certificate-of-tomorrow", is: "a certificate dated after the ride",
        breaks: Some(Premise::Certificates), may: NO_FAIL, mishaps: &[], protocol: FULL, does: |of| certificate(of, 300) },
    Distortion { word: "certificate-six-years-old", is: "a certificate of six years ago",
        breaks: Some(Premise::Certificates), may: NO_FAIL, mishaps: &[], protocol: FULL, does: |of| certificate(of, -6 * 365) },
    Distortion { word: "other-date", is: "the session is dated a month before its recordings",
        breaks: Some(Premise::Dates), may: NO_FAIL, mishaps: &[], protocol: FULL, does: |of| {
            of.session.date = Some(days_later(of, -30));
        } },
    Distortion { word: "received-later", is: "the unit came a week after the ride",
        breaks: Some(Premise::Dates), may: NO_FAIL, mishaps: &[], protocol: FULL, does: |of| {
            of.session.units[0].instrument.received = Some(days_later(of, 7));
        } },
    Distortion { word: "one-mass-typed", is: "of all masses asked for the first alone was typed",
        breaks: Some(Premise::Readings), may: UNDECIDED, mishaps: &[], protocol: RIG, does: |of| of.session.readings.loads.truncate(1) },
    Distortion { word: "sides-apart", is: "left masses read 6 % high, right ones 6 % low",
        breaks: None, may: &[Outcome::Fail], mishaps: &[], protocol: RIG, does: |of| {
            for load in &mut of.session.readings.loads {
                let left = load.side == Some(assize::protocol::Side::Left);
                load.torque_nm *= if left { 1.06 } else { 0.94 };
            }
        } },
    Distortion { word: "spikes", is: "three single seconds of 600 W more in steady blocks",
        breaks: None, may: NO_PASS, mishaps: &[], protocol: FULL, does: |of| {
            let unit = recording_of(of, 0);
            for at_s in [900.0, 1300.0, 1700.0] {
                let at = unit.samples.time_s.partition_point(|s| *s < at_s);
                unit.samples.power_w[at] = Some(unit.samples.power_w[at].unwrap_or(0.0) + 600.0);
            }
        } },
];

/// The recording of an instrument, 0 is the unit's.
fn recording_of(of: &mut DistortedSession, place: usize) -> &mut Recording {
    &mut of.recordings[place]
}

fn powers(recording: &mut Recording, reads: impl Fn(f64) -> f64) {
    recording.samples.power_w.iter_mut().flatten().for_each(|power_w| *power_w = reads(*power_w));
}

/// The unit's recording made of the pedals', with no word of a device.
fn copy(of: &mut DistortedSession, times: f64, late: usize) {
    let file: PathBuf = of.recordings[0].file.clone();
    let mut copied = Recording { file, sensors: vec![], ..of.recordings[1].clone() };
    powers(&mut copied, |w| (w * times).round());
    copied.samples.power_w.rotate_right(late);
    of.recordings[0] = copied;
}

fn another_day(of: &mut DistortedSession, place: usize) {
    let file = of.recordings[place].file.clone();
    of.recordings[place] = Recording { file, ..of.other[place].clone() };
}

/// Keeps some of the samples, and the laps and events among them.
fn cut(recording: &mut Recording, kept: std::ops::Range<usize>) {
    let from_s = recording.samples.time_s[kept.start];
    let to_s = recording.samples.time_s[kept.end - 1];
    recording.samples.time_s = recording.samples.time_s[kept.clone()].iter().map(|s| s - from_s).collect();
    for column in recording.samples.columns_mut() {
        if !column.is_empty() {
            *column = column[kept.clone()].to_vec();
        }
    }
    recording.samples.extra.clear();
    recording.start += TimeDelta::milliseconds((from_s * 1000.0) as i64);
    let within = |at_s: f64| (from_s..=to_s).contains(&at_s);
    recording.laps.retain(|lap| within(lap.start_s) && within(lap.end_s));
    for lap in &mut recording.laps {
        (lap.start_s, lap.end_s) = (lap.start_s - from_s, lap.end_s - from_s);
    }
    recording.timer.retain(|event| within(event.at_s));
    recording.timer.iter_mut().for_each(|event| event.at_s -= from_s);
    recording.gears.retain(|gear| within(gear.at_s));
    recording.gears.iter_mut().for_each(|gear| gear.at_s -= from_s);
}

fn days_later(of: &DistortedSession, days: i64) -> String {
    let day = of.recordings[1].start.date_naive() + TimeDelta::days(days);
    format!("{:04}-{:02}-{:02}", day.year(), day.month(), day.day())
}

fn certificate(of: &mut DistortedSession, days: i64) {
    let date = Some(days_later(of, days));
    let number = Some("P-12".to_owned());
    of.session.references[0].certificate = Some(session::Certificate { number, date, due: None, by: None });
}

/// A sound session, distorted. Another day's ride has another seed, and the next day's date.
pub fn distorted(distortion: &Distortion, protocol: &Protocol, seed: u64) -> DistortedSession {
    let mishaps = distortion.mishaps.iter().map(|text| text.parse::<Mishap>().unwrap_or_else(|why| panic!("{why}")));
    let plan = RehearsalPlan { mishaps: mishaps.collect(), ..super::gate::varied(seed, &[]) };
    let plan = RehearsalPlan { bench: RehearsalBench::both(), setting: RideSetting::asked_by(protocol), ..plan };
    let Rehearsal { session, recordings, .. } = simulate(protocol, &plan);
    let next = RehearsalPlan { seed: seed + 500_000, date: plan.date + TimeDelta::days(1), ..plan };
    let mut of = DistortedSession { session, recordings, other: simulate(protocol, &next).recordings };
    (distortion.does)(&mut of);
    of
}

/// Whether a premise is contradicted in a verdict.
pub fn contradicted(verdict: &Verdict, premise: Premise) -> bool {
    verdict.premises.iter().any(|tested| tested.is_contradicted() && tested.named() == Some(premise))
}
