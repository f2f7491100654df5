//! A drafted session file, put together.

use std::fmt::Write as _;
use std::path::Path;

use super::instruments::{DraftedInstrument, LikelyUnit, instruments, unit_among};
use super::lines::{
    ask, date, drivetrain, measured, reference_labels, reference_lines, unit_lines, unrecorded_reference,
};
use super::rides::{one_ride, restarts, with_power};
use super::texts::{on_one_line, path};
use crate::protocol::Protocol;
use crate::recording::Recording;

/// A drafted session file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Draft {
    pub text: String,
    /// How many `?` are left to fill in.
    pub asked: usize,
    /// Sentences about recordings that are no part of it.
    pub left_out: Vec<String>,
}

/// Drafts the session of one ride.
///
/// Recordings are one ride if they overlap in time; one that begins where another of the same head unit and power
/// sensor ended is its restart. Whatever fits neither is left out, with a sentence. `folder` is where the draft will
/// lie: paths start there. `contradicted` are sentences about what the recordings contradict, which stand as comments. `None` if
/// no recording holds power.
pub fn draft(
    recordings: &[Recording],
    protocol: Option<&Protocol>,
    folder: &Path,
    contradicted: &[String],
) -> Option<Draft> {
    let mut left_out = vec![];
    let head_units = one_ride(restarts(with_power(recordings, &mut left_out)), &mut left_out);
    let found: Vec<DraftedInstrument> = head_units.iter().flat_map(|recorded| instruments(recorded)).collect();
    if found.is_empty() {
        return None;
    }
    let LikelyUnit { index: unit, because } = unit_among(&found);
    // Session time is the first reference's clock; a trainer is the least suited.
    let mut references: Vec<&DraftedInstrument> =
        found.iter().enumerate().filter(|(i, _)| *i != unit).map(|(_, f)| f).collect();
    references.sort_by_key(|found| found.is_trainer());

    let mut text = String::from(
        "# Drafted from recordings. Replace each `?`. A line that does not apply may go, except for `label`,\n\
         # `located`, `uncertainty` and `recording`. Then: assize check, assize judge.\n\
         # A laboratory adds: laboratory, address, customer, issued; of the unit: received, condition.\n",
    );
    for sentence in &left_out {
        let _ = writeln!(text, "# Left out: {sentence}");
    }
    for sentence in contradicted {
        let _ = writeln!(text, "# Contradicted: {}", on_one_line(sentence));
    }
    let mut lines = vec!["assize_session: 1".to_owned()];
    lines.push(match protocol {
        Some(protocol) => format!("protocol: {}", path(&protocol.file, folder)),
        None => ask("protocol", "what was ridden, as in bench.yaml; without this line the whole ride is compared"),
    });
    lines.push(ask("tester", "who rode, as in tester A"));
    lines.push(ask("place", "where, as in north bench"));
    lines.extend(date(&head_units));
    lines.push("unit:".to_owned());
    lines.extend(unit_lines(&found[unit], because, folder).iter().map(|line| format!("  {line}")));
    lines.push("references:".to_owned());
    let missing = protocol.map_or(1, |p| p.needs.references.max(1)).saturating_sub(references.len());
    let labels = reference_labels(&references);
    let blocks = references.iter().zip(labels).map(|(found, label)| reference_lines(found, label, folder));
    for block in blocks.chain((0..missing).map(|_| unrecorded_reference())) {
        let bullets = std::iter::once("  - ").chain(std::iter::repeat("    "));
        lines.extend(bullets.zip(block).map(|(bullet, line)| format!("{bullet}{line}")));
    }
    let recordings: Vec<&Recording> = head_units.concat();
    lines.extend(drivetrain(&recordings));
    lines.push("conditions:".to_owned());
    lines.push(format!("  {}", ask("temperature", &format!("of the air, as in 19 °C{}", measured(&recordings)))));
    lines.push(format!("  {}", ask("crank_length", "as in 172.5 mm")));
    lines.push("readings:".to_owned());
    lines.push(format!("  {}", ask("zero_before", "the unit's zero offset before the ride, as in 12")));
    lines.push(format!("  {}", ask("zero_after", "and after it")));
    lines.push("# remarks:".to_owned());
    lines.push("#   - { at: \"14:32:10\", text: chain dropped }".to_owned());

    let asked = lines.iter().filter(|l| l.split_once(": ").is_some_and(|(_, v)| v.starts_with("?  #"))).count();
    lines.iter().for_each(|line| text.push_str(&format!("{line}\n")));
    Some(Draft { text, asked, left_out })
}

#[cfg(test)]
mod tests {
    use chrono::DateTime;

    use super::*;
    use crate::recording::{Format, GearChange, HeadUnit, Samples, Sensor};

    /// A recording of a head unit and a sensor by their serial numbers, from and to these minutes.
    fn recording(file: &str, serials: (&str, &str), minutes: (i64, i64)) -> Recording {
        let length = (minutes.1 - minutes.0) as usize * 60 + 1;
        let sensor = Sensor { kind: Some("bike power".into()), serial: Some(serials.1.into()), ..Sensor::default() };
        Recording {
            file: file.into(),
            sha256: file.into(),
            bytes: 1,
            format: Format::Fit,
            head_unit: HeadUnit { serial: Some(serials.0.into()), ..HeadUnit::default() },
            start: DateTime::from_timestamp(1_795_267_800 + minutes.0 * 60, 0).unwrap(),
            samples: Samples {
                time_s: (0..length).map(|i| i as f64).collect(),
                power_w: (0..length).map(|i| Some(150.0 + (i % 97) as f64)).collect(),
                ..Samples::default()
            },
            laps: vec![],
            timer: vec![],
            gears: vec![],
            positions: vec![],
            summaries: vec![],
            sensors: vec![sensor],
            damage: vec![],
            cautions: vec![],
        }
    }

    fn drafted(recordings: &[Recording]) -> Draft {
        draft(recordings, None, Path::new(""), &[]).unwrap()
    }

    #[test]
    fn a_restart_joins_its_instrument_and_another_ride_is_left_out_aloud() {
        let draft = drafted(&[
            recording("a.fit", ("1", "17"), (0, 30)),
            recording("b.fit", ("2", "18"), (0, 75)),
            recording("a2.fit", ("1", "17"), (35, 75)),
            recording("c.fit", ("3", "19"), (80, 90)),
            recording("other-sensor.fit", ("1", "20"), (90, 99)),
        ]);
        assert!(draft.text.contains("recording: [\"a.fit\", \"a2.fit\"]"), "{}", draft.text);
        assert_eq!(draft.left_out.len(), 2);
        assert!(draft.left_out[0].starts_with("\"c.fit\", 2026-11-21T14:50:00Z to"), "{:?}", draft.left_out);
        assert!(draft.left_out[1].starts_with("\"other-sensor.fit\""));
        assert!(draft.text.contains("# Left out: \"c.fit\""));
    }

    #[test]
    fn what_holds_no_power_or_came_twice_is_no_instrument() {
        let (a, b) = (recording("a.fit", ("1", "17"), (0, 9)), recording("b.fit", ("2", "18"), (0, 9)));
        let twin = Recording { file: "a-copy.fit".into(), ..a.clone() };
        let mut strap = recording("strap.fit", ("3", "19"), (0, 9));
        strap.samples.power_w.clear();
        assert_eq!(draft(std::slice::from_ref(&strap), None, Path::new(""), &[]), None);
        let left_out = drafted(&[a, twin, b, strap]).left_out;
        assert_eq!(left_out, ["\"a-copy.fit\" is the same file as \"a.fit\"", "\"strap.fit\" holds no power"]);
    }

    #[test]
    fn the_unit_is_told_by_its_files_name_or_by_the_trainers_else_it_is_asked_for() {
        let (a, mut b) = (recording("a.fit", ("1", "17"), (0, 9)), recording("b.fit", ("2", "18"), (0, 9)));
        let unit_label = |draft: Draft| draft.text.lines().skip_while(|l| *l != "unit:").nth(1).unwrap().to_owned();
        assert!(unit_label(drafted(&[a.clone(), b.clone()])).starts_with("  label: ?  # "));
        let named = Recording { file: "my_Unit-2.fit".into(), ..b.clone() };
        assert!(unit_label(drafted(&[a.clone(), named])).starts_with("  label: \"unit 18\"  # its file's name"));
        b.sensors[0].kind = Some("fitness equipment".into());
        let draft = drafted(&[b, a]);
        assert!(draft.text.contains("located: hub\n    sides: total"), "{}", draft.text);
        assert!(unit_label(draft).starts_with("  label: \"unit 17\"  # taken for the unit"));
    }

    #[test]
    fn a_second_power_field_is_an_instrument_and_a_mean_of_the_first_is_not() {
        let mut shared = recording("a.fit", ("1", "17"), (0, 9));
        let power_w = shared.samples.power_w.clone();
        shared.samples.extra.insert("developer power_2".into(), power_w.iter().map(|p| p.map(|p| p + 3.0)).collect());
        shared.samples.extra.insert("lap power".into(), vec![Some(198.0); power_w.len()]);
        let text = drafted(&[shared]).text;
        assert!(text.contains("    recording: \"a.fit\"\n    power: \"developer power_2\"  # "), "{text}");
        assert!(!text.contains("lap power"));
        // Which of the two the only sensor is, nobody can tell.
        assert!(!text.contains("\n  serial:") && text.contains("are of one of these: \"bike power serial 17\""));
    }

    #[test]
    fn one_instrument_heard_by_two_head_units_gets_two_labels() {
        let text = drafted(&[
            recording("unit.fit", ("1", "17"), (0, 9)),
            recording("b.fit", ("2", "18"), (0, 9)),
            recording("c.fit", ("3", "18"), (0, 9)),
        ])
        .text;
        assert!(text.contains("label: \"reference 18\"\n") && text.contains("label: \"reference 1\"\n"));
    }

    #[test]
    fn a_sensor_without_a_serial_number_goes_by_the_number_that_it_is_heard_by() {
        let mut unit = recording("unit.fit", ("1", "17"), (0, 9));
        unit.sensors[0] = Sensor { serial: None, number: Some("4711".into()), ..unit.sensors[0].clone() };
        let text = drafted(&[unit, recording("b.fit", ("2", "18"), (0, 9))]).text;
        assert!(text.contains("label: \"unit 4711\"  #"), "{text}");
        assert!(text.contains("  serial: \"4711\"  # the number that it is heard by, as no serial number"), "{text}");
        assert!(text.contains("    serial: \"18\"\n"), "{text}");
    }

    #[test]
    fn what_is_contradicted_is_a_comment_on_a_line_of_its_own() {
        let says = ["a.fit\nunit: {label: another}\u{2028} and b.fit".to_owned()];
        let both = [recording("a.fit", ("1", "17"), (0, 9)), recording("b.fit", ("2", "18"), (0, 9))];
        let draft = draft(&both, None, Path::new(""), &says).unwrap();
        let line = draft.text.lines().find(|line| line.starts_with("# Contradicted: ")).unwrap();
        assert_eq!(line, "# Contradicted: a.fit\u{fffd}unit: {label: another}\u{fffd} and b.fit");
    }

    #[test]
    fn gears_are_listed_as_they_were_used() {
        let mut ride = recording("a.fit", ("1", "17"), (0, 9));
        let gear = |front, rear| GearChange {
            at_s: 1.0,
            front_teeth: front,
            rear_teeth: rear,
            front_number: None,
            rear_number: None,
        };
        ride.gears = vec![gear(Some(36), Some(15)), gear(Some(52), Some(11)), gear(Some(52), None)];
        let text = drafted(&[ride]).text;
        assert!(text.contains("chainrings: [52, 36]  #") && text.contains("cassette: [11, 15]  #"), "{text}");
    }

    #[test]
    fn a_clock_that_was_never_set_neither_joins_nor_leaves() {
        let mut undated = recording("a.csv", ("1", "17"), (0, 9));
        undated.start = DateTime::from_timestamp(0, 0).unwrap();
        let draft = drafted(&[undated, recording("b.fit", ("2", "18"), (0, 9))]);
        assert_eq!(draft.left_out, [""; 0]);
        assert!(draft.text.contains("# its times have no true date"));
    }
}
