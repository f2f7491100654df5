//! A recording as the bytes of a FIT file.

use std::io::Cursor;

use chrono::{DateTime, TimeDelta, Utc};
use embedded_io_adapters::std::FromStd;

use rustyfit::profile::{mesgdef, typedef};
use rustyfit::proto::{FIT, Message};
use rustyfit::{EncoderBuilder, HeaderOption};

use crate::recording::{Recording, Sensor, TimerKind};

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
/// If a device's name is longer than the format's 255 bytes; a rehearsal names its own devices.
pub(super) fn encode(recording: &Recording) -> Vec<u8> {
    let start = recording.start;
    let at = |seconds: f64| stamp(start + TimeDelta::milliseconds((seconds * 1000.0).round() as i64));
    let end_s = recording.samples.time_s.last().copied().unwrap_or(0.0);
    let mut messages = vec![Message::from(file_id(recording))];
    messages.push(head_unit(recording));
    for (index, sensor) in recording.sensors.iter().enumerate() {
        messages.push(device(sensor, index as u8 + 1, at(0.0)));
    }
    let mut timer = recording.timer.iter().peekable();
    let mut laps = recording.laps.iter().enumerate().peekable();
    for i in 0..recording.samples.len() {
        let t_s = recording.samples.time_s[i];
        while let Some(event) = timer.next_if(|e| e.at_s <= t_s && e.kind == TimerKind::Start) {
            messages.push(timer_event(event.kind, at(event.at_s)));
        }
        while let Some((n, lap)) = laps.next_if(|(_, lap)| lap.end_s <= t_s) {
            messages.push(lap_message(n, lap, &at));
        }
        messages.push(record(recording, i, at(t_s)));
    }
    messages.extend(timer.map(|event| timer_event(event.kind, at(event.at_s))));
    messages.extend(laps.map(|(n, lap)| lap_message(n, lap, &at)));
    messages.extend(summary(recording, at(0.0), at(end_s), end_s));

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
    info.set_software_version_scaled(number(&unit.firmware, f64::NAN));
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
    info.product_name = sensor.product.as_deref().unwrap_or("").into();
    info.serial_number = number(&sensor.serial, 0);
    info.set_software_version_scaled(number(&sensor.firmware, f64::NAN));
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

fn lap_message(n: usize, lap: &crate::recording::Lap, at: &dyn Fn(f64) -> typedef::DateTime) -> Message {
    let mut message = mesgdef::Lap::new();
    message.message_index = typedef::MessageIndex(n as u16);
    message.timestamp = at(lap.end_s);
    message.start_time = at(lap.start_s);
    message.total_elapsed_time = milliseconds(lap.end_s - lap.start_s);
    message.total_timer_time = message.total_elapsed_time;
    message.event = typedef::Event::LAP;
    message.event_type = typedef::EventType::STOP;
    message.lap_trigger = typedef::LapTrigger::MANUAL;
    Message::from(message)
}

fn summary(recording: &Recording, start: typedef::DateTime, end: typedef::DateTime, lasts_s: f64) -> [Message; 2] {
    let mut session = mesgdef::Session::new();
    session.message_index = typedef::MessageIndex(0);
    session.timestamp = end;
    session.start_time = start;
    session.total_elapsed_time = milliseconds(lasts_s);
    session.total_timer_time = session.total_elapsed_time;
    session.sport = typedef::Sport::CYCLING;
    let indoors = recording.samples.latitude_deg.is_empty();
    session.sub_sport = if indoors { typedef::SubSport::INDOOR_CYCLING } else { typedef::SubSport::ROAD };
    session.event = typedef::Event::SESSION;
    session.event_type = typedef::EventType::STOP;
    session.first_lap_index = 0;
    session.num_laps = recording.laps.len() as u16;
    let mut activity = mesgdef::Activity::new();
    activity.timestamp = end;
    activity.total_timer_time = session.total_timer_time;
    activity.num_sessions = 1;
    activity.r#type = typedef::Activity::MANUAL;
    activity.event = typedef::Event::ACTIVITY;
    activity.event_type = typedef::EventType::STOP;
    [Message::from(session), Message::from(activity)]
}
