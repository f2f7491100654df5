//! What has been taken from a file's messages so far.

use std::collections::{BTreeMap, BTreeSet};

use rustyfit::profile::typedef::MesgNum;

use super::super::contents::FormatContents;
use super::super::wording::{counted, utc};
use super::layout::{FieldDescriptions, MessageLayout};

#[derive(Default)]
pub(super) struct Reader {
    pub contents: FormatContents,
    /// Each part declares its own.
    pub developer: FieldDescriptions,
    /// Columns of the record fields that the program has no use of its own for, by number.
    pub further: BTreeMap<u8, usize>,
    /// Device index of each of `contents.sensors`.
    pub sensor_index: Vec<Option<u8>>,
    /// Index of the present part's first row.
    pub part_first: usize,
    pub last_unix_s: Option<f64>,
    /// In 1/16 m.
    pub packed_distance: u64,
    pub untimed: usize,
    pub undescribed: usize,
    pub balance_without_side: usize,
    /// Numbers of record fields that the public profile does not know.
    pub undocumented: BTreeSet<u8>,
    unreadable: BTreeSet<String>,
}

impl Reader {
    pub fn begin_part(&mut self) {
        self.part_first = self.contents.table.rows.len();
        self.contents.table.parts.push(self.part_first);
        self.last_unix_s = None;
    }

    /// `, after TIME` of the last record read.
    pub fn after(&self) -> String {
        self.last_unix_s.map(|t| format!(", after {}", utc(t))).unwrap_or_default()
    }

    /// How many records so many lost bytes held, by what a record took in the bytes read before.
    pub fn about_records(&self, lost: usize, read: usize) -> String {
        let records = self.contents.table.rows.len() - self.part_first;
        let about = lost as f64 * records as f64 / read.max(1) as f64;
        if about < 1.0 { String::new() } else { format!(" (about {})", counted(about.round() as usize, "record")) }
    }

    /// Time of the part's first record, or of the file's while the part has none.
    pub fn start_unix_s(&self) -> Option<f64> {
        let unix_s = &self.contents.table.rows.unix_s;
        unix_s.get(self.part_first).or(unix_s.first()).copied()
    }

    pub fn note_unreadable(&mut self, layout: &MessageLayout) {
        if layout.mesg_num == MesgNum::RECORD {
            let unreadable = layout.fields.iter().filter(|field| field.unreadable);
            self.unreadable.extend(unreadable.filter_map(|field| Some(field.profile?.name().to_owned())));
        }
    }

    pub fn finish(mut self) -> FormatContents {
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
