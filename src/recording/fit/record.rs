//! Records: a row of channels each, with the fields that developers describe.

use rustyfit::profile::typedef::FitBaseType;

use super::super::cells::Cell;
use super::super::channels::Channel;
use super::super::rows::Row;
use super::fields::{Fields, PACKED_MOTION};
use super::layout::{DeveloperField, DeveloperFieldId, MOST_FIELDS};
use super::reader::Reader;
use super::times::{TIMESTAMP, same_day};

/// Field of the fraction of a cadence, which means nothing alone (public FIT profile).
const CADENCE_FRACTION: u8 = 53;
/// Field of the left/right balance (public FIT profile).
const BALANCE: u8 = 30;

/// Which record fields make channels of fixed meaning, by number; the others are further channels.
const IS_TAKEN: [bool; 256] = {
    let mut taken = [false; 256];
    taken[TIMESTAMP as usize] = true;
    taken[PACKED_MOTION as usize] = true;
    taken[CADENCE_FRACTION as usize] = true;
    let mut channel = 0;
    while channel < Channel::COUNT {
        let fields = Channel::ALL[channel].kind().fit_fields;
        let mut i = 0;
        while i < fields.len() {
            taken[fields[i] as usize] = true;
            i += 1;
        }
        channel += 1;
    }
    taken
};

impl Reader {
    pub fn record(&mut self, fields: &Fields) {
        let Some(unix_s) = fields.unix_s(TIMESTAMP) else {
            self.untimed += 1;
            return;
        };
        if same_day(self.start_unix_s(), unix_s) {
            self.last_unix_s = Some(unix_s);
        }
        let mut row = Row::at(unix_s);
        let packed = fields.packed_motion();
        let packed_speed = packed.as_ref().map_or(Cell::Missing, |packed| Cell::Value(packed.speed_m_s));
        let packed_distance = packed.map(|packed| self.packed_distance_m(packed.distance_sixteenths));
        let packed_distance = packed_distance.map_or(Cell::Missing, Cell::Value);
        for channel in Channel::ALL {
            let kind = channel.kind();
            let written = fields.first_of(kind.fit_fields).map(|value| value * kind.fit_factor);
            let cell = match channel {
                Channel::Cadence => with_fraction(written, fields),
                Channel::Speed => written.or(packed_speed),
                Channel::Distance => written.or(packed_distance),
                Channel::RightShare => self.right_share(&mut row, written),
                _ => written,
            };
            row.set(channel, cell);
        }
        for (place, field) in fields.layout.fields.iter().enumerate() {
            if IS_TAKEN[usize::from(field.num)] {
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
            match self.developer.get(&DeveloperFieldId { index, num }) {
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

    /// The right side's share; a share of a side that nobody knows becomes a further channel.
    fn right_share(&mut self, row: &mut Row, balance: Cell) -> Cell {
        match balance.value().map(|raw| balance_share(raw as u8)) {
            Some(BalanceShare::Right(pct)) => Cell::Value(pct),
            Some(BalanceShare::Impossible) => Cell::Invalid,
            Some(BalanceShare::OfUnknownSide(pct)) => {
                self.balance_without_side += 1;
                self.further(row, BALANCE, "balance of an unknown side", "%", Cell::Value(pct));
                Cell::Missing
            }
            None => balance,
        }
    }

    /// Sets a channel that the program has no use of its own for, by the number of its field.
    fn further(&mut self, row: &mut Row, num: u8, name: &str, unit: &str, cell: Cell) {
        let table = &mut self.contents.table;
        let column = *self.further.entry(num).or_insert_with(|| table.further_column(name, &symbol(unit)));
        row.push_extra(column, cell);
    }

    /// The distance whose lowest twelve bits, in 1/16 m, are these; it never falls.
    fn packed_distance_m(&mut self, sixteenths: u64) -> f64 {
        self.packed_distance += sixteenths.wrapping_sub(self.packed_distance) & 0xFFF;
        self.packed_distance as f64 / 16.0
    }

    pub fn developer_field(&mut self, fields: &Fields) {
        let (Some(index), Some(num), Some(base_type)) = (fields.number(0), fields.number(1), fields.number(2)) else {
            return;
        };
        let name = fields.text(3).unwrap_or_else(|| format!("field {num}"));
        let mut name = format!("developer {name}");
        let id = DeveloperFieldId { index: index as u8, num: num as u8 };
        let names = &self.contents.table.extra_names;
        if self.developer.iter().any(|(other, field)| *other != id && names[field.column] == name) {
            name = format!("{name} ({index}/{num})");
        }
        let unit = fields.text(8).unwrap_or_default();
        let column = self.contents.table.further_column(&name, &symbol(&unit));
        self.developer.insert(
            id,
            DeveloperField {
                column,
                base_type: FitBaseType(base_type as u8),
                scale: fields.number(6).filter(|scale| *scale != 0.0).unwrap_or(1.0),
                offset: fields.number(7).unwrap_or(0.0),
            },
        );
    }
}

/// A cadence with its fraction, where the two are in fields of their own.
#[inline]
fn with_fraction(written: Cell, fields: &Fields) -> Cell {
    match fields.number(CADENCE_FRACTION) {
        // 4 holds whole revolutions, 52 has the fraction in it.
        Some(fraction) => fields.cell(4).map(|whole| whole + fraction).or(fields.cell(52)),
        None => written,
    }
}

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
