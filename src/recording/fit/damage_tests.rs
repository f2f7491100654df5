//! Files cut, spoiled and chained: what is left is read, and what is lost is said.

use proptest::prelude::*;

use super::part::crc16;
use super::read;
use super::tests::{RECORD, SAMPLES, T0, define, developer, file, ride};

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
    for (garbage, at_least) in [(vec![0x07], 39), (vec![0xFF; 100], 25), (b"lorem ipsum dolor sit amet ".repeat(4), 25)]
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

#[test]
fn a_definition_of_no_known_byte_order_is_named() {
    let mut odd = define(0, RECORD, &[(253, 4, 0x86)]);
    odd[2] = 2;
    let damage = read(&file(&[ride(&SAMPLES).concat(), odd])).damage;
    assert!(damage[0].contains(": a definition of no known byte order; 9 bytes"), "{damage:?}");
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
