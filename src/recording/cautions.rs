//! What a tester should know before trusting a recording.

use super::model::{Recording, TimerKind};
use super::wording::counted;

/// A sound unit repeats a reading three or four times by chance; twice that is worth a look
/// (common practice, no source).
const REPEATED_SAMPLES: usize = 8;

pub(super) fn find(recording: &Recording) -> Vec<String> {
    let samples = &recording.samples;
    let has = |name: &str| samples.channel(name).is_some();
    let mut found = Vec::new();

    if recording.clock_unset() {
        found.push("the head unit's clock was not set; only shared channels can align this recording".to_owned());
    }
    let gaps = recording.gaps();
    if !gaps.is_empty() {
        let missing_s: f64 = gaps.iter().map(|gap| gap.end_s - gap.start_s - recording.sampling_interval_s()).sum();
        found.push(format!(
            "{} in recording, {missing_s:.0} s in all; nothing is filled in",
            counted(gaps.len(), "gap")
        ));
    }
    let crowded = recording.crowded();
    if crowded > 0 {
        found.push(format!(
            "{} less than half of the usual {} s after the one before; the recording is irregular",
            counted(crowded, "sample"),
            recording.sampling_interval_s()
        ));
    }
    if has("power") {
        if let Some((length, power_w, at)) = longest_repeat(&samples.power_w)
            && length >= REPEATED_SAMPLES
        {
            let at_s = samples.time_s[at];
            found.push(format!("power reads {power_w} W {length} times running, from second {at_s:.0} on"));
        }
        if samples.power_w.iter().flatten().all(|power_w| *power_w == 0.0) {
            found.push("power is zero throughout; was the meter paired and awake?".to_owned());
        }
        if !has("right_share") {
            found.push("no left/right balance that says its side; nothing can be judged by side".to_owned());
        }
    } else {
        found.push("no power in it".to_owned());
    }
    if !has("heart_rate") {
        found.push("no heart rate; its clock can't be aligned on a shared strap".to_owned());
    }
    for sensor in &recording.sensors {
        if let Some(battery @ ("low" | "critical")) = sensor.battery.as_deref() {
            let kind = sensor.kind.as_deref().unwrap_or("unnamed sensor");
            let serial = sensor.serial.as_ref().map(|s| format!(" {s}")).unwrap_or_default();
            found.push(format!("battery of {kind}{serial} is {battery}"));
        }
    }
    if recording.timer.last().is_some_and(|last| last.kind == TimerKind::Start) {
        found.push("the timer never stopped; the end of the ride may be missing".to_owned());
    }
    found
}

/// Length, value and first index of the longest run of one non-zero value.
fn longest_repeat(values: &[Option<f64>]) -> Option<(usize, f64, usize)> {
    let mut best = None;
    let mut at = 0;
    for run in values.chunk_by(|a, b| a == b) {
        if let Some(value) = run[0].filter(|v| *v != 0.0)
            && best.is_none_or(|(length, _, _)| run.len() > length)
        {
            best = Some((run.len(), value, at));
        }
        at += run.len();
    }
    best
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn zeros_and_holes_are_no_repeated_reading() {
        let values = [Some(0.0), Some(0.0), Some(0.0), None, None, None, Some(7.0), Some(7.0), Some(8.0)];
        assert_eq!(longest_repeat(&values), Some((2, 7.0, 6)));
        assert_eq!(longest_repeat(&[None, Some(0.0)]), None);
    }
}
