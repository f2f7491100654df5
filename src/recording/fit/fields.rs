//! One message's values, in the units of the profile.

use fitparser::Value;

use super::super::cells::Cell;
use super::super::wording::printable;
use super::layout::MessageLayout;
use super::times::{FIT_EPOCH_UNIX_S, TIMESTAMP};

/// Record field of speed and distance in one (public FIT profile).
pub(super) const PACKED_MOTION: u8 = 8;

pub(super) struct PackedMotion {
    pub speed_m_s: f64,
    /// The distance's lowest twelve bits, in 1/16 m.
    pub distance_sixteenths: u64,
}

/// A message's fields, by number, in the units of the profile.
pub(super) struct Fields<'a> {
    pub layout: &'a MessageLayout,
    /// Valid values, by the place of their field.
    pub values: &'a [Option<Value>],
    /// The full time that a compressed one stands for, as FIT counts it.
    pub compressed_s: Option<u32>,
}

impl Fields<'_> {
    #[inline]
    pub fn place(&self, num: u8) -> Option<usize> {
        self.layout.fields.iter().position(|field| field.num == num)
    }

    #[inline]
    pub fn value(&self, place: usize) -> Option<&Value> {
        self.values.get(place)?.as_ref()
    }

    #[inline]
    pub fn raw(&self, place: usize) -> Option<f64> {
        self.value(place).and_then(number)
    }

    #[inline]
    pub fn cell_at(&self, place: usize) -> Cell {
        let field = &self.layout.fields[place];
        let Some(profile) = field.profile.as_ref().filter(|_| field.is_number) else { return Cell::Missing };
        let value = self.raw(place).map(|raw| raw / profile.scale() - profile.offset());
        value.map_or(Cell::Invalid, Cell::Value)
    }

    #[inline]
    pub fn cell(&self, num: u8) -> Cell {
        self.place(num).map_or(Cell::Missing, |place| self.cell_at(place))
    }

    /// Of several fields the first that says more than those before it.
    #[inline]
    pub fn first_of(&self, nums: &[u8]) -> Cell {
        nums.iter().fold(Cell::Missing, |cell, num| cell.or(self.cell(*num)))
    }

    #[inline]
    pub fn number(&self, num: u8) -> Option<f64> {
        self.cell(num).value()
    }

    /// What is stored as bytes; `None` if all are `FF`.
    pub fn bytes(&self, num: u8) -> Option<Vec<u8>> {
        let byte = |value: &Value| if let Value::Byte(byte) = value { Some(*byte) } else { None };
        match self.value(self.place(num)?)? {
            Value::Array(values) => values.iter().map(byte).collect(),
            value => byte(value).map(|byte| vec![byte]),
        }
    }

    /// Speed and distance of twelve bits each, packed in three bytes (public FIT profile, `compressed_speed_distance`).
    pub fn packed_motion(&self) -> Option<PackedMotion> {
        let [low, both, high] = self.bytes(PACKED_MOTION)?.try_into().ok()?;
        let speed = u16::from(low) | u16::from(both & 0x0F) << 8;
        let distance_sixteenths = u64::from(both >> 4) | u64::from(high) << 4;
        Some(PackedMotion { speed_m_s: f64::from(speed) / 100.0, distance_sixteenths })
    }

    /// A number that is a name (a serial, a product).
    pub fn whole(&self, num: u8) -> Option<String> {
        self.number(num).map(|value| format!("{value:.0}"))
    }

    pub fn text(&self, num: u8) -> Option<String> {
        let bytes = self.bytes(num)?;
        // Of several texts the first; what is no UTF-8 costs a letter, where the decoder's texts would cost the whole.
        let text = String::from_utf8_lossy(bytes.split(|byte| *byte == 0).next()?);
        let text = text.trim_matches(|c: char| c.is_control() || c.is_whitespace());
        (!text.is_empty()).then(|| printable(text))
    }

    #[inline]
    pub fn unix_s(&self, num: u8) -> Option<f64> {
        let compressed_s = self.compressed_s.filter(|_| num == TIMESTAMP).map(f64::from);
        compressed_s.or_else(|| self.number(num)).map(|fit_s| fit_s + FIT_EPOCH_UNIX_S)
    }
}

/// A single number.
#[inline]
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
