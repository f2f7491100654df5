//! The steps as JSON, for whoever automates and for other readers of the workout.

use serde_json::{Value, json};

use crate::brief::workout::{WorkoutStep, WorkoutTarget};
use crate::brief::{PowerAim, Step};
use crate::protocol::Protocol;
use crate::quantity::Range;

/// Raised with every change of what a key means.
const BRIEF_FORMAT: u32 = 1;

/// What is planned, step by step: what the protocol asks, and what the workout shows of it.
pub fn to_json(protocol: &Protocol, steps: &[Step]) -> String {
    let of = |step: &Step| {
        let shown = WorkoutStep::of(step);
        let part = step.part.map(|part| {
            let phase = protocol.phases[part.phase].id.to_string();
            json!({ "phase": phase, "repeat": part.repeat, "of": part.of })
        });
        let band = |low: u32, high: u32| json!({ "low": low, "high": high });
        let (power, cadence) = match shown.target {
            WorkoutTarget::Open => (Value::Null, Value::Null),
            WorkoutTarget::Power(low, high) => (band(low, high), Value::Null),
            WorkoutTarget::Cadence(low, high) => (Value::Null, band(low, high)),
        };
        json!({
            "part": part,
            "act": step.act.word(),
            "says": step.says(),
            "lap": step.presses_lap(),
            "planned_s": step.lasts.planned_s,
            "asked_s": step.lasts.asked_s.map(range),
            "power_w": step.power.map(aim),
            "cadence_rpm": step.cadence_rpm.map(range),
            "grade_pct": step.grade_pct.map(range),
            "ring": step.ring.map(|ring| ring.word()),
            "shift_to": step.shift_to.map(|ring| ring.word()),
            "posture": step.posture.map(|posture| posture.word()),
            "workout": { "name": shown.name, "note": shown.note, "lasts_ms": shown.lasts_ms, "power_w": power, "cadence_rpm": cadence },
        })
    };
    let steps: Vec<Value> = steps.iter().map(of).collect();
    let all = json!({
        "assize": env!("CARGO_PKG_VERSION"),
        "brief_format": BRIEF_FORMAT,
        "protocol": { "title": protocol.title, "revision": protocol.revision, "sha256": protocol.sha256 },
        "steps": steps,
    });
    format!("{all:#}\n")
}

fn range(range: Range) -> Value {
    json!({ "low": range.low, "high": range.high })
}

fn aim(aim: PowerAim) -> Value {
    let (low, high) = match aim {
        PowerAim::At(power_w) => (Some(power_w), Some(power_w)),
        PowerAim::Between(low_w, high_w) => (Some(low_w), Some(high_w)),
        PowerAim::AtLeast(low_w) => (Some(low_w), None),
        PowerAim::AtMost(high_w) => (None, Some(high_w)),
    };
    json!({ "low": low, "high": high })
}
