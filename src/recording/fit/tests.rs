//! Published values are of the public FIT protocol and profile (21.218) unless a test says otherwise.

use super::part::crc16;
use super::read;
use super::times::FIT_EPOCH_UNIX_S;
use crate::recording::contents::FormatContents;
use crate::recording::model::{GearChange, HeadUnitSummary, RiderPosition, TimerKind};
use crate::recording::rows::Row;
use crate::recording::table::Ordered;
use crate::recording::wording::utc;

pub(super) const RECORD: u16 = 20;
const EVENT: u16 = 21;
pub(super) const T0: u32 = 1_000_000_000;

/// A definition message, little-endian, of (field number, bytes, base type on the wire).
pub(super) fn define(local: u8, global: u16, fields: &[(u8, u8, u8)]) -> Vec<u8> {
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
pub(super) fn file(messages: &[Vec<u8>]) -> Vec<u8> {
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
pub(super) fn ride(samples: &[(u16, u8, u8)]) -> Vec<Vec<u8>> {
    let mut messages = vec![define(0, RECORD, &[(253, 4, 0x86), (7, 2, 0x84), (4, 1, 0x02), (3, 1, 0x02)])];
    for (i, (power, cadence, heart_rate)) in samples.iter().enumerate() {
        let time = (T0 + i as u32).to_le_bytes();
        messages.push(data(0, &[&time, &power.to_le_bytes(), &[*cadence, *heart_rate]]));
    }
    messages
}

pub(super) const SAMPLES: [(u16, u8, u8); 6] =
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
fn the_fraction_adds_to_cadence_and_is_nothing_alone() {
    let fields = [(253, 4, 0x86), (4, 1, 0x02), (53, 1, 0x02)];
    let record = |t: u32, cadence, fraction| data(0, &[&t.to_le_bytes(), &[cadence, fraction]]);
    let messages = [define(0, RECORD, &fields), record(T0, 90, 64), record(T0 + 1, 90, 255), record(T0 + 2, 255, 64)];
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

    let plain = [(253, 4, 0x86), (0, 1, 0x00), (1, 1, 0x00), (9, 1, 0x0A), (10, 1, 0x0A), (11, 1, 0x0A), (12, 1, 0x0A)];
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
    let fields = [(0, 1, 0x02), (1, 1, 0x02), (3, 4, 0x8C), (5, 2, 0x84), (10, 2, 0x84), (11, 1, 0x02), (25, 1, 0x00)];
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

pub(super) fn developer(num: u8, name: &[u8; 8], scale: u8) -> Vec<Vec<u8>> {
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
        assert_eq!((got.samples.channel("developer power_2"), cautions), (None, vec![]), "{base_type:#X} in {size}");
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
