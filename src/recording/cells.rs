//! Cells: what one record says of one channel.

/// What a record says of a channel: nothing, that there is no valid value, or a value (which may be zero).
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(super) enum Cell {
    #[default]
    Missing,
    Invalid,
    Value(f64),
}

impl Cell {
    #[inline]
    pub fn value(self) -> Option<f64> {
        match self {
            Cell::Value(value) => Some(value),
            Cell::Missing | Cell::Invalid => None,
        }
    }

    #[inline]
    pub fn map(self, change: impl FnOnce(f64) -> f64) -> Self {
        match self {
            Cell::Value(value) => Cell::Value(change(value)),
            other => other,
        }
    }

    /// The one that says more; of two values the first.
    #[inline]
    pub fn or(self, other: Self) -> Self {
        match (self, other) {
            (Cell::Value(_), _) | (_, Cell::Missing) => self,
            _ => other,
        }
    }
}

/// Two cells of one time.
pub(super) struct Merged {
    pub stands: Cell,
    pub replaced: Cell,
}

/// Of an earlier and a later cell: the one that stands, and the other.
#[inline]
pub(super) fn merged(old: Cell, new: Cell) -> Merged {
    let stands = new.or(old);
    Merged { stands, replaced: if stands == new { old } else { new } }
}

/// A [`Cell`] in eight bytes, as reading holds more cells than anything else: two of the many NaNs stand for the absent.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct PackedCell(u64);

impl PackedCell {
    pub const MISSING: Self = Self(0x7FF8_6D69_7373_0001);
    const INVALID: Self = Self(0x7FF8_6D69_7373_0002);

    #[inline]
    pub fn cell(self) -> Cell {
        match self {
            Self::MISSING => Cell::Missing,
            Self::INVALID => Cell::Invalid,
            Self(bits) => Cell::Value(f64::from_bits(bits)),
        }
    }
}

impl From<Cell> for PackedCell {
    #[inline]
    fn from(cell: Cell) -> Self {
        match cell {
            Cell::Missing => Self::MISSING,
            Cell::Invalid => Self::INVALID,
            Cell::Value(value) => Self(value.to_bits()),
        }
    }
}

/// One channel of many rows; it may end before them, where no later row says anything of it.
pub(super) type CellColumn = Vec<PackedCell>;

#[inline]
pub(super) fn set(column: &mut CellColumn, i: usize, cell: Cell) {
    if cell != Cell::Missing {
        column.resize(i, PackedCell::MISSING);
        column.push(cell.into());
    }
}
