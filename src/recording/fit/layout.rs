//! What definition messages and field descriptions declare: which fields a message has, of which size and type.

use std::collections::BTreeMap;

use rustyfit::profile::lookup::{FieldReference, field_reference};
use rustyfit::profile::typedef::{FitBaseType, MesgNum};

use super::times::TIMESTAMP;

/// What nothing is taken from is read as text, which takes the least time and memory (bytes take 32 each).
const UNUSED: FitBaseType = FitBaseType::STRING;

/// A field of a message, as its definition declares it.
pub(super) struct StoredField {
    pub num: u8,
    size: u8,
    pub profile: Option<FieldReference>,
    /// Type to read it in.
    read_as: FitBaseType,
    pub is_number: bool,
    /// A number by the profile, but in a type that none can be read from.
    pub unreadable: bool,
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
pub(super) const MOST_FIELDS: usize = u8::MAX as usize;

/// What a definition message says about the data messages that follow it.
pub(super) struct MessageLayout {
    pub mesg_num: MesgNum,
    pub arch: u8,
    /// Without the header byte.
    pub data_bytes: usize,
    /// Where the message's time stands behind its header byte.
    time_at: Option<usize>,
    pub fields: Vec<StoredField>,
    /// Number, size and developer data index of each developer field.
    pub developer: Vec<[u8; 3]>,
    /// Whether the decoder knows it with all that is described by now.
    pub declared: bool,
}

impl MessageLayout {
    /// The layout and how many bytes the definition message takes, unless `bytes` end before it does.
    pub fn of(bytes: &[u8]) -> Option<(Self, usize)> {
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
    #[inline]
    pub fn fit_s(&self, message: &[u8]) -> Option<u32> {
        let raw = *message.get(1 + self.time_at?..)?.first_chunk()?;
        Some(if self.arch == 0 { u32::from_le_bytes(raw) } else { u32::from_be_bytes(raw) })
    }

    /// A definition message for the decoder: fields are numbered by their place, developer fields like the others.
    pub fn declaration(&self, local: usize, described: &FieldDescriptions) -> Vec<u8> {
        let own = self.fields.iter().map(|field| (field.size, field.read_as));
        let developer = self.developer.iter().map(|&[num, size, index]| {
            let described =
                described.get(&DeveloperFieldId { index, num }).filter(|described| described.is_number(size));
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

/// A developer field as its description message declares it.
pub(super) struct DeveloperField {
    /// Of the table's further columns.
    pub column: usize,
    pub base_type: FitBaseType,
    pub scale: f64,
    pub offset: f64,
}

impl DeveloperField {
    /// Whether a field of so many bytes is one number of the declared type (public FIT protocol, base types).
    #[inline]
    pub fn is_number(&self, size: u8) -> bool {
        matches!(self.base_type.0, 0..=2 | 10 | 13 | 131..=134 | 136 | 137 | 139 | 140 | 142..=144)
            && self.base_type.size() == size
    }
}

/// What a developer field is known by.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct DeveloperFieldId {
    /// Developer data index.
    pub index: u8,
    /// Field number.
    pub num: u8,
}

pub(super) type FieldDescriptions = BTreeMap<DeveloperFieldId, DeveloperField>;
