//! What is done in a step, and what it is called on paper, on a screen and on a head unit.

use crate::session;

/// What a rider (or the tester beside the bike) does in one step.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum StepAction {
    WarmUp,
    /// Easy riding that the protocol writes as a `free` phase.
    Ride,
    /// Easy riding between repeats and between phases.
    Recover,
    /// Riding on until the road brings a place for the part that follows (`order: any`).
    Look,
    /// From standing still onto the bike.
    RollOff,
    /// Steady riding that is scored.
    Block,
    Sprint,
    LeadIn,
    /// Feet still.
    Coast,
    Restart,
    Surge,
    Soft,
    /// One step of a ramp.
    Level,
    CoolDown,
    /// Off the bike: a `wait` phase.
    OffBike,
    /// Sets or reads the zero offset and writes it down.
    Zero,
    /// Brings the crank to where masses are hung and blocks the wheel.
    BlockWheel,
    /// Hangs one mass, reads the torque and writes it down.
    Load,
    /// Takes the mass off and releases the wheel.
    MassOff,
}

/// Whose seconds these are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum ActionKind {
    Scored,
    /// Ridden, or only rolled, and not scored.
    Easy,
    OffBike,
}

/// One action and its names.
struct ActionRow {
    kind: ActionKind,
    /// Of marks and of the steps as JSON.
    word: &'static str,
    /// In a sentence.
    does: &'static str,
    /// In large letters.
    large: &'static str,
    /// Before the power, on a head unit.
    short: &'static str,
}

const fn row(
    kind: ActionKind,
    word: &'static str,
    does: &'static str,
    large: &'static str,
    short: &'static str,
) -> ActionRow {
    ActionRow { kind, word, does, large, short }
}

impl StepAction {
    fn row(self) -> ActionRow {
        use ActionKind::{Easy, OffBike, Scored};
        match self {
            StepAction::WarmUp => row(Easy, "warm-up", "Warm up", "WARM UP", "Warm up"),
            StepAction::Ride => row(Easy, "easy riding", "Easy riding", "EASY", "Easy"),
            StepAction::Recover => row(Easy, "recovery", "Easy riding", "EASY", "Easy"),
            StepAction::Look => row(Easy, "ride on", "Ride on until there is room for it", "RIDE ON", "Ride on"),
            StepAction::RollOff => row(Easy, "roll off", "Roll off", "ROLL OFF", "Roll"),
            StepAction::Block => row(Scored, "block", "Steady", "STEADY", ""),
            StepAction::Sprint => row(Scored, "sprint", "Sprint", "SPRINT", "Sprint"),
            StepAction::LeadIn => row(Scored, "lead-in", "Lead in", "LEAD IN", "Lead in"),
            StepAction::Coast => row(Scored, session::COAST, "Coast, feet still", "COAST", "Coast"),
            StepAction::Restart => row(Scored, session::RESTART, "Restart", "RESTART", "Go"),
            StepAction::Surge => row(Scored, "surge", "Surge", "SURGE", "Surge"),
            StepAction::Soft => row(Scored, session::SOFT, "Pedal softly", "SOFT", "Soft"),
            StepAction::Level => row(Scored, "ramp step", "Ramp step", "RAMP", "Ramp"),
            StepAction::CoolDown => row(Easy, "cool-down", "Cool down", "COOL DOWN", "Cool down"),
            StepAction::OffBike => row(OffBike, "off the bike", "Off the bike", "OFF BIKE", "Off the bike"),
            StepAction::Zero => row(OffBike, "zero offset", "Write it down", "ZERO", "Off the bike"),
            StepAction::BlockWheel => row(OffBike, "wheel blocked", "Block the wheel", "BLOCK", "Block the wheel"),
            StepAction::Load => row(OffBike, "hung mass", "Write it down", "MASS", "Off the bike"),
            StepAction::MassOff => row(
                OffBike,
                "mass off",
                "Take the mass off, release the wheel, nobody near the cranks",
                "MASS OFF",
                "Mass off, clear",
            ),
        }
    }

    pub fn word(self) -> &'static str {
        self.row().word
    }

    /// What is done, as a sentence begins with it.
    pub fn does(self) -> &'static str {
        self.row().does
    }

    /// In one or two words for large letters.
    pub fn large(self) -> &'static str {
        self.row().large
    }

    /// As a head unit names it, before the power.
    pub(super) fn short(self) -> &'static str {
        self.row().short
    }

    /// Whether its seconds are scored.
    pub fn is_scored(self) -> bool {
        self.row().kind == ActionKind::Scored
    }

    /// Whether the rider is riding, if only rolling.
    pub fn is_ridden(self) -> bool {
        self.row().kind != ActionKind::OffBike
    }

    /// Whether the wheel is still blocked, and perhaps a mass hung, when it is over: nobody may ride next.
    pub fn leaves_wheel_blocked(self) -> bool {
        matches!(self, StepAction::BlockWheel | StepAction::Load)
    }
}
