//! What a recording holds, as facts that are written as JSON and told on a terminal.

use chrono::{DateTime, SecondsFormat, TimeDelta, Utc};
use serde::Serialize;

use crate::premises::TestedPremise;
use crate::recording::{
    self, GearChange, HeadUnitSummary, PositionChange, Recording, RiderPosition, Samples, Sensor, TimerEvent, TimerKind,
};
use crate::verdict::premise_evidence;

#[derive(Serialize)]
pub(super) struct Report {
    pub recordings: Vec<Facts>,
    /// What they say of themselves and of each other, before anybody says which is the unit's.
    pub premises: Vec<FilesPremise>,
    pub unreadable: Vec<Unreadable>,
}

#[derive(Serialize)]
pub(super) struct FilesPremise {
    pub premise: &'static str,
    /// Files; of a restarted head unit all of them, with commas.
    pub about: Vec<String>,
    pub state: &'static str,
    pub evidence: String,
}

impl FilesPremise {
    pub fn of(tested: &TestedPremise) -> Self {
        Self {
            premise: tested.premise.word(),
            about: tested.about.clone(),
            state: tested.state.word(),
            evidence: premise_evidence(tested),
        }
    }
}

#[derive(Serialize)]
pub(super) struct Unreadable {
    pub file: String,
    pub message: String,
}

#[derive(Serialize)]
pub(super) struct Facts {
    pub file: String,
    pub format: &'static str,
    pub bytes: u64,
    pub sha256: String,
    pub head_unit: DeviceFacts,
    pub start: String,
    pub end: String,
    pub duration_s: f64,
    /// As the file holds them; `merged` of them share their time with a later one.
    pub records: usize,
    pub merged: usize,
    pub sampling: Sampling,
    pub channels: Vec<ChannelFacts>,
    pub stores: StorageFacts,
    pub summaries: Vec<SummaryFacts>,
    pub positions: Vec<PositionFacts>,
    pub laps: Vec<Stretch>,
    pub timer_pauses: Vec<Stretch>,
    pub gear_changes: Vec<GearFacts>,
    pub sensors: Vec<DeviceFacts>,
    pub damage: Vec<String>,
    pub cautions: Vec<String>,
}

/// How the head unit stores a second, by the rider's stops.
#[derive(Serialize)]
pub(super) struct StorageFacts {
    pub what: &'static str,
    pub stops: usize,
    pub between: usize,
    pub gradual: usize,
}

/// The head unit's own.
#[derive(Serialize)]
pub(super) struct SummaryFacts {
    pub start_s: f64,
    pub end_s: f64,
    pub timer_s: Option<f64>,
    pub sport: Option<String>,
    pub mean_power_w: Option<f64>,
}

#[derive(Serialize)]
pub(super) struct PositionFacts {
    pub at_s: f64,
    pub position: &'static str,
}

#[derive(Serialize)]
pub(super) struct Sampling {
    pub interval_s: f64,
    pub regular: bool,
    pub gaps: Vec<Stretch>,
}

/// Seconds since the recording's start.
#[derive(Serialize)]
pub(super) struct Stretch {
    pub start_s: f64,
    pub end_s: f64,
}

#[derive(Serialize)]
pub(super) struct ChannelFacts {
    pub name: String,
    pub unit: String,
    /// Records that have a value, of all that the file holds; so for the sums.
    pub n: usize,
    /// Among these.
    pub zeros: usize,
    /// Records that the file wrote as invalid.
    pub invalid: usize,
    /// Records that say nothing of this channel.
    pub missing: usize,
    pub sum: f64,
    /// Of each value without its fractional part, so that it can be compared with readers that ignore it.
    pub sum_of_whole_parts: f64,
    pub mean: Option<f64>,
    pub min: Option<f64>,
    pub max: Option<f64>,
}

#[derive(Serialize)]
pub(super) struct GearFacts {
    pub at_s: f64,
    pub front_teeth: Option<u32>,
    pub rear_teeth: Option<u32>,
    pub front_number: Option<u32>,
    pub rear_number: Option<u32>,
}

#[derive(Serialize)]
pub(super) struct DeviceFacts {
    #[serde(skip_serializing_if = "Option::is_none")]
    pub kind: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    pub maker: Option<String>,
    pub product: Option<String>,
    pub serial: Option<String>,
    pub firmware: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub battery: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub battery_voltage_v: Option<f64>,
    /// The number that it is heard by.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub number: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub source: Option<String>,
}

impl Facts {
    pub fn of(recording: &Recording, replaced: &Samples) -> Self {
        let unit = recording.head_unit.clone();
        let duration_s = recording.duration_s();
        let gaps = recording.gaps();
        let interval_s = recording.sampling_interval_s();
        let stores = recording.storage();
        let regular = gaps.is_empty() && recording.crowded() == 0;
        Self {
            file: recording.file.display().to_string(),
            format: recording.format.word(),
            bytes: recording.bytes,
            sha256: recording.sha256.clone(),
            head_unit: DeviceFacts {
                kind: None,
                name: None,
                maker: unit.maker,
                product: unit.product,
                serial: unit.serial,
                firmware: unit.firmware,
                battery: None,
                battery_voltage_v: None,
                number: None,
                source: None,
            },
            start: utc(recording.start),
            end: utc(recording.start + TimeDelta::milliseconds((duration_s * 1000.0).round() as i64)),
            duration_s,
            records: recording.samples.len() + replaced.len(),
            merged: replaced.len(),
            sampling: Sampling { interval_s, regular, gaps: gaps.into_iter().map(Stretch::from).collect() },
            channels: recording
                .samples
                .recorded()
                .into_iter()
                .map(|column| ChannelFacts::of(column, &recording.samples, replaced))
                .collect(),
            stores: StorageFacts {
                what: stores.storage.word(),
                stops: stores.stops,
                between: stores.between,
                gradual: stores.gradual,
            },
            summaries: recording.summaries.iter().map(SummaryFacts::of).collect(),
            positions: recording.positions.iter().map(PositionFacts::of).collect(),
            laps: recording.laps.iter().map(|lap| Stretch { start_s: lap.start_s, end_s: lap.end_s }).collect(),
            timer_pauses: pauses(&recording.timer),
            gear_changes: recording.gears.iter().map(GearFacts::of).collect(),
            sensors: recording.sensors.iter().map(DeviceFacts::of).collect(),
            damage: recording.damage.clone(),
            cautions: recording.cautions.clone(),
        }
    }
}

impl From<recording::Gap> for Stretch {
    fn from(recording::Gap { start_s, end_s }: recording::Gap) -> Self {
        Self { start_s, end_s }
    }
}

impl ChannelFacts {
    fn of(recording::Column { name, unit, values }: recording::Column, samples: &Samples, replaced: &Samples) -> Self {
        let again = replaced.channel(name).unwrap_or_default();
        let (counts, more) = (samples.counts(name), replaced.counts(name));
        let present = || values.iter().chain(again).flatten().copied();
        let n = counts.values + more.values;
        let sum: f64 = present().sum();
        Self {
            name: name.to_owned(),
            unit: unit.to_owned(),
            n,
            zeros: counts.zeros + more.zeros,
            invalid: counts.invalid + more.invalid,
            missing: counts.missing + more.missing,
            sum,
            sum_of_whole_parts: present().map(f64::trunc).sum(),
            mean: (n > 0).then(|| sum / n as f64),
            min: present().reduce(f64::min),
            max: present().reduce(f64::max),
        }
    }
}

impl SummaryFacts {
    fn of(summary: &HeadUnitSummary) -> Self {
        let HeadUnitSummary { start_s, end_s, timer_s, sport, mean_power_w } = summary.clone();
        Self { start_s, end_s, timer_s, sport, mean_power_w }
    }
}

impl PositionFacts {
    fn of(change: &PositionChange) -> Self {
        let position = match change.position {
            RiderPosition::Seated => "seated",
            RiderPosition::Standing => "standing",
        };
        Self { at_s: change.at_s, position }
    }
}

impl GearFacts {
    fn of(gear: &GearChange) -> Self {
        let &GearChange { at_s, front_teeth, rear_teeth, front_number, rear_number } = gear;
        Self { at_s, front_teeth, rear_teeth, front_number, rear_number }
    }
}

impl DeviceFacts {
    fn of(sensor: &Sensor) -> Self {
        let Sensor { kind, name, maker, product, serial, number, firmware, battery, battery_voltage_v, source } =
            sensor.clone();
        Self { kind, name, maker, product, serial, number, firmware, battery, battery_voltage_v, source }
    }
}

fn utc(time: DateTime<Utc>) -> String {
    time.to_rfc3339_opts(SecondsFormat::AutoSi, true)
}

/// From each stop of the timer to the start after it; a last stop opens no pause.
fn pauses(timer: &[TimerEvent]) -> Vec<Stretch> {
    let mut found = Vec::new();
    let mut stopped_s = None;
    for event in timer {
        match event.kind {
            TimerKind::Stop => stopped_s = stopped_s.or(Some(event.at_s)),
            TimerKind::Start => found.extend(stopped_s.take().map(|start_s| Stretch { start_s, end_s: event.at_s })),
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_pause_lasts_from_its_first_stop_to_the_next_start() {
        let event = |at_s, kind| TimerEvent { at_s, kind };
        let timer = [
            event(0.0, TimerKind::Start),
            event(10.0, TimerKind::Stop),
            event(12.0, TimerKind::Stop),
            event(40.0, TimerKind::Start),
            event(90.0, TimerKind::Stop),
        ];
        let found: Vec<_> = pauses(&timer).iter().map(|p| (p.start_s, p.end_s)).collect();
        assert_eq!(found, [(10.0, 40.0)]);
    }
}
