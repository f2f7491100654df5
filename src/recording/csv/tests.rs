use super::read;
use super::table::number;
use crate::recording::table::Ordered;
use crate::recording::times::absolute_time;

fn table(text: &str) -> (Ordered, Vec<String>, Vec<String>) {
    let contents = read(text, None).unwrap();
    let mut cautions = contents.cautions;
    (contents.table.into_samples(&mut cautions).unwrap(), contents.damage, cautions)
}

#[test]
fn delimiters_and_decimal_commas_are_told_by_the_header() {
    for text in [
        "time,power,cadence\n1600000000,200.5,90\n1600000001,,0\n",
        "Time;Watts;RPM\r\n1600000000;200,5;90\r\n1600000001;;0\r\n",
        "\u{feff}timestamp\tpower_w\tcadence_rpm\n1600000000\t200,5\t90\n1600000001\t\t0\n",
        "time,power,cadence\n2020-09-13T12:26:40Z,200.5,90\n2020-09-13T14:26:41+02:00,,0\n",
    ] {
        let (got, damage, cautions) = table(text);
        assert_eq!(got.start_unix_s, 1.6e9, "{text}");
        assert_eq!(got.samples.time_s, [0.0, 1.0]);
        assert_eq!(got.samples.power_w, [Some(200.5), None]);
        assert_eq!(got.samples.cadence_rpm, [Some(90.0), Some(0.0)]);
        assert_eq!((damage.len(), cautions.len()), (0, 0), "{damage:?} {cautions:?}");
    }
}

#[test]
fn seconds_since_the_start_have_no_date_and_say_so() {
    let (got, _, cautions) = table("secs,hr\n0,120\n0.5,121\n");
    assert_eq!(got.start_unix_s, 0.0);
    assert_eq!(got.samples.time_s, [0.0, 0.5]);
    assert_eq!(cautions, ["times have no date, so the recording is shown on 1970-01-01"]);
}

#[test]
fn other_columns_are_channels_by_their_header() {
    let (got, damage, cautions) =
        table("time,power,power_2,watts,note,speed_km_h\n1600000000,200,203,198,up the hill,36\n");
    assert_eq!(got.samples.power_w, [Some(200.0)]);
    assert_eq!(got.samples.channel("power_2"), Some(&[Some(203.0)][..]));
    assert_eq!(got.samples.channel("watts"), Some(&[Some(198.0)][..]), "a second power column is another instrument's");
    assert_eq!(got.samples.speed_m_s, [Some(10.0)]);
    assert_eq!(damage, [""; 0]);
    assert!(got.samples.invalid.is_empty());
    assert_eq!(cautions, ["column `note` holds no numbers and was left out"]);
}

#[test]
fn a_bad_cell_is_named_by_its_line_and_costs_only_itself() {
    let (got, damage, _) = table("time,power,cadence\n1600000000,oops,90\nlater,1,1\n1600000002,210\n");
    assert_eq!(got.samples.power_w, [None, Some(210.0)]);
    assert_eq!(got.samples.cadence_rpm, [Some(90.0), None]);
    assert_eq!(
        damage,
        [
            "line 2: `oops` in column `power` is no number; taken as invalid",
            "line 3: `later` in column `time` is no time; the line was left out",
            "1 line with more or fewer cells than the header",
        ]
    );
}

#[test]
fn a_time_without_a_zone_is_utc_with_a_caution() {
    let (got, _, cautions) = table("time,power\n2020-09-13 12:26:40,1\n");
    assert_eq!(got.start_unix_s, 1.6e9);
    assert_eq!(cautions, ["times have no zone; they were read as UTC"]);
}

#[test]
fn delimiter_and_header_are_found_below_a_programs_own_remarks() {
    for text in [
        "# ride 7\n# exported, for the bench\n\nTime (s)|Power (W)|Speed (km/h)|Distance [km]\n0|200|36|1.5\n",
        "ride 7, bench\nsecs power speed_m_s distance_m\n0 200 10 1500\n",
    ] {
        let (got, damage, _) = table(text);
        assert_eq!(got.samples.power_w, [Some(200.0)], "{text}");
        assert_eq!(got.samples.speed_m_s, [Some(10.0)]);
        assert_eq!(got.samples.distance_m, [Some(1500.0)]);
        assert_eq!(damage, [""; 0]);
    }
    let contents = read("remark\ntime,power\n0,1\n1,x\n", None).unwrap();
    assert_eq!(contents.damage, ["line 4: `x` in column `power` is no number; taken as invalid"]);
}

#[test]
fn a_time_of_day_takes_its_date_from_the_column_beside_it() {
    let (got, _, cautions) = table("date,time,power\n2026-03-02,23:59:59,1\n2026-03-03,00:00:00,2\n");
    assert_eq!((got.start_unix_s, got.samples.time_s), (1_772_495_999.0, vec![0.0, 1.0]));
    assert_eq!(cautions, ["times have no zone; they were read as UTC"]);
    // Without a date midnight is seen by the clock beginning again.
    let (got, _, cautions) = table("time;power\n23:59:59,5;1\n0:00:00,5;2\n");
    assert_eq!((got.start_unix_s, got.samples.time_s), (86_399.5, vec![0.0, 1.0]));
    assert_eq!(cautions, ["times have no date, so the recording is shown on 1970-01-01"]);
}

#[test]
fn a_time_that_counts_from_the_start_gives_way_to_one_of_the_day() {
    let (got, _, _) = table("secs,timestamp,power\n5,1600000000,1\n");
    assert_eq!(got.start_unix_s, 1.6e9);
    assert_eq!(got.samples.channel("secs"), Some(&[Some(5.0)][..]));
}

#[test]
fn a_date_with_slashes_has_its_day_first_unless_that_is_no_date() {
    let at = |text: &str| absolute_time(text).unwrap().unix_s;
    let thirteenth = at("2026-06-13T20:00:01Z");
    assert_eq!(at("13/06/2026 20:00:01"), thirteenth);
    assert_eq!(at("6/13/2026 8:00:01 PM"), thirteenth);
    let cautions = |date: &str| read(&format!("time,power\n{date} 08:00:00,1\n"), None).unwrap().cautions;
    assert!(cautions("05/06/2026")[0].contains("day first"));
    assert_eq!(cautions("13/06/2026").len(), 1, "of the zone alone");
    assert_eq!(cautions("06/06/2026").len(), 1);
}

#[test]
fn a_named_column_is_the_time() {
    let text = "when;time;power\n1600000000;7;1\n";
    let contents = read(text, Some("when")).unwrap();
    assert_eq!(contents.table.rows.unix_s[0], 1.6e9);
    let error = read(text, Some("wann")).err().unwrap().to_string();
    assert_eq!(
        error,
        "no column `wann` for the time among `when`, `time`, `power`; say which it is: `time:` in a session file, `inspect --time`"
    );
}

#[test]
fn numbers_are_read_with_either_decimal_sign() {
    for (text, comma_is_free, value) in [
        ("1.5", true, Some(1.5)),
        ("1,5", true, Some(1.5)),
        ("1,5", false, Some(1.5)),
        ("1,234", true, Some(1.234)),
        ("1,234", false, None),
        ("1.234,5", true, Some(1234.5)),
        ("1,234.5", false, Some(1234.5)),
        ("-0,25", true, Some(-0.25)),
        ("1e3", false, Some(1000.0)),
        ("inf", false, None),
        ("", false, None),
    ] {
        assert_eq!(number(text, comma_is_free), value, "{text}");
    }
}

#[test]
fn empty_is_missing_and_a_word_is_invalid() {
    let (got, damage, _) = table("time,power,own\n1600000000,,5\n1600000001,NaN,n/a\n1600000002,0,\n");
    assert_eq!(got.samples.power_w, [None, None, Some(0.0)]);
    assert_eq!(got.samples.invalid, [("power".to_owned(), vec![1]), ("own".to_owned(), vec![1])].into());
    assert_eq!(damage, [""; 0]);
}

#[test]
fn a_time_column_in_days_is_doubted() {
    let (_, _, cautions) = table("time,power\n46083.375,1\n46083.3750115741,2\n46083.3750231481,3\n");
    assert!(cautions[1].starts_with("its samples are 0.000012 s apart if"), "{cautions:?}");
}
