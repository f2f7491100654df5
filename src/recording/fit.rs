//! FIT files: parts, checksums and lengths here, messages by `rustyfit`.
//!
//! Of the two FIT crates tried on the same recordings, `rustyfit` is used because it reads message by message,
//! so that what precedes damage is kept; reads on past a developer field without a description, where
//! `fitparser` loses its place in the file; prints nothing by itself, where `fitparser` writes odd field
//! sizes to standard error; and is some three times faster. Its own checks stop at the first fault,
//! so they are switched off and the lengths and both checksums are checked here.

use std::collections::{BTreeMap, BTreeSet};

use chrono::DateTime;
use rustyfit::profile::lookup::field_reference;
use rustyfit::profile::typedef::{
    AntplusDeviceType, BatteryStatus, BleDeviceType, Event, EventType, FitBaseType, LocalDeviceType, Manufacturer,
    MesgNum, SourceType,
};
use rustyfit::proto::{Message, MessageDefinition, Value};
use rustyfit::{DecoderBuilder, DecoderError, DecoderEvent, StreamingIterator};

use super::rows::{Channel, Row};
use super::{Contents, GearChange, Lap, Sensor, TimerEvent, TimerKind};

/// FIT counts seconds from 1989-12-31T00:00:00Z (public FIT profile, type `date_time`).
const FIT_EPOCH_UNIX_S: f64 = 631_065_600.0;

/// Field that holds the time in every message that has one (public FIT profile).
const TIMESTAMP: u8 = 253;

const CHECKSUM_BYTES: usize = 2;

/// Whether this is a FIT file: the mark `.FIT` at byte 8.
pub(super) fn is_fit(bytes: &[u8]) -> bool {
    bytes.get(8..12) == Some(b".FIT")
}

/// Reads all parts of a (possibly chained) FIT file, and what is left of a damaged one.
pub(super) fn read(bytes: &[u8]) -> Contents {
    let mut reader = Reader::default();
    let mut at = 0;
    while at < bytes.len() {
        if !is_fit(&bytes[at..]) {
            reader
                .contents
                .damage
                .push(format!("byte {at}: {} bytes that are no FIT data were left unread", bytes.len() - at));
            break;
        }
        let part = Part::find(bytes, at);
        reader.contents.damage.extend(part.damage);
        reader.read_part(&bytes[part.body.clone()], part.body.start);
        at = part.next;
    }
    reader.finish()
}

/// One of the FIT files that a chained file consists of.
struct Part {
    body: std::ops::Range<usize>,
    next: usize,
    damage: Vec<String>,
}

impl Part {
    /// The part whose header, at least twelve bytes with `.FIT` in it, is at byte `at`.
    fn find(bytes: &[u8], at: usize) -> Self {
        let mut damage = Vec::new();
        let header = &bytes[at..];
        let header_bytes = match header[0] {
            12 => 12,
            14 => 14,
            other => {
                damage.push(format!("byte {at}: the header says that it is {other} bytes long; read as 14"));
                14
            }
        };
        if header_bytes == 14
            && let Some(&[low, high]) = header.get(12..14)
            && ![0, crc16(&header[..12])].contains(&u16::from_le_bytes([low, high]))
        {
            damage.push(format!("byte {at}: the header's checksum is wrong"));
        }
        let declared = u32::from_le_bytes([header[4], header[5], header[6], header[7]]) as usize;
        let start = (at + header_bytes).min(bytes.len());
        let end = start + declared;
        let next = end + CHECKSUM_BYTES;
        if declared > 0 && next <= bytes.len() && sound(bytes, at, start, end) {
            return Self { body: start..end, next, damage };
        }
        if declared > 0 && (next == bytes.len() || bytes.get(next..).is_some_and(is_fit)) {
            damage.push(format!("byte {end}: the checksum is wrong, so any value before it may be; all were read"));
            return Self { body: start..end, next, damage };
        }
        // The declared length is wrong or the file was cut: the true end is the file's.
        let last = bytes.len().saturating_sub(CHECKSUM_BYTES);
        let body_end = if last > start && sound(bytes, at, start, last) {
            damage.push(format!(
                "byte {at}: the header declares {declared} bytes of data where there are {}; their checksum is right",
                last - start
            ));
            last
        } else if declared == 0 {
            damage.push(format!("byte {at}: the header's length was never written (no proper end); read to the end"));
            bytes.len()
        } else if next > bytes.len() {
            damage.push(format!(
                "byte {}: the file is cut short, {} bytes are missing",
                bytes.len(),
                next - bytes.len()
            ));
            bytes.len().min(end)
        } else {
            damage.push(format!(
                "byte {at}: the declared length of {declared} bytes and the checksum are wrong; read to the end of the file"
            ));
            bytes.len()
        };
        Self { body: start..body_end, next: bytes.len(), damage }
    }
}

/// Whether the checksum after `end` is right. Some writers start it at the header, some after one of
/// 14 bytes; the two agree wherever the header has a checksum of its own.
fn sound(bytes: &[u8], header: usize, start: usize, end: usize) -> bool {
    let stored = u16::from_le_bytes([bytes[end], bytes[end + 1]]);
    crc16(&bytes[header..end]) == stored || (start - header == 14 && crc16(&bytes[start..end]) == stored)
}

/// CRC-16/ARC, half a byte at a time, as the FIT protocol prints it.
fn crc16(bytes: &[u8]) -> u16 {
    const TABLE: [u16; 16] = [
        0x0000, 0xCC01, 0xD801, 0x1400, 0xF001, 0x3C00, 0x2800, 0xE401, 0xA001, 0x6C00, 0x7800, 0xB401, 0x5000, 0x9C01,
        0x8801, 0x4400,
    ];
    let half = |crc: u16, nibble: u8| (crc >> 4) ^ TABLE[usize::from(crc & 0xF)] ^ TABLE[usize::from(nibble)];
    bytes.iter().fold(0, |crc, byte| half(half(crc, byte & 0xF), byte >> 4))
}

/// What a definition message says about the data messages that follow it.
#[derive(Debug, Clone, Default)]
struct Layout {
    data_bytes: usize,
    developer_fields: usize,
    /// Fields stored in a type from which the profile's own can't be had.
    unreadable: Vec<u8>,
}

impl Layout {
    fn of(definition: &MessageDefinition) -> Self {
        let fields = &definition.field_definitions;
        let developer = &definition.developer_field_definitions;
        let unreadable = |num, size: u8, base_type: FitBaseType| {
            field_reference(definition.mesg_num, num).is_some_and(|profile| {
                let stored = FitBaseType(base_type.0 & 0x9F);
                !profile.array()
                    && profile.base_type() != FitBaseType::STRING
                    && (size != profile.base_type().size() || is_float(stored) != is_float(profile.base_type()))
            })
        };
        Self {
            data_bytes: fields.iter().map(|f| usize::from(f.size)).sum::<usize>()
                + developer.iter().map(|f| usize::from(f.size)).sum::<usize>(),
            developer_fields: developer.len(),
            unreadable: fields.iter().filter(|f| unreadable(f.num, f.size, f.base_type)).map(|f| f.num).collect(),
        }
    }
}

fn is_float(base_type: FitBaseType) -> bool {
    matches!(base_type, FitBaseType::FLOAT32 | FitBaseType::FLOAT64)
}

/// How many bytes a definition message takes, its header byte included (public FIT protocol).
fn definition_bytes(definition: &MessageDefinition) -> usize {
    const HAS_DEVELOPER_FIELDS: u8 = 0x20;
    let developer = match definition.header & HAS_DEVELOPER_FIELDS {
        0 => 0,
        _ => 1 + 3 * definition.developer_field_definitions.len(),
    };
    6 + 3 * definition.field_definitions.len() + developer
}

/// Which local message a data message's header byte names (public FIT protocol).
fn local_number(header: u8) -> usize {
    usize::from(if header & 0x80 == 0 { header & 0x0F } else { (header >> 5) & 0x03 })
}

/// A developer field as its description message declares it.
struct DeveloperField {
    column: usize,
    base_type: FitBaseType,
    scale: f64,
    offset: f64,
}

#[derive(Default)]
struct Reader {
    contents: Contents,
    /// By developer data index and field number; each part declares its own.
    developer: BTreeMap<(u8, u8), DeveloperField>,
    /// Device index of each of `contents.sensors`.
    sensor_index: Vec<Option<u8>>,
    last_unix_s: Option<f64>,
    untimed: usize,
    undescribed: usize,
    balance_without_side: usize,
    unreadable: BTreeSet<String>,
}

impl Reader {
    /// Reads messages until `body` ends or makes no sense; `offset` is its place in the file.
    fn read_part(&mut self, body: &[u8], offset: usize) {
        self.developer.clear();
        // The true extent is known here, so the decoder gets a header that states it.
        let mut part = vec![12, 0x20, 0, 0];
        part.extend((body.len() as u32).to_le_bytes());
        part.extend(b".FIT");
        part.extend(body);

        let mut decoder = DecoderBuilder::new().checksum(false).build();
        let mut stream = decoder.stream(part.as_slice());
        let mut layouts: [Layout; 16] = Default::default();
        let mut read = 0;
        while read < body.len() {
            match stream.next() {
                Some(Ok(DecoderEvent::MessageDefinition(definition))) => {
                    read += definition_bytes(definition);
                    let layout = Layout::of(definition);
                    self.note_unreadable(definition.mesg_num, &layout);
                    layouts[local_number(definition.header)] = layout;
                }
                Some(Ok(DecoderEvent::Message(message))) => {
                    let layout = &layouts[local_number(message.header)];
                    read += 1 + layout.data_bytes;
                    self.take(&Fields { message, unreadable: &layout.unreadable }, layout.developer_fields);
                }
                Some(Ok(_)) => {}
                Some(Err(error)) => {
                    let left = body.len() - read;
                    let what = match error {
                        DecoderError::MissingMessageDefinition { .. } => "a message of undeclared layout",
                        _ => "an incomplete message",
                    };
                    let after = self.last_unix_s.map(|t| format!(", after {}", utc(t))).unwrap_or_default();
                    let place = offset + read;
                    self.contents.damage.push(format!("byte {place}{after}: {what}; {left} bytes were left unread"));
                    break;
                }
                None => break,
            }
        }
    }

    fn note_unreadable(&mut self, mesg_num: MesgNum, layout: &Layout) {
        if matches!(mesg_num, MesgNum::RECORD | MesgNum::LAP | MesgNum::EVENT) {
            for &num in &layout.unreadable {
                if let Some(field) = field_reference(mesg_num, num) {
                    self.unreadable.insert(format!("{mesg_num} field {}", field.name()));
                }
            }
        }
    }

    fn take(&mut self, fields: &Fields, developer_fields: usize) {
        match fields.message.num {
            MesgNum::RECORD => self.record(fields, developer_fields),
            MesgNum::LAP => self.lap(fields),
            MesgNum::EVENT => self.event(fields),
            MesgNum::DEVICE_INFO => self.device(fields),
            MesgNum::FILE_ID => {
                let unit = &mut self.contents.head_unit;
                unit.maker = unit.maker.take().or_else(|| fields.number(1).map(maker));
                unit.product = unit.product.take().or_else(|| fields.text(8)).or_else(|| fields.whole(2));
                unit.serial = unit.serial.take().or_else(|| fields.whole(3));
            }
            MesgNum::FILE_CREATOR => {
                let unit = &mut self.contents.head_unit;
                unit.firmware = unit.firmware.take().or_else(|| fields.whole(0));
            }
            MesgNum::FIELD_DESCRIPTION => self.developer_field(fields),
            _ => {}
        }
    }

    fn record(&mut self, fields: &Fields, developer_fields: usize) {
        let Some(unix_s) = fields.unix_s(TIMESTAMP) else {
            self.untimed += 1;
            return;
        };
        self.last_unix_s = Some(unix_s);
        let mut row = Row::at(unix_s);
        row.set(Channel::Power, fields.number(7));
        // Field 52 is cadence and its fraction in one; 53 the fraction alone.
        let cadence = fields.number(4).map(|whole| whole + fields.number(53).unwrap_or(0.0));
        row.set(Channel::Cadence, cadence.or_else(|| fields.number(52)));
        row.set(Channel::HeartRate, fields.number(3));
        row.set(Channel::Speed, fields.number(73).or_else(|| fields.number(6)));
        row.set(Channel::Altitude, fields.number(78).or_else(|| fields.number(2)));
        row.set(Channel::Temperature, fields.number(13));
        row.set(Channel::Distance, fields.number(5));
        row.set(Channel::Latitude, fields.number(0).map(degrees));
        row.set(Channel::Longitude, fields.number(1).map(degrees));
        if let Some(balance) = fields.number(30) {
            let share = right_share_pct(balance as u8);
            self.balance_without_side += usize::from(share.is_none());
            row.set(Channel::RightShare, share);
        }
        for field in &fields.message.developer_fields {
            if let Some(described) = self.developer.get(&(field.developer_data_index, field.num))
                && let Some(raw) = number(&field.value, described.base_type)
            {
                row.push_extra(described.column, raw / described.scale - described.offset);
            }
        }
        self.undescribed += usize::from(fields.message.developer_fields.len() < developer_fields);
        self.contents.table.rows.push(row);
    }

    fn lap(&mut self, fields: &Fields) {
        let (start, end) = (fields.unix_s(2), fields.unix_s(TIMESTAMP));
        let lasts_s = fields.number(7);
        let start = start.or_else(|| Some(end? - lasts_s?)).or_else(|| self.contents.laps.last().map(|lap| lap.end_s));
        // Elapsed time has milliseconds, and holds where a program wrote all laps at the end of the ride.
        let end = start.zip(lasts_s).map(|(start, lasts)| start + lasts).or(end);
        if let Some((start_s, end_s)) = start.zip(end) {
            self.contents.laps.push(Lap { start_s, end_s });
        }
    }

    fn event(&mut self, fields: &Fields) {
        let (Some(at_s), Some(event)) = (fields.unix_s(TIMESTAMP), fields.number(0)) else { return };
        match Event(event as u8) {
            Event::TIMER => {
                let kind = match fields.number(1).map(|kind| EventType(kind as u8)) {
                    Some(EventType::START) => TimerKind::Start,
                    Some(
                        EventType::STOP | EventType::STOP_ALL | EventType::STOP_DISABLE | EventType::STOP_DISABLE_ALL,
                    ) => TimerKind::Stop,
                    _ => return,
                };
                self.contents.timer.push(TimerEvent { at_s, kind });
            }
            Event::FRONT_GEAR_CHANGE | Event::REAR_GEAR_CHANGE => {
                // Packed into `data`, the decoder has spread them over these fields already.
                let gear = |field| fields.number(field).map(|value| value as u32);
                self.contents.gears.push(GearChange {
                    at_s,
                    front_number: gear(9),
                    front_teeth: gear(10),
                    rear_number: gear(11),
                    rear_teeth: gear(12),
                });
            }
            _ => {}
        }
    }

    fn device(&mut self, fields: &Fields) {
        /// The head unit itself (public FIT profile, type `device_index`).
        const CREATOR: u8 = 0;
        let index = fields.number(0).map(|index| index as u8);
        let device = Sensor {
            kind: device_kind(fields),
            maker: fields.number(2).map(maker),
            product: fields.text(27).or_else(|| fields.whole(4)),
            serial: fields.whole(3),
            firmware: fields.number(5).map(|version| format!("{version:.2}")),
            battery: fields
                .number(11)
                .map(|status| BatteryStatus(status as u8).to_string())
                .or_else(|| fields.whole(32).map(|level| format!("{level} %"))),
            battery_voltage_v: fields.number(10),
        };
        if index == Some(CREATOR) {
            let unit = &mut self.contents.head_unit;
            unit.product = unit.product.take().or(device.product);
            unit.serial = unit.serial.take().or(device.serial);
            unit.firmware = device.firmware.or(unit.firmware.take());
            return;
        }
        // A head unit repeats what it knows, often piecemeal; another serial number is another device.
        let sensors = self.contents.sensors.iter_mut().zip(&self.sensor_index);
        let known = sensors.rev().find(|(known, known_index)| {
            **known_index == index
                && (known.serial == device.serial || known.serial.is_none() || device.serial.is_none())
        });
        match known {
            Some((known, _)) => update(known, device),
            None if device == Sensor::default() => {}
            None => {
                self.contents.sensors.push(device);
                self.sensor_index.push(index);
            }
        }
    }

    fn developer_field(&mut self, fields: &Fields) {
        let (Some(index), Some(num), Some(base_type)) = (fields.number(0), fields.number(1), fields.number(2)) else {
            return;
        };
        let name = fields.text(3).unwrap_or_else(|| format!("field {num}"));
        let mut name = format!("developer {name}");
        let key = (index as u8, num as u8);
        let taken = |name: &str, developer: &BTreeMap<_, DeveloperField>, names: &[String]| {
            developer.iter().any(|(other, field): (&(u8, u8), _)| *other != key && names[field.column] == name)
        };
        if taken(&name, &self.developer, &self.contents.table.extra_names) {
            name = format!("{name} ({index}/{num})");
        }
        let column = self.contents.table.extra_column(&name);
        self.developer.insert(
            key,
            DeveloperField {
                column,
                base_type: FitBaseType(base_type as u8),
                scale: fields.number(6).filter(|scale| *scale != 0.0).unwrap_or(1.0),
                offset: fields.number(7).unwrap_or(0.0),
            },
        );
    }

    fn finish(mut self) -> Contents {
        let cautions = &mut self.contents.cautions;
        if self.untimed > 0 {
            cautions.push(format!("{} records without a time were left out", self.untimed));
        }
        if self.undescribed > 0 {
            cautions.push(format!(
                "{} records hold a developer field that nothing describes; it was left out",
                self.undescribed
            ));
        }
        if self.balance_without_side > 0 {
            let n = self.balance_without_side;
            cautions.push(format!("{n} left/right balances do not say which side they mean and were left out"));
        }
        for field in self.unreadable {
            cautions.push(format!("{field} is stored in an unusual type and was left out"));
        }
        self.contents
    }
}

/// A message's fields, by number, in the units of the profile.
struct Fields<'a> {
    message: &'a Message,
    unreadable: &'a [u8],
}

impl Fields<'_> {
    fn value(&self, num: u8) -> Option<(&Value, FitBaseType)> {
        let field = self.message.fields.iter().find(|field| field.num == num)?;
        // A field that the decoder made from another is no better than its source, which may be any.
        let readable = self.unreadable.is_empty() || !(field.is_expanded || self.unreadable.contains(&num));
        readable.then_some((&field.value, field.base_type))
    }

    fn number(&self, num: u8) -> Option<f64> {
        let (value, base_type) = self.value(num)?;
        let profile = field_reference(self.message.num, num)?;
        Some(number(value, base_type)? / profile.scale() - profile.offset())
    }

    /// A number that is a name (a serial, a product).
    fn whole(&self, num: u8) -> Option<String> {
        self.number(num).map(|value| format!("{value:.0}"))
    }

    fn text(&self, num: u8) -> Option<String> {
        let text = match self.value(num)?.0 {
            Value::String(text) => text,
            Value::ArrayString(texts) => texts.first()?,
            _ => return None,
        };
        let text = text.trim_matches(|c: char| c.is_control() || c.is_whitespace());
        (!text.is_empty()).then(|| text.to_owned())
    }

    fn unix_s(&self, num: u8) -> Option<f64> {
        self.number(num).map(|fit_s| fit_s + FIT_EPOCH_UNIX_S)
    }
}

/// A single number, unless it is the one that its type reserves for "invalid" (public FIT protocol).
fn number(value: &Value, base_type: FitBaseType) -> Option<f64> {
    let zero_is_invalid =
        matches!(base_type, FitBaseType::UINT8Z | FitBaseType::UINT16Z | FitBaseType::UINT32Z | FitBaseType::UINT64Z);
    let unsigned = |value: u64, max: u64| {
        let invalid = if zero_is_invalid { 0 } else { max };
        (value != invalid).then_some(value as f64)
    };
    match *value {
        Value::Int8(v) => (v != i8::MAX).then(|| v.into()),
        Value::Int16(v) => (v != i16::MAX).then(|| v.into()),
        Value::Int32(v) => (v != i32::MAX).then(|| v.into()),
        Value::Int64(v) => (v != i64::MAX).then_some(v as f64),
        Value::Uint8(v) => unsigned(v.into(), u8::MAX.into()),
        Value::Uint16(v) => unsigned(v.into(), u16::MAX.into()),
        Value::Uint32(v) => unsigned(v.into(), u32::MAX.into()),
        Value::Uint64(v) => unsigned(v, u64::MAX),
        // All ones, the invalid float, is a NaN.
        Value::Float32(v) => v.is_finite().then(|| v.into()),
        Value::Float64(v) => v.is_finite().then_some(v),
        _ => None,
    }
}

/// The right side's share: bit 7 says that the low seven bits are its per cent; without it they are of
/// a side that nobody knows (public FIT profile, type `left_right_balance`).
fn right_share_pct(balance: u8) -> Option<f64> {
    let share = balance & 0x7F;
    (balance & 0x80 != 0 && share <= 100).then(|| share.into())
}

/// FIT holds angles in parts of half a turn, 2³¹ to the half (public FIT profile).
fn degrees(semicircles: f64) -> f64 {
    semicircles * (180.0 / 2_147_483_648.0)
}

/// The maker's name where the profile has one, else its number.
fn maker(number: f64) -> String {
    named(&Manufacturer(number as u16).to_string(), number)
}

/// `bike_power` to `bike power`; the crate prints what it does not know as `Type(7)`.
fn named(text: &str, number: f64) -> String {
    if text.contains('(') { format!("{number:.0}") } else { text.replace('_', " ") }
}

fn device_kind(fields: &Fields) -> Option<String> {
    let number = fields.number(1)?;
    let code = number as u8;
    let text = match fields.number(25).map(|source| SourceType(source as u8)) {
        Some(SourceType::BLUETOOTH_LOW_ENERGY) => BleDeviceType(code).to_string(),
        Some(SourceType::LOCAL) => LocalDeviceType(code).to_string(),
        _ => AntplusDeviceType(code).to_string(),
    };
    Some(named(&text, number))
}

fn update(known: &mut Sensor, newer: Sensor) {
    let Sensor { kind, maker, product, serial, firmware, battery, battery_voltage_v } = newer;
    let keep = |old: &mut Option<String>, new: Option<String>| *old = new.or(old.take());
    keep(&mut known.kind, kind);
    keep(&mut known.maker, maker);
    keep(&mut known.product, product);
    keep(&mut known.serial, serial);
    keep(&mut known.firmware, firmware);
    keep(&mut known.battery, battery);
    known.battery_voltage_v = battery_voltage_v.or(known.battery_voltage_v);
}

fn utc(unix_s: f64) -> String {
    DateTime::from_timestamp(unix_s as i64, 0).unwrap_or_default().format("%Y-%m-%d %H:%M:%S UTC").to_string()
}
