//! Sessions whose instruments share a recording, or have several, from the files to the verdict. The rides are rehearsed:
//! what is true of each instrument is known.

use crate::common;
use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::io::Cursor;
use std::path::{Path, PathBuf};

use assize::internals::rehearse::{Rehearsal, simulate};
use assize::judge::{Judgement, judge_recordings};
use assize::recording::{Recording, Samples};
use assize::verdict::{Outcome, Verdict};
use assize::{judge, session};
use embedded_io_adapters::std::FromStd;
use rustyfit::EncoderBuilder;
use rustyfit::profile::mesgdef;
use rustyfit::profile::typedef::{DateTime, Event, EventType, File, FitBaseType, LeftRightBalance};
use rustyfit::proto::{DeveloperField, FIT, Message, ProtocolVersion, Value};

fn ride() -> Rehearsal {
    simulate(&common::shipped("short-check.yaml"), &common::plan(3, &[]))
}

/// The pedals' ride with a second meter on the same head unit that reads this much of it.
fn second_w(pedals: &Samples, factor: f64) -> Vec<Option<f64>> {
    let mut second_w: Vec<Option<f64>> = pedals.power_w.iter().map(|w| w.map(|w| (w * factor).round())).collect();
    crate::common::of_its_own(&mut second_w);
    second_w
}

/// A FIT file of the pedals' samples with the second meter in a developer field.
fn fit_of_two(pedals: &Recording, second_w: &[Option<f64>]) -> Vec<u8> {
    let time = |s: f64| DateTime::from_unix_timestamp(pedals.start.timestamp() + s as i64);
    let mut file_id = mesgdef::FileId::new();
    file_id.r#type = File::ACTIVITY;
    let mut messages = vec![Message::from(file_id)];
    let mut id = mesgdef::DeveloperDataId::new();
    id.developer_data_index = 0;
    messages.push(id.into());
    let mut description = mesgdef::FieldDescription::new();
    description.developer_data_index = 0;
    description.field_definition_number = 5;
    description.fit_base_type_id = FitBaseType::UINT16;
    description.field_name = ["power_2".into()].into();
    description.units = ["watts".into()].into();
    messages.push(description.into());
    let mut event = mesgdef::Event::new();
    event.timestamp = time(0.0);
    event.event = Event::TIMER;
    event.event_type = EventType::START;
    messages.push(event.into());
    let samples = &pedals.samples;
    let mut laps = pedals.laps.iter().peekable();
    for (i, second) in second_w.iter().enumerate() {
        let mut record = mesgdef::Record::new();
        record.timestamp = time(samples.time_s[i]);
        record.power = samples.power_w[i].map_or(u16::MAX, |w| w as u16);
        record.cadence = samples.cadence_rpm[i].map_or(u8::MAX, |rpm| rpm as u8);
        record.heart_rate = samples.heart_rate_bpm[i].map_or(u8::MAX, |bpm| bpm as u8);
        record.speed = samples.speed_m_s[i].map_or(u16::MAX, |v| (v * 1000.0).round() as u16);
        if let Some(right_pct) = samples.right_share_pct[i] {
            record.left_right_balance = LeftRightBalance(0x80 | right_pct as u8);
        }
        let mut message = Message::from(record);
        let value = Value::Uint16(second.map_or(u16::MAX, |w| w as u16));
        message.developer_fields.push(DeveloperField { num: 5, developer_data_index: 0, value });
        messages.push(message);
        while let Some(lap) = laps.next_if(|lap| lap.end_s <= samples.time_s[i]) {
            let mut message = mesgdef::Lap::new();
            message.start_time = time(lap.start_s);
            message.timestamp = time(lap.end_s);
            message.total_elapsed_time = ((lap.end_s - lap.start_s) * 1000.0) as u32;
            messages.push(message.into());
        }
    }
    let mut bytes = Cursor::new(Vec::new());
    let mut encoder = EncoderBuilder::new().protocol_version(ProtocolVersion::V2).build();
    encoder.encode(FromStd::new(&mut bytes), &mut FIT { messages, ..FIT::default() }).unwrap();
    bytes.into_inner()
}

/// The same as a table with a head and names of its own.
fn csv_of_two(pedals: &Recording, second_w: &[Option<f64>]) -> String {
    let samples = &pedals.samples;
    let mut text = "ride 7; exported for the bench\nclock;P (W);B (W);rpm;hr;right_share_pct\n".to_owned();
    let cell = |value: Option<f64>| value.map_or(String::new(), |v| v.to_string().replace('.', ","));
    for (i, second) in second_w.iter().enumerate() {
        let clock = (pedals.start + chrono::TimeDelta::seconds(samples.time_s[i] as i64)).to_rfc3339();
        let cells = [
            samples.power_w[i],
            *second,
            samples.cadence_rpm[i],
            samples.heart_rate_bpm[i],
            samples.right_share_pct[i],
        ];
        let _ = writeln!(text, "{clock};{}", cells.map(cell).join(";"));
    }
    text
}

/// Judges a session in which both instruments are in `file`.
fn judge_both(folder: &Path, file: &str, unit_fields: &str, reference_fields: &str) -> Judgement {
    let protocol = Path::new(env!("CARGO_MANIFEST_DIR")).join("protocols/short-check.yaml");
    let text = format!(
        "assize_session: 1\nprotocol: {}\nunit:\n  label: unit 017\n  located: spindle\n  sides: total\n  recording: \
         {file}\n{unit_fields}references:\n  - label: pedal pair P\n    located: pedals\n    sides: both\n    \
         uncertainty: 1.0 % or 2 W\n    recording: {file}\n{reference_fields}drivetrain:\n  chainrings: [52, 36]\n  cassette: [11, \
         12, 13, 14, 15, 17, 19, 21, 23, 25, 28, 30]\n  wheel: 2105 mm\n",
        protocol.display()
    );
    let path = folder.join("session.yaml");
    std::fs::write(&path, text).unwrap();
    let session = session::load(&path).unwrap_or_else(|problems| panic!("{problems}"));
    judge(&session).unwrap_or_else(|e| panic!("{e}")).remove(0)
}

/// Mean errors of the steady blocks, in per cent and in order.
fn steady_errors_pct(verdict: &Verdict) -> Vec<f64> {
    let steady = verdict.phases.iter().filter(|p| p.drill == "steady");
    let errors = steady.flat_map(|p| &p.checks).filter(|c| c.measure == "mean_error");
    errors
        .map(|c| match (c.unit.as_str(), c.value, &c.also) {
            ("%", Some(value), _) => value,
            (_, _, Some(also)) if also.unit == "%" => also.value,
            other => panic!("{other:?}"),
        })
        .collect()
}

#[track_caller]
fn reads_six_per_cent_high(verdict: &Verdict) {
    let errors = steady_errors_pct(verdict);
    assert_eq!(errors.len(), 4);
    // Rounding to whole watts is up to a third of a per cent of a sample and nearly nothing of a mean.
    assert!(errors.iter().all(|e| (e - 6.0).abs() < 0.1), "{errors:?}");
    assert_eq!(verdict.verdict, Some(Outcome::Fail));
    assert_eq!(verdict.clocks[0].aligned_on, "session clock");
    let cadence =
        verdict.cautions.iter().filter(|c| c.starts_with("unit 017: cadence and right_share of its recording"));
    assert_eq!(cadence.count(), 1, "{:?}", verdict.cautions);
}

#[test]
fn two_instruments_in_one_fit_recording_are_judged_against_each_other() {
    let folder = tempfile::tempdir().unwrap();
    let pedals = &ride().recordings[1];
    let bytes = fit_of_two(pedals, &second_w(&pedals.samples, 1.06));
    std::fs::write(folder.path().join("both.fit"), bytes).unwrap();
    reads_six_per_cent_high(&judge_both(folder.path(), "both.fit", "  power: developer power_2\n", "").verdict);
}

#[test]
fn two_columns_of_one_table_are_judged_against_each_other() {
    let folder = tempfile::tempdir().unwrap();
    let pedals = &ride().recordings[1];
    std::fs::write(folder.path().join("both.txt"), csv_of_two(pedals, &second_w(&pedals.samples, 1.06))).unwrap();
    let unit = "  power: B (W)\n  time: clock\n";
    let reference = "    power: P (W)\n    cadence: rpm\n    right_share: right_share_pct\n";
    reads_six_per_cent_high(&judge_both(folder.path(), "both.txt", unit, reference).verdict);
}

/// The samples from second `from_s` to second `to_s`, as a recording that was begun then.
fn cut(recording: &Recording, from_s: f64, to_s: f64) -> Recording {
    let samples = &recording.samples;
    let kept: Vec<usize> = (0..samples.len()).filter(|&i| (from_s..to_s).contains(&samples.time_s[i])).collect();
    let start_s = samples.time_s[kept[0]];
    let column = |values: &[Option<f64>]| kept.iter().filter_map(|&i| values.get(i).copied()).collect();
    Recording {
        start: recording.start + chrono::TimeDelta::seconds(start_s as i64),
        samples: Samples {
            time_s: kept.iter().map(|&i| samples.time_s[i] - start_s).collect(),
            power_w: column(&samples.power_w),
            cadence_rpm: column(&samples.cadence_rpm),
            heart_rate_bpm: column(&samples.heart_rate_bpm),
            speed_m_s: column(&samples.speed_m_s),
            altitude_m: column(&samples.altitude_m),
            temperature_c: column(&samples.temperature_c),
            distance_m: column(&samples.distance_m),
            latitude_deg: column(&samples.latitude_deg),
            longitude_deg: column(&samples.longitude_deg),
            right_share_pct: column(&samples.right_share_pct),
            ..Samples::default()
        },
        laps: vec![],
        timer: vec![],
        ..recording.clone()
    }
}

#[test]
fn two_recordings_of_one_instrument_are_one_instrument() {
    let mut ride = ride();
    let whole = common::rehearse_and_judge(&common::shipped("short-check.yaml"), 3, &[]).verdict;
    // The battery was changed in the warm-up: half a minute is missing.
    let unit = &ride.recordings[0];
    let parts = [cut(unit, 0.0, 200.0), cut(unit, 230.0, f64::INFINITY)];
    let files = ["unit-017-a.fit", "unit-017-b.fit"].map(PathBuf::from);
    ride.session.units[0].instrument.recordings = files.to_vec();
    let mut recordings: BTreeMap<PathBuf, Recording> =
        files.iter().cloned().zip(parts).map(|(file, part)| (file.clone(), Recording { file, ..part })).collect();
    for (reference, recording) in ride.session.references.iter().zip(&ride.recordings[1..]) {
        recordings.insert(reference.instrument.recordings[0].clone(), recording.clone());
    }
    let restarted = judge_recordings(&ride.session, &recordings).unwrap().remove(0).verdict;
    assert_eq!(restarted.recordings.len(), 4);
    assert_eq!(restarted.phases.len(), whole.phases.len());
    for (a, b) in restarted.phases.iter().zip(&whole.phases) {
        assert_eq!((&a.phase, a.verdict), (&b.phase, b.verdict));
    }
    for (a, b) in steady_errors_pct(&restarted).iter().zip(steady_errors_pct(&whole)) {
        assert!((a - b).abs() < 0.05, "{a} {b}");
    }
}

#[test]
fn of_three_references_the_one_that_stands_apart_is_named_and_the_others_judge() {
    let mut rehearsal = ride();
    let session = &mut rehearsal.session;
    let mut third = session.references[0].clone();
    third.instrument.label = "pedal pair Q".to_owned();
    third.instrument.serial = Some("2002".to_owned());
    third.instrument.recordings = vec!["pedals-q.fit".into()];
    session.references.push(third);
    let mut pedals_q = rehearsal.recordings[1].clone();
    pedals_q.samples.power_w = second_w(&pedals_q.samples, 1.05);
    pedals_q.file = "pedals-q.fit".into();
    pedals_q.sensors.iter_mut().for_each(|sensor| sensor.serial = Some("2002".to_owned()));

    let session = &rehearsal.session;
    let named = session.units.iter().map(|u| &u.instrument).chain(session.references.iter().map(|r| &r.instrument));
    let paths = named.map(|instrument| instrument.recordings[0].clone());
    let recordings = rehearsal.recordings.iter().chain([&pedals_q]).cloned();
    let recordings: BTreeMap<PathBuf, Recording> = paths.zip(recordings).collect();
    let verdict = judge_recordings(session, &recordings).unwrap().remove(0).verdict;

    let found: Vec<(&str, f64)> = verdict.diagnosis.iter().map(|f| (f.pattern.as_str(), f.size)).collect();
    let [("reference-at-fault", size_pct)] = found[..] else { panic!("{found:?} {:?}", verdict.why) };
    assert!((size_pct - 5.0).abs() < 1.5, "{size_pct} %");
    assert!(verdict.diagnosis[0].says.contains("pedal pair Q"));
    assert_eq!(verdict.verdict, Some(Outcome::Pass), "{:?}", verdict.why);
    let judged_by: Vec<&String> = verdict.phases.iter().flat_map(|p| &p.checks).flat_map(|c| &c.references).collect();
    assert!(!judged_by.is_empty() && judged_by.iter().all(|label| *label != "pedal pair Q"));
}
