//! The parts of the ride on the run sheet: their lines, what is between repeats and what makes a repeat count.

use serde::Serialize;

use super::wording::{clock, does, lasts, posture, range_s, span};
use crate::brief::{self, Part, PartLine, PowerAim, Step, StepAction, TypedReading};
use crate::protocol::{self, Accept, Effort, Phase, PhaseOrder, Protocol, Setting, trim};
use crate::quantity::Range;
use crate::session::Drivetrain;
use crate::words;

/// Middle of what legs turn where the protocol says nothing: blocks, sprints, soft pedalling. Common practice, no source.
const USUAL_RPM: f64 = 88.0;
const SPRINT_RPM: f64 = 106.0;

/// A part of the ride.
#[derive(Debug, Clone, Serialize)]
pub struct PartRow {
    /// Since the start; `None` where the road decides.
    pub at: Option<String>,
    pub title: String,
    pub easy: bool,
    /// Repeats of its one phase.
    pub times: Option<u32>,
    /// Where, what is between repeats, what counts.
    pub how: Vec<String>,
    pub lines: Vec<LineRow>,
}

/// A move.
#[derive(Debug, Clone, Serialize)]
pub struct LineRow {
    pub at: Option<String>,
    pub does: String,
    pub times: Option<u32>,
    pub lasts: String,
    pub power: Option<String>,
    /// Of the rider's threshold power.
    pub share: Option<String>,
    pub cadence: Option<String>,
    pub ring: Option<String>,
    pub gear: Option<String>,
}

/// Writes the parts of the ride.
pub(super) struct PartWriter<'a> {
    pub protocol: &'a Protocol,
    pub drivetrain: &'a Drivetrain,
    pub threshold_power_w: Option<f64>,
}

impl PartWriter<'_> {
    pub fn part(&self, part: &Part) -> PartRow {
        let phase = part.phase().map(|at| &self.protocol.phases[at]);
        let first = part.lines.first();
        let times = first.filter(|_| part.lines.len() == 1).map(|line| line.times).filter(|times| *times > 1);
        let unwritten = || first.and_then(|line| line.moves.first()).map(does).unwrap_or_default();
        let lines: Vec<LineRow> =
            part.lines.iter().enumerate().flat_map(|(at, line)| self.line(part, at, line)).collect();
        PartRow {
            at: self.at(part.at_s).filter(|_| part.lines.len() == 1),
            title: phase.map_or_else(unwritten, |phase| words::capital(&words::phase(&phase.id.name))),
            easy: part.is_easy(),
            times,
            how: phase.map_or(vec![], |phase| self.how(part, phase)),
            lines,
        }
    }

    fn at(&self, at_s: f64) -> Option<String> {
        (self.protocol.order == PhaseOrder::AsWritten).then(|| clock(at_s))
    }

    /// What is between its repeats, and how it is decided.
    fn how(&self, part: &Part, phase: &Phase) -> Vec<String> {
        let mut how = vec![];
        how.extend(phase.grade_pct.and_then(|range| span(&range, "% grade")).map(|grade| format!("on {grade}")));
        let waits = |step: &&Step| step.act != StepAction::Look || step.lasts.asked_s.is_some();
        let between: Vec<String> = part
            .between
            .iter()
            .filter(waits)
            .map(|step| {
                let power = step.power.map(|power| format!(", {power}")).unwrap_or_default();
                format!("{}{power}", lasts(&step.lasts))
            })
            .collect();
        if !between.is_empty() {
            let shift = if part.shifts { ", and the change of ring" } else { "" };
            how.push(format!("{} easy between{shift}", between.join(" or ")));
        }
        let masses =
            part.lines.first().map_or(0, |line| line.moves.iter().filter(|step| step.act == StepAction::Load).count());
        if masses > 0 {
            how.push(format!("{masses} masses in this order; write down each torque"));
        }
        how.extend(counts(phase));
        if phase.repeats > 1 && phase.accept != Accept::EveryRepeat {
            how.push(match phase.accept {
                Accept::AtLeast { passing, of } => format!("{passing} of {of} must pass"),
                other => other.to_string(),
            });
        }
        how.extend(match phase.part {
            protocol::Part::Optional if phase.is_scored_riding() => Some("may be left out".to_owned()),
            protocol::Part::Advisory if phase.is_scored_riding() => Some("for information".to_owned()),
            _ => None,
        });
        how
    }

    fn line(&self, part: &Part, at: usize, line: &PartLine) -> Vec<LineRow> {
        let is = |act: StepAction| line.moves.iter().all(|step| step.act == act);
        if is(StepAction::Level) {
            return vec![self.ramp(line)];
        }
        if line.moves.iter().any(|step| step.act == StepAction::Load) {
            return self.masses(line);
        }
        let several = part.lines.len() > 1;
        let mut carried = None;
        line.moves
            .iter()
            .enumerate()
            .map(|(n, step)| {
                let mut row = self.row(step, &mut carried);
                if several && n == 0 {
                    row.at = self.at(line.at_s);
                    row.times = Some(line.times).filter(|times| *times > 1);
                    if line.moves.len() == 1 {
                        row.does = match step.act {
                            StepAction::Block => numbered(at, step),
                            _ => row.does,
                        };
                    }
                }
                row
            })
            .collect()
    }

    fn row(&self, step: &Step, carried: &mut Option<brief::ChosenGear>) -> LineRow {
        // Nobody shifts while the cranks stand still: the restart is ridden on the gear of the lead-in.
        let gear = match step.act {
            StepAction::Coast => None,
            StepAction::Restart => *carried,
            _ => self.gear(step),
        };
        *carried = gear.or(*carried);
        let ring = step.ring.map(|ring| format!("{} ring", ring.word()));
        let shift = step.shift_to.filter(|_| !step.act.is_scored()).map(|ring| format!("then {} ring", ring.word()));
        LineRow {
            at: None,
            does: if step.is_typed() { step.says() } else { does(step) },
            times: None,
            lasts: lasts(&step.lasts),
            power: step.power.map(|power| power.to_string()),
            share: self.share(step.power),
            cadence: step.cadence_rpm.and_then(|range| span(&range, "rpm")),
            ring: ring.or(shift),
            gear: gear.map(|gear| format!("{} × {}", gear.ring, gear.cog)),
        }
    }

    fn share(&self, power: Option<PowerAim>) -> Option<String> {
        let share = power?.of_threshold(self.threshold_power_w?);
        // Beside the watts, which say whether that is the least or the most.
        Some(share.trim_start_matches("at least ").trim_start_matches("at most ").to_owned())
    }

    /// On the road the road decides.
    fn gear(&self, step: &Step) -> Option<brief::ChosenGear> {
        if self.protocol.setting == Setting::Road {
            return None;
        }
        let power_w = match step.power? {
            PowerAim::At(power_w) | PowerAim::AtLeast(power_w) | PowerAim::AtMost(power_w) => power_w,
            PowerAim::Between(low_w, high_w) => (low_w + high_w) / 2.0,
        };
        let usual_rpm = if step.act == StepAction::Sprint { SPRINT_RPM } else { USUAL_RPM };
        let cadence_rpm = step.cadence_rpm.filter(|range| range.high.is_some()).and_then(|range| range.middle());
        brief::gear(self.drivetrain, step.ring?, power_w, cadence_rpm.unwrap_or(usual_rpm))
    }

    /// All its steps in one line.
    fn ramp(&self, line: &PartLine) -> LineRow {
        let first = &line.moves[0];
        let mut row = self.row(first, &mut None);
        let watts: Vec<String> = line
            .moves
            .iter()
            .filter_map(|step| if let Some(PowerAim::At(power_w)) = step.power { Some(trim(power_w)) } else { None })
            .collect();
        row.at = self.at(line.at_s);
        row.does = "Ramp".to_owned();
        row.lasts = format!("{} each", row.lasts);
        row.power = Some(format!("{} W", watts.join(", ")));
        row.share = None;
        row.gear = None;
        row
    }

    /// The masses of one position of the crank in one line, what is done to wheel and crank in lines of their own.
    fn masses(&self, line: &PartLine) -> Vec<LineRow> {
        let of_one = |moves: &[Step]| {
            let mut row = self.row(&moves[0], &mut None);
            let hung = moves.iter().filter_map(|step| match step.reads {
                Some(TypedReading::Torque(load)) => Some(trim(load.mass_kg)),
                _ => None,
            });
            let kg: Vec<String> = hung.collect();
            row.does = if kg.is_empty() { moves[0].says() } else { format!("Hang {} kg", kg.join(", ")) };
            row
        };
        line.moves.chunk_by(|a, b| a.act == StepAction::Load && b.act == StepAction::Load).map(of_one).collect()
    }
}

/// What makes a repeat of this phase count.
fn counts(phase: &Phase) -> Option<String> {
    let settle_s = phase.drill.settle_s();
    let first = || format!("first {}", range_s(&Range::between(settle_s, settle_s)));
    let efforts: Vec<Effort> = phase.drill.moves().iter().map(|m| m.effort).collect();
    Some(match efforts.as_slice() {
        [Effort::Steady(_)] => {
            let held = format!("power within {} %", trim(phase.tolerance * 100.0));
            if settle_s > 0.0 { format!("{held}, {} not scored", first()) } else { held }
        }
        [Effort::AllOut(effort_w)] => {
            let asked = PowerAim::of(effort_w).map(|aim| aim.to_string())?;
            format!("counts if the reference's best 3 s are {asked}")
        }
        efforts if efforts.contains(&Effort::Coast) => {
            "feet still all through, then at once and hard, in the same gear".to_owned()
        }
        [Effort::Short(_), Effort::Short(_)] => "straight down from the surge, turning all the while".to_owned(),
        [Effort::Steady(_), ..] if settle_s > 0.0 => format!("{} of each step not scored", first()),
        _ => return None,
    })
}

/// Blocks of one name are told apart by a number, with the posture where one is asked.
fn numbered(at: usize, step: &Step) -> String {
    match posture(step) {
        Some(posture) => format!("{} {posture}", at + 1),
        None => (at + 1).to_string(),
    }
}
