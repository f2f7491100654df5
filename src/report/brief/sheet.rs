//! What stands on the run sheet, as texts: the same for page and terminal.

use serde::Serialize;

use super::parts::{PartRow, PartWriter};
use super::wording::{about, range_s};
use crate::brief::{self, Step, StepAction, TypedReading};
use crate::cautions::{self, Caution};
use crate::protocol::{Phase, PhaseOrder, Protocol, Setting, Side, trim};
use crate::quantity::Range;
use crate::session::{Instrument, Session, TrainerMode};

/// A run sheet. Texts from files are as written, to be escaped by whoever shows them; `None` is a blank to fill in.
#[derive(Debug, Clone, Serialize)]
pub struct RunSheet {
    pub title: String,
    pub revision: String,
    pub purpose: Option<String>,
    pub sha256: String,
    pub setting: &'static str,
    pub length: String,
    /// What does not fit: another protocol than the session's, targets of another rider.
    pub notes: Vec<String>,
    /// Term and what is known.
    pub facts: Vec<(String, Option<String>)>,
    pub instruments: Vec<Worn>,
    pub checks: Vec<String>,
    /// Whether phases come when the road brings them.
    pub any_order: bool,
    pub has_gears: bool,
    pub has_shares: bool,
    pub parts: Vec<PartRow>,
    pub ride_notes: Vec<String>,
    pub spoils: Vec<String>,
    /// What to write down beside the zeros, with what is known of it.
    pub conditions: Vec<(String, Option<String>)>,
    /// Whether zeros are read before and after.
    pub zeros: bool,
    pub loads: Vec<LoadRow>,
    pub cautions: Vec<&'static str>,
    pub version: &'static str,
}

/// An instrument on the bike, as far as it is known.
#[derive(Debug, Clone, Serialize)]
pub struct Worn {
    pub role: &'static str,
    pub label: Option<String>,
    /// Where it measures, which sides, how well, and what records it.
    pub place: Option<String>,
    pub firmware: Option<String>,
    pub battery: Option<String>,
}

/// A reading to type.
#[derive(Debug, Clone, Serialize)]
pub struct LoadRow {
    pub mass: String,
    pub side: &'static str,
    pub angle: String,
}

impl RunSheet {
    /// The sheet of a protocol. `threshold_power_w` is the rider's own, where it is known; `session` says what is worn, on
    /// which bike, and by whom.
    pub fn of(protocol: &Protocol, session: Option<&Session>, threshold_power_w: Option<f64>) -> Self {
        let steps = brief::steps(protocol);
        let parts = brief::parts(protocol, &steps);
        let nothing = Session::default();
        let known = session.unwrap_or(&nothing);
        let writer = PartWriter { protocol, drivetrain: &known.drivetrain, threshold_power_w };
        let rows: Vec<PartRow> = parts.iter().map(|part| writer.part(part)).collect();
        let lines = || rows.iter().flat_map(|row| &row.lines);
        let loads: Vec<LoadRow> = steps.iter().filter_map(load).collect();
        Self {
            title: protocol.title.clone(),
            revision: protocol.revision.clone(),
            purpose: protocol.purpose.clone(),
            sha256: protocol.sha256.clone(),
            setting: match protocol.setting {
                Setting::Indoor => "indoors",
                Setting::Road => "on the road",
                Setting::Rig => "on a rig",
            },
            length: length(protocol, &steps),
            notes: notes(protocol, session, threshold_power_w),
            facts: facts(protocol, known, threshold_power_w),
            instruments: worn(protocol, known),
            checks: checks(protocol, &steps, known),
            any_order: protocol.order == PhaseOrder::Any,
            has_gears: lines().any(|line| line.gear.is_some()),
            has_shares: lines().any(|line| line.share.is_some()),
            ride_notes: ride_notes(protocol, lines().any(|line| line.gear.is_some())),
            spoils: spoils(protocol),
            conditions: conditions(&steps, known),
            zeros: does(&steps, StepAction::Zero),
            loads,
            cautions: cautions::of(Some(protocol)).into_iter().map(Caution::text).collect(),
            parts: rows,
            version: env!("CARGO_PKG_VERSION"),
        }
    }
}

/// Whether it is a step of the trial.
fn does(steps: &[Step], act: StepAction) -> bool {
    steps.iter().any(|step| step.act == act)
}

/// How long, to the minute, and what is not counted in it.
fn length(protocol: &Protocol, steps: &[Step]) -> String {
    let of = |off_bike: bool| {
        let some = steps.iter().filter(|step| (step.act == StepAction::OffBike) == off_bike);
        brief::planned_s(&some.cloned().collect::<Vec<_>>())
    };
    let (ridden_s, off_s) = (of(false), of(true));
    let mut text = match protocol.order {
        PhaseOrder::AsWritten => format!("about {} of riding", about(ridden_s)),
        PhaseOrder::Any => format!("{} of drills and what the road needs between them", about(ridden_s)),
    };
    if off_s > 0.0 {
        text += &format!(", {} off the bike", about(off_s));
    }
    let typed = steps.iter().filter(|step| matches!(step.reads, Some(TypedReading::Torque(_)))).count();
    if typed > 0 {
        text += &format!(", {typed} masses to hang");
    }
    text
}

fn notes(protocol: &Protocol, session: Option<&Session>, threshold_power_w: Option<f64>) -> Vec<String> {
    let mut notes = vec![];
    if let Some(other) = session.and_then(|s| s.protocol.as_ref()).filter(|other| other.sha256 != protocol.sha256) {
        notes.push(format!(
            "The session names another protocol: {}, revision {}. This sheet is for {}, revision {}.",
            other.title, other.revision, protocol.title, protocol.revision
        ));
    }
    if let (None, Some(basis_w)) = (threshold_power_w, protocol.threshold_power_w) {
        notes.push(format!(
            "Targets of a threshold power are for the protocol's own {} W: with --threshold they are the rider's.",
            trim(basis_w)
        ));
    }
    notes
}

fn facts(protocol: &Protocol, known: &Session, threshold_power_w: Option<f64>) -> Vec<(String, Option<String>)> {
    let drivetrain = &known.drivetrain;
    let teeth = |list: &[u32]| {
        let text: Vec<String> = list.iter().map(u32::to_string).collect();
        (!text.is_empty()).then(|| text.join(" "))
    };
    let mut facts = vec![
        ("Tester".to_owned(), known.tester.clone()),
        ("Place".to_owned(), known.place.clone()),
        ("Date".to_owned(), known.date.clone()),
        ("Threshold power".to_owned(), threshold_power_w.map(|w| format!("{} W", trim(w.round())))),
        ("Chainrings".to_owned(), teeth(&drivetrain.chainrings)),
        ("Cassette".to_owned(), teeth(&drivetrain.cassette)),
    ];
    let claims: Vec<String> =
        known.units.iter().filter_map(|unit| unit.claimed.as_ref().map(|c| c.to_string())).collect();
    if !claims.is_empty() {
        facts.push(("Unit claims".to_owned(), Some(claims.join("; "))));
    }
    if protocol.setting != Setting::Road {
        let mode = known.references.iter().find_map(|reference| reference.mode);
        let mode = mode.map(|mode| match mode {
            TrainerMode::Resistance => "resistance",
            TrainerMode::ConstantPower => "holds the power",
        });
        facts.push(("Trainer's mode".to_owned(), mode.map(str::to_owned)));
    }
    facts
}

/// The unit and its references; as many blank ones as the protocol needs and nobody named.
fn worn(protocol: &Protocol, known: &Session) -> Vec<Worn> {
    let one = |role, instrument: &Instrument, stated: Option<String>| {
        let place = format!("{}, {}", instrument.located.word(), instrument.sides.word());
        let head_unit = instrument.head_unit.as_ref().map(|name| format!("on {name}"));
        Worn {
            role,
            label: Some(instrument.label.clone()),
            place: Some([Some(place), stated, head_unit].into_iter().flatten().collect::<Vec<_>>().join(", ")),
            firmware: instrument.firmware.clone(),
            battery: instrument.battery.clone(),
        }
    };
    let blank = |role| Worn { role, label: None, place: None, firmware: None, battery: None };
    let mut worn: Vec<Worn> = known.units.iter().map(|unit| one("Unit", &unit.instrument, None)).collect();
    if worn.is_empty() {
        worn.push(blank("Unit"));
    }
    worn.extend(known.references.iter().map(|reference| {
        let stated = format!("±({})", reference.uncertainty);
        one("Reference", &reference.instrument, Some(stated))
    }));
    let missing = protocol.needs.references.max(1).saturating_sub(known.references.len());
    worn.extend((0..missing).map(|_| blank("Reference")));
    worn
}

/// In the order in which a tester does it.
fn checks(protocol: &Protocol, steps: &[Step], known: &Session) -> Vec<String> {
    let rides = protocol.phases.iter().any(Phase::is_scored_riding);
    let length = known.conditions.crank_length_m.map(|m| format!(" ({} mm)", trim(m * 1000.0)));
    let mut checks = vec![
        "Fitted and torqued to the makers' figures: unit, references, pedals, cassette".to_owned(),
        format!("Crank length{} set on every instrument that asks for it", length.unwrap_or_default()),
        "Firmware noted, nothing updated between this and the last trial unless on purpose".to_owned(),
        "Batteries charged or fresh: unit, references, heart-rate strap, head units".to_owned(),
    ];
    if rides {
        checks.extend(
            [
                "One head unit for each instrument, paired with it and with no other power meter",
                "One heart-rate strap, worn by the rider and paired with every head unit",
                "Every head unit: recording every second, automatic pause off, clock set to the same time",
            ]
            .map(str::to_owned),
        );
        if protocol.setting == Setting::Road {
            checks.push(
                "Every head unit: position on, and waited for; wheel sensor shared where there is one".to_owned(),
            );
            checks.push("Drills learnt by heart, places for each chosen on the map".to_owned());
        } else {
            checks.push("Bike secured, tyre and floor dry, floor clear, fan and drink in reach".to_owned());
        }
    }
    if does(steps, StepAction::Load) {
        checks.push(
            "Masses weighed, a block for the wheel and a level at hand; crank length and place known for gravity"
                .to_owned(),
        );
    }
    if rides {
        checks.push("All recordings started before the warm-up and stopped only at the very end".to_owned());
    }
    if let Some(warm_up_s) = protocol.needs.warm_up_s {
        checks.push(format!(
            "Warm-up of at least {}, with the unit on the bike, before any zero offset",
            range_s(&Range::between(warm_up_s, warm_up_s))
        ));
    }
    if !does(steps, StepAction::Zero) {
        checks.push("Zero offset of every instrument set after the warm-up, cranks unloaded, and not again".to_owned());
    }
    checks
}

/// What goes for the whole ride.
fn ride_notes(protocol: &Protocol, has_gears: bool) -> Vec<String> {
    let mut notes = vec![
        match protocol.order {
            PhaseOrder::AsWritten => "Times count riding only: readings and stops come on top.",
            PhaseOrder::Any => "In any order: ride each when the road has room for it, and tick it off.",
        }
        .to_owned(),
    ];
    if protocol.phases.iter().any(Phase::is_scored_riding) {
        notes.push(
            "Press lap where each repeat begins and where it ends; late does no harm, and the workout file does it by itself."
                .to_owned(),
        );
    }
    if has_gears {
        notes.push(
            "Cogs are where to begin; on your trainer others may fit. At one power keep the wheel as fast on both rings."
                .to_owned(),
        );
    }
    notes
}

/// What spoils a repeat, and what to do then.
fn spoils(protocol: &Protocol) -> Vec<String> {
    if !protocol.phases.iter().any(Phase::is_scored_riding) {
        return vec!["A mass that swung or slipped: hang it again and keep the second reading.".to_owned()];
    }
    let road = if protocol.setting == Setting::Road { ", traffic" } else { "" };
    vec![
        format!("Spoiled: chain dropped, wrong ring, stopped in the middle, target missed, radio or head unit lost{road}."),
        "Write its number and the time of day, and ride it once more at the end of its series: one too many does no harm."
            .to_owned(),
        "Do not set a zero offset again, and do not touch a head unit but for the lap.".to_owned(),
    ]
}

fn conditions(steps: &[Step], known: &Session) -> Vec<(String, Option<String>)> {
    let of = &known.conditions;
    let with_unit = |value: Option<f64>, unit: &str| value.map(|v| format!("{} {unit}", trim(v)));
    let mut list = vec![
        ("Temperature, start".to_owned(), with_unit(of.temperature_c, "°C")),
        ("Temperature, end".to_owned(), None),
        ("Crank length".to_owned(), with_unit(of.crank_length_m.map(|m| m * 1000.0), "mm")),
    ];
    if does(steps, StepAction::Load) {
        list.push(("Latitude".to_owned(), with_unit(of.latitude_deg, "°")));
        list.push(("Height above sea".to_owned(), with_unit(of.height_m, "m")));
    }
    list
}

fn load(step: &Step) -> Option<LoadRow> {
    let Some(TypedReading::Torque(load)) = step.reads else { return None };
    Some(LoadRow {
        mass: format!("{} kg", trim(load.mass_kg)),
        side: if load.at.side == Side::Left { "left" } else { "right" },
        angle: load.at.angle_deg.map_or("level".to_owned(), |angle| format!("{} °", trim(angle))),
    })
}
