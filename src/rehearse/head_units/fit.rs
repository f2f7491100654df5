//! A recording as the bytes of a FIT file.

use std::io::Cursor;

use chrono::{DateTime, TimeDelta, Utc};
use embedded_io_adapters::std::FromStd;

use rustyfit::profile::{mesgdef, typedef};
use rustyfit::proto::{FIT, Message};
use rustyfit::{EncoderBuilder, HeaderOption};

use crate::recording::{GearChange, Lap, Recording, Sensor, TimerEvent, TimerKind};

use super::super::names::version_hundredths;

/// Number that the format keeps for whatever no maker has registered.
const MAKER: typedef::Manufacturer = typedef::Manufacturer::DEVELOPMENT;
/// Records come in some kinds (with and without balance, power, heart rate), each with its own definition.
const DEFINITIONS_KEPT: u8 = 15;

/// The bytes of a FIT file that holds what `recording` holds.
///
/// Whatever the format can't hold (a power that is no whole watt, say) is rounded; the simulated head units
/// write nothing of that kind.
///
/// # Panics
/// If a device's name is longer than the format's 255 bytes, which [`super::super::names::name`] refuses.
pub(crate) fn encode(recording: &Recording) -> Vec<u8> {
    let start = recording.start;
    let at = |seconds: f64| stamp(start + TimeDelta::milliseconds((seconds * 1000.0).round() as i64));
    let mut messages = vec![Message::from(file_id(recording))];
    messages.push(head_unit(recording));
    for (index, sensor) in recording.sensors.iter().enumerate() {
        messages.push(device(sensor, index as u8 + 1, at(0.0)));
    }
    // In order of time; of one second, a start comes first and a stop last.
    let mut timed: Vec<(f64, u8, Message)> = vec![];
    for event in &recording.timer {
        let rank = if event.kind == TimerKind::Start { 0 } else { 4 };
        timed.push((event.at_s, rank, timer_event(event.kind, at(event.at_s))));
    }
    for (n, gear) in recording.gears.iter().enumerate() {
        timed.push((gear.at_s, 1, gear_event(&recording.gears[..n], gear, at(gear.at_s))));
    }
    for (n, lap) in recording.laps.iter().enumerate() {
        timed.push((lap.end_s, 2, lap_message(n, lap, &recording.timer, &at)));
    }
    for (i, &t_s) in recording.samples.time_s.iter().enumerate() {
        timed.push((t_s, 3, record(recording, i, at(t_s))));
    }
    timed.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
    messages.extend(timed.into_iter().map(|(.., message)| message));
    messages.extend(summary(recording, &at));

    let mut fit = FIT { messages, ..FIT::default() };
    let mut encoder = EncoderBuilder::new().header_option(HeaderOption::Normal(DEFINITIONS_KEPT)).build();
    let mut bytes = Cursor::new(Vec::new());
    encoder.encode(FromStd::new(&mut bytes), &mut fit).expect("short names, and at least one message");
    bytes.into_inner()
}

fn stamp(time: DateTime<Utc>) -> typedef::DateTime {
    typedef::DateTime::from_unix_timestamp(time.timestamp())
}

fn milliseconds(seconds: f64) -> u32 {
    (seconds * 1000.0).round() as u32
}

fn number<T: std::str::FromStr>(text: &Option<String>, missing: T) -> T {
    text.as_deref().and_then(|t| t.parse().ok()).unwrap_or(missing)
}

/// All ones are none.
fn version(text: &Option<String>) -> u16 {
    text.as_deref().and_then(version_hundredths).unwrap_or(u16::MAX)
}

fn file_id(recording: &Recording) -> mesgdef::FileId {
    let mut id = mesgdef::FileId::new();
    id.r#type = typedef::File::ACTIVITY;
    id.manufacturer = MAKER;
    id.product_name = recording.head_unit.product.as_deref().unwrap_or("").into();
    id.serial_number = number(&recording.head_unit.serial, 0);
    id.time_created = stamp(recording.start);
    id
}

fn head_unit(recording: &Recording) -> Message {
    let unit = &recording.head_unit;
    let mut info = mesgdef::DeviceInfo::new();
    info.timestamp = stamp(recording.start);
    info.device_index = typedef::DeviceIndex::CREATOR;
    info.manufacturer = MAKER;
    info.product_name = unit.product.as_deref().unwrap_or("").into();
    info.serial_number = number(&unit.serial, 0);
    info.software_version = version(&unit.firmware);
    Message::from(info)
}

fn device(sensor: &Sensor, index: u8, time: typedef::DateTime) -> Message {
    let mut info = mesgdef::DeviceInfo::new();
    info.timestamp = time;
    info.device_index = typedef::DeviceIndex(index);
    info.manufacturer = MAKER;
    info.source_type = typedef::SourceType::ANTPLUS;
    info.device_type = match sensor.kind.as_deref() {
        Some("heart rate") => typedef::AntplusDeviceType::HEART_RATE.0,
        _ => typedef::AntplusDeviceType::BIKE_POWER.0,
    };
    info.descriptor = sensor.name.as_deref().unwrap_or("").into();
    info.product_name = sensor.product.as_deref().unwrap_or("").into();
    info.serial_number = number(&sensor.serial, 0);
    info.software_version = version(&sensor.firmware);
    Message::from(info)
}

fn timer_event(kind: TimerKind, time: typedef::DateTime) -> Message {
    let mut event = mesgdef::Event::new();
    event.timestamp = time;
    event.event = typedef::Event::TIMER;
    event.event_type = match kind {
        TimerKind::Start => typedef::EventType::START,
        TimerKind::Stop => typedef::EventType::STOP_ALL,
    };
    Message::from(event)
}

/// The time between two seconds of a recording during which its timer ran, s.
fn running_s(timer: &[TimerEvent], from_s: f64, to_s: f64) -> f64 {
    let pauses = timer.windows(2).filter(|pair| pair[0].kind == TimerKind::Stop);
    let paused_s = pauses.map(|pair| (pair[1].at_s.min(to_s) - pair[0].at_s.max(from_s)).max(0.0)).sum::<f64>();
    let ends = timer.last().filter(|last| last.kind == TimerKind::Stop);
    let after_s = ends.map_or(0.0, |last| (to_s - last.at_s.max(from_s)).max(0.0));
    to_s - from_s - paused_s - after_s
}

/// A change from the last one of `before`: a byte each for rear number and teeth, front number and teeth (public FIT
/// profile, `gear_change_data`); zero is unknown.
fn gear_event(before: &[GearChange], gear: &GearChange, time: typedef::DateTime) -> Message {
    let bytes = [gear.rear_number, gear.rear_teeth, gear.front_number, gear.front_teeth];
    let front_moved = before.last().is_some_and(|last| last.front_teeth != gear.front_teeth);
    let mut event = mesgdef::Event::new();
    event.timestamp = time;
    event.event = if front_moved { typedef::Event::FRONT_GEAR_CHANGE } else { typedef::Event::REAR_GEAR_CHANGE };
    event.event_type = typedef::EventType::MARKER;
    event.data = u32::from_le_bytes(bytes.map(|value| value.map_or(0, |value| value.min(255) as u8)));
    Message::from(event)
}

/// FIT writes the side into bit 7 of the balance: set, the value is the right side's.
const RIGHT_SIDE: u8 = 0x80;

fn record(recording: &Recording, i: usize, time: typedef::DateTime) -> Message {
    let samples = &recording.samples;
    let at = |column: &[Option<f64>]| column.get(i).copied().flatten();
    let mut record = mesgdef::Record::new();
    record.timestamp = time;
    if let Some(power_w) = at(&samples.power_w) {
        record.power = power_w as u16;
    }
    if let Some(cadence_rpm) = at(&samples.cadence_rpm) {
        record.cadence = cadence_rpm as u8;
        let fraction = (cadence_rpm.fract() * 128.0).round() as u8;
        if fraction > 0 {
            record.fractional_cadence = fraction;
        }
    }
    if let Some(heart_rate_bpm) = at(&samples.heart_rate_bpm) {
        record.heart_rate = heart_rate_bpm as u8;
    }
    if let Some(speed_m_s) = at(&samples.speed_m_s) {
        record.enhanced_speed = (speed_m_s * 1000.0).round() as u32;
    }
    if let (Some(latitude_deg), Some(longitude_deg)) = (at(&samples.latitude_deg), at(&samples.longitude_deg)) {
        let semicircles = |degrees: f64| (degrees * (2_147_483_648.0 / 180.0)).round() as i32;
        (record.position_lat, record.position_long) = (semicircles(latitude_deg), semicircles(longitude_deg));
    }
    if let Some(altitude_m) = at(&samples.altitude_m) {
        record.enhanced_altitude = ((altitude_m + 500.0) * 5.0).round() as u32;
    }
    if let Some(distance_m) = at(&samples.distance_m) {
        record.distance = (distance_m * 100.0).round() as u32;
    }
    if let Some(temperature_c) = at(&samples.temperature_c) {
        record.temperature = temperature_c as i8;
    }
    if let Some(right_pct) = at(&samples.right_share_pct) {
        record.left_right_balance = typedef::LeftRightBalance(RIGHT_SIDE | right_pct as u8);
    }
    Message::from(record)
}

fn lap_message(n: usize, lap: &Lap, timer: &[TimerEvent], at: &dyn Fn(f64) -> typedef::DateTime) -> Message {
    let mut message = mesgdef::Lap::new();
    message.message_index = typedef::MessageIndex(n as u16);
    message.timestamp = at(lap.end_s);
    message.start_time = at(lap.start_s);
    message.total_elapsed_time = milliseconds(lap.end_s - lap.start_s);
    message.total_timer_time = milliseconds(running_s(timer, lap.start_s, lap.end_s));
    message.event = typedef::Event::LAP;
    message.event_type = typedef::EventType::STOP;
    message.lap_trigger = typedef::LapTrigger::MANUAL;
    Message::from(message)
}

fn summary(recording: &Recording, at: &dyn Fn(f64) -> typedef::DateTime) -> [Message; 2] {
    // A timer that stopped by itself before the end leaves no record there.
    let ends = [recording.samples.time_s.last().copied(), recording.laps.last().map(|lap| lap.end_s)];
    let end_s = ends.into_iter().flatten().fold(0.0, f64::max);
    let mut session = mesgdef::Session::new();
    session.message_index = typedef::MessageIndex(0);
    session.timestamp = at(end_s);
    session.start_time = at(0.0);
    session.total_elapsed_time = milliseconds(end_s);
    session.total_timer_time = milliseconds(running_s(&recording.timer, 0.0, end_s));
    session.sport = typedef::Sport::CYCLING;
    let indoors = recording.samples.latitude_deg.is_empty();
    session.sub_sport = if indoors { typedef::SubSport::INDOOR_CYCLING } else { typedef::SubSport::ROAD };
    session.event = typedef::Event::SESSION;
    session.event_type = typedef::EventType::STOP;
    session.first_lap_index = 0;
    session.num_laps = recording.laps.len() as u16;
    let mut activity = mesgdef::Activity::new();
    activity.timestamp = at(end_s);
    activity.total_timer_time = session.total_timer_time;
    activity.num_sessions = 1;
    activity.r#type = typedef::Activity::MANUAL;
    activity.event = typedef::Event::ACTIVITY;
    activity.event_type = typedef::EventType::STOP;
    [Message::from(session), Message::from(activity)]
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;
    use crate::recording::{Format, HeadUnit, Samples, read_bytes};

    #[test]
    fn a_road_ride_with_pauses_and_gears_reads_back_equal() {
        let timer = |at_s, kind| TimerEvent { at_s, kind };
        let gear = |at_s, front_teeth, rear_teeth| GearChange {
            at_s,
            front_teeth: Some(front_teeth),
            rear_teeth: Some(rear_teeth),
            front_number: Some(if front_teeth == 52 { 2 } else { 1 }),
            rear_number: None,
        };
        let some = |values: [f64; 4]| values.map(Some).to_vec();
        let recording = Recording {
            file: "road.fit".into(),
            sha256: String::new(),
            bytes: 0,
            format: Format::Fit,
            head_unit: HeadUnit {
                maker: None,
                product: Some("head unit A".to_owned()),
                serial: Some("4101".to_owned()),
                firmware: Some("5.20".to_owned()),
            },
            start: DateTime::from_timestamp(1_795_267_800, 0).unwrap(),
            samples: Samples {
                time_s: vec![0.0, 1.0, 60.0, 61.0],
                power_w: some([180.0, 0.0, 0.0, 220.0]),
                // Whole metres survive the division by five.
                altitude_m: some([-12.0, 35.0, 36.0, 812.0]),
                distance_m: some([0.0, 8.25, 8.25, 16.5]),
                // Whole 1/2³¹ of half a turn: what the format holds exactly.
                latitude_deg: some([45.0, -45.0, 0.0, 22.5]),
                longitude_deg: some([-90.0, 90.0, 11.25, 0.0]),
                ..Samples::default()
            },
            laps: vec![Lap { start_s: 0.0, end_s: 30.0 }, Lap { start_s: 30.0, end_s: 70.0 }],
            timer: vec![
                timer(0.0, TimerKind::Start),
                timer(2.0, TimerKind::Stop),
                timer(60.0, TimerKind::Start),
                timer(62.0, TimerKind::Stop),
            ],
            gears: vec![gear(0.0, 52, 17), gear(40.0, 52, 19), gear(61.0, 36, 19)],
            positions: vec![],
            summaries: vec![],
            sensors: vec![],
            damage: vec![],
            cautions: vec![],
        };
        let read = read_bytes(Path::new("road.fit"), &encode(&recording)).unwrap();
        let summary = &read.summaries[0];
        assert_eq!((summary.end_s, summary.timer_s), (70.0, Some(4.0)));
        let expected = Recording {
            sha256: read.sha256.clone(),
            bytes: read.bytes,
            cautions: read.cautions.clone(),
            summaries: read.summaries.clone(),
            ..recording
        };
        assert_eq!(read, expected);
    }

    #[test]
    fn a_lap_counts_only_the_time_that_ran() {
        let timer =
            [(0.0, TimerKind::Start), (10.0, TimerKind::Stop), (25.0, TimerKind::Start), (40.0, TimerKind::Stop)]
                .map(|(at_s, kind)| TimerEvent { at_s, kind });
        let running = |from_s, to_s| running_s(&timer, from_s, to_s);
        assert_eq!((running(0.0, 40.0), running(5.0, 15.0), running(12.0, 20.0)), (25.0, 5.0, 0.0));
        assert_eq!((running(20.0, 30.0), running(30.0, 50.0), running(45.0, 50.0)), (5.0, 10.0, 0.0));
    }
}
