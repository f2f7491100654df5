//! A file's parts, message by message.

use rustyfit::profile::typedef::MesgNum;

use super::super::contents::FormatContents;
use super::super::wording::{counted, utc};
use super::decoder::{Declarations, decode, in_place, local_number};
use super::fields::Fields;
use super::layout::MessageLayout;
use super::part::{FitPart, is_fit, next_header};
use super::reader::Reader;

/// Reads all parts of a (possibly chained) FIT file, and what is left of a damaged one.
pub(crate) fn read(bytes: &[u8]) -> FormatContents {
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

impl Reader {
    /// Reads all of `body` that makes sense; `offset` is its place in the file.
    fn read_part(&mut self, body: &[u8], offset: usize) {
        self.developer.clear();
        let mut known = Declarations::nothing();
        let mut from = 0;
        while let Some((at, what)) = self.read_run(body, from, &mut known) {
            let next = known.next_record(body, at + 1, self.start_unix_s());
            let (place, after) = (offset + at, self.after());
            let lost = next.as_ref().map_or(body.len(), |next| next.at) - at;
            let about = self.about_records(lost, at);
            let until = next.as_ref().map(|next| format!(", until {}", utc(next.unix_s))).unwrap_or_default();
            let left = counted(lost, "byte");
            self.contents.damage.push(format!("byte {place}{after}: {what}; {left}{about}{until} left unread"));
            let Some(next) = next else { break };
            from = next.at;
        }
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

    fn take(&mut self, fields: &Fields) {
        match fields.layout.mesg_num {
            MesgNum::RECORD => self.record(fields),
            MesgNum::LAP => self.lap(fields),
            MesgNum::SESSION => self.summary(fields),
            MesgNum::EVENT => self.event(fields),
            MesgNum::DEVICE_INFO => self.device(fields),
            MesgNum::FILE_ID => self.file_id(fields),
            MesgNum::FILE_CREATOR => self.file_creator(fields),
            MesgNum::FIELD_DESCRIPTION => self.developer_field(fields),
            _ => {}
        }
    }
}
