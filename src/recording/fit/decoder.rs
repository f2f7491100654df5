//! `fitparser` as a decoder of single messages, and what it was told of their layouts.

use fitparser::Value;
use fitparser::de::{FitDataMessage, FitObject, FitStreamProcessor};
use rustyfit::profile::typedef::MesgNum;

use super::layout::MessageLayout;
use super::times::{FIT_EPOCH_UNIX_S, same_day};

/// A record behind damage.
pub(super) struct NextRecord {
    /// Its first byte.
    pub at: usize,
    pub unix_s: f64,
}

/// Which local message a data message's header byte names (public FIT protocol).
#[inline]
pub(super) fn local_number(header: u8) -> usize {
    usize::from(if header & 0x80 == 0 { header & 0x0F } else { (header >> 5) & 0x03 })
}

/// What a part has declared so far; it holds behind damage, too.
pub(super) struct Declarations {
    pub layouts: [Option<MessageLayout>; 16],
    pub decoder: FitStreamProcessor,
}

impl Declarations {
    pub fn nothing() -> Self {
        // Longer than any part, so that the decoder never looks for its end.
        const HEADER: [u8; 12] = *b"\x0C\x20\0\0\xFF\xFF\xFF\x7F.FIT";
        let mut decoder = FitStreamProcessor::new();
        decode(&mut decoder, &HEADER);
        Self { layouts: Default::default(), decoder }
    }

    /// Where two records in a row begin whose times belong to the ride, as garbage hardly does.
    pub fn next_record(&self, body: &[u8], from: usize, ride_start_unix_s: Option<f64>) -> Option<NextRecord> {
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
            record(next).is_some_and(|(later, _)| later >= time).then_some(NextRecord { at, unix_s: time })
        })
    }
}

/// The values of a data message, by the places of its fields; nothing of another message.
pub(super) fn decode(decoder: &mut FitStreamProcessor, message: &[u8]) -> Option<FitDataMessage> {
    match decoder.deserialize_next(message) {
        Ok((_, FitObject::DataMessage(message))) => Some(message),
        _ => None,
    }
}

/// The valid values, each at the place of its field.
pub(super) fn in_place(message: FitDataMessage) -> Vec<Option<Value>> {
    let mut values = vec![None; message.fields.keys().max().map_or(0, |last| usize::from(*last) + 1)];
    message.fields.into_iter().for_each(|(place, value)| values[usize::from(place)] = Some(value));
    values
}
