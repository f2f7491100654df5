//! The session as the rider meets it: one step after another, each with how long and how hard.

use crate::protocol::{Drill, Hold, Phase, PhaseOrder, Posture, Protocol, Ring, Side, Target, trim};
use crate::quantity::Range;
use crate::session;

/// To clip in and roll off, from standing still to riding. Common practice, no source.
const ROLL_OFF_S: f64 = 20.0;

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

impl StepAction {
    pub fn word(self) -> &'static str {
        match self {
            StepAction::WarmUp => "warm-up",
            StepAction::Ride => "easy riding",
            StepAction::Recover => "recovery",
            StepAction::Look => "ride on",
            StepAction::RollOff => "roll off",
            StepAction::Block => "block",
            StepAction::Sprint => "sprint",
            StepAction::LeadIn => "lead-in",
            StepAction::Coast => session::COAST,
            StepAction::Restart => session::RESTART,
            StepAction::Surge => "surge",
            StepAction::Soft => session::SOFT,
            StepAction::Level => "ramp step",
            StepAction::CoolDown => "cool-down",
            StepAction::OffBike => "off the bike",
            StepAction::Zero => "zero offset",
            StepAction::BlockWheel => "wheel blocked",
            StepAction::Load => "hung mass",
            StepAction::MassOff => "mass off",
        }
    }

    /// Whether its seconds are scored.
    pub fn is_scored(self) -> bool {
        use StepAction::*;
        matches!(self, Block | Sprint | LeadIn | Coast | Restart | Surge | Soft | Level)
    }

    /// Whether the rider is riding, if only rolling.
    pub fn is_ridden(self) -> bool {
        !matches!(
            self,
            StepAction::OffBike | StepAction::Zero | StepAction::BlockWheel | StepAction::Load | StepAction::MassOff
        )
    }

    /// Whether the wheel is still blocked, and perhaps a mass hung, when it is over: nobody may ride next.
    pub fn leaves_wheel_blocked(self) -> bool {
        matches!(self, StepAction::BlockWheel | StepAction::Load)
    }
}

/// The part of the protocol that a step belongs to. A recovery between repeats belongs to the repeat that it leads to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct ProtocolPart {
    /// Index into [`Protocol::phases`].
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
    fn asked(range: Range) -> Self {
        Self { planned_s: range.middle(), asked_s: Some(range) }
    }

    fn planned(planned_s: f64) -> Self {
        Self { planned_s: Some(planned_s), asked_s: None }
    }

    /// With no countdown.
    fn open(asked_s: Option<Range>) -> Self {
        Self { planned_s: None, asked_s }
    }
}

/// The power asked for, watts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum PowerAim {
    At(f64),
    Between(f64, f64),
    AtLeast(f64),
    AtMost(f64),
}

impl PowerAim {
    /// `None` for a range open at both ends.
    pub fn of(range: &Range) -> Option<Self> {
        Some(match (range.low, range.high) {
            (Some(low), Some(high)) if low == high => PowerAim::At(low),
            (Some(low), Some(high)) => PowerAim::Between(low, high),
            (Some(low), None) => PowerAim::AtLeast(low),
            (None, Some(high)) => PowerAim::AtMost(high),
            (None, None) => return None,
        })
    }

    fn of_target(target: &Target) -> Option<Self> {
        match target {
            Target::Value(power_w) => Some(PowerAim::At(*power_w)),
            Target::Within(range) => PowerAim::of(range),
        }
    }

    /// Each watt multiplied by `scale`, rounded to `decimals` and written with `unit`.
    fn words(&self, scale: f64, decimals: i32, unit: &str) -> String {
        let step = 10f64.powi(decimals);
        let n = |power_w: f64| trim((power_w * scale * step).round() / step);
        match *self {
            PowerAim::At(power) => format!("{} {unit}", n(power)),
            PowerAim::Between(low, high) => format!("{} to {} {unit}", n(low), n(high)),
            PowerAim::AtLeast(low) => format!("at least {} {unit}", n(low)),
            PowerAim::AtMost(high) => format!("at most {} {unit}", n(high)),
        }
    }

    /// In whole per cent of a threshold power: `80 %`, `12 to 36 %`.
    pub fn of_threshold(&self, threshold_power_w: f64) -> String {
        self.words(100.0 / threshold_power_w, 0, "%")
    }
}

impl std::fmt::Display for PowerAim {
    /// `200 W`, `30 to 90 W`, `at least 600 W`.
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.words(1.0, 1, "W"))
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
    lap: bool,
}

impl Step {
    fn new(act: StepAction, part: Option<ProtocolPart>, lasts: StepLength) -> Self {
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

    /// Whether the head unit's lap button is pressed as this step begins: where a repeat's scored part opens, and where
    /// it has just ended.
    pub fn presses_lap(&self) -> bool {
        self.lap
    }

    /// Whether a repeat's scored part opens with this step.
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
        let does = match self.act {
            StepAction::WarmUp => "Warm up",
            StepAction::Ride | StepAction::Recover => "Easy riding",
            StepAction::Look => "Ride on until there is room for it",
            StepAction::RollOff => "Roll off",
            StepAction::Block => "Steady",
            StepAction::Sprint => "Sprint",
            StepAction::LeadIn => "Lead in",
            StepAction::Coast => "Coast, feet still",
            StepAction::Restart => "Restart",
            StepAction::Surge => "Surge",
            StepAction::Soft => "Pedal softly",
            StepAction::Level => "Ramp step",
            StepAction::CoolDown => "Cool down",
            StepAction::OffBike => "Off the bike",
            StepAction::Zero | StepAction::Load => "Write it down",
            StepAction::BlockWheel => "Block the wheel",
            StepAction::MassOff => "Take the mass off, release the wheel, nobody near the cranks",
        };
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

/// `80 to 95 rpm`, `at least 50 rpm`; `None` where anything goes.
pub(crate) fn spoken(range: &Range, unit: &str) -> Option<String> {
    Some(match (range.low, range.high) {
        (Some(low), Some(high)) if low == high => format!("{} {unit}", trim(low)),
        (Some(low), Some(high)) => format!("{} to {} {unit}", trim(low), trim(high)),
        (Some(low), None) => format!("at least {} {unit}", trim(low)),
        (None, Some(high)) => format!("at most {} {unit}", trim(high)),
        (None, None) => return None,
    })
}

/// Seconds of all countdowns among `steps`.
pub fn planned_s(steps: &[Step]) -> f64 {
    steps.iter().filter_map(|step| step.lasts.planned_s).sum()
}

/// The whole session in the order of the protocol, every repeat by itself.
///
/// What a protocol leaves unwritten is there too: the warm-up that it needs if it begins with no free phase, easy riding
/// between phases that no free phase lies between, rolling off after standing still, a cool-down, and the second
/// reading of the zero. Recoveries lie between repeats only: six sprints share five. With [`PhaseOrder::Any`] the steps
/// are what to look for: before each repeat the rider rides on until the road brings it.
pub fn steps(protocol: &Protocol) -> Vec<Step> {
    let mut list = List { protocol, steps: vec![], ring: None };
    let phases = &protocol.phases;
    let rides = phases.iter().any(|phase| phase.is_scored_riding());
    if !matches!(phases.first().map(|p| &p.drill), Some(Drill::Free { .. })) {
        match protocol.needs.warm_up_s {
            Some(warm_up_s) => {
                list.push(Step::new(StepAction::WarmUp, None, StepLength::asked(Range::at_least(warm_up_s))))
            }
            None if rides => list.push(Step::new(StepAction::WarmUp, None, StepLength::open(None))),
            None => {}
        }
    }
    for (index, phase) in phases.iter().enumerate() {
        for repeat in 1..=phase.repeats {
            list.lead_to(index, repeat);
            list.add(index, ProtocolPart { phase: index, repeat, of: phase.repeats });
        }
    }
    if phases.last().is_some_and(Phase::is_scored_riding) {
        list.push(Step::new(StepAction::CoolDown, None, StepLength::open(None)));
    }
    let reads = |wanted: TypedReading| list.steps.iter().any(|step| step.reads == Some(wanted));
    if reads(TypedReading::ZeroBefore) && !reads(TypedReading::ZeroAfter) {
        let mut zero = Step::new(StepAction::Zero, None, StepLength::open(None));
        zero.reads = Some(TypedReading::ZeroAfter);
        list.push(zero);
    }
    list.finish()
}

impl Phase {
    /// Whether it is ridden and scored.
    pub fn is_scored_riding(&self) -> bool {
        !matches!(self.drill, Drill::Free { .. } | Drill::Wait { .. } | Drill::StaticLoad { .. } | Drill::ZeroCheck)
    }
}

struct List<'a> {
    protocol: &'a Protocol,
    steps: Vec<Step>,
    /// Asked for last.
    ring: Option<Ring>,
}

impl List<'_> {
    fn push(&mut self, step: Step) {
        self.steps.push(step);
    }

    /// What lies before a repeat.
    fn lead_to(&mut self, index: usize, repeat: u32) {
        let phases = &self.protocol.phases;
        let phase = &phases[index];
        if !phase.is_scored_riding() {
            return;
        }
        let before = index.checked_sub(1).map(|before| &phases[before]);
        if self.protocol.order == PhaseOrder::Any {
            let part = ProtocolPart { phase: index, repeat, of: phase.repeats };
            let recover_s = phase.drill.recover_s().filter(|_| repeat > 1);
            let mut look = Step::new(StepAction::Look, Some(part), StepLength::open(recover_s));
            look.grade_pct = phase.grade_pct;
            return self.push(look);
        }
        if repeat > 1 {
            let part = ProtocolPart { phase: index, repeat, of: phase.repeats };
            let lasts = match phase.drill.recover_s() {
                Some(asked_s) => StepLength::asked(asked_s),
                None => StepLength::planned(rest_s(&phase.drill)),
            };
            return self.push(Step::new(StepAction::Recover, Some(part), lasts));
        }
        match before.map(|b| (b, &b.drill)) {
            None | Some((_, Drill::Free { .. })) => {}
            Some((_, Drill::Wait { .. } | Drill::StaticLoad { .. } | Drill::ZeroCheck)) => {
                self.push(Step::new(StepAction::RollOff, None, StepLength::planned(ROLL_OFF_S)));
            }
            // After sprints the legs need what lies between sprints, whatever comes next.
            Some((before, _)) => {
                let lasts_s = rest_s(&before.drill).max(rest_s(&phase.drill));
                self.push(Step::new(StepAction::Recover, None, StepLength::planned(lasts_s)));
            }
        }
    }

    /// The steps of one repeat.
    fn add(&mut self, index: usize, part: ProtocolPart) {
        let phases = &self.protocol.phases;
        let phase = &phases[index];
        let opens = self.steps.len();
        let held = |act: StepAction, hold: &Hold| {
            let mut step = Step::new(act, Some(part), StepLength::asked(hold.for_s));
            step.power = PowerAim::of_target(&hold.power_w);
            step
        };
        match &phase.drill {
            Drill::Free { power_w, lasts_s } => {
                let (first, last) = (index == 0, index + 1 == phases.len());
                let act = if first {
                    StepAction::WarmUp
                } else if last {
                    StepAction::CoolDown
                } else {
                    StepAction::Ride
                };
                let lasts = lasts_s.map_or(StepLength::open(None), StepLength::asked);
                let mut step = Step::new(act, Some(part), lasts);
                step.power = power_w.as_ref().and_then(PowerAim::of);
                self.push(step);
            }
            Drill::Wait { lasts_s } => {
                let lasts = lasts_s.map_or(StepLength::open(None), StepLength::asked);
                self.push(Step::new(StepAction::OffBike, Some(part), lasts));
            }
            Drill::Steady { power_w, lasts_s, .. } => {
                self.push(held(StepAction::Block, &Hold { power_w: *power_w, for_s: *lasts_s }));
            }
            Drill::Sprint { effort_w, lasts_s, .. } => {
                self.push(held(StepAction::Sprint, &Hold { power_w: Target::Within(*effort_w), for_s: *lasts_s }));
            }
            Drill::CoastRestart { lead_in, coast_s, restart, .. } => {
                self.push(held(StepAction::LeadIn, lead_in));
                self.push(Step::new(StepAction::Coast, Some(part), StepLength::asked(*coast_s)));
                self.push(held(StepAction::Restart, restart));
            }
            Drill::SoftPedal { surge, soft, .. } => {
                self.push(held(StepAction::Surge, surge));
                self.push(held(StepAction::Soft, soft));
            }
            Drill::Ramp { steps_w, each_s, .. } => {
                let for_s = Range::between(*each_s, *each_s);
                for power_w in steps_w {
                    self.push(held(StepAction::Level, &Hold { power_w: Target::Value(*power_w), for_s }));
                }
            }
            Drill::StaticLoad { loads_kg, sides, angles_deg } => {
                for at in cranks(sides, angles_deg) {
                    let mut block = Step::new(StepAction::BlockWheel, Some(part), StepLength::open(None));
                    block.crank = Some(at);
                    self.push(block);
                    for mass_kg in loads_kg {
                        let mut step = Step::new(StepAction::Load, Some(part), StepLength::open(None));
                        step.reads = Some(TypedReading::Torque(HungMass { mass_kg: *mass_kg, at }));
                        self.push(step);
                    }
                    // The crank can't be turned, nor anybody roll off, before this.
                    self.push(Step::new(StepAction::MassOff, Some(part), StepLength::open(None)));
                }
            }
            Drill::ZeroCheck => {
                let later =
                    phases[index + 1..].iter().any(|p| p.is_scored_riding() || matches!(p.drill, Drill::ZeroCheck));
                let taken = self.steps.iter().any(|step| step.reads == Some(TypedReading::ZeroBefore));
                let mut step = Step::new(StepAction::Zero, Some(part), StepLength::open(None));
                step.reads = Some(if taken || (!later && rode(&self.steps)) {
                    TypedReading::ZeroAfter
                } else {
                    TypedReading::ZeroBefore
                });
                self.push(step);
            }
        }
        let scored = phase.is_scored_riding();
        for (at, step) in self.steps[opens..].iter_mut().enumerate() {
            step.ring = phase.ring.filter(|_| step.act.is_ridden());
            step.posture = phase.posture.filter(|_| step.act.is_ridden());
            step.grade_pct = phase.grade_pct.filter(|_| step.act.is_ridden());
            // What a phase asks of the cadence is not asked of the surge before soft pedalling, nor while coasting.
            step.cadence_rpm = phase
                .cadence_rpm
                .filter(|_| step.act.is_ridden() && !matches!(step.act, StepAction::Coast | StepAction::Surge));
            step.lap = scored && at == 0;
        }
        if let Some(ring) = phase.ring {
            self.shift_to(ring, opens);
        }
    }

    /// The change of ring falls into the step before, if that is easy riding.
    fn shift_to(&mut self, ring: Ring, opens: usize) {
        if self.ring.replace(ring) == Some(ring) {
            return;
        }
        if let Some(before) = opens.checked_sub(1).and_then(|at| self.steps.get_mut(at)) {
            before.shift_to = (before.act.is_ridden() && !before.act.is_scored()).then_some(ring);
        }
    }

    /// With the lap button at the end of each scored part.
    fn finish(mut self) -> Vec<Step> {
        for at in 1..self.steps.len() {
            let ended = self.steps[at - 1].act.is_scored() && !self.steps[at].act.is_scored();
            self.steps[at].lap |= ended;
        }
        self.steps
    }
}

/// Easy riding after or before a repeat, seconds.
fn rest_s(drill: &Drill) -> f64 {
    drill.recover_s().or(drill.usual_recovery_s()).and_then(|range| range.middle()).unwrap_or_default()
}

fn rode(steps: &[Step]) -> bool {
    steps.iter().any(|step| step.act.is_scored())
}

/// For each side every angle, in the order in which masses are hung there. Both sides where none is named.
fn cranks(sides: &[Side], angles_deg: &[f64]) -> Vec<CrankPosition> {
    let sides = if sides.is_empty() { &[Side::Left, Side::Right][..] } else { sides };
    let angles: Vec<Option<f64>> =
        if angles_deg.is_empty() { vec![None] } else { angles_deg.iter().copied().map(Some).collect() };
    sides
        .iter()
        .flat_map(|side| angles.iter().map(|angle_deg| CrankPosition { side: *side, angle_deg: *angle_deg }))
        .collect()
}

#[cfg(test)]
pub(super) mod tests {
    use std::path::Path;

    use super::*;
    use crate::protocol;

    /// Names of all protocols that are shipped.
    pub(in crate::brief) fn all_shipped() -> Vec<String> {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("protocols");
        let files = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path());
        let mut names: Vec<String> = files.map(|file| file.file_stem().unwrap().to_str().unwrap().to_owned()).collect();
        names.sort();
        assert!(names.len() >= 7, "{names:?}");
        names
    }

    pub(in crate::brief) fn shipped(name: &str) -> Protocol {
        let file = Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("protocols/{name}.yaml"));
        protocol::load(&file, None).unwrap()
    }

    pub(in crate::brief) fn written(phases: &str) -> Protocol {
        let text = format!("assize: 1\ntitle: t\nrevision: \"1\"\nphases:\n{phases}");
        protocol::load_bytes(Path::new("made-up.yaml"), text.as_bytes()).unwrap()
    }

    fn acts(steps: &[Step]) -> Vec<StepAction> {
        steps.iter().map(|step| step.act).collect()
    }

    #[test]
    fn what_the_protocol_writes_takes_as_long_as_the_protocol_plans() {
        for name in all_shipped() {
            let protocol = shipped(&name);
            let steps = steps(&protocol);
            let any = protocol.order == PhaseOrder::Any;
            // The plan counts a recovery for each repeat; ridden are those between repeats, on the road none by the clock.
            let not_ridden_s: f64 = protocol
                .phases
                .iter()
                .map(|p| {
                    let recoveries = if any { p.repeats } else { 1 };
                    p.drill.recover_s().and_then(|r| r.middle()).unwrap_or(0.0) * f64::from(recoveries)
                })
                .sum();
            let of_protocol: Vec<Step> = steps.iter().filter(|s| s.part.is_some()).cloned().collect();
            let (ridden, waited): (Vec<Step>, Vec<Step>) =
                of_protocol.into_iter().partition(|s| s.act != StepAction::OffBike);
            assert!((planned_s(&ridden) - (protocol.riding_s() - not_ridden_s)).abs() < 1e-6, "{name}");
            assert_eq!(planned_s(&waited), protocol.waiting_s(), "{name}");
        }
    }

    #[test]
    fn every_repeat_of_every_shipped_protocol_opens_once_in_order_and_ends() {
        for name in all_shipped() {
            let protocol = shipped(&name);
            let steps = steps(&protocol);
            let asked: Vec<(usize, u32)> = protocol
                .phases
                .iter()
                .enumerate()
                .filter(|(_, p)| p.is_scored_riding())
                .flat_map(|(at, p)| (1..=p.repeats).map(move |repeat| (at, repeat)))
                .collect();
            let opened: Vec<(usize, u32)> = steps
                .iter()
                .filter(|s| s.opens_repeat())
                .map(|s| s.part.map(|p| (p.phase, p.repeat)).unwrap())
                .collect();
            assert_eq!(opened, asked, "{name}");
            let ended = steps.iter().filter(|s| s.presses_lap() && !s.act.is_scored()).count();
            assert_eq!(ended, asked.len(), "{name}");
            assert!(!steps.last().unwrap().act.is_scored(), "{name}");
        }
    }

    #[test]
    fn six_sprints_share_five_recoveries() {
        let steps = steps(&shipped("bench-both-rings"));
        let is_part = |s: &&Step| s.part.is_some_and(|p| shipped("bench-both-rings").phases[p.phase].repeats == 6);
        let count = |act: StepAction| steps.iter().filter(is_part).filter(|s| s.act == act).count();
        // Six sprints, and six times coast and restart, each with five recoveries between.
        assert_eq!((count(StepAction::Sprint), count(StepAction::Coast), count(StepAction::Recover)), (6, 6, 10));
    }

    #[test]
    fn a_change_of_ring_is_told_where_there_is_time_for_it() {
        let steps = steps(&shipped("bench-both-rings"));
        let blocks: Vec<usize> = (0..steps.len()).filter(|at| steps[*at].act == StepAction::Block).collect();
        let told: Vec<_> = blocks.iter().map(|at| (steps[*at].ring.unwrap(), steps[at - 1].shift_to)).collect();
        use Ring::{Big, Small};
        assert_eq!(
            told,
            [
                (Big, Some(Big)),
                (Small, Some(Small)),
                (Small, None),
                (Big, Some(Big)),
                (Big, None),
                (Small, Some(Small))
            ]
        );
    }

    #[test]
    fn what_is_left_unwritten_is_there() {
        let protocol = written(
            "  - {phase: a, drill: sprint, effort: at least 500 W, lasts: 8 s, repeat: 2}\n  \
             - {phase: b, drill: coast_restart, lead_in: 200 W for 20 s, coast: 8 s, restart: at least 300 W for 6 s, recover: 20 s}\n",
        );
        let steps = steps(&protocol);
        use StepAction::*;
        assert_eq!(acts(&steps), [WarmUp, Sprint, Recover, Sprint, Recover, LeadIn, Coast, Restart, CoolDown]);
        // Nobody says how long; and after a sprint the legs rest as after a sprint.
        assert_eq!(steps[0].lasts, StepLength::default());
        assert_eq!(steps[4].lasts, StepLength::planned(105.0));
        assert_eq!(steps[8].lasts, StepLength::default());
    }

    #[test]
    fn the_zero_is_read_again_at_the_end_and_each_mass_is_a_step() {
        let rig = steps(&shipped("rig-ramp-and-loads"));
        let reads: Vec<TypedReading> = rig.iter().filter_map(|s| s.reads).collect();
        assert_eq!((reads[0], reads[reads.len() - 1]), (TypedReading::ZeroBefore, TypedReading::ZeroAfter));
        let masses: Vec<f64> = reads
            .iter()
            .filter_map(|r| if let TypedReading::Torque(load) = r { Some(load.mass_kg) } else { None })
            .collect();
        assert_eq!(masses, [5.0, 10.0, 20.0, 10.0, 5.0, 5.0, 10.0, 20.0, 10.0, 5.0]);
        assert!(rig.iter().all(|s| !s.is_typed() || s.lasts.planned_s.is_none()));
    }

    /// What stands against somebody who gets on: a wheel blocked, a mass hung.
    fn walk_past_masses(name: &str, steps: &[Step]) {
        let (mut blocked, mut hung) = (None, false);
        for step in steps {
            match step.act {
                StepAction::BlockWheel => {
                    assert!(blocked.is_none() && !hung, "{name}: blocked twice");
                    blocked = Some(step.crank.unwrap());
                }
                StepAction::Load => {
                    let Some(TypedReading::Torque(load)) = step.reads else {
                        panic!("{name}: a mass without its reading")
                    };
                    assert_eq!(blocked, Some(load.at), "{name}: hung where the crank does not stand");
                    hung = true;
                }
                StepAction::MassOff => {
                    assert!(blocked.is_some() && hung, "{name}: nothing to take off");
                    assert_eq!(step.says(), "Take the mass off, release the wheel, nobody near the cranks");
                    (blocked, hung) = (None, false);
                }
                act => assert!(blocked.is_none() && !hung, "{name}: {} with the wheel blocked", act.word()),
            }
        }
        assert!(blocked.is_none() && !hung, "{name}: left with a mass on");
    }

    #[test]
    fn nobody_rolls_off_with_a_mass_on_in_any_shipped_protocol() {
        for name in all_shipped() {
            walk_past_masses(&name, &steps(&shipped(&name)));
        }
        let rig = steps(&shipped("rig-ramp-and-loads"));
        let count = |act: StepAction| rig.iter().filter(|step| step.act == act).count();
        assert_eq!((count(StepAction::BlockWheel), count(StepAction::Load), count(StepAction::MassOff)), (2, 10, 2));
    }

    /// Every drill before, between and after every other, up to four at a time, as written and as the road brings them.
    #[test]
    fn nobody_rolls_off_with_a_mass_on_in_any_order_of_drills() {
        let drills = [
            "drill: free, lasts: 2 min",
            "drill: wait, lasts: 10 min",
            "drill: steady, power: 200 W, lasts: 4 min, ring: small",
            "drill: sprint, effort: at least 500 W, lasts: 8 s, repeat: 2",
            "drill: coast_restart, lead_in: 200 W for 20 s, coast: 8 s, restart: at least 300 W for 6 s",
            "drill: soft_pedal, surge: 300 W for 10 s, soft: 30..90 W for 20 s",
            "drill: ramp, steps: [80 W, 140 W, 200 W], each: 60 s",
            "drill: static_load, loads: [5 kg, 10 kg], sides: [left, right], angles: [90 °, 45 °]",
            "drill: static_load, loads: [5 kg], repeat: 2",
            "drill: zero_check",
        ];
        let all: String =
            drills.iter().enumerate().map(|(n, drill)| format!("  - {{phase: p{n}, {drill}}}\n")).collect();
        let mut protocol = written(&all);
        let phases = std::mem::take(&mut protocol.phases);
        assert_eq!(phases.len(), drills.len());
        let mut orders: Vec<Vec<usize>> = vec![vec![]];
        let mut walked = 0;
        for _ in 0..4 {
            orders = orders.iter().flat_map(|o| (0..phases.len()).map(|n| [o.as_slice(), &[n]].concat())).collect();
            for order in &orders {
                protocol.phases = order.iter().map(|n| phases[*n].clone()).collect();
                for any in [PhaseOrder::AsWritten, PhaseOrder::Any] {
                    protocol.order = any;
                    walk_past_masses(&format!("{order:?}"), &steps(&protocol));
                    walked += 1;
                }
            }
        }
        assert_eq!(walked, 2 * (10 + 100 + 1000 + 10_000));
    }

    #[test]
    fn on_the_road_every_repeat_waits_for_its_place() {
        let steps = steps(&shipped("road-climbs"));
        for pair in steps.windows(2).filter(|pair| pair[1].opens_repeat()) {
            assert_eq!((pair[0].act, pair[0].lasts.planned_s), (StepAction::Look, None));
            assert_eq!(pair[0].grade_pct, pair[1].grade_pct);
        }
    }

    #[test]
    fn steps_are_told_in_few_words() {
        let steps = steps(&shipped("bench-both-rings"));
        let said = |act: StepAction| steps.iter().find(|s| s.act == act).unwrap().says();
        assert_eq!(said(StepAction::Sprint), "Sprint standing, at least 600 W, big ring");
        assert_eq!(said(StepAction::Block), "Steady, 120 W, 80 to 95 rpm, big ring");
        assert_eq!(said(StepAction::RollOff), "Roll off, then onto the big ring");
        assert_eq!(said(StepAction::Soft), "Pedal softly, 30 to 90 W, at least 50 rpm");
        assert_eq!(PowerAim::Between(30.0, 90.0).of_threshold(250.0), "12 to 36 %");
        assert_eq!(PowerAim::AtLeast(600.0).of_threshold(250.0), "at least 240 %");
    }
}
