//! FIT files: parts, checksums, lengths and layouts here, values by `fitparser`, message by message.
//!
//! `fitparser` is given only the messages that something is taken from, and its profile is not applied, which would
//! take three quarters of its time. Each layout is declared to it anew, so that it never meets what it can't read: it
//! writes to standard error of a size that is no multiple of its type's, loses its place at a developer field without
//! a description, and drops a text that is no UTF-8. Names, units, scales and offsets are looked up in the table of
//! `rustyfit`, which writes FIT in `rehearse`; its decoder is not used.

use std::collections::{BTreeMap, BTreeSet};

use fitparser::Value;
use fitparser::de::{FitDataMessage, FitObject, FitStreamProcessor};
use rustyfit::profile::lookup::{FieldReference, field_reference};
use rustyfit::profile::typedef::{
    AntplusDeviceType, BatteryStatus, BleDeviceType, Event, EventType, FitBaseType, LocalDeviceType, Manufacturer,
    MesgNum, RiderPositionType, SourceType, Sport,
};

use super::rows::{Cell, Channel, OTHER_DAY_S, Row};
use super::{
    FormatContents, GearChange, HeadUnitSummary, Lap, PositionChange, RiderPosition, Sensor, TimerEvent, TimerKind,
    counted, printable, utc,
};

/// FIT counts seconds from 1989-12-31T00:00:00Z (public FIT profile, type `date_time`).
pub(super) const FIT_EPOCH_UNIX_S: f64 = 631_065_600.0;

/// Field that holds the time in every message that has one (public FIT profile).
const TIMESTAMP: u8 = 253;

const CHECKSUM_BYTES: usize = 2;

/// Whether this is a FIT file: the mark `.FIT` at byte 8.
pub(super) fn is_fit(bytes: &[u8]) -> bool {
    bytes.get(8..12) == Some(b".FIT")
}

/// Reads all parts of a (possibly chained) FIT file, and what is left of a damaged one.
pub(super) fn read(bytes: &[u8]) -> FormatContents {
    let mut reader = Reader::default();
    let mut at = 0;
    while at < bytes.len() {
        if !is_fit(&bytes[at..]) {
            let next = next_header(bytes, at).unwrap_or(bytes.len());
            reader
                .contents
                .damage
                .push(format!("byte {at}: {} bytes that are no FIT data were left unread", next - at));
            at = next;
            continue;
        }
        let part = FitPart::find(bytes, at);
        reader.contents.damage.extend(part.damage);
        let place = reader.contents.damage.len();
        reader.begin_part();
        reader.read_part(&bytes[part.body.clone()], part.body.start);
        if part.missing > 0 {
            let (end, n, after) = (part.body.end, counted(part.missing, "byte"), reader.after());
            let about = reader.about_records(part.missing, part.body.len());
            let said = format!("byte {end}{after}: the file is cut short, {n}{about} missing");
            reader.contents.damage.insert(place, said);
        }
        at = part.next;
    }
    reader.finish()
}

/// One of the FIT files that a chained file consists of.
struct FitPart {
    body: std::ops::Range<usize>,
    next: usize,
    /// Bytes of data that the header declares but the file no longer has.
    missing: usize,
    damage: Vec<String>,
}

impl FitPart {
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
            return Self { body: start..end, next, missing: 0, damage };
        }
        if declared > 0 && (next == bytes.len() || bytes.get(next..).is_some_and(is_fit)) {
            damage.push(format!("byte {end}: the checksum is wrong, so any value before it may be; all were read"));
            return Self { body: start..end, next, missing: 0, damage };
        }
        // The declared length is wrong or the part was cut: it ends where the next one begins, or the file.
        let limit = next_header(bytes, start).unwrap_or(bytes.len());
        let last = limit.saturating_sub(CHECKSUM_BYTES);
        let mut missing = 0;
        let body_end = if last > start && sound(bytes, at, start, last) {
            let there = last - start;
            damage.push(format!(
                "byte {at}: the header declares {declared} bytes of data where there are {there}; their checksum is right"
            ));
            last
        } else if declared == 0 {
            damage.push(format!("byte {at}: the header's length was never written (no proper end); read to the end"));
            limit
        } else if next > limit {
            missing = next - limit;
            limit.min(end)
        } else {
            damage.push(format!(
                "byte {at}: the declared length of {declared} bytes and the checksum are wrong; read to the end"
            ));
            limit
        };
        Self { body: start..body_end, next: limit, missing, damage }
    }
}

/// Where the next part's header begins, after byte `from`.
fn next_header(bytes: &[u8], from: usize) -> Option<usize> {
    (from + 1..bytes.len()).find(|&at| matches!(bytes[at], 12 | 14) && is_fit(&bytes[at..]))
}

/// Whether the checksum after `end` is right. Some writers start it at the header, some after one of
/// 14 bytes; the two agree wherever the header has a checksum of its own.
fn sound(bytes: &[u8], header: usize, start: usize, end: usize) -> bool {
    let stored = u16::from_le_bytes([bytes[end], bytes[end + 1]]);
    crc16(&bytes[header..end]) == stored || (start - header == 14 && crc16(&bytes[start..end]) == stored)
}

/// CRC-16/ARC, a byte at a time.
fn crc16(bytes: &[u8]) -> u16 {
    const TABLE: [u16; 256] = {
        let mut table = [0; 256];
        let mut bit = 0;
        while bit < 8 * 256 {
            let crc: u16 = if bit % 8 == 0 { bit as u16 / 8 } else { table[bit / 8] };
            // The polynomial that the FIT protocol's own table of half bytes comes from.
            table[bit / 8] = (crc >> 1) ^ (0xA001 * (crc & 1));
            bit += 1;
        }
        table
    };
    bytes.iter().fold(0, |crc, byte| (crc >> 8) ^ TABLE[usize::from(crc as u8 ^ byte)])
}

/// What nothing is taken from is read as text, which takes the least time and memory (bytes take 32 each).
const UNUSED: FitBaseType = FitBaseType::STRING;

/// A field of a message, as its definition declares it.
struct StoredField {
    num: u8,
    size: u8,
    profile: Option<FieldReference>,
    /// Type to read it in.
    read_as: FitBaseType,
    is_number: bool,
    /// A number by the profile, but in a type that none can be read from.
    unreadable: bool,
}

impl StoredField {
    fn of(mesg_num: MesgNum, &[num, size, base_type]: &[u8; 3]) -> Self {
        let profile = field_reference(mesg_num, num);
        let single = profile.filter(|profile| !profile.array() && profile.base_type() != FitBaseType::STRING);
        let number = single.and_then(|profile| number_type(profile.base_type(), size, base_type));
        let bytes = profile.filter(|p| matches!(p.base_type(), FitBaseType::STRING | FitBaseType::BYTE));
        let read_as = number.or(bytes.map(|_| FitBaseType::BYTE)).unwrap_or(UNUSED);
        let unreadable = single.is_some() && number.is_none();
        Self { num, size, profile, read_as, is_number: number.is_some(), unreadable }
    }
}

/// The type in which to read a number that the profile wants in one type and the file stores in another.
fn number_type(wanted: FitBaseType, size: u8, stored: u8) -> Option<FitBaseType> {
    // Bits 5 and 6 are reserved (public FIT protocol).
    let stored = FitBaseType(stored & 0x9F);
    if size == wanted.size() && is_float(stored) == is_float(wanted) {
        return Some(wanted);
    }
    let shorter = size < wanted.size() && !is_float(wanted);
    let unsigned = match stored {
        FitBaseType::ENUM | FitBaseType::UINT8 | FitBaseType::BYTE => size == 1,
        FitBaseType::UINT16 => size == 2,
        _ => false,
    };
    (shorter && unsigned).then_some(stored)
}

fn is_float(base_type: FitBaseType) -> bool {
    matches!(base_type, FitBaseType::FLOAT32 | FitBaseType::FLOAT64)
}

/// The most fields that a definition message can declare of one kind.
const MOST_FIELDS: usize = u8::MAX as usize;

/// What a definition message says about the data messages that follow it.
struct MessageLayout {
    mesg_num: MesgNum,
    arch: u8,
    /// Without the header byte.
    data_bytes: usize,
    /// Where the message's time stands behind its header byte.
    time_at: Option<usize>,
    fields: Vec<StoredField>,
    /// Number, size and developer data index of each developer field.
    developer: Vec<[u8; 3]>,
    /// Whether the decoder knows it with all that is described by now.
    declared: bool,
}

impl MessageLayout {
    /// The layout and how many bytes the definition message takes, unless `bytes` end before it does.
    fn of(bytes: &[u8]) -> Option<(Self, usize)> {
        const HAS_DEVELOPER_FIELDS: u8 = 0x20;
        let &[header, _, arch, a, b, n] = bytes.first_chunk()?;
        let fields = bytes[6..].get(..3 * usize::from(n))?.as_chunks().0;
        let rest = &bytes[6 + 3 * fields.len()..];
        let (developer, developer_bytes): (&[[u8; 3]], _) = match header & HAS_DEVELOPER_FIELDS {
            0 => (&[], 0),
            _ => {
                let (&n, rest) = rest.split_first()?;
                (rest.get(..3 * usize::from(n))?.as_chunks().0, 1 + 3 * usize::from(n))
            }
        };
        let mesg_num = MesgNum(if arch == 0 { u16::from_le_bytes([a, b]) } else { u16::from_be_bytes([a, b]) });
        let bytes_of = |fields: &[[u8; 3]]| fields.iter().map(|[_, size, _]| usize::from(*size)).sum::<usize>();
        let time = fields.iter().position(|[num, size, _]| (*num, *size) == (TIMESTAMP, 4));
        let layout = Self {
            mesg_num,
            arch,
            data_bytes: bytes_of(fields) + bytes_of(developer),
            time_at: time.map(|i| bytes_of(&fields[..i])),
            fields: fields.iter().map(|field| StoredField::of(mesg_num, field)).collect(),
            developer: developer.to_vec(),
            declared: false,
        };
        Some((layout, 6 + 3 * fields.len() + developer_bytes))
    }

    /// The time in a data message, in seconds as FIT counts them; any, if it is not valid.
    fn fit_s(&self, message: &[u8]) -> Option<u32> {
        let raw = *message.get(1 + self.time_at?..)?.first_chunk()?;
        Some(if self.arch == 0 { u32::from_le_bytes(raw) } else { u32::from_be_bytes(raw) })
    }

    /// A definition message for the decoder: fields are numbered by their place, developer fields like the others.
    fn declaration(&self, local: usize, described: &FieldDescriptions) -> Vec<u8> {
        let own = self.fields.iter().map(|field| (field.size, field.read_as));
        let developer = self.developer.iter().map(|&[num, size, index]| {
            let described = described.get(&(index, num)).filter(|described| described.is_number(size));
            (size, described.map_or(UNUSED, |described| described.base_type))
        });
        let fields: Vec<_> = own.chain(developer).take(MOST_FIELDS).collect();
        let mut message = vec![0x40 | local as u8, 0, self.arch, 0, 0, fields.len() as u8];
        for (place, (size, read_as)) in (0..=u8::MAX).zip(fields) {
            message.extend([place, size, read_as.0]);
        }
        message
    }
}

/// Whether [`Reader::take`] takes anything from such messages.
fn is_taken(mesg_num: MesgNum) -> bool {
    matches!(
        mesg_num,
        MesgNum::RECORD
            | MesgNum::LAP
            | MesgNum::SESSION
            | MesgNum::EVENT
            | MesgNum::DEVICE_INFO
            | MesgNum::FILE_ID
            | MesgNum::FILE_CREATOR
            | MesgNum::FIELD_DESCRIPTION
    )
}

/// Which local message a data message's header byte names (public FIT protocol).
fn local_number(header: u8) -> usize {
    usize::from(if header & 0x80 == 0 { header & 0x0F } else { (header >> 5) & 0x03 })
}

/// What a part has declared so far; it holds behind damage, too.
struct Declarations {
    layouts: [Option<MessageLayout>; 16],
    decoder: FitStreamProcessor,
}

impl Declarations {
    fn nothing() -> Self {
        // Longer than any part, so that the decoder never looks for its end.
        const HEADER: [u8; 12] = *b"\x0C\x20\0\0\xFF\xFF\xFF\x7F.FIT";
        let mut decoder = FitStreamProcessor::new();
        decode(&mut decoder, &HEADER);
        Self { layouts: Default::default(), decoder }
    }

    /// Where two records in a row begin whose times belong to the ride, as garbage hardly does, and the first's time.
    fn next_record(&self, body: &[u8], from: usize, ride_start_unix_s: Option<f64>) -> Option<(usize, f64)> {
        let record = |at: usize| {
            let header = *body.get(at)?;
            // Neither a definition nor a compressed time, which means nothing after damage.
            let layout = self.layouts[local_number(header)].as_ref().filter(|_| header & 0xF0 == 0)?;
            let fit_s = layout.fit_s(&body[at..]).filter(|_| layout.mesg_num == MesgNum::RECORD)?;
            let unix_s = f64::from(fit_s) + FIT_EPOCH_UNIX_S;
            same_day(ride_start_unix_s, unix_s).then_some((unix_s, at + 1 + layout.data_bytes))
        };
        (from..body.len()).find_map(|at| {
            let (time, next) = record(at)?;
            record(next).is_some_and(|(later, _)| later >= time).then_some((at, time))
        })
    }
}

/// The values of a data message, by the places of its fields; nothing of another message.
fn decode(decoder: &mut FitStreamProcessor, message: &[u8]) -> Option<FitDataMessage> {
    match decoder.deserialize_next(message) {
        Ok((_, FitObject::DataMessage(message))) => Some(message),
        _ => None,
    }
}

/// The valid values, each at the place of its field.
fn in_place(message: FitDataMessage) -> Vec<Option<Value>> {
    let mut values = vec![None; message.fields.keys().max().map_or(0, |last| usize::from(*last) + 1)];
    message.fields.into_iter().for_each(|(place, value)| values[usize::from(place)] = Some(value));
    values
}

/// Whether a time may belong to a ride that starts at `start_unix_s`, if anything is known of that.
fn same_day(start_unix_s: Option<f64>, unix_s: f64) -> bool {
    start_unix_s.is_none_or(|start| (unix_s - start).abs() <= OTHER_DAY_S)
}

/// A developer field as its description message declares it.
struct DeveloperField {
    column: usize,
    base_type: FitBaseType,
    scale: f64,
    offset: f64,
}

impl DeveloperField {
    /// Whether a field of so many bytes is one number of the declared type (public FIT protocol, base types).
    fn is_number(&self, size: u8) -> bool {
        matches!(self.base_type.0, 0..=2 | 10 | 13 | 131..=134 | 136 | 137 | 139 | 140 | 142..=144)
            && self.base_type.size() == size
    }
}

/// By developer data index and field number.
type FieldDescriptions = BTreeMap<(u8, u8), DeveloperField>;

#[derive(Default)]
struct Reader {
    contents: FormatContents,
    /// Each part declares its own.
    developer: FieldDescriptions,
    /// Columns of the record fields that the program has no use of its own for, by number.
    further: BTreeMap<u8, usize>,
    /// Device index of each of `contents.sensors`.
    sensor_index: Vec<Option<u8>>,
    /// Index of the present part's first row.
    part_first: usize,
    last_unix_s: Option<f64>,
    /// In 1/16 m.
    packed_distance: u64,
    untimed: usize,
    undescribed: usize,
    balance_without_side: usize,
    /// Numbers of record fields that the public profile does not know.
    undocumented: BTreeSet<u8>,
    unreadable: BTreeSet<String>,
}

impl Reader {
    /// Reads all of `body` that makes sense; `offset` is its place in the file.
    fn read_part(&mut self, body: &[u8], offset: usize) {
        self.developer.clear();
        let mut known = Declarations::nothing();
        let mut from = 0;
        while let Some((at, what)) = self.read_run(body, from, &mut known) {
            let next = known.next_record(body, at + 1, self.start_unix_s());
            let (place, after) = (offset + at, self.after());
            let lost = next.map_or(body.len(), |(next, _)| next) - at;
            let about = self.about_records(lost, at);
            let until = next.map(|(_, unix_s)| format!(", until {}", utc(unix_s))).unwrap_or_default();
            let left = counted(lost, "byte");
            self.contents.damage.push(format!("byte {place}{after}: {what}; {left}{about}{until} left unread"));
            let Some((next, _)) = next else { break };
            from = next;
        }
    }

    fn begin_part(&mut self) {
        self.part_first = self.contents.table.rows.len();
        self.contents.table.parts.push(self.part_first);
        self.last_unix_s = None;
    }

    /// `, after TIME` of the last record read.
    fn after(&self) -> String {
        self.last_unix_s.map(|t| format!(", after {}", utc(t))).unwrap_or_default()
    }

    /// How many records so many lost bytes held, by what a record took in the bytes read before.
    fn about_records(&self, lost: usize, read: usize) -> String {
        let records = self.contents.table.rows.len() - self.part_first;
        let about = lost as f64 * records as f64 / read.max(1) as f64;
        if about < 1.0 { String::new() } else { format!(" (about {})", counted(about.round() as usize, "record")) }
    }

    /// Reads messages from byte `from` on, until `body` ends or makes no sense: then returns where, and why.
    fn read_run(&mut self, body: &[u8], from: usize, known: &mut Declarations) -> Option<(usize, &'static str)> {
        let mut at = from;
        // The last time there was, which a compressed one counts from.
        let mut fit_s = None;
        while at < body.len() {
            let (start, header) = (at, body[at]);
            let local = local_number(header);
            if header & 0xC0 == 0x40 {
                let Some((layout, bytes)) = MessageLayout::of(&body[at..]) else {
                    return Some((at, "an incomplete message"));
                };
                if layout.arch > 1 {
                    return Some((at, "a definition of no known byte order"));
                }
                self.note_unreadable(&layout);
                known.layouts[local] = Some(layout);
                at += bytes;
                continue;
            }
            let Some(layout) = &mut known.layouts[local] else { return Some((at, "a message of undeclared layout")) };
            let Some(message) = body[at..].get(..=layout.data_bytes) else {
                return Some((at, "an incomplete message"));
            };
            let mut compressed_s = None;
            if header & 0x80 != 0 {
                // The time's lowest five bits, to be reached by counting up (public FIT protocol).
                fit_s = fit_s.map(|s: u32| s.wrapping_add(u32::from(header).wrapping_sub(s) & 0x1F));
                compressed_s = fit_s;
            }
            fit_s = layout.fit_s(message).filter(|s| *s != u32::MAX).or(fit_s);
            at += message.len();
            if !is_taken(layout.mesg_num) {
                continue;
            }
            if !layout.declared {
                layout.declared = true;
                decode(&mut known.decoder, &layout.declaration(local, &self.developer));
            }
            let Some(values) = decode(&mut known.decoder, message) else {
                return Some((start, "a message that can't be decoded"));
            };
            self.take(&Fields { layout, values: &in_place(values), compressed_s });
            if layout.mesg_num == MesgNum::FIELD_DESCRIPTION {
                known.layouts.iter_mut().flatten().for_each(|layout| layout.declared &= layout.developer.is_empty());
            }
        }
        None
    }

    /// Time of the part's first record, or of the file's while the part has none.
    fn start_unix_s(&self) -> Option<f64> {
        let unix_s = &self.contents.table.rows.unix_s;
        unix_s.get(self.part_first).or(unix_s.first()).copied()
    }

    fn note_unreadable(&mut self, layout: &MessageLayout) {
        if layout.mesg_num == MesgNum::RECORD {
            let unreadable = layout.fields.iter().filter(|field| field.unreadable);
            self.unreadable.extend(unreadable.filter_map(|field| Some(field.profile?.name().to_owned())));
        }
    }

    fn take(&mut self, fields: &Fields) {
        match fields.layout.mesg_num {
            MesgNum::RECORD => self.record(fields),
            MesgNum::LAP => self.lap(fields),
            MesgNum::SESSION => self.summary(fields),
            MesgNum::EVENT => self.event(fields),
            MesgNum::DEVICE_INFO => self.device(fields),
            MesgNum::FILE_ID => {
                let unit = &mut self.contents.head_unit;
                unit.maker = unit.maker.take().or_else(|| fields.number(1).and_then(maker));
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

    fn record(&mut self, fields: &Fields) {
        let Some(unix_s) = fields.unix_s(TIMESTAMP) else {
            self.untimed += 1;
            return;
        };
        if same_day(self.start_unix_s(), unix_s) {
            self.last_unix_s = Some(unix_s);
        }
        let mut row = Row::at(unix_s);
        row.set(Channel::Power, fields.cell(7));
        // Field 52 is cadence and its fraction in one; 53 the fraction alone.
        let fraction = fields.number(53).unwrap_or(0.0);
        row.set(Channel::Cadence, fields.cell(4).map(|whole| whole + fraction).or(fields.cell(52)));
        row.set(Channel::HeartRate, fields.cell(3));
        let packed = fields.packed_speed_and_distance();
        let distance = packed.map(|(_, sixteenths)| self.packed_distance_m(sixteenths));
        let [speed, packed_distance] =
            [packed.map(|(speed_m_s, _)| speed_m_s), distance].map(|value| value.map_or(Cell::Missing, Cell::Value));
        row.set(Channel::Speed, fields.cell(6).or(fields.cell(73)).or(speed));
        row.set(Channel::Altitude, fields.cell(2).or(fields.cell(78)));
        row.set(Channel::Temperature, fields.cell(13));
        row.set(Channel::Distance, fields.cell(5).or(packed_distance));
        row.set(Channel::Latitude, fields.cell(0).map(degrees));
        row.set(Channel::Longitude, fields.cell(1).map(degrees));
        let balance = fields.cell(30);
        let share = balance.value().map(|raw| balance_share(raw as u8));
        row.set(
            Channel::RightShare,
            match share {
                Some(BalanceShare::Right(pct)) => Cell::Value(pct),
                Some(BalanceShare::Impossible) => Cell::Invalid,
                Some(BalanceShare::OfUnknownSide(_)) => Cell::Missing,
                None => balance,
            },
        );
        if let Some(BalanceShare::OfUnknownSide(pct)) = share {
            self.balance_without_side += 1;
            self.further(&mut row, 30, "balance of an unknown side", "%", Cell::Value(pct));
        }
        for (place, field) in fields.layout.fields.iter().enumerate() {
            if OWN_CHANNEL.contains(&field.num) {
                continue;
            }
            let Some(profile) = &field.profile else {
                self.undocumented.insert(field.num);
                continue;
            };
            // An enum's number is no quantity.
            if field.is_number && profile.base_type() != FitBaseType::ENUM {
                self.further(&mut row, field.num, profile.name(), profile.units(), fields.cell_at(place));
            }
        }
        let mut undescribed = 0;
        for (place, &[num, size, index]) in (fields.layout.fields.len()..).zip(&fields.layout.developer) {
            match self.developer.get(&(index, num)) {
                Some(described) if place < MOST_FIELDS && described.is_number(size) => {
                    let raw = fields.raw(place).map_or(Cell::Invalid, Cell::Value);
                    row.push_extra(described.column, raw.map(|raw| raw / described.scale - described.offset));
                }
                Some(_) => {}
                None => undescribed = 1,
            }
        }
        self.undescribed += undescribed;
        self.contents.table.rows.push(row);
    }

    /// Sets a channel that the program has no use of its own for, by the number of its field.
    fn further(&mut self, row: &mut Row, num: u8, name: &str, unit: &str, cell: Cell) {
        let table = &mut self.contents.table;
        let column = *self.further.entry(num).or_insert_with(|| table.further_column(name, &symbol(unit)));
        row.push_extra(column, cell);
    }

    fn summary(&mut self, fields: &Fields) {
        let Some(end_s) = fields.unix_s(TIMESTAMP) else { return };
        let lasts_s = fields.number(7);
        let start_s = fields.unix_s(2).or(lasts_s.map(|lasts_s| end_s - lasts_s)).unwrap_or(end_s);
        self.contents.summaries.push(HeadUnitSummary {
            start_s,
            end_s: lasts_s.map_or(end_s, |lasts_s| start_s + lasts_s),
            timer_s: fields.number(8),
            sport: fields.number(5).map(|sport| named(&Sport(sport as u8).to_string(), sport)),
            mean_power_w: fields.number(20),
        });
    }

    /// The distance whose lowest twelve bits, in 1/16 m, are these; it never falls.
    fn packed_distance_m(&mut self, sixteenths: u64) -> f64 {
        self.packed_distance += sixteenths.wrapping_sub(self.packed_distance) & 0xFFF;
        self.packed_distance as f64 / 16.0
    }

    fn lap(&mut self, fields: &Fields) {
        let (start, end) = (fields.unix_s(2), fields.unix_s(TIMESTAMP));
        let lasts_s = fields.number(7);
        let start = start.or_else(|| Some(end? - lasts_s?));
        // Elapsed time has milliseconds, and holds where a program wrote all laps at the end of the ride.
        let end = start.zip(lasts_s).map(|(start, lasts)| start + lasts).or(end);
        let previous = self.contents.laps.last().map(|lap| lap.end_s);
        let start = start.or(previous).or(self.start_unix_s()).or(end);
        if let Some((start, end)) = start.zip(end) {
            self.contents.laps.push(Lap { start_s: start.min(end), end_s: end });
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
                // In fields of their own, or a byte each in `data`, where zero is unknown.
                let packed = fields.number(3).map(|data| (data as u32).to_le_bytes());
                let gear = |field, byte: usize| {
                    let packed = packed.map(|bytes| u32::from(bytes[byte])).filter(|value| *value != 0);
                    fields.number(field).map(|value| value as u32).or(packed)
                };
                self.contents.gears.push(GearChange {
                    at_s,
                    front_number: gear(9, 2),
                    front_teeth: gear(10, 3),
                    rear_number: gear(11, 0),
                    rear_teeth: gear(12, 1),
                });
            }
            Event::RIDER_POSITION_CHANGE => {
                let position = match fields.number(3).map(|position| RiderPositionType(position as u8)) {
                    Some(RiderPositionType::SEATED | RiderPositionType::TRANSITION_TO_SEATED) => RiderPosition::Seated,
                    Some(RiderPositionType::STANDING | RiderPositionType::TRANSITION_TO_STANDING) => {
                        RiderPosition::Standing
                    }
                    _ => return,
                };
                self.contents.positions.push(PositionChange { at_s, position });
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
            name: fields.text(19),
            maker: fields.number(2).and_then(maker),
            product: fields.text(27).or_else(|| fields.whole(4)),
            serial: fields.whole(3),
            firmware: fields.number(5).map(|version| format!("{version:.2}")),
            battery: fields
                .number(11)
                .map(|status| BatteryStatus(status as u8).to_string())
                .or_else(|| fields.whole(32).map(|level| format!("{level} %"))),
            battery_voltage_v: fields.number(10),
            source: fields.number(25).map(|source| named(&SourceType(source as u8).to_string(), source)),
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
        let unit = fields.text(8).unwrap_or_default();
        let column = self.contents.table.further_column(&name, &symbol(&unit));
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

    fn finish(mut self) -> FormatContents {
        let cautions = &mut self.contents.cautions;
        if self.untimed > 0 {
            cautions.push(format!("{} without a time left out", counted(self.untimed, "record")));
        }
        if self.undescribed > 0 {
            let n = counted(self.undescribed, "record");
            cautions.push(format!("a developer field that nothing describes left out of {n}"));
        }
        if self.balance_without_side > 0 {
            let n = counted(self.balance_without_side, "record");
            cautions.push(format!(
                "left/right balance that does not say which side it means in {n}; nothing can be judged by it"
            ));
        }
        if !self.undocumented.is_empty() {
            let numbers = self.undocumented.iter().map(u8::to_string).collect::<Vec<_>>().join(", ");
            cautions.push(format!("record fields that the public profile does not know were left out: {numbers}"));
        }
        for field in self.unreadable {
            cautions.push(format!("the records' {field} is stored in a type that can't be read and was left out"));
        }
        self.contents
    }
}

/// A message's fields, by number, in the units of the profile.
struct Fields<'a> {
    layout: &'a MessageLayout,
    /// Valid values, by the place of their field.
    values: &'a [Option<Value>],
    /// The full time that a compressed one stands for, as FIT counts it.
    compressed_s: Option<u32>,
}

impl Fields<'_> {
    fn place(&self, num: u8) -> Option<usize> {
        self.layout.fields.iter().position(|field| field.num == num)
    }

    fn value(&self, place: usize) -> Option<&Value> {
        self.values.get(place)?.as_ref()
    }

    fn raw(&self, place: usize) -> Option<f64> {
        self.value(place).and_then(number)
    }

    fn cell_at(&self, place: usize) -> Cell {
        let field = &self.layout.fields[place];
        let Some(profile) = field.profile.as_ref().filter(|_| field.is_number) else { return Cell::Missing };
        let value = self.raw(place).map(|raw| raw / profile.scale() - profile.offset());
        value.map_or(Cell::Invalid, Cell::Value)
    }

    fn cell(&self, num: u8) -> Cell {
        self.place(num).map_or(Cell::Missing, |place| self.cell_at(place))
    }

    fn number(&self, num: u8) -> Option<f64> {
        self.cell(num).value()
    }

    /// What is stored as bytes; `None` if all are `FF`.
    fn bytes(&self, num: u8) -> Option<Vec<u8>> {
        let byte = |value: &Value| if let Value::Byte(byte) = value { Some(*byte) } else { None };
        match self.value(self.place(num)?)? {
            Value::Array(values) => values.iter().map(byte).collect(),
            value => byte(value).map(|byte| vec![byte]),
        }
    }

    /// Speed in m/s, and the lowest twelve bits of the distance in 1/16 m: twelve bits each, packed in three bytes (public
    /// FIT profile, `compressed_speed_distance`).
    fn packed_speed_and_distance(&self) -> Option<(f64, u64)> {
        let [low, both, high] = self.bytes(8)?.try_into().ok()?;
        let speed = u16::from(low) | u16::from(both & 0x0F) << 8;
        Some((f64::from(speed) / 100.0, u64::from(both >> 4) | u64::from(high) << 4))
    }

    /// A number that is a name (a serial, a product).
    fn whole(&self, num: u8) -> Option<String> {
        self.number(num).map(|value| format!("{value:.0}"))
    }

    fn text(&self, num: u8) -> Option<String> {
        let bytes = self.bytes(num)?;
        // Of several texts the first; what is no UTF-8 costs a letter, where the decoder's texts would cost the whole.
        let text = String::from_utf8_lossy(bytes.split(|byte| *byte == 0).next()?);
        let text = text.trim_matches(|c: char| c.is_control() || c.is_whitespace());
        (!text.is_empty()).then(|| printable(text))
    }

    fn unix_s(&self, num: u8) -> Option<f64> {
        let compressed_s = self.compressed_s.filter(|_| num == TIMESTAMP).map(f64::from);
        compressed_s.or_else(|| self.number(num)).map(|fit_s| fit_s + FIT_EPOCH_UNIX_S)
    }
}

/// A single number.
fn number(value: &Value) -> Option<f64> {
    Some(match *value {
        Value::Enum(v) | Value::Byte(v) | Value::UInt8(v) | Value::UInt8z(v) => v.into(),
        Value::UInt16(v) | Value::UInt16z(v) => v.into(),
        Value::UInt32(v) | Value::UInt32z(v) => v.into(),
        Value::UInt64(v) | Value::UInt64z(v) => v as f64,
        Value::SInt8(v) => v.into(),
        Value::SInt16(v) => v.into(),
        Value::SInt32(v) => v.into(),
        Value::SInt64(v) => v as f64,
        Value::Float32(v) => v.into(),
        Value::Float64(v) => v,
        _ => return None,
    })
}

/// Record fields that [`Reader::record`] takes by number.
const OWN_CHANNEL: [u8; 16] = [0, 1, 2, 3, 4, 5, 6, 7, 8, 13, 30, 52, 53, 73, 78, TIMESTAMP];

/// A unit as the program writes it; the profile and developers spell it out.
fn symbol(unit: &str) -> String {
    match unit {
        "percent" => "%",
        "watts" | "watt" => "W",
        "degrees" => "°",
        "C" => "°C",
        other => other,
    }
    .to_owned()
}

/// What a left/right balance says, in per cent.
#[derive(Debug, Clone, Copy, PartialEq)]
enum BalanceShare {
    Right(f64),
    OfUnknownSide(f64),
    Impossible,
}

/// Bit 7 says that the low seven bits are the right side's share; without it they are of a side that nobody
/// knows (public FIT profile, type `left_right_balance`).
fn balance_share(balance: u8) -> BalanceShare {
    let share = balance & 0x7F;
    match (balance & 0x80 != 0, share) {
        (_, 101..) => BalanceShare::Impossible,
        (true, _) => BalanceShare::Right(share.into()),
        (false, _) => BalanceShare::OfUnknownSide(share.into()),
    }
}

/// FIT holds angles in parts of half a turn, 2³¹ to the half (public FIT profile).
fn degrees(semicircles: f64) -> f64 {
    semicircles * (180.0 / 2_147_483_648.0)
}

/// The maker's name where the profile has one, else its number; none of what is under development, for which the profile
/// keeps a number that is no maker's (public FIT profile, type `manufacturer`).
fn maker(number: f64) -> Option<String> {
    let maker = Manufacturer(number as u16);
    (maker != Manufacturer::DEVELOPMENT).then(|| named(&maker.to_string(), number))
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
    let Sensor { kind, name, maker, product, serial, firmware, battery, battery_voltage_v, source } = newer;
    let keep = |old: &mut Option<String>, new: Option<String>| *old = new.or(old.take());
    keep(&mut known.kind, kind);
    keep(&mut known.name, name);
    keep(&mut known.maker, maker);
    keep(&mut known.product, product);
    keep(&mut known.serial, serial);
    keep(&mut known.firmware, firmware);
    keep(&mut known.battery, battery);
    keep(&mut known.source, source);
    known.battery_voltage_v = battery_voltage_v.or(known.battery_voltage_v);
}

#[cfg(test)]
mod tests {
    //! Published values are of the public FIT protocol and profile (21.218) unless a test says otherwise.

    use proptest::prelude::*;

    use super::*;
    use crate::recording::rows::Ordered;

    const RECORD: u16 = 20;
    const EVENT: u16 = 21;
    const T0: u32 = 1_000_000_000;

    /// A definition message, little-endian, of (field number, bytes, base type on the wire).
    fn define(local: u8, global: u16, fields: &[(u8, u8, u8)]) -> Vec<u8> {
        let [low, high] = global.to_le_bytes();
        let mut message = vec![0x40 | local, 0, 0, low, high, fields.len() as u8];
        message.extend(fields.iter().flat_map(|&(num, size, base_type)| [num, size, base_type]));
        message
    }

    fn data(local: u8, values: &[&[u8]]) -> Vec<u8> {
        let mut message = vec![local];
        message.extend(values.concat());
        message
    }

    /// A whole FIT file around messages: 14-byte header, both checksums.
    fn file(messages: &[Vec<u8>]) -> Vec<u8> {
        let body = messages.concat();
        let mut bytes = vec![14, 0x20, 0, 0];
        bytes.extend((body.len() as u32).to_le_bytes());
        bytes.extend(b".FIT");
        bytes.extend(crc16(&bytes).to_le_bytes());
        bytes.extend(body);
        let crc = crc16(&bytes);
        bytes.extend(crc.to_le_bytes());
        bytes
    }

    /// Records of time, power, cadence and heart rate, from [`T0`] on.
    fn ride(samples: &[(u16, u8, u8)]) -> Vec<Vec<u8>> {
        let mut messages = vec![define(0, RECORD, &[(253, 4, 0x86), (7, 2, 0x84), (4, 1, 0x02), (3, 1, 0x02)])];
        for (i, (power, cadence, heart_rate)) in samples.iter().enumerate() {
            let time = (T0 + i as u32).to_le_bytes();
            messages.push(data(0, &[&time, &power.to_le_bytes(), &[*cadence, *heart_rate]]));
        }
        messages
    }

    const SAMPLES: [(u16, u8, u8); 6] =
        [(200, 90, 120), (0, 0, 121), (65535, 255, 255), (210, 91, 0), (255, 254, 123), (220, 92, 124)];

    fn ordered(contents: FormatContents) -> (Ordered, Vec<String>) {
        let mut cautions = contents.cautions;
        (contents.table.into_samples(&mut cautions).unwrap(), cautions)
    }

    /// One record of one field beside the time, read.
    fn one(num: u8, size: u8, base_type: u8, raw: &[u8]) -> FormatContents {
        let fields = [(253, 4, 0x86), (num, size, base_type)];
        read(&file(&[define(0, RECORD, &fields), data(0, &[&T0.to_le_bytes(), raw])]))
    }

    #[test]
    fn the_checksum_gives_the_published_values() {
        // CRC-16/ARC check value and the protocol's own table; header example of the public FIT protocol.
        assert_eq!(crc16(b"123456789"), 0xBB3D);
        assert_eq!(crc16(b""), 0x0000);
        assert_eq!(crc16(&[0x00]), 0x0000);
        assert_eq!(crc16(b"A"), 0x30C0);
        let header = [0x0E, 0x10, 0x54, 0x08, 0, 0, 0, 0, 0x2E, 0x46, 0x49, 0x54];
        assert_eq!(crc16(&header), 0xD146);
        assert_eq!(crc16(&[&header[..], &[0x46, 0xD1]].concat()), 0);
    }

    #[test]
    fn each_type_has_its_own_invalid_number() {
        let ones = [0xFF; 8];
        let signed = |bytes: usize| [&ones[..bytes - 1], &[0x7F]].concat();
        // Types of the public FIT protocol; 0x88 and 0x89 are floats, whose invalid number is a NaN.
        for (base_type, invalid) in [
            (0x00, vec![0xFF]),
            (0x01, vec![0x7F]),
            (0x02, vec![0xFF]),
            (0x0A, vec![0]),
            (0x0D, vec![0xFF]),
            (0x83, signed(2)),
            (0x84, vec![0xFF; 2]),
            (0x85, signed(4)),
            (0x86, vec![0xFF; 4]),
            (0x88, vec![0xFF; 4]),
            (0x89, vec![0xFF; 8]),
            (0x8B, vec![0; 2]),
            (0x8C, vec![0; 4]),
            (0x8E, signed(8)),
            (0x8F, vec![0xFF; 8]),
            (0x90, vec![0; 8]),
        ] {
            let size = invalid.len();
            let mut valid = vec![0; size];
            *valid.last_mut().unwrap() = 0x40;
            let messages = developer_of(5, base_type, b"power_2\0", 1, &[&invalid, &valid]);
            let (got, _) = ordered(read(&file(&messages)));
            let channel = got.samples.channel("developer power_2").unwrap();
            assert_eq!((channel[0], channel[1].is_some()), (None, true), "{base_type:#X}");
            assert_eq!(got.samples.invalid["developer power_2"], [0], "{base_type:#X}");
        }
    }

    /// Twelve bits of speed in 1/100 m/s, then twelve of distance in 1/16 m that roll over.
    #[test]
    fn speed_and_distance_packed_in_three_bytes_are_unpacked() {
        let mut messages = vec![define(0, RECORD, &[(253, 4, 0x86), (8, 3, 0x0D)])];
        let packed: [[u8; 3]; 4] = [[98, 0x01, 0], [99, 0x41, 14], [0xFF; 3], [0, 0x10, 0]];
        for (i, bytes) in packed.iter().enumerate() {
            messages.push(data(0, &[&(T0 + i as u32).to_le_bytes(), bytes]));
        }
        let samples = ordered(read(&file(&messages))).0.samples;
        assert_eq!(samples.speed_m_s, [Some(3.54), Some(3.55), None, Some(0.0)]);
        assert_eq!(samples.distance_m, [Some(0.0), Some(14.25), None, Some(256.0625)]);
    }

    #[test]
    fn zero_and_missing_are_two_things() {
        let (got, _) = ordered(read(&file(&ride(&SAMPLES))));
        let expected = [Some(200.0), Some(0.0), None, Some(210.0), Some(255.0), Some(220.0)];
        assert_eq!(got.samples.power_w, expected);
        assert_eq!(got.samples.cadence_rpm[1..4], [Some(0.0), None, Some(91.0)]);
        assert_eq!(got.samples.heart_rate_bpm[2..4], [None, Some(0.0)]);
    }

    #[test]
    fn times_count_from_the_fit_epoch() {
        let (got, _) = ordered(read(&file(&ride(&SAMPLES))));
        assert_eq!(utc(got.start_unix_s), "2021-09-08 01:46:40 UTC");
    }

    #[test]
    fn scales_and_offsets_are_the_profiles() {
        let channel = |num, size, base_type, raw: &[u8], name: &str| {
            let (got, _) = ordered(one(num, size, base_type, raw));
            got.samples.channel(name).map(|values| values[0].unwrap())
        };
        assert_eq!(channel(2, 2, 0x84, &2500_u16.to_le_bytes(), "altitude"), Some(0.0));
        assert_eq!(channel(2, 2, 0x84, &1234_u16.to_le_bytes(), "altitude"), Some(1234.0 / 5.0 - 500.0));
        assert_eq!(channel(78, 4, 0x86, &2500_u32.to_le_bytes(), "altitude"), Some(0.0));
        assert_eq!(channel(6, 2, 0x84, &8000_u16.to_le_bytes(), "speed"), Some(8.0));
        assert_eq!(channel(73, 4, 0x86, &8000_u32.to_le_bytes(), "speed"), Some(8.0));
        assert_eq!(channel(5, 4, 0x86, &250_u32.to_le_bytes(), "distance"), Some(2.5));
        assert_eq!(channel(13, 1, 0x01, &[0xFB], "temperature"), Some(-5.0));
        assert_eq!(channel(0, 4, 0x85, &0x4000_0000_i32.to_le_bytes(), "latitude"), Some(90.0));
        assert_eq!(channel(52, 2, 0x84, &(90 * 256 + 128_u16).to_le_bytes(), "cadence"), Some(90.5));
    }

    #[test]
    fn no_millimetre_of_speed_or_fifth_of_a_metre_is_lost_between_the_widths() {
        for raw in [5001_u16, 8191, 8209, 12_345, 65_533] {
            assert_eq!(channel_of(one(6, 2, 0x84, &raw.to_le_bytes()), "speed"), Some(f64::from(raw) / 1000.0));
            let altitude = f64::from(raw) / 5.0 - 500.0;
            assert_eq!(channel_of(one(2, 2, 0x84, &raw.to_le_bytes()), "altitude"), Some(altitude));
        }
        // Beyond 65.5 m/s only the wide field has a value.
        let fields = [(253, 4, 0x86), (6, 2, 0x84), (73, 4, 0x86)];
        let record = data(0, &[&T0.to_le_bytes(), &[0xFF; 2], &70_001_u32.to_le_bytes()]);
        assert_eq!(channel_of(read(&file(&[define(0, RECORD, &fields), record])), "speed"), Some(70.001));
    }

    fn channel_of(contents: FormatContents, name: &str) -> Option<f64> {
        ordered(contents).0.samples.channel(name).and_then(|values| values[0])
    }

    #[test]
    fn both_sides_fields_and_all_others_of_the_profile_are_channels() {
        for (num, base_type, raw, name, value, unit) in [
            (43, 0x02, vec![151], "left_torque_effectiveness", 75.5, "%"),
            (44, 0x02, vec![152], "right_torque_effectiveness", 76.0, "%"),
            (45, 0x02, vec![41], "left_pedal_smoothness", 20.5, "%"),
            (46, 0x02, vec![40], "right_pedal_smoothness", 20.0, "%"),
            (29, 0x86, 123_456_u32.to_le_bytes().to_vec(), "accumulated_power", 123_456.0, "W"),
            (9, 0x83, (-250_i16).to_le_bytes().to_vec(), "grade", -2.5, "%"),
        ] {
            let (got, cautions) = ordered(one(num, raw.len() as u8, base_type, &raw));
            assert_eq!(got.samples.channel(name), Some(&[Some(value)][..]), "{name}");
            assert_eq!(got.samples.extra_units[name], unit);
            assert_eq!(cautions, [""; 0]);
        }
        let (_, cautions) = ordered(one(250, 1, 0x02, &[1]));
        assert_eq!(cautions, ["record fields that the public profile does not know were left out: 250"]);
    }

    #[test]
    fn invalid_is_told_from_not_written_and_from_zero() {
        let fields = [(253, 4, 0x86), (7, 2, 0x84), (43, 1, 0x02)];
        let record = |t: u32, power: u16, left: u8| data(0, &[&t.to_le_bytes(), &power.to_le_bytes(), &[left]]);
        let (got, _) = ordered(read(&file(&[
            define(0, RECORD, &fields),
            record(T0, 0, 255),
            record(T0 + 1, 0xFFFF, 100),
            define(0, RECORD, &fields[..1]),
            data(0, &[&(T0 + 2).to_le_bytes()]),
        ])));
        assert_eq!(got.samples.power_w, [Some(0.0), None, None]);
        let invalid = [("power", 1), ("left_torque_effectiveness", 0)].map(|(name, i)| (name.to_owned(), vec![i]));
        assert_eq!(got.samples.invalid, invalid.into());
    }

    #[test]
    fn the_riders_position_and_the_head_units_summary_are_read() {
        let at = |s: u32| (T0 + s).to_le_bytes();
        let event = [(253, 4, 0x86), (0, 1, 0x00), (1, 1, 0x00), (3, 4, 0x86)];
        let session = [(253, 4, 0x86), (2, 4, 0x86), (7, 4, 0x86), (8, 4, 0x86), (5, 1, 0x00), (20, 2, 0x84)];
        let (lasts, timer) = (90_000_u32.to_le_bytes(), 80_000_u32.to_le_bytes());
        let contents = read(&file(&[
            define(1, EVENT, &event),
            data(1, &[&at(10), &[44, 3], &1_u32.to_le_bytes()]),
            data(1, &[&at(20), &[44, 3], &2_u32.to_le_bytes()]),
            define(2, 18, &session),
            data(2, &[&at(95), &at(0), &lasts, &timer, &[2], &201_u16.to_le_bytes()]),
        ]));
        let zero = f64::from(T0) + FIT_EPOCH_UNIX_S;
        let positions: Vec<_> = contents.positions.iter().map(|change| (change.at_s - zero, change.position)).collect();
        assert_eq!(positions, [(10.0, RiderPosition::Standing), (20.0, RiderPosition::Seated)]);
        let summary = HeadUnitSummary {
            start_s: zero,
            end_s: zero + 90.0,
            timer_s: Some(80.0),
            sport: Some("cycling".to_owned()),
            mean_power_w: Some(201.0),
        };
        assert_eq!(contents.summaries, [summary]);
    }

    #[test]
    fn a_chained_part_of_another_day_is_kept() {
        let far: Vec<_> = ride(&SAMPLES)
            .into_iter()
            .enumerate()
            .map(|(i, mut message)| {
                if i > 0 {
                    message[1..5].copy_from_slice(&(T0 + 4 * 86_400 + i as u32).to_le_bytes());
                }
                message
            })
            .collect();
        let (got, cautions) = ordered(read(&[file(&ride(&SAMPLES)), file(&far)].concat()));
        assert_eq!(got.samples.len(), 2 * SAMPLES.len());
        assert_eq!(cautions, ["its 2 parts are up to 4 days apart; all were kept, but only one ride can be judged"]);
    }

    #[test]
    fn damage_says_its_second_and_how_much_it_cost() {
        let messages = ride(&[(200, 90, 120); 40]);
        let whole = file(&messages);
        let ends: Vec<usize> = (1..=messages.len()).map(|n| 14 + messages[..n].concat().len()).collect();
        // Ten records and the checksum are gone.
        assert_eq!(
            read(&whole[..ends[30]]).damage,
            [format!(
                "byte {}, after 2021-09-08 01:47:09 UTC: the file is cut short, 92 bytes (about 10 records) missing",
                ends[30]
            )]
        );
        let mut holed = whole.clone();
        holed[ends[10]..ends[14]].fill(0xFF);
        let said = format!("byte {}, after 2021-09-08 01:46:49 UTC: ", ends[10]);
        let found = read(&holed).damage.into_iter().find(|d| d.starts_with(&said)).unwrap();
        assert!(found.ends_with(" records), until 2021-09-08 01:46:54 UTC left unread"), "{found}");
    }

    #[test]
    fn the_fraction_adds_to_cadence_and_is_nothing_alone() {
        let fields = [(253, 4, 0x86), (4, 1, 0x02), (53, 1, 0x02)];
        let record = |t: u32, cadence, fraction| data(0, &[&t.to_le_bytes(), &[cadence, fraction]]);
        let messages =
            [define(0, RECORD, &fields), record(T0, 90, 64), record(T0 + 1, 90, 255), record(T0 + 2, 255, 64)];
        let (got, _) = ordered(read(&file(&messages)));
        assert_eq!(got.samples.cadence_rpm, [Some(90.5), Some(90.0), None]);
    }

    #[test]
    fn balance_counts_only_where_it_names_its_side() {
        let share = |raw| ordered(one(30, 1, 0x02, &[raw])).0.samples.right_share_pct.first().copied().flatten();
        assert_eq!(share(0xB0), Some(48.0));
        assert_eq!(share(0x32), None);
        assert_eq!(share(0xFF), None, "the invalid value, not 127 % right");
        assert_eq!(share(0x80), Some(0.0));
        let (_, cautions) = ordered(one(30, 1, 0x02, &[0x32]));
        assert_eq!(
            cautions,
            ["left/right balance that does not say which side it means in 1 record; nothing can be judged by it"]
        );
    }

    #[test]
    fn gears_are_read_packed_and_plain() {
        let time = T0.to_le_bytes();
        let packed = [
            define(1, EVENT, &[(253, 4, 0x86), (0, 1, 0x00), (1, 1, 0x00), (3, 4, 0x86)]),
            data(1, &[&time, &[42, 3], &0x3202_1106_u32.to_le_bytes()]),
            // Front only: rear teeth and number are zero, which is unknown.
            data(1, &[&time, &[43, 3], &0x3202_0000_u32.to_le_bytes()]),
        ];
        let gears = read(&file(&packed)).gears;
        let both = GearChange {
            at_s: f64::from(T0) + FIT_EPOCH_UNIX_S,
            front_teeth: Some(50),
            rear_teeth: Some(17),
            front_number: Some(2),
            rear_number: Some(6),
        };
        assert_eq!(gears, [both.clone(), GearChange { rear_teeth: None, rear_number: None, ..both.clone() }]);

        let plain =
            [(253, 4, 0x86), (0, 1, 0x00), (1, 1, 0x00), (9, 1, 0x0A), (10, 1, 0x0A), (11, 1, 0x0A), (12, 1, 0x0A)];
        let plain = [define(1, EVENT, &plain), data(1, &[&time, &[43, 3, 2, 50, 6, 17]])];
        assert_eq!(read(&file(&plain)).gears, [both]);
    }

    #[test]
    fn a_counter_that_runs_over_is_no_panic() {
        // Found by fuzzing: a damaged accumulated power near 2³², and its compressed sixteen bits after it.
        let counters = [(253, 4, 0x86), (29, 4, 0x86), (28, 2, 0x84)];
        let at = |s: u32| (T0 + s).to_le_bytes();
        let record = |s: u32, low: u16| data(1, &[&at(s), &0xFFFF_FFF0_u32.to_le_bytes(), &low.to_le_bytes()]);
        let records = [define(1, RECORD, &counters), record(0, 0xFFF0), record(1, 7), record(2, 6)];
        assert!(read(&file(&records)).damage.is_empty());
    }

    #[test]
    fn compressed_timestamps_follow_the_protocols_own_table() {
        // Table of the public FIT protocol (from memory; recomputed with its rule).
        let start = 0x3000_003B_u32;
        let mut messages = vec![
            define(0, RECORD, &[(253, 4, 0x86), (3, 1, 0x02)]),
            data(0, &[&start.to_le_bytes(), &[100]]),
            define(1, RECORD, &[(3, 1, 0x02)]),
        ];
        for offset in [29, 2, 5, 1] {
            messages.push(vec![0x80 | 1 << 5 | offset, 100 + offset]);
        }
        let contents = read(&file(&messages));
        let low_byte = |row: &Row| (row.unix_s - FIT_EPOCH_UNIX_S) as u32 & 0xFF;
        let got: Vec<u32> = contents.table.rows.to_vec().iter().map(low_byte).collect();
        assert_eq!(got, [0x3B, 0x3D, 0x42, 0x45, 0x61]);
    }

    #[test]
    fn a_compressed_time_counts_from_any_messages_time_and_from_nothing_it_is_none() {
        let [power, unknown] =
            [(RECORD, (7, 2, 0x84)), (0xFF00, (253, 4, 0x86))].map(|(global, field)| define(0, global, &[field]));
        let record = |offset: u8| vec![0x80 | offset, 200, 0];
        // Damage makes the time before it none, too.
        let messages =
            [power.clone(), record(3), unknown, data(0, &[&T0.to_le_bytes()]), power, record(3), vec![0x07], record(4)];
        let contents = read(&file(&messages));
        let after = (3_u32.wrapping_sub(T0)) & 0x1F;
        assert_eq!(contents.table.rows.unix_s, [f64::from(T0 + after) + FIT_EPOCH_UNIX_S]);
        assert_eq!(contents.cautions, ["1 record without a time left out"]);
    }

    #[test]
    fn a_record_without_any_time_is_left_out_aloud() {
        let contents = read(&file(&[define(0, RECORD, &[(3, 1, 0x02)]), data(0, &[&[100]])]));
        assert!(contents.table.rows.unix_s.is_empty());
        assert_eq!(contents.cautions, ["1 record without a time left out"]);
    }

    #[test]
    fn laps_timer_and_pause_events_are_found() {
        let at = |s: u32| (T0 + s).to_le_bytes();
        let messages = [
            define(1, EVENT, &[(253, 4, 0x86), (0, 1, 0x00), (1, 1, 0x00)]),
            data(1, &[&at(0), &[0, 0]]),
            data(1, &[&at(60), &[0, 4]]),
            data(1, &[&at(61), &[26, 1]]),
            define(2, 19, &[(253, 4, 0x86), (2, 4, 0x86), (7, 4, 0x86)]),
            data(2, &[&at(30), &at(0), &30_500_u32.to_le_bytes()]),
            data(2, &[&at(60), &at(30), &u32::MAX.to_le_bytes()]),
            data(2, &[&at(90), &u32::MAX.to_le_bytes(), &u32::MAX.to_le_bytes()]),
        ];
        let contents = read(&file(&messages));
        let zero = f64::from(T0) + FIT_EPOCH_UNIX_S;
        let laps: Vec<_> = contents.laps.iter().map(|lap| (lap.start_s - zero, lap.end_s - zero)).collect();
        assert_eq!(laps, [(0.0, 30.5), (30.0, 60.0), (60.0, 90.0)]);
        let timer: Vec<_> = contents.timer.iter().map(|event| (event.at_s - zero, event.kind)).collect();
        assert_eq!(timer, [(0.0, TimerKind::Start), (60.0, TimerKind::Stop)]);
    }

    #[test]
    fn a_sensor_that_reports_piecemeal_is_one_sensor() {
        let fields =
            [(0, 1, 0x02), (1, 1, 0x02), (3, 4, 0x8C), (5, 2, 0x84), (10, 2, 0x84), (11, 1, 0x02), (25, 1, 0x00)];
        let device = |index, kind, serial: u32, firmware: u16, voltage: u16, battery| {
            let numbers = [&firmware.to_le_bytes()[..], &voltage.to_le_bytes()].concat();
            data(3, &[&[index, kind], &serial.to_le_bytes(), &numbers, &[battery, 1]])
        };
        let contents = read(&file(&[
            define(3, 23, &fields),
            device(0, 0xFF, 77, 830, 0xFFFF, 0xFF),
            device(1, 11, 1017, 180, 0xFFFF, 0xFF),
            device(1, 11, 0, 0xFFFF, 1004, 4),
            device(1, 120, 2018, 0xFFFF, 0xFFFF, 0xFF),
        ]));
        assert_eq!(contents.head_unit.firmware.as_deref(), Some("8.30"));
        let [power, heart_rate] = &contents.sensors[..] else { panic!("{:?}", contents.sensors) };
        assert_eq!(power.kind.as_deref(), Some("bike power"));
        assert_eq!(power.serial.as_deref(), Some("1017"));
        assert_eq!(power.firmware.as_deref(), Some("1.80"));
        assert_eq!(power.battery.as_deref(), Some("low"));
        assert_eq!(power.battery_voltage_v, Some(1004.0 / 256.0));
        assert_eq!(heart_rate.serial.as_deref(), Some("2018"));
    }

    /// 255 stands for what is under development and is no maker's (public FIT profile, type `manufacturer`).
    #[test]
    fn the_number_that_is_no_makers_names_none() {
        let maker = |number: u16| {
            let file_id = [define(3, 0, &[(1, 2, 0x84)]), data(3, &[&number.to_le_bytes()])];
            let sensor = [
                define(4, 23, &[(0, 1, 0x02), (2, 2, 0x84), (3, 4, 0x8C)]),
                data(4, &[&[1], &number.to_le_bytes(), &17_u32.to_le_bytes()]),
            ];
            let contents = read(&file(&[file_id, sensor].concat()));
            (contents.head_unit.maker, contents.sensors[0].maker.clone())
        };
        assert_eq!(maker(255), (None, None));
        // A number that the profile has not given to anybody is shown.
        assert_eq!(maker(65_000), (Some("65000".to_owned()), Some("65000".to_owned())));
    }

    #[test]
    fn a_sensor_may_have_a_name_of_its_own() {
        let device = define(3, 23, &[(0, 1, 0x02), (19, 9, 0x07), (27, 8, 0x07)]);
        let contents = read(&file(&[device, data(3, &[&[1], b"unit 017\0", b"model M\0"])]));
        let sensor = &contents.sensors[0];
        assert_eq!((sensor.name.as_deref(), sensor.product.as_deref()), (Some("unit 017"), Some("model M")));
    }

    /// A description of developer field 0/5 or another, and records that hold 0/5.
    fn developer_of(num: u8, base_type: u8, name: &[u8; 8], scale: u8, raw: &[&[u8]]) -> Vec<Vec<u8>> {
        let mut with_developer = define(0, RECORD, &[(253, 4, 0x86), (7, 2, 0x84)]);
        with_developer[0] |= 0x20;
        with_developer.extend([1, 5, raw[0].len() as u8, 0]);
        let mut messages = vec![
            define(4, 206, &[(0, 1, 0x02), (1, 1, 0x02), (2, 1, 0x02), (3, 8, 0x07), (6, 1, 0x02)]),
            data(4, &[&[0, num, base_type], name, &[scale]]),
            with_developer,
        ];
        let times = (T0..).map(u32::to_le_bytes);
        messages.extend(times.zip(raw).map(|(time, raw)| data(0, &[&time, &200_u16.to_le_bytes(), raw])));
        messages
    }

    fn developer(num: u8, name: &[u8; 8], scale: u8) -> Vec<Vec<u8>> {
        developer_of(num, 0x84, name, scale, &[&2050_u16.to_le_bytes(), &[0xFF; 2]])
    }

    #[test]
    fn developer_fields_are_channels_by_their_own_name() {
        let (got, _) = ordered(read(&file(&developer(5, b"power_2\0", 10))));
        assert_eq!(got.samples.channel("developer power_2"), Some(&[Some(205.0), None][..]));
    }

    #[test]
    fn a_developer_field_without_description_costs_nothing_but_itself() {
        let (got, cautions) = ordered(read(&file(&developer(6, b"another\0", 255))));
        assert_eq!(got.samples.power_w, [Some(200.0), Some(200.0)]);
        assert!(got.samples.extra.is_empty());
        assert_eq!(cautions, ["a developer field that nothing describes left out of 2 records"]);
    }

    #[test]
    fn a_developer_field_may_be_described_late_or_anew() {
        let described = developer(5, b"power_2\0", 10);
        let again = developer(5, b"power_2\0", 1);
        let record = |t: u32| data(0, &[&(T0 + t).to_le_bytes(), &[200, 0, 0x02, 0x08]]);
        let definition = described[2].clone();
        let late =
            [described[0].clone(), definition, record(0), described[1].clone(), record(1), again[1].clone(), record(2)];
        let (got, cautions) = ordered(read(&file(&late)));
        assert_eq!(got.samples.channel("developer power_2"), Some(&[None, Some(205.0), Some(2050.0)][..]));
        assert_eq!(cautions, ["a developer field that nothing describes left out of 1 record"]);
    }

    #[test]
    fn a_developer_field_of_another_size_than_its_types_costs_nothing_but_itself() {
        for (base_type, size) in [(0x84, 255), (0x84, 1), (0x89, 4), (0x07, 8), (0x55, 1), (0x02, 3)] {
            let raw = vec![1; size];
            let (got, cautions) = ordered(read(&file(&developer_of(5, base_type, b"power_2\0", 1, &[&raw, &raw]))));
            assert_eq!(got.samples.power_w, [Some(200.0), Some(200.0)], "{base_type:#X} in {size}");
            assert_eq!(
                (got.samples.channel("developer power_2"), cautions),
                (None, vec![]),
                "{base_type:#X} in {size}"
            );
        }
    }

    #[test]
    fn more_fields_than_a_message_can_declare_cost_only_the_last() {
        let mut definition = define(0, RECORD, &[&[(253, 4, 0x86), (7, 2, 0x84)][..], &[(250, 0, 0x02); 251]].concat());
        definition[0] |= 0x20;
        definition.extend([vec![4], [5, 2, 0].repeat(4)].concat());
        let [describe, description] = &developer(5, b"power_2\0", 1)[..2] else { panic!() };
        let record = data(0, &[&T0.to_le_bytes(), &[200, 0, 1, 0, 2, 0, 3, 0, 4, 0]]);
        let contents = read(&file(&[describe.clone(), description.clone(), definition, record]));
        assert_eq!(contents.damage, [""; 0]);
        let (got, _) = ordered(contents);
        assert_eq!(
            (got.samples.power_w[0], got.samples.channel("developer power_2").unwrap()[0]),
            (Some(200.0), Some(2.0))
        );
    }

    #[test]
    fn texts_are_read_to_their_first_end_and_in_any_letters() {
        let product = |text: &[u8]| {
            let messages = [define(3, 0, &[(8, text.len() as u8, 0x07)]), data(3, &[text])];
            read(&file(&messages)).head_unit.product
        };
        assert_eq!(product(b"unit 017\0spare\0").as_deref(), Some("unit 017"));
        assert_eq!(product(b"7").as_deref(), Some("7"));
        assert_eq!(product(b"unit\xE9\0").as_deref(), Some("unit\u{FFFD}"));
        assert_eq!((product(b"\0unit 017"), product(&[0xFF; 4])), (None, None));
    }

    #[test]
    fn an_enum_and_an_array_are_no_channel() {
        // An activity type, and fields of as many values as fit (public FIT profile).
        for (num, size, base_type, raw) in [(42, 1, 0x00, vec![2]), (17, 1, 0x02, vec![9]), (69, 2, 0x02, vec![1, 2])] {
            let (got, cautions) = ordered(one(num, size, base_type, &raw));
            assert_eq!((got.samples.extra.len(), cautions.len()), (0, 0), "{num}: {cautions:?}");
        }
        let (got, cautions) = ordered(one(30, 2, 0x02, &[0xB0, 0xB0]));
        assert_eq!(got.samples.right_share_pct, []);
        let named = "the records' left_right_balance is stored in a type that can't be read and was left out";
        assert_eq!(cautions, [named]);
    }

    #[test]
    fn a_definition_of_no_known_byte_order_is_named() {
        let mut odd = define(0, RECORD, &[(253, 4, 0x86)]);
        odd[2] = 2;
        let damage = read(&file(&[ride(&SAMPLES).concat(), odd])).damage;
        assert!(damage[0].contains(": a definition of no known byte order; 9 bytes"), "{damage:?}");
    }

    #[test]
    fn a_field_stored_shorter_is_read_and_one_stored_otherwise_is_named() {
        let power = |size, base_type, raw: &[u8]| {
            let (got, cautions) = ordered(one(7, size, base_type, raw));
            (got.samples.power_w.first().copied().flatten(), cautions)
        };
        assert_eq!(power(1, 0x02, &[200]), (Some(200.0), vec![]));
        assert_eq!(power(1, 0x02, &[255]), (None, vec![]));
        let named = vec!["the records' power is stored in a type that can't be read and was left out".to_owned()];
        assert_eq!(power(4, 0x88, &200_f32.to_le_bytes()), (None, named));
    }

    #[test]
    fn big_endian_messages_are_read() {
        let mut definition = define(0, RECORD, &[(253, 4, 0x86), (7, 2, 0x84)]);
        definition[2] = 1;
        definition[3..5].copy_from_slice(&RECORD.to_be_bytes());
        let record = data(0, &[&T0.to_be_bytes(), &300_u16.to_be_bytes()]);
        let (got, _) = ordered(read(&file(&[definition, record])));
        assert_eq!(got.samples.power_w, [Some(300.0)]);
        assert_eq!(utc(got.start_unix_s), "2021-09-08 01:46:40 UTC");
    }

    #[test]
    fn a_sound_file_has_no_damage_with_any_form_of_header() {
        let whole = file(&ride(&SAMPLES));
        assert_eq!(read(&whole).damage, [""; 0]);

        let mut unsigned = whole.clone();
        unsigned[12..14].fill(0);
        assert_eq!(read(&unsigned).damage, [""; 0], "checksum from after the header");

        let mut short = whole.clone();
        short.drain(12..14);
        short[0] = 12;
        let end = short.len() - 2;
        let crc = crc16(&short[..end]).to_le_bytes();
        short[end..].copy_from_slice(&crc);
        let contents = read(&short);
        assert_eq!((contents.damage.len(), contents.table.rows.len()), (0, SAMPLES.len()));
    }

    #[test]
    fn chained_files_are_read_to_the_last() {
        let later: Vec<_> = ride(&SAMPLES)
            .into_iter()
            .enumerate()
            .map(|(i, mut message)| {
                if i > 0 {
                    message[1..5].copy_from_slice(&(T0 + 100 + i as u32).to_le_bytes());
                }
                message
            })
            .collect();
        let chained = [file(&ride(&SAMPLES)), file(&later)].concat();
        let contents = read(&chained);
        assert_eq!((contents.table.rows.len(), contents.damage.len()), (12, 0));

        // Damage in the first part, in a value or in its length, does not cost the second.
        for at in [40, 5] {
            let mut damaged = chained.clone();
            damaged[at] ^= 0xFF;
            let contents = read(&damaged);
            assert!(!contents.damage.is_empty());
            assert!(contents.table.rows.to_vec().ends_with(&read(&file(&later)).table.rows.to_vec()), "byte {at}");
        }
    }

    #[test]
    fn a_wrong_length_is_named_and_everything_read() {
        let whole = file(&ride(&SAMPLES));
        for wrong in [0_u32, 10, 5000] {
            let mut bytes = whole.clone();
            bytes[4..8].copy_from_slice(&wrong.to_le_bytes());
            let header = crc16(&bytes[..12]).to_le_bytes();
            bytes[12..14].copy_from_slice(&header);
            let contents = read(&bytes);
            assert_eq!(contents.table.rows.len(), SAMPLES.len());
            let there = whole.len() - 16;
            assert_eq!(
                contents.damage,
                [format!(
                    "byte 0: the header declares {wrong} bytes of data where there are {there}; their checksum is right"
                )]
            );
        }
    }

    #[test]
    fn trailing_bytes_are_named() {
        let mut bytes = file(&ride(&SAMPLES));
        let end = bytes.len();
        bytes.extend([7; 40]);
        assert_eq!(read(&bytes).damage, [format!("byte {end}: 40 bytes that are no FIT data were left unread")]);
    }

    /// Byte after each record of `ride(&SAMPLES)` in its file.
    fn record_ends() -> Vec<usize> {
        let messages = ride(&SAMPLES);
        (2..=messages.len()).map(|n| 14 + messages[..n].concat().len()).collect()
    }

    #[test]
    fn every_cut_keeps_the_records_before_it_and_says_so() {
        let whole = file(&ride(&SAMPLES));
        let rows = read(&whole).table.rows.to_vec();
        for cut in 12..whole.len() {
            let contents = read(&whole[..cut]);
            let complete = record_ends().iter().filter(|&&end| end <= cut).count();
            assert_eq!(contents.table.rows.to_vec(), rows[..complete], "cut at {cut}");
            assert!(!contents.damage.is_empty(), "cut at {cut}");
        }
    }

    #[test]
    fn every_flipped_bit_is_noticed_and_keeps_the_records_before_it() {
        let whole = file(&ride(&SAMPLES));
        let rows = read(&whole).table.rows.to_vec();
        // Without the mark `.FIT` it is no FIT file, which the caller says.
        for at in (0..whole.len()).filter(|at| !(8..12).contains(at)) {
            for bit in 0..8 {
                let mut bytes = whole.clone();
                bytes[at] ^= 1 << bit;
                let contents = read(&bytes);
                assert!(!contents.damage.is_empty(), "byte {at} bit {bit}");
                let before = record_ends().iter().filter(|&&end| end <= at).count();
                assert_eq!(contents.table.rows.to_vec()[..before], rows[..before], "byte {at} bit {bit}");
            }
        }
    }

    #[test]
    fn reading_goes_on_behind_a_damaged_stretch() {
        let mut messages = ride(&[(200, 90, 120); 40]);
        messages.splice(0..0, developer(5, b"power_2\0", 10).drain(..2));
        let whole = file(&messages);
        let rows = read(&whole).table.rows.to_vec();
        let cut = 14 + messages[..20].concat().len();
        // A record header of no declared layout; a stretch of blank flash; one of spilt text.
        for (garbage, at_least) in
            [(vec![0x07], 39), (vec![0xFF; 100], 25), (b"lorem ipsum dolor sit amet ".repeat(4), 25)]
        {
            let mut bytes = whole.clone();
            bytes[cut..cut + garbage.len()].copy_from_slice(&garbage);
            let contents = read(&bytes);
            let kept = contents.table.rows.to_vec().iter().filter(|row| rows.contains(row)).count();
            assert!(kept >= at_least, "{kept} {:?}", contents.damage);
            assert!(contents.table.rows.to_vec().ends_with(&rows[39..]));
            assert!(contents.damage.iter().any(|d| d.ends_with("left unread")), "{:?}", contents.damage);
        }
    }

    proptest! {
        #[test]
        fn no_garbage_after_a_header_panics(body in proptest::collection::vec(any::<u8>(), 0..400)) {
            let _ = read(&file(&[body]));
        }

        #[test]
        fn no_garbage_between_sound_messages_panics(
            garbage in proptest::collection::vec(any::<u8>(), 1..60),
            local in 0_u8..16,
            global in prop_oneof![Just(20_u16), Just(21), Just(19), Just(23), Just(206), Just(0)],
            fields in proptest::collection::vec((any::<u8>(), 0_u8..12, any::<u8>()), 0..12),
        ) {
            let mut messages = ride(&SAMPLES);
            messages.push(define(local, global, &fields));
            messages.push(garbage);
            let contents = read(&file(&messages));
            prop_assert!(contents.table.rows.len() >= SAMPLES.len());
        }
    }
}
