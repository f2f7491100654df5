//! One step: one thing to do, with how long and how hard.

use crate::protocol::{Hold, Posture, Ring, Side, trim};
use crate::quantity::Range;

use super::action::StepAction;
use super::aim::{PowerAim, spoken};

/// The part of the protocol that a step belongs to. A recovery between repeats belongs to the repeat that it leads to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct ProtocolPart {
    /// Index into the protocol's phases.
    pub phase: usize,
    /// From 1.
    pub repeat: u32,
    /// Repeats of this phase.
    pub of: u32,
}

/// How long a step lasts.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct StepLength {
    /// To count down, seconds: the middle of what is asked, or its closed end. `None`: until somebody presses a key (a
    /// reading is typed, the road brings a place, a cool-down takes what it takes).
    pub planned_s: Option<f64>,
    /// What the protocol asks for, seconds; `None` where it says nothing.
    pub asked_s: Option<Range>,
}

impl StepLength {
    pub(super) fn asked(range: Range) -> Self {
        Self { planned_s: range.middle(), asked_s: Some(range) }
    }

    pub(super) fn planned(planned_s: f64) -> Self {
        Self { planned_s: Some(planned_s), asked_s: None }
    }

    /// With no countdown.
    pub(super) fn open(asked_s: Option<Range>) -> Self {
        Self { planned_s: None, asked_s }
    }
}

/// One mass to hang.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HungMass {
    pub mass_kg: f64,
    pub at: CrankPosition,
}

/// Where the crank stands while masses hang from it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CrankPosition {
    pub side: Side,
    /// Of the crank from straight down; `None` where the protocol does not say (level is usual).
    pub angle_deg: Option<f64>,
}

/// What somebody reads off a display and writes down. Such a step waits for that.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum TypedReading {
    /// The session file's `zero_before`.
    ZeroBefore,
    /// The session file's `zero_after`.
    ZeroAfter,
    /// One line of the session file's `readings: loads`.
    Torque(HungMass),
}

/// One thing to do, with how long and how hard.
#[derive(Debug, Clone, PartialEq)]
pub struct Step {
    /// `None` for what the protocol leaves unwritten: the warm-up that it needs, easy riding between phases, a cool-down.
    pub part: Option<ProtocolPart>,
    pub act: StepAction,
    pub lasts: StepLength,
    pub power: Option<PowerAim>,
    pub cadence_rpm: Option<Range>,
    /// To ride this step on; `None`: whichever.
    pub ring: Option<Ring>,
    /// Ring to be on when this step ends: the next part asks for another than was asked for last.
    pub shift_to: Option<Ring>,
    pub posture: Option<Posture>,
    pub grade_pct: Option<Range>,
    pub reads: Option<TypedReading>,
    /// Where the crank is to stand, for a wheel to be blocked.
    pub crank: Option<CrankPosition>,
    /// The head unit's lap button, when this step begins: a repeat's scored part opens here, or has just ended.
    pub(super) lap: bool,
}

impl Step {
    pub(super) fn new(act: StepAction, part: Option<ProtocolPart>, lasts: StepLength) -> Self {
        Self {
            part,
            act,
            lasts,
            power: None,
            cadence_rpm: None,
            ring: None,
            shift_to: None,
            posture: None,
            grade_pct: None,
            reads: None,
            crank: None,
            lap: false,
        }
    }

    /// A power held for a time.
    pub(super) fn held(act: StepAction, part: ProtocolPart, hold: &Hold) -> Self {
        Self { power: PowerAim::of_target(&hold.power_w), ..Self::new(act, Some(part), StepLength::asked(hold.for_s)) }
    }

    /// Whether the head unit's lap button is pressed as this step begins: where a repeat's scored part opens, and where
    /// it has just ended.
    pub fn presses_lap(&self) -> bool {
        self.lap
    }

    /// Whether a repeat's scored part opens with this step.
    #[cfg(test)]
    pub fn opens_repeat(&self) -> bool {
        self.lap && self.act.is_scored()
    }

    /// The same, but not of any part: two repeats are ridden alike.
    pub fn of_no_part(&self) -> Self {
        Self { part: None, ..self.clone() }
    }

    /// Whether it waits for somebody to read and write down.
    pub fn is_typed(&self) -> bool {
        self.reads.is_some()
    }

    /// In few words, without its length: `Sprint standing, at least 600 W, big ring`.
    pub fn says(&self) -> String {
        let mut words = vec![self.does()];
        words.extend(self.power.map(|power| power.to_string()));
        words.extend(self.cadence_rpm.and_then(|range| spoken(&range, "rpm")));
        match (self.ring, self.shift_to) {
            (_, Some(ring)) => words.push(format!("then onto the {} ring", ring.word())),
            (Some(ring), None) => words.push(format!("{} ring", ring.word())),
            (None, None) => {}
        }
        words.extend(self.grade_pct.and_then(|range| spoken(&range, "% grade")));
        words.join(", ")
    }

    /// What is done, with the posture: `Sprint standing`.
    fn does(&self) -> String {
        if let Some(reads) = self.reads {
            return match reads {
                TypedReading::ZeroBefore => "Set the zero offset, write it down".into(),
                TypedReading::ZeroAfter => "Read the zero offset, do not set it, write it down".into(),
                TypedReading::Torque(load) => {
                    let angle = load.at.angle_deg.map_or(String::new(), |angle| format!(" at {}°", trim(angle)));
                    format!("Hang {} kg {}{angle}, write the torque down", trim(load.mass_kg), side(load.at.side))
                }
            };
        }
        if let Some(crank) = self.crank {
            return match crank.angle_deg {
                Some(angle) => format!("Turn the {} crank to {}°, block the wheel", side(crank.side), trim(angle)),
                None => format!("Level the {} crank, block the wheel", side(crank.side)),
            };
        }
        let does = self.act.does();
        match self.posture {
            Some(posture) if self.act.is_scored() => format!("{does} {}", posture.word()),
            _ => does.to_owned(),
        }
    }
}

fn side(side: Side) -> &'static str {
    match side {
        Side::Left => "left",
        Side::Right => "right",
    }
}
