//! Which recordings belong together: those of one ride, and of one head unit that was restarted.

use chrono::{DateTime, TimeDelta, Utc};

use super::instruments::power_fields;
use super::texts::{quoted, utc};
use crate::recording::Recording;

/// Recordings of one ride share at least this, or half of the shorter one.
const SHARED_S: f64 = 60.0;
/// A head unit restarted within this time is still on the same ride: a cold soak, a lunch. Common practice, no source.
const RESTART_S: f64 = 3.0 * 3600.0;

/// The recordings of one head unit, in order of time: several where it was restarted.
pub(crate) type HeadUnitRecordings<'a> = Vec<&'a Recording>;

pub(super) fn with_power<'a>(recordings: &'a [Recording], left_out: &mut Vec<String>) -> Vec<&'a Recording> {
    let mut kept: Vec<&Recording> = vec![];
    for recording in recordings {
        let name = quoted(&recording.file.to_string_lossy());
        if let Some(twin) = kept.iter().find(|k| k.sha256 == recording.sha256) {
            left_out.push(format!("{name} is the same file as {}", quoted(&twin.file.to_string_lossy())));
        } else if power_fields(recording).is_empty() {
            left_out.push(format!("{name} holds no power"));
        } else {
            kept.push(recording);
        }
    }
    kept
}

/// In the order in which their first recordings were given.
pub(crate) fn restarts(given: Vec<&Recording>) -> Vec<HeadUnitRecordings<'_>> {
    let mut by_time: Vec<usize> = (0..given.len()).collect();
    by_time.sort_by_key(|&i| given[i].start);
    let mut head_units: Vec<Vec<usize>> = vec![];
    for i in by_time {
        let ended = |recorded: &&mut Vec<usize>| recorded.last().is_some_and(|&last| is_restart(given[last], given[i]));
        match head_units.iter_mut().find(ended) {
            Some(recorded) => recorded.push(i),
            None => head_units.push(vec![i]),
        }
    }
    head_units.sort_by_key(|recorded| recorded.iter().min().copied());
    head_units.into_iter().map(|recorded| recorded.into_iter().map(|i| given[i]).collect()).collect()
}

fn is_restart(earlier: &Recording, later: &Recording) -> bool {
    let unit = |r: &Recording| (r.head_unit.maker.clone(), r.head_unit.product.clone(), r.head_unit.serial.clone());
    let sensors = |r: &Recording| r.power_sensors().iter().map(|s| s.known_by().map(str::to_owned)).collect::<Vec<_>>();
    let known = later.head_unit.serial.is_some() || later.head_unit.product.is_some();
    let pause_s = seconds(later.start - end(earlier));
    let dated = earlier.is_dated() && later.is_dated();
    dated
        && known
        && unit(earlier) == unit(later)
        && sensors(earlier) == sensors(later)
        && (0.0..=RESTART_S).contains(&pause_s)
}

/// The most head units that hang together by overlapping; undated ones stay, for nothing says that they don't.
pub(super) fn one_ride<'a>(
    head_units: Vec<HeadUnitRecordings<'a>>,
    left_out: &mut Vec<String>,
) -> Vec<HeadUnitRecordings<'a>> {
    let mut ride: Vec<usize> = (0..head_units.len()).collect();
    for i in 0..head_units.len() {
        for j in 0..i {
            if ride[i] != ride[j] && overlap(&head_units[i], &head_units[j]) {
                let (from, to) = (ride[i].max(ride[j]), ride[i].min(ride[j]));
                ride.iter_mut().filter(|r| **r == from).for_each(|r| *r = to);
            }
        }
    }
    let dated = |i: usize| head_units[i].iter().all(|r| r.is_dated());
    let size = |n: usize| (0..head_units.len()).filter(|&i| dated(i) && ride[i] == n).count();
    let main = (0..head_units.len()).rev().max_by_key(|&n| size(n));
    let kept: Vec<bool> = (0..head_units.len()).map(|i| !dated(i) || Some(ride[i]) == main).collect();
    for recording in head_units.iter().zip(&kept).filter(|(_, kept)| !**kept).flat_map(|(recorded, _)| recorded) {
        left_out.push(format!(
            "{}, {} to {}, overlaps none of the others and is no restart of one's head unit and sensor; \
             draft another ride by itself, or add the file to an instrument's `recording: [ , ]`",
            quoted(&recording.file.to_string_lossy()),
            utc(recording.start),
            utc(end(recording)),
        ));
    }
    head_units.into_iter().zip(kept).filter(|(_, kept)| *kept).map(|(recorded, _)| recorded).collect()
}

fn overlap(one: &[&Recording], other: &[&Recording]) -> bool {
    one.iter().any(|a| {
        other.iter().any(|b| {
            let shared_s = seconds(end(a).min(end(b)) - a.start.max(b.start));
            shared_s >= SHARED_S.min(a.duration_s().min(b.duration_s()) / 2.0)
        })
    })
}

pub(super) fn end(recording: &Recording) -> DateTime<Utc> {
    recording.start + TimeDelta::milliseconds((recording.duration_s() * 1000.0) as i64)
}

fn seconds(span: TimeDelta) -> f64 {
    span.num_milliseconds() as f64 / 1000.0
}
