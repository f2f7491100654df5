//! The steps as a FIT workout, which a head unit leads through and marks with a lap at each step.
//!
//! Source of messages, numbers and scales: the public FIT profile, as the crate rustyfit has it (`workout`,
//! `workout_step`): a duration by time is in milliseconds, a power of 1000 and more is watts + 1000, and a step that
//! repeats names the first step to repeat and how often.

use std::io::Cursor;

use chrono::{DateTime, Utc};
use embedded_io_adapters::std::FromStd;
use rustyfit::profile::{mesgdef, typedef};
use rustyfit::proto::{FIT, Message};
use rustyfit::{EncoderBuilder, HeaderOption};

use super::action::StepAction;
use super::aim::PowerAim;
use super::step::{Step, TypedReading};
use crate::protocol::{Protocol, Ring, Side, trim};

/// Number that the format keeps for whatever no maker has registered.
const MAKER: typedef::Manufacturer = typedef::Manufacturer::DEVELOPMENT;
/// Short enough for the display of any head unit. Common practice, no source.
pub const LONGEST_NAME: usize = 15;
/// Of a note and of the workout's name, in bytes, well below the format's 255.
const LONGEST_NOTE: usize = 100;
const LONGEST_TITLE: usize = 31;
/// Half width of the band about a power asked for as one value. Common practice, no source.
const AIM_HALF_WIDTH: f64 = 0.05;
/// How far a band reaches that the protocol leaves open above. Common practice, no source.
const OPEN_ABOVE: f64 = 2.0;
/// Fastest cadence of a band that the protocol leaves open above, rpm. Common practice, no source.
const FASTEST_RPM: f64 = 130.0;
/// More steps than this many head units refuse. Common practice, no source.
pub const MOST_STEPS: usize = 50;
/// What the format adds to watts, below which a value is per cent of threshold.
const WATTS_FROM: u32 = 1000;

/// What a step of the workout asks for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum WorkoutTarget {
    Open,
    /// Watts, both ends whole.
    Power(u32, u32),
    /// rpm, both ends whole.
    Cadence(u32, u32),
}

/// A line of the workout.
#[derive(Debug, Clone, PartialEq)]
pub enum WorkoutEntry {
    Step(Box<Step>),
    /// Goes back to the entry `from`, until what follows it was ridden `times` times.
    Again {
        from: usize,
        times: u32,
    },
}

/// Name, note, length and target of a step, as a head unit shows them.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WorkoutStep {
    /// At most [`LONGEST_NAME`] characters of ASCII.
    pub name: String,
    /// ASCII.
    pub note: String,
    /// `None`: until the lap button is pressed.
    pub lasts_ms: Option<u32>,
    pub target: WorkoutTarget,
}

impl WorkoutStep {
    pub fn of(step: &Step) -> Self {
        Self {
            name: name(step),
            note: ascii(&step.says(), LONGEST_NOTE),
            lasts_ms: step.lasts.planned_s.map(|s| (s * 1000.0).round() as u32),
            target: target(step),
        }
    }
}

/// The power asked for, else the cadence: bands with two whole ends.
fn target(step: &Step) -> WorkoutTarget {
    let whole = |value: f64| value.round().clamp(1.0, 9999.0) as u32;
    match (step.power, step.cadence_rpm.filter(|_| step.act.is_scored())) {
        (Some(aim), _) => {
            let (low_w, high_w) = match aim {
                PowerAim::At(power_w) => ((1.0 - AIM_HALF_WIDTH) * power_w, (1.0 + AIM_HALF_WIDTH) * power_w),
                PowerAim::Between(low_w, high_w) => (low_w, high_w),
                PowerAim::AtLeast(low_w) => (low_w, OPEN_ABOVE * low_w),
                PowerAim::AtMost(high_w) => (1.0, high_w),
            };
            WorkoutTarget::Power(whole(low_w), whole(high_w))
        }
        (None, Some(range)) if range.low.is_some() || range.high.is_some() => {
            let low = range.low.unwrap_or(1.0);
            WorkoutTarget::Cadence(whole(low), whole(range.high.unwrap_or(FASTEST_RPM.max(low))))
        }
        _ => WorkoutTarget::Open,
    }
}

/// In [`LONGEST_NAME`] characters: `Sprint 600W+`, `180W small`, `Easy, to big`.
fn name(step: &Step) -> String {
    let ring = |ring: Option<Ring>| ring.map_or(String::new(), |ring| format!(" {}", ring.word()));
    let power = step.power.map_or(String::new(), |aim| {
        let n = |power_w: f64| trim(power_w.round());
        match aim {
            PowerAim::At(power_w) => format!(" {}W", n(power_w)),
            PowerAim::Between(low_w, high_w) => format!(" {}-{}W", n(low_w), n(high_w)),
            PowerAim::AtLeast(low_w) => format!(" {}W+", n(low_w)),
            PowerAim::AtMost(high_w) => format!(" to {}W", n(high_w)),
        }
    });
    let short = step.act.short();
    let text = match (step.reads, step.shift_to) {
        (Some(TypedReading::ZeroBefore), _) => "Set zero, write".to_owned(),
        (Some(TypedReading::ZeroAfter), _) => "Read zero".to_owned(),
        (Some(TypedReading::Torque(load)), _) => {
            let side = if load.at.side == Side::Left { "left" } else { "right" };
            let angle = load.at.angle_deg.map_or(String::new(), |angle| format!(" {}", trim(angle)));
            format!("{}kg {side}{angle}", trim(load.mass_kg))
        }
        (None, _) if step.act == StepAction::Block => format!("{power}{}", ring(step.ring)),
        (None, _) if step.act.is_scored() => format!("{short}{power}"),
        (None, Some(ring)) => format!("{short}, to {}", ring.word()),
        (None, None) => short.to_owned(),
    };
    ascii(text.trim(), LONGEST_NAME)
}

/// Printable ASCII, cut to `most` characters: a head unit shows nothing else for sure.
fn ascii(text: &str, most: usize) -> String {
    let plain = text.replace('°', " deg").replace(['–', '−'], "-").replace('\u{a0}', " ");
    plain.chars().filter(|c| c.is_ascii() && !c.is_ascii_control()).take(most).collect::<String>().trim_end().to_owned()
}

/// The steps with stretches that come again folded: what is ridden n times alike is written once, with an order to
/// repeat it. Nothing is folded where that saves no line.
pub fn fold(steps: &[Step]) -> Vec<WorkoutEntry> {
    const LONGEST: usize = 8;
    let alike = |a: &Step, b: &Step| a.of_no_part() == b.of_no_part();
    let mut entries = vec![];
    let mut at = 0;
    while at < steps.len() {
        // What is left after the same `length` steps as now, and how often they come.
        let times = |length: usize| {
            let (first, rest) = (&steps[at..at + length], &steps[at + length..]);
            let again = rest.chunks_exact(length).take_while(|next| next.iter().zip(first).all(|(a, b)| alike(a, b)));
            1 + again.count()
        };
        let longest = LONGEST.min(steps.len() - at);
        let saves = |(length, times): &(usize, usize)| (length * (times - 1)).saturating_sub(1);
        let best = (1..=longest).map(|length| (length, times(length))).rev().max_by_key(saves).filter(|b| saves(b) > 0);
        let (length, times) = best.unwrap_or((1, 1));
        let from = entries.len();
        entries.extend(steps[at..at + length].iter().cloned().map(|step| WorkoutEntry::Step(Box::new(step))));
        if times > 1 {
            entries.push(WorkoutEntry::Again { from, times: times as u32 });
        }
        at += length * times;
    }
    entries
}

/// A FIT workout of these steps; the same protocol and time give the same bytes.
pub fn encode(protocol: &Protocol, steps: &[Step], made: DateTime<Utc>) -> Vec<u8> {
    let entries = fold(steps);
    let mut messages = vec![Message::from(file_id(protocol, made)), Message::from(workout(protocol, entries.len()))];
    messages.extend(entries.iter().enumerate().map(|(index, entry)| Message::from(line(index, entry))));
    let mut fit = FIT { messages, ..FIT::default() };
    let mut encoder = EncoderBuilder::new().header_option(HeaderOption::Normal(15)).build();
    let mut bytes = Cursor::new(Vec::new());
    encoder.encode(FromStd::new(&mut bytes), &mut fit).expect("short names, and at least one message");
    bytes.into_inner()
}

/// Head units tell workouts apart by serial and time: the serial is the beginning of the protocol's hash.
fn file_id(protocol: &Protocol, made: DateTime<Utc>) -> mesgdef::FileId {
    let mut id = mesgdef::FileId::new();
    id.r#type = typedef::File::WORKOUT;
    id.manufacturer = MAKER;
    id.product = 0;
    let serial = protocol.sha256.get(..8).and_then(|digits| u32::from_str_radix(digits, 16).ok());
    id.serial_number = serial.unwrap_or(0).max(1);
    id.time_created = typedef::DateTime::from_unix_timestamp(made.timestamp());
    id
}

fn workout(protocol: &Protocol, entries: usize) -> mesgdef::Workout {
    let mut workout = mesgdef::Workout::new();
    workout.sport = typedef::Sport::CYCLING;
    workout.num_valid_steps = entries as u16;
    let title = ascii(&protocol.title, LONGEST_TITLE);
    workout.wkt_name = if title.is_empty() { "Trial".into() } else { title.into() };
    workout
}

fn line(index: usize, entry: &WorkoutEntry) -> mesgdef::WorkoutStep {
    let mut line = mesgdef::WorkoutStep::new();
    line.message_index = typedef::MessageIndex(index as u16);
    match entry {
        WorkoutEntry::Again { from, times } => {
            line.duration_type = typedef::WktStepDuration::REPEAT_UNTIL_STEPS_CMPLT;
            line.duration_value = *from as u32;
            line.target_type = typedef::WktStepTarget::OPEN;
            line.target_value = *times;
        }
        WorkoutEntry::Step(step) => {
            let shown = WorkoutStep::of(step);
            line.wkt_step_name = shown.name.into();
            line.notes = shown.note.into();
            line.intensity = intensity(step.act);
            match shown.lasts_ms {
                Some(lasts_ms) => {
                    line.duration_type = typedef::WktStepDuration::TIME;
                    line.duration_value = lasts_ms;
                }
                None => line.duration_type = typedef::WktStepDuration::OPEN,
            }
            let (kind, ends) = match shown.target {
                WorkoutTarget::Open => (typedef::WktStepTarget::OPEN, None),
                WorkoutTarget::Power(low, high) => {
                    (typedef::WktStepTarget::POWER, Some((low + WATTS_FROM, high + WATTS_FROM)))
                }
                WorkoutTarget::Cadence(low, high) => (typedef::WktStepTarget::CADENCE, Some((low, high))),
            };
            line.target_type = kind;
            if let Some((low, high)) = ends {
                // Zero: the ends that follow hold.
                line.target_value = 0;
                (line.custom_target_value_low, line.custom_target_value_high) = (low, high);
            }
        }
    }
    line
}

fn intensity(act: StepAction) -> typedef::Intensity {
    match act {
        StepAction::WarmUp => typedef::Intensity::WARMUP,
        StepAction::CoolDown => typedef::Intensity::COOLDOWN,
        act if act.is_scored() => typedef::Intensity::ACTIVE,
        _ => typedef::Intensity::REST,
    }
}

#[cfg(test)]
mod tests {
    use super::super::steps::steps;
    use super::super::tests::{all_shipped, shipped, written};
    use super::*;

    /// As a head unit goes through it.
    fn unfolded(entries: &[WorkoutEntry]) -> Vec<Step> {
        let mut steps: Vec<Step> = vec![];
        for (at, entry) in entries.iter().enumerate() {
            match entry {
                WorkoutEntry::Step(step) => steps.push(Step::clone(step)),
                WorkoutEntry::Again { from, times } => {
                    let round: Vec<Step> = entries[*from..at]
                        .iter()
                        .map(|e| match e {
                            WorkoutEntry::Step(step) => Step::clone(step),
                            WorkoutEntry::Again { .. } => panic!("one within another"),
                        })
                        .collect();
                    (1..*times).for_each(|_| steps.extend(round.clone()));
                }
            }
        }
        steps
    }

    #[test]
    fn what_is_folded_unfolds_to_the_same_steps_and_is_short_enough() {
        for name in all_shipped() {
            let steps = steps(&shipped(&name));
            let entries = fold(&steps);
            let nameless = |steps: Vec<Step>| steps.iter().map(Step::of_no_part).collect::<Vec<Step>>();
            assert_eq!(nameless(unfolded(&entries)), nameless(steps), "{name}");
            assert!(entries.len() <= MOST_STEPS, "{name}: {}", entries.len());
        }
    }

    #[test]
    fn six_sprints_are_five_with_their_recoveries_and_one() {
        let phases = "  - {phase: s, drill: sprint, effort: at least 500 W, lasts: 8 s, repeat: 6, recover: 90 s}\n";
        let entries = fold(&steps(&written(phases)));
        let told: Vec<String> = entries
            .iter()
            .map(|entry| match entry {
                WorkoutEntry::Step(step) => WorkoutStep::of(step).name,
                WorkoutEntry::Again { from, times } => format!("from {from}, {times} times"),
            })
            .collect();
        // The warm-up is the first.
        assert_eq!(told, ["Warm up", "Sprint 500W+", "Easy", "from 1, 5 times", "Sprint 500W+", "Cool down"]);
    }

    #[test]
    fn names_are_short_and_ascii_and_say_something() {
        for protocol in all_shipped() {
            for step in steps(&shipped(&protocol)) {
                let shown = WorkoutStep::of(&step);
                let name = &shown.name;
                assert!((1..=LONGEST_NAME).contains(&name.len()) && name.is_ascii(), "{name}");
                assert!(shown.note.len() <= LONGEST_NOTE && shown.note.is_ascii(), "{}", shown.note);
            }
        }
    }

    #[test]
    fn targets_are_bands() {
        let steps = steps(&shipped("bench-both-rings"));
        let of = |act: StepAction| WorkoutStep::of(steps.iter().find(|s| s.act == act).unwrap()).target;
        assert_eq!(of(StepAction::Block), WorkoutTarget::Power(114, 126));
        assert_eq!(of(StepAction::Sprint), WorkoutTarget::Power(600, 1200));
        assert_eq!(of(StepAction::Soft), WorkoutTarget::Power(30, 90));
        assert_eq!(of(StepAction::Ride), WorkoutTarget::Open);
        assert_eq!(of(StepAction::CoolDown), WorkoutTarget::Power(1, 150));
        assert_eq!(of(StepAction::Coast), WorkoutTarget::Open);
    }

    #[test]
    fn the_same_protocol_gives_the_same_bytes() {
        let protocol = shipped("road-climbs");
        let made = DateTime::UNIX_EPOCH;
        assert_eq!(encode(&protocol, &steps(&protocol), made), encode(&protocol, &steps(&protocol), made));
    }
}
