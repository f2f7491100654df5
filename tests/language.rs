//! The protocol language and the session file: files in, values or mistakes out.

use std::path::{Path, PathBuf};

use assize::cli::{Cli, Exit};
use assize::premise::{PREMISES, Premise};
use assize::problem::Problems;
use assize::protocol::{self, *};
use assize::quantity::{Bound, Join, Limit, Quantity, Range, Unit};
use assize::session::{self, LoadReading, Location, Sides, TrainerMode};
use clap::Parser;
use proptest::prelude::*;

fn case(name: &str) -> PathBuf {
    Path::new("tests/language").join(name)
}

/// A file of its own in a folder of its own.
fn written(text: &str) -> (tempfile::TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("file.yaml");
    std::fs::write(&file, text).unwrap();
    (folder, file)
}

fn places(problems: &Problems) -> Vec<(usize, usize, usize)> {
    problems.iter().map(|p| (p.line, p.column, p.length)).collect()
}

/// The mistakes of a protocol: line, column, message with help.
fn mistakes(text: &str) -> Vec<(usize, usize, String)> {
    let (_folder, file) = written(text);
    let problems = protocol::load(&file, None).expect_err("the file has mistakes");
    let say = |p: &assize::problem::Problem| format!("{} | {}", p.message, p.help.clone().unwrap_or_default());
    problems.iter().map(|p| (p.line, p.column, say(p))).collect()
}

const HEAD: &str = "assize: 1\ntitle: t\nrevision: r\n";

/// The mistakes of one steady phase with these further lines, columns as indented by four.
fn in_phase(lines: &str) -> Vec<(usize, usize, String)> {
    let phase = "phases:\n  - phase: a\n    drill: steady\n    power: 200 W\n    lasts: 4 min\n";
    let lines: String = lines.lines().map(|l| format!("    {l}\n")).collect();
    mistakes(&format!("{HEAD}{phase}{lines}"))
}

fn check(files: &[&Path]) -> (Exit, String) {
    let mut args = vec!["assize".to_owned(), "check".to_owned()];
    args.extend(files.iter().map(|f| f.display().to_string()));
    let mut out = vec![];
    let exit = assize::cli::run(&Cli::try_parse_from(args).unwrap(), &mut out).unwrap();
    (exit, String::from_utf8(out).unwrap())
}

#[test]
fn twelve_mistakes_are_all_reported_each_at_its_place() {
    let problems = protocol::load(&case("twelve-mistakes.yaml"), None).unwrap_err();
    assert_eq!(
        places(&problems),
        [
            (4, 1, 6),    // purpos
            (5, 10, 8),   // outdoors
            (8, 13, 2),   // 95
            (14, 22, 3),  // 180
            (15, 14, 10), // 95..80 rpm
            (17, 13, 5),  // 5 min
            (19, 7, 9),   // mean_eror
            (20, 7, 11),  // release_lag
            (24, 13, 1),  // >
            (25, 12, 3),  // 6,5
            (27, 28, 1),  // W
            (28, 27, 1),  // 6
        ]
    );
    insta::with_settings!({ snapshot_path => "language", prepend_module_to_snapshot => false }, {
        insta::assert_snapshot!("twelve-mistakes", problems.to_string());
    });
}

#[test]
fn a_session_lists_its_mistakes_and_those_of_its_protocol() {
    let problems = session::load(&case("mistaken-session.yaml")).unwrap_err();
    insta::with_settings!({ snapshot_path => "language", prepend_module_to_snapshot => false }, {
        insta::assert_snapshot!("mistaken-session", problems.to_string());
    });
    let in_protocol = problems.iter().filter(|p| p.file.ends_with("twelve-mistakes.yaml")).count();
    assert_eq!(in_protocol, 12);
    let own: Vec<_> = problems.iter().filter(|p| p.file.ends_with("mistaken-session.yaml")).collect();
    let own: Vec<_> = own.iter().map(|p| (p.line, p.column)).collect();
    assert_eq!(
        own,
        [
            (3, 16),  // # 3
            (4, 19),  // the second colon
            (5, 18),  // 250
            (7, 3),   // #17
            (8, 12),  // ?
            (10, 12), // > 1.5 %
            (11, 3),  // batery
            (12, 14), // no such recording
            (15, 14), // pedal
            (16, 12), // left
            (17, 34), // 3 W
            (19, 40), // 02.03.2026
            (22, 10), // 2105
            (23, 15), // +
            (24, 15), // temprature
            (24, 48), // 172,5
            (25, 29), // W
            (25, 44), // ?
            (27, 11), // 14:32:70
        ]
    );
}

#[test]
fn every_key_of_a_protocol_is_read() {
    let p = protocol::load(&case("every-key.yaml"), None).unwrap();
    assert_eq!((p.title.as_str(), p.revision.as_str()), ("Every key", "1.10"));
    assert_eq!(p.purpose.as_deref(), Some("Is each of them read?"));
    assert_eq!((p.setting, p.order), (Setting::Road, PhaseOrder::Any));
    let held = vec![Premise::Clocks, Premise::Bike];
    assert_eq!(p.needs, Needs { references: 2, warm_up_s: Some(600.0), valid_certificates: true, held });
    // What the protocol says of all phases, and a phase of itself.
    assert!(p.phases.iter().all(|phase| phase.accepts_off_target == (phase.id.name != "climb")));
    assert_eq!(p.decision, Decision { rule: Rule::Simple, coverage: 0.99 });
    assert_eq!(p.threshold_power_w, Some(250.0));
    let find = |id: &str| p.phases.iter().find(|p| p.id.to_string() == id).unwrap_or_else(|| panic!("{id}"));
    let limits = |id: &str| -> Vec<String> {
        find(id).checks.iter().map(|c| format!("{} {}", c.measure.word(), c.limit)).collect()
    };

    let free = Drill::Free { power_w: Some(Range::between(50.0, 150.0)), lasts_s: Some(Range::between(600.0, 900.0)) };
    assert_eq!(find("warm-up").drill, free);
    assert_eq!(find("soak").drill, Drill::Wait { lasts_s: Some(Range::at_least(1800.0)) });
    assert_eq!((&find("zero").drill, find("zero").part), (&Drill::ZeroCheck, Part::Advisory));
    assert_eq!(limits("zero"), ["zero_shift at most 5"]);

    let steady = find("steady[ring=small, power=180 W]");
    let lasts_s = Range::at_least(240.0);
    assert_eq!(steady.drill, Drill::Steady { power_w: Target::Value(180.0), lasts_s, settle_s: 30.0 });
    assert_eq!((steady.ring, steady.posture), (Some(Ring::Small), Some(Posture::Seated)));
    assert_eq!((steady.cadence_rpm, steady.tolerance), (Some(Range::between(80.0, 95.0)), 0.1));
    assert_eq!(
        limits("steady[ring=big, power=96 % of threshold_power]"),
        [
            "mean_error within 2.5 % or 4 W",
            "spread within 10 % and 20 W",
            "cadence_error between -1 rpm and 2 rpm",
            "left_error within claim",
            "right_error within 6 %",
            "dropout_time none",
            "held_time at most 5 s",
            "spike at most 100 W",
        ]
    );
    let long = &steady.checks[4];
    assert_eq!((long.advisory, long.clause.as_deref(), long.over_s), (true, Some("5.10"), None));
    let share = find("steady[ring=big, power=96 % of threshold_power]");
    assert!(matches!(share.drill, Drill::Steady { power_w: Target::Value(240.0), .. }));

    let climb = find("climb[posture=standing, cadence=90 rpm]");
    assert_eq!((climb.posture, climb.cadence_rpm), (Some(Posture::Standing), Some(Range::between(85.0, 95.0))));
    assert_eq!((climb.grade_pct, climb.part), (Some(Range::between(4.0, 9.0)), Part::Optional));
    assert!(matches!(climb.drill, Drill::Steady { power_w: Target::Within(r), .. } if r == Range::at_least(200.0)));

    let sprints = find("sprints");
    let recover_s = Some(Range::between(90.0, 180.0));
    let lasts_s = Range::between(6.0, 12.0);
    assert_eq!(sprints.drill, Drill::Sprint { effort_w: Range::at_least(600.0), lasts_s, recover_s });
    assert_eq!((sprints.ring, sprints.posture), (Some(Ring::Big), Some(Posture::Standing)));
    assert_eq!((sprints.repeats, sprints.accept), (6, Accept::AtLeast { passing: 5, of: 6 }));
    assert_eq!(sprints.checks[1].over_s, Some(3.0));

    let coast = find("coast-and-restart");
    let hold = |power_w, low, high| Hold { power_w, for_s: Range::between(low, high) };
    assert_eq!(
        coast.drill,
        Drill::CoastRestart {
            lead_in: hold(Target::Value(200.0), 20.0, 20.0),
            coast_s: Range::between(7.0, 12.0),
            restart: hold(Target::Within(Range::at_least(300.0)), 5.0, 10.0),
            recover_s: Some(Range::at_least(20.0)),
        }
    );
    assert_eq!(coast.accept, Accept::FaultRateBelow(0.1));
    assert_eq!(limits("coast-and-restart")[1], "phantom_work at most 0.05 kJ");
    assert_eq!(limits("coast-and-restart").len(), 7);

    let soft = find("soft-pedalling");
    assert_eq!(
        soft.drill,
        Drill::SoftPedal {
            surge: hold(Target::Value(300.0), 10.0, 10.0),
            soft: hold(Target::Within(Range::between(30.0, 90.0)), 15.0, 25.0),
            recover_s: Some(Range::at_least(30.0)),
        }
    );
    assert_eq!((soft.cadence_rpm, soft.accept), (Some(Range::at_least(50.0)), Accept::EveryRepeat));
    let steps_w = vec![50.0, 100.0, 200.0, 400.0];
    assert_eq!(find("ramp").drill, Drill::Ramp { steps_w, each_s: 60.0, settle_s: 15.0 });
    let loads_kg = vec![5.0, 10.0, 20.0, 10.0, 5.0];
    let hung = Drill::StaticLoad { loads_kg, sides: vec![Side::Left], angles_deg: vec![90.0] };
    assert_eq!(find("hung").drill, hung);
    assert_eq!(limits("hung"), ["torque_error within 1 %", "hysteresis within 0.2 N·m"]);

    let contrasts: Vec<_> = p.contrasts.iter().map(|c| (c.of.to_string(), c.against.to_string(), c.advisory)).collect();
    assert_eq!(contrasts[0], ("steady[ring=small]".into(), "steady[ring=big]".into(), false));
    assert_eq!(contrasts[1], ("climb[posture=standing]".into(), "climb[posture=seated]".into(), true));
    let parts = vec![Quantity::new(1.5, Unit::Percent), Quantity::new(3.0, Unit::Watt)];
    assert_eq!(p.contrasts[0].limit, Limit::Within(Bound { parts, join: Join::Wider }));
    let whole: Vec<_> = p.whole_ride.iter().map(|c| (c.measure.word(), c.limit.to_string(), c.advisory)).collect();
    assert_eq!(whole[1], ("drift_time", "within 3 W/h".into(), false));
    assert_eq!(whole[2], ("drift_temperature", "within 0.5 W/°C".into(), true));
    assert_eq!(whole.len(), 4);
}

#[test]
fn every_key_of_a_session_is_read() {
    let s = session::load(&case("every-key-session.yaml")).unwrap();
    let text = |value: &Option<String>| value.clone().unwrap();
    assert_eq!(
        (text(&s.tester), text(&s.place), text(&s.date)),
        ("tester A".into(), "north bench".into(), "2026-11-03".into())
    );
    assert_eq!((text(&s.notes), text(&s.authorised_by)), ("zero offset: 12".into(), "head of the bench".into()));
    let r = &s.report;
    assert_eq!(
        (text(&r.laboratory), text(&r.address), text(&r.customer), text(&r.issued)),
        ("bench of tester A".into(), "north hall, bay 2".into(), "owner of unit 017".into(), "2026-11-05".into())
    );
    let amends = r.amends.as_ref().unwrap();
    assert_eq!((amends.sheet.as_str(), amends.because.as_str()), ("A-1F02-77B3", "the crank length was typed wrong"));
    assert_eq!(s.threshold_power_w, Some(300.0));
    assert_eq!(s.sha256.as_ref().unwrap().len(), 64);

    // The rider's own threshold power overrules the protocol's.
    let p = s.protocol.as_ref().unwrap();
    let share =
        p.phases.iter().find(|p| p.id.to_string() == "steady[ring=big, power=96 % of threshold_power]").unwrap();
    assert!(matches!(share.drill, Drill::Steady { power_w: Target::Value(288.0), .. }));

    let unit = &s.units[0];
    assert_eq!(unit.claimed, Some(Bound::single(1.5, Unit::Percent)));
    let i = &unit.instrument;
    assert_eq!(
        (i.label.as_str(), text(&i.model), text(&i.serial)),
        ("unit 017", "spindle meter".into(), "0017".into())
    );
    assert_eq!(
        (text(&i.firmware), text(&i.battery), text(&i.history)),
        ("1.10".into(), "62 %".into(), "second crank".into())
    );
    assert_eq!((text(&i.condition), text(&i.received)), ("a scratch on the left arm".into(), "2026-11-01".into()));
    assert_eq!((text(&i.head_unit), i.located, i.sides), ("unit H".into(), Location::Spindle, Sides::LeftDoubled));
    assert_eq!(i.recordings, [case("unit-017.csv"), case("unit-017-restarted.csv")]);
    assert_eq!(i.fields["cadence"], "revolutions");
    let second = &s.units[1].instrument;
    assert_eq!((second.sides, second.fields["power"].as_str()), (Sides::Total, "developer power_2"));
    assert_eq!(s.assumed, ["unit 018: nobody said which sides it measures; taken as `total`"]);

    // A card's keys, and the session's own over them.
    let pedals = &s.references[0];
    assert_eq!((pedals.instrument.label.as_str(), text(&pedals.instrument.serial)), ("pedal pair P", "0042".into()));
    assert_eq!(text(&pedals.instrument.firmware), "2.0");
    assert_eq!(pedals.uncertainty.to_string(), "1 % or 2 W");
    let certificate = pedals.certificate.as_ref().unwrap();
    let certificate = (text(&certificate.number), text(&certificate.date), text(&certificate.by));
    assert_eq!(certificate, ("P-12".into(), "2026-03-02".into(), "lab L".into()));
    assert_eq!(s.references[1].mode, Some(TrainerMode::ConstantPower));

    let d = &s.drivetrain;
    assert_eq!((d.chainrings.as_slice(), d.cassette.len(), d.wheel_m), (&[52, 36][..], 11, Some(2.105)));
    assert_eq!((d.loss_pct, d.loss_expanded_pct), (2.0, 0.8));
    let c = &s.conditions;
    assert_eq!((c.temperature_c, c.crank_length_m), (Some(19.0), Some(0.1725)));
    assert_eq!((c.latitude_deg, c.height_m), (Some(52.4), Some(35.0)));
    assert_eq!(c.other, [("humidity".to_owned(), "40 %".to_owned())]);
    let r = &s.readings;
    assert_eq!((r.zero_before, r.zero_after), (Some(12.0), Some(-14.0)));
    let hung = LoadReading { mass_kg: 10.0, side: Some(Side::Left), angle_deg: Some(90.0), torque_nm: 16.9 };
    assert_eq!(r.loads, [hung]);
    assert_eq!(r.other, [("tyre".to_owned(), "6 bar".to_owned())]);
    assert_eq!((s.remarks[0].text.as_str(), s.remarks[0].at.is_none()), ("chain noisy", true));
    assert_eq!(s.remarks[1].spoiled.as_ref().unwrap().to_string(), "sprints/3");
    assert_eq!(s.marks[0].phase.as_ref().unwrap().to_string(), "steady[ring=small, power=120 W]");
    assert_eq!((s.marks[1].at.offset_s, text(&s.marks[1].text)), (Some(0), "phone rang".into()));
    assert_eq!(s.pins[0].phase.to_string(), "sprints/2");
    assert_eq!(s.pins[1].phase.to_string(), "climb[posture=standing, cadence=90 rpm]");
    assert_eq!(s.photos[0].file, case("bench.jpg"));
    // `sha256sum tests/language/bench.jpg`, GNU coreutils.
    assert_eq!(s.photos[0].sha256, "6933d8bcb33e248702bc86ba64783c2c02e85606e3fe8e58a641cd7013023787");
}

#[test]
fn counterbalancing_turns_the_outer_key_round_over_the_inner_ones() {
    let p = protocol::load(&case("every-key.yaml"), None).unwrap();
    let order: Vec<_> = p.phases.iter().filter(|p| p.id.name == "steady").map(|p| p.id.keys.clone()).collect();
    let rings: Vec<&str> = order.iter().map(|keys| keys[0].1.as_str()).collect();
    let powers: Vec<&str> = order.iter().map(|keys| keys[1].1.as_str()).collect();
    assert_eq!(rings, ["big", "small", "small", "big", "big", "small"]);
    let third = "96 % of threshold_power";
    assert_eq!(powers, ["120 W", "120 W", "180 W", "180 W", third, third]);
    let climbs: Vec<String> = p
        .phases
        .iter()
        .filter(|p| p.id.name == "climb")
        .map(|p| p.id.keys[0].1.clone() + " " + &p.id.keys[1].1)
        .collect();
    assert_eq!(climbs, ["seated 60..70 rpm", "seated 90 rpm", "standing 60..70 rpm", "standing 90 rpm"]);
}

#[test]
fn recoveries_of_a_steady_phase_lie_between_its_combinations() {
    let p = protocol::load(&case("every-key.yaml"), None).unwrap();
    let names: Vec<&str> = p.phases.iter().map(|p| p.id.name.as_str()).filter(|n| n.starts_with("steady")).collect();
    assert_eq!(names.len(), 11);
    assert!(names.iter().step_by(2).all(|n| *n == "steady"));
    let recovery = p.phases.iter().find(|p| p.id.name == "steady-recovery").unwrap();
    assert_eq!(recovery.id.to_string(), "steady-recovery[ring=big, power=120 W]");
    assert_eq!(recovery.part, Part::Optional);
}

#[test]
fn a_protocol_that_extends_another_overrides_by_name() {
    let base = protocol::load(&case("every-key.yaml"), None).unwrap();
    let lab = protocol::load(&case("lab.yaml"), None).unwrap();
    assert_eq!((lab.title.as_str(), lab.revision.as_str()), ("A lab of its own", "1.10"));
    assert_eq!(lab.decision, Decision { rule: Rule::Simple, coverage: 0.95 });
    let sprints = lab.phases.iter().find(|p| p.id.name == "sprints").unwrap();
    assert_eq!((sprints.repeats, sprints.accept, sprints.checks.len()), (3, Accept::EveryRepeat, 2));
    let zero = lab.phases.iter().position(|p| p.id.name == "zero").unwrap();
    assert_eq!(zero, base.phases.iter().position(|p| p.id.name == "zero").unwrap());
    assert!(matches!(lab.phases[zero].drill, Drill::Free { .. }), "another drill keeps nothing of the old phase");
    assert_eq!(lab.phases.last().unwrap().id.name, "easy");
    assert_eq!(lab.contrasts[0].limit.to_string(), "within 1 %");
    assert_eq!(lab.contrasts[1], base.contrasts[1]);
    assert_ne!(lab.sha256, base.sha256);
}

#[test]
fn extending_in_a_circle_or_a_missing_file_is_a_mistake() {
    let folder = tempfile::tempdir().unwrap();
    let (a, b) = (folder.path().join("a.yaml"), folder.path().join("b.yaml"));
    std::fs::write(&a, "assize: 1\nextends: b.yaml\n").unwrap();
    std::fs::write(&b, "assize: 1\nextends: a.yaml\n").unwrap();
    let problems = protocol::load(&a, None).unwrap_err();
    let first = problems.iter().next().unwrap();
    assert_eq!((first.file.clone(), first.line, first.column), (b, 2, 10));
    assert!(first.message.contains("extending itself"));
    assert_eq!(mistakes("assize: 1\nextends: gone.yaml\n")[0].0, 2);
}

#[test]
fn common_slips_get_the_right_form() {
    let only = |lines: &str| {
        let mut found = in_phase(lines);
        assert_eq!(found.len(), 1, "{lines}: {found:?}");
        found.remove(0)
    };
    let has = |lines: &str, column: usize, says: &str| {
        let (line, at, message) = only(lines);
        assert_eq!((line, at), (9, column), "{lines}: {message}");
        assert!(message.contains(says), "{lines}: {message}");
    };
    // YAML 1.2.2, 8.1.3 and 8.1.1: `>` begins a folded scalar, and what follows is its header.
    has("cadence: > 80 rpm", 14, "write `at least 80 rpm`");
    has("cadence: >= 80 rpm", 14, "write `at least 80 rpm`");
    has("cadence: <80 rpm", 14, "write `at most 80 rpm`");
    has("checks: {spike: > 5 W}", 21, "write `at least 5 W`");
    has("settle: 7,5 s", 13, "write `7.5 s`");
    // YAML 1.2.2, 7.4.2: a comma ends an entry of a flow mapping.
    has("checks: {spike: {clause: 7, limit: within 7,5 W}}", 47, "write `7.5 W`");
    has("settle: 30 sec", 16, "write `s`");
    has("settle: 30", 13, "a unit is missing");
    has("cadence: 80-95 rpm", 16, "two dots");
    has("checks: mean_error within 2 %", 13, "expected measures with their limits");
    has("checks: {mean_error: 2 %}", 26, "as in `within 2 %`");
    has("ring: large", 11, "`big` or `small`");
    has("repeat: 0", 13, "at least 1");
    has("repeat: 2.5", 13, "a whole number");
    has("effort: at least 600 W", 5, "a phase has no key `effort`");
    has("lasts: 5 min", 5, "written twice, first on line 8");
    has("settle:", 5, "nothing is written here");
    has("settle: [30 s]", 13, "found a list");
    has("order: counterbalanced", 12, "needs two keys");
    let twice = in_phase("for_each: {power: [100 W]}").remove(0);
    assert_eq!((twice.0, twice.1), (7, 5));
    assert!(twice.2.contains("`power` is also in `for_each`"));
}

#[test]
fn text_keeps_every_character_as_written() {
    let (_folder, file) =
        written(&format!("{HEAD}phases: [{{phase: \"no\", drill: free}}, {{phase: on, drill: free}}]\n"));
    let p = protocol::load(&file, None).unwrap();
    assert_eq!(p.phases[0].id.name, "no");
    assert_eq!(p.phases[1].id.name, "on");
    let swallowed = mistakes("assize: 1\ntitle: unit # 3\nrevision: #4\nphases: [{phase: a, drill: free}]\n");
    assert_eq!((swallowed[0].0, swallowed[0].1), (2, 13));
    assert!(swallowed[0].2.contains("\"unit # 3\""));
    assert_eq!((swallowed[1].0, swallowed[1].1), (3, 1));
    assert!(swallowed[1].2.contains("write `\"#4\"`"));
    let colon = mistakes("assize: 1\ntitle: bench: north\nrevision: 1\nphases: [{phase: a, drill: free}]\n");
    assert_eq!((colon.len(), colon[0].0, colon[0].1), (1, 2, 13));
    assert!(colon[0].2.contains("title: \"bench: north\""));
}

#[test]
fn broken_yaml_is_one_mistake_with_a_place() {
    let one = |text: &str| {
        let found = mistakes(text);
        assert_eq!(found.len(), 1, "{found:?}");
        (found[0].0, found[0].1)
    };
    assert_eq!(one("assize: 1\ntitle: \"open\n"), (2, 8));
    assert_eq!(one("assize: 1\ntitle: @home\n"), (2, 8));
    assert_eq!(one("assize: 1\n\ttitle: x\n"), (2, 1));
    assert_eq!(one(""), (1, 1));
    let bomb = "phases: &a [1,1,1,1,1,1,1,1,1]\nb: &b [*a,*a,*a,*a,*a,*a,*a,*a,*a]\nc: &c [*b,*b,*b,*b,*b,*b,*b,*b,*b]\n\
                d: &d [*c,*c,*c,*c,*c,*c,*c,*c,*c]\ne: &e [*d,*d,*d,*d,*d,*d,*d,*d,*d]\n";
    assert_eq!(one(bomb).0, 5);
    assert_eq!(one(&"[".repeat(3000)).0, 1);
}

#[test]
fn phases_and_contrasts_that_can_not_be_meant_are_mistakes() {
    let twice = mistakes(&format!("{HEAD}phases: [{{phase: a, drill: free}}, {{phase: a, drill: wait}}]\n"));
    assert_eq!((twice[0].0, twice[0].1), (4, 43));
    let contrast = |of: &str, against: &str, measure: &str| {
        let phases =
            "phases:\n  - {phase: s, drill: steady, for_each: {ring: [big, small]}, power: 200 W, lasts: 60 s}\n";
        let rest =
            format!("contrasts:\n  - contrast: c\n    of: {of}\n    against: {against}\n    measure: {measure}\n");
        mistakes(&format!("{HEAD}{phases}{rest}    limit: within 2 %\n")).remove(0)
    };
    assert_eq!(contrast("\"s[tiny]\"", "\"s[big]\"", "mean_error").1, 12);
    assert!(contrast("\"s[big]\"", "\"s[big]\"", "mean_error").2.contains("has a partner"));
    assert!(contrast("\"s[big]\"", "\"s[small]\"", "release_lag").2.contains("can't be measured"));
    assert!(contrast("s", "s/1", "mean_error").2.contains("leave out"));
    let ramp = mistakes(&format!("{HEAD}phases: [{{phase: a, drill: ramp, steps: [50 W, 90 W], each: 60 s}}]\n"));
    assert_eq!((ramp[0].0, ramp[0].1), (4, 41));
    let name = mistakes(&format!("{HEAD}phases: [{{phase: two words, drill: free}}]\n"));
    assert!(name[0].2.contains("write `two-words`"));
}

#[test]
fn instruments_of_one_recording_name_their_fields() {
    let (folder, file) = written(
        "assize_session: 1\nunit: {label: a, located: crank, recording: r.csv}\n\
         references: [{label: b, located: hub, uncertainty: 1 %, recording: r.csv}]\n",
    );
    std::fs::write(folder.path().join("r.csv"), "secs,watts\n").unwrap();
    let problems = session::load(&file).unwrap_err();
    assert_eq!(places(&problems), [(3, 22, 1)]);
    assert!(problems.to_string().contains("developer power_2"));
}

#[test]
fn what_a_protocol_needs_of_a_session_is_asked_for() {
    let (folder, file) = written(
        "assize_session: 1\nprotocol: p.yaml\nunit: {label: a, located: crank, recording: r.csv}\n\
         references: [{label: b, located: hub, uncertainty: 1 %, recording: s.csv}]\npins: [a=14:00..14:01]\n\
         remarks: [{text: wet, spoiled: a/1}]\n",
    );
    let protocol = |repeat| {
        let phase = "{phase: a, drill: steady, power: 200 W, lasts: 60 s, checks: {mean_error: within claim}, repeat: ";
        std::fs::write(folder.path().join("p.yaml"), format!("{HEAD}phases: [{phase}{repeat}}}]\n")).unwrap();
    };
    for recording in ["r.csv", "s.csv"] {
        std::fs::write(folder.path().join(recording), "secs,watts\n").unwrap();
    }
    protocol(2);
    let problems = session::load(&file).unwrap_err();
    assert_eq!(places(&problems), [(3, 15, 1), (5, 8, 1)], "{problems}");
    protocol(1);
    let problems = session::load(&file).unwrap_err();
    assert_eq!(places(&problems), [(3, 15, 1)], "{problems}");
    let typed = format!("{HEAD}phases: [{{phase: a, drill: static_load, loads: [5 kg]}}]\n");
    std::fs::write(folder.path().join("p.yaml"), typed).unwrap();
    std::fs::write(&file, "assize_session: 1\nprotocol: p.yaml\nunit: {label: a, located: crank}\n").unwrap();
    assert!(session::load(&file).unwrap().references.is_empty(), "static loads are typed, not recorded");
}

/// A session of a unit and a reference with these further lines; its mistakes and cautions.
fn typed(lines: &str) -> (Vec<(usize, usize, String)>, Vec<String>) {
    let (folder, file) = written(&format!(
        "assize_session: 1\nunit: {{label: a, located: crank, sides: both, recording: r.csv}}\n\
         references: [{{label: b, located: hub, uncertainty: 1 %, recording: s.csv}}]\n{lines}\n"
    ));
    for recording in ["r.csv", "s.csv"] {
        std::fs::write(folder.path().join(recording), "secs,watts\n").unwrap();
    }
    match session::load(&file) {
        Ok(session) => (vec![], session.cautions),
        Err(problems) => {
            let say = |p: &assize::problem::Problem| format!("{} | {}", p.message, p.help.clone().unwrap_or_default());
            (problems.iter().map(|p| (p.line, p.column, say(p))).collect(), vec![])
        }
    }
}

#[test]
fn a_number_that_can_not_be_is_a_mistake_at_its_place_with_the_likely_slip() {
    let impossible = |line: &str, at: &str, says: &str| {
        let (mistakes, _) = typed(line);
        assert_eq!(mistakes.len(), 1, "{line}: {mistakes:?}");
        let (number, column, said) = &mistakes[0];
        let expected = line.chars().count() - line.split_once(at).unwrap().1.chars().count() - at.chars().count() + 1;
        assert_eq!((*number, *column), (4, expected), "{line}: {said}");
        assert!(said.contains("can't") && said.contains(says), "{line}: {said}");
    };
    impossible("drivetrain: {wheel: 2105 cm}", "2105 cm", "did you mean `2105 mm`?");
    impossible("drivetrain: {wheel: 2105 m}", "2105 m", "did you mean `2105 mm`?");
    impossible("drivetrain: {loss: 23 %}", "23 %", "did you mean `2.3 %`?");
    impossible("drivetrain: {loss: -2.3 %}", "-2.3 %", "can't be negative");
    impossible("drivetrain: {loss: 2.3 % ± 0 %}", "2.3 %", "an uncertainty of the loss of 0 %");
    impossible("drivetrain: {chainrings: [520, 36]}", "520", "did you mean `52`?");
    impossible("drivetrain: {chainrings: [52, 3]}", "3]", "a chainring of 3 teeth");
    impossible("drivetrain: {cassette: [11, 130]}", "130", "did you mean `13`?");
    impossible("conditions: {crank_length: 1725 mm}", "1725 mm", "did you mean `172.5 mm`?");
    impossible("conditions: {crank_length: 17.25 mm}", "17.25 mm", "did you mean `17.25 cm`?");
    impossible("conditions: {temperature: 190 °C}", "190 °C", "did you mean `19 °C`?");
    impossible("conditions: {temperature: 68 °C}", "68 °C", "68 °F would be `20 °C`");
    impossible("conditions: {latitude: 524 °}", "524 °", "did you mean `52.4 °`?");
    impossible("conditions: {height: 35000 m}", "35000 m", "-450 m to 6000 m can");
    impossible("threshold_power: 2500 W", "2500 W", "did you mean `250 W`?");
    impossible("threshold_power: 250 kW", "250 kW", "did you mean `250 W`?");
    impossible("readings: {loads: [{mass: 10000 kg, torque: 16.9 N·m}]}", "10000 kg", "did you mean `10000 g`?");
    impossible("readings: {loads: [{mass: 10 kg, angle: 900 °, torque: 16.9 N·m}]}", "900 °", "did you mean `90 °`?");
    impossible("readings: {loads: [{mass: 10 kg, torque: 1690 N·m}]}", "1690 N·m", "did you mean `16.9 N·m`?");
    impossible("date: 2626-11-14", "2626-11-14", "the year 2626 can't be meant");

    let (fine, cautions) = typed(
        "drivetrain: {chainrings: [52, 36], cassette: [11, 30], wheel: 2105 mm, loss: 2.3 % ± 1 %}\n\
         conditions: {temperature: 19 °C, crank_length: 172.5 mm, latitude: -33.9 °, height: 1600 m}",
    );
    assert!(fine.is_empty() && cautions.is_empty(), "{fine:?} {cautions:?}");
    let (fine, cautions) =
        typed("conditions: {temperature: 50 °C, crank_length: 130 mm}\ndrivetrain: {wheel: 1350 mm}");
    assert_eq!((fine.len(), cautions.len()), (0, 3), "{fine:?} {cautions:?}");
    assert!(cautions.iter().all(|sentence| sentence.contains("is unusual")), "{cautions:?}");
}

#[test]
fn nobody_is_good_to_nothing_and_nothing_is_a_reference_that_is_good_to_all() {
    let stated = |key: &str, written: &str| {
        let (folder, file) = written_session(key, written);
        let problems = session::load(&file).map(drop).map_err(|problems| problems.to_string());
        drop(folder);
        problems
    };
    for key in ["uncertainty", "claimed"] {
        for wrong in ["0 %", "100 %", "1 % or 0 W", "1 % or 2000 W"] {
            let said = stated(key, wrong).unwrap_err();
            assert!(said.matches("error:").count() == 1 && said.contains("can't be"), "{key}: {wrong}: {said}");
        }
        for right in ["1 %", "1.0 % or 2 W", "5 %", "10 W"] {
            stated(key, right).unwrap();
        }
    }
}

fn written_session(key: &str, bound: &str) -> (tempfile::TempDir, PathBuf) {
    let (uncertainty, claimed) = if key == "claimed" { ("1 %", bound) } else { (bound, "2 %") };
    let (folder, file) = written(&format!(
        "assize_session: 1\nunit: {{label: a, located: crank, sides: both, claimed: {claimed}, recording: r.csv}}\n\
         references: [{{label: b, located: hub, uncertainty: {uncertainty}, recording: s.csv}}]\n"
    ));
    for recording in ["r.csv", "s.csv"] {
        std::fs::write(folder.path().join(recording), "secs,watts\n").unwrap();
    }
    (folder, file)
}

#[test]
fn rings_and_dates_in_another_form_are_one_sentence_each() {
    let one = |line: &str, says: &str| {
        let (mistakes, _) = typed(line);
        assert_eq!(mistakes.len(), 1, "{line}: {mistakes:?}");
        assert!(mistakes[0].2.contains(says), "{line}: {mistakes:?}");
    };
    for rings in ["52/36", "52, 36", "52-36", "52x36", "\"52 36\"", "52t 36t"] {
        one(&format!("drivetrain:\n  chainrings: {rings}"), "write `[52, 36]`");
    }
    one("drivetrain:\n  cassette: 11-30", "list every sprocket");
    one("drivetrain: {chainrings: two}", "write `[52, 36]`");
    for key in ["date", "issued"] {
        one(&format!("{key}: 2026-1-2"), "write `2026-01-02`");
        one(&format!("{key}: 02.01.2026"), "as in `2026-03-02`");
        one(&format!("{key}: 2026-02-30"), "is no date");
        one(&format!("{key}: last week"), "is no date");
    }
}

#[test]
fn a_number_of_a_protocol_that_can_not_be_is_a_mistake() {
    let head = |phase: &str| format!("{HEAD}phases:\n  - {{phase: a, {phase}}}\n");
    let one = |phase: &str, says: &str| {
        let found = mistakes(&head(phase));
        assert_eq!(found.len(), 1, "{phase}: {found:?}");
        assert!(found[0].0 == 5 && found[0].2.contains("can't be") && found[0].2.contains(says), "{phase}: {found:?}");
    };
    one("drill: steady, power: 3000 W, lasts: 4 min", "did you mean `300 W`?");
    one("drill: steady, power: 200 kW, lasts: 4 min", "did you mean `200 W`?");
    one("drill: steady, for_each: {power: [120 W, 2400 W]}, lasts: 4 min", "did you mean `240 W`?");
    one("drill: steady, power: 200 W, lasts: 40 h", "did you mean `40 s`?");
    one("drill: steady, power: 200 W, lasts: 4 min, tolerance: 200 %", "did you mean `20 %`?");
    one("drill: steady, power: 200 W, lasts: 4 min, cadence: 900 rpm", "a cadence of 895 rpm");
    one("drill: steady, power: 200 W, lasts: 4 min, grade: 60 %", "did you mean `6 %`?");
    one("drill: steady, power: 200 W, lasts: 4 min, checks: {mean_error: within 250 %}", "a limit of 250 %");
    one("drill: sprint, effort: at least 6000 W, lasts: 6 s", "a sprint's effort of 6000 W");
    one("drill: sprint, effort: at least 600 W, lasts: 6..12 min", "a sprint of 360 s");
    one(
        "drill: coast_restart, lead_in: 200 W for 20 s, coast: 7..12 min, restart: at least 300 W for 5 s",
        "coasting of 720 s",
    );
    one("drill: static_load, loads: [5000 kg]", "did you mean `5000 g`?");
    let threshold = mistakes(&format!("{HEAD}basis: {{threshold_power: 25 W}}\nphases: [{{phase: a, drill: free}}]\n"));
    assert!(threshold.len() == 1 && threshold[0].2.contains("did you mean `250 W`?"), "{threshold:?}");
    let unusual = written(&head("drill: steady, power: 800 W, lasts: 4 min"));
    let (exit, said) = check(&[&unusual.1]);
    assert_eq!(exit, Exit::Done);
    assert!(said.contains("caution: a steady power of 800 W is unusual"), "{said}");
    // And where it is judged by, on the sheet.
    let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-data/bench-sound/session.yaml");
    let mut judge = assert_cmd::Command::cargo_bin("assize").unwrap();
    judge.arg("judge").arg(demo).arg("--protocol").arg(&unusual.1).args([
        "--json",
        "-",
        "--sheet",
        "/dev/null",
        "--exit-zero",
    ]);
    let told = String::from_utf8(judge.assert().success().get_output().stdout.clone()).unwrap();
    assert!(told.contains("a steady power of 800 W is unusual"), "{told}");
}

#[test]
fn what_a_verdict_needs_and_what_is_accepted_is_told_by_words_that_are_listed() {
    let phases = "phases: [{phase: a, drill: steady, power: 200 W, lasts: 4 min}]\n";
    let one = |lines: &str| -> (usize, usize, String) {
        let found = mistakes(&format!("{HEAD}{lines}\n{phases}"));
        assert_eq!(found.len(), 1, "{lines}: {found:?}");
        found[0].clone()
    };
    let (line, column, says) = one("needs: {held: [clocks, weather]}");
    assert_eq!((line, column), (4, 24));
    assert!(PREMISES.iter().all(|row| says.contains(&format!("`{}`", row.word))), "{says}");
    assert!(one("needs: {certificates: yes}").2.contains("`valid`"));
    assert!(one("needs: {held: clock}").2.contains("did you mean `clocks`?"));
    assert!(one("off_target: pass").2.contains("`accept`"));
    assert!(in_phase("off_target: pass")[0].2.contains("`accept`"));
    let read = |lines: &str, of_phase: &str| {
        let phase = format!("phases: [{{phase: a, drill: steady, power: 200 W, lasts: 4 min{of_phase}}}]");
        let (_folder, file) = written(&format!("{HEAD}{lines}\n{phase}\n"));
        protocol::load(&file, None).unwrap()
    };
    assert!(read("", ", off_target: accept").phases[0].accepts_off_target);
    assert!(read("off_target: accept", "").phases[0].accepts_off_target);
    assert!(!read("off_target: accept", ", off_target: undecided").phases[0].accepts_off_target);
    assert!(!read("", "").phases[0].accepts_off_target);
    // One may stand without a list.
    assert_eq!(read("needs: {held: own recording}", "").needs.held, [Premise::OwnRecording]);
}

#[test]
fn check_tells_what_it_found_and_exits_by_the_worst() {
    let bench = Path::new("protocols/bench-both-rings.yaml");
    let (exit, said) = check(&[bench]);
    assert_eq!(exit, Exit::Done);
    assert_eq!(
        said,
        "protocols/bench-both-rings.yaml: ok (protocol `Bench trial on both chainrings`, 20 phases, 33 with repeats, \
         73.9 min of riding)\n  \
         rehearsed 9 times, a sound unit against pedal pair P ±1 % or 2 W and trainer T ±1.5 % or 3 W: each limit leaves \
         room for the uncertainty reached\n"
    );
    let (exit, said) = check(&[&case("every-key-session.yaml")]);
    assert_eq!(exit, Exit::Done);
    assert_eq!(
        said,
        "tests/language/every-key-session.yaml: ok (session, unit 017, unit 018 against pedal pair P, trainer T)\n  \
         protocol `Every key`, 23 phases, 59 with repeats, 110 min of riding, 30 min off the bike\n  \
         coast-and-restart: `fault rate below 10 %` takes 29 repeats without a fault; 29 are asked for\n  \
         assumed: unit 018: nobody said which sides it measures; taken as `total`\n  \
         contradicted: trainer T: no certificate is given; this takes the reference\n  \
         contradicted: hung: 1 of 5 readings were typed; this takes the check\n"
    );
    let mistaken = case("twelve-mistakes.yaml");
    assert_eq!(check(&[&mistaken, bench]).0, Exit::Fail);
    assert_eq!(check(&[&mistaken, Path::new("gone.yaml"), bench]).0, Exit::CouldNotJudge);
    let (_folder, neither) = written("- a list\n");
    let (exit, said) = check(&[&neither]);
    assert_eq!(exit, Exit::Fail);
    assert!(said.contains("neither a protocol nor a session"));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    /// Whatever is typed over a file, reading it ends in a value or in mistakes whose places exist.
    #[test]
    fn damaged_files_never_panic(
        cuts in proptest::collection::vec((0.0..1.0_f64, 0..12_usize, "[ -~\n\t°±é?>:#]{0,4}"), 1..5),
        of_session in proptest::bool::ANY,
    ) {
        let name = if of_session { "every-key-session.yaml" } else { "every-key.yaml" };
        let mut text: Vec<char> = std::fs::read_to_string(case(name)).unwrap().chars().collect();
        for (at, length, typed) in cuts {
            let from = (at * text.len() as f64) as usize;
            let to = (from + length).min(text.len());
            text.splice(from..to, typed.chars());
        }
        let text: String = text.into_iter().collect();
        let (_folder, file) = written(&text);
        let problems = if of_session { session::load(&file).err() } else { protocol::load(&file, None).err() };
        if let Some(problems) = problems {
            prop_assert!(problems.iter().count() > 0);
            for p in problems.iter() {
                prop_assert!(p.line <= text.lines().count().max(1) && p.column <= p.source_line.chars().count() + 1);
            }
            prop_assert!(!problems.to_string().is_empty());
        }
    }
}
