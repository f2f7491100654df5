//! The verdict in the XML form in which build servers read what tests came to: a suite per phase, a case per check.

use quick_xml::Writer;
use quick_xml::events::{BytesDecl, BytesStart, BytesText, Event};

use super::groups::{self, Group};
use crate::text::safe;
use crate::verdict::{CheckVerdict, Outcome, PhaseVerdict, Verdict};
use crate::words;

/// Green (no failure, no error) exactly where the session passes, or where nothing was asked of it.
///
/// A required check that fails is a failure, one that stays undecided an error: no statement could be made, and that must
/// not look like a pass. Skipped, with the reason, is what has no say in the session's verdict and does not pass: what
/// is advisory, surplus or not applicable, and of single repeats what does not fail the phase by itself. How the repeats
/// of a phase are accepted is a case of its own.
///
/// # Errors
/// Those of `out`.
pub fn write(verdict: &Verdict, out: impl std::io::Write) -> std::io::Result<()> {
    let suites = suites(verdict);
    let mut writer = Writer::new_with_indent(out, b' ', 2);
    writer.write_event(Event::Decl(BytesDecl::new("1.0", Some("UTF-8"), None)))?;
    let cases = || suites.iter().flat_map(|suite| &suite.cases);
    let name = format!("{}, sheet {}", verdict.unit.label, verdict.sheet_number);
    let root = counted(element("testsuites", &[("name", &name)]), cases());
    writer.write_event(Event::Start(root.borrow()))?;
    for suite in &suites {
        suite.write(verdict, &mut writer)?;
    }
    writer.write_event(Event::End(root.to_end()))?;
    writer.into_inner().write_all(b"\n")
}

struct Suite {
    /// The phase's selector, `contrasts` or `whole ride`.
    name: String,
    timestamp: String,
    cases: Vec<Case>,
}

struct Case {
    name: String,
    outcome: CaseOutcome,
    /// Value, limit and reason; empty where there is nothing to say.
    says: String,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum CaseOutcome {
    Passed,
    Failure,
    Error,
    /// Because of what the word says.
    Skipped(&'static str),
}

impl CaseOutcome {
    /// `aside`: why it has no say in the session's verdict, if it has none.
    fn of(outcome: Outcome, aside: Option<&'static str>) -> Self {
        match (outcome, aside) {
            (Outcome::Pass, _) => Self::Passed,
            (Outcome::NotApplicable, _) => Self::Skipped("not applicable"),
            (_, Some(aside)) => Self::Skipped(aside),
            (Outcome::Fail, None) => Self::Failure,
            (Outcome::Undecided | Outcome::NotRidden | Outcome::NotRecorded | Outcome::NotJudged, None) => Self::Error,
        }
    }
}

fn suites(verdict: &Verdict) -> Vec<Suite> {
    let groups = groups::groups(verdict);
    let started = |matched: &PhaseVerdict| matched.matched.as_ref().map(|m| m.start);
    let suite = |name: &str, start: Option<_>, cases: Vec<Case>| {
        let start: chrono::DateTime<chrono::Utc> = start.unwrap_or(verdict.session.start);
        // Without a zone, as the form has it; the time is UTC, as everywhere.
        Suite { name: name.to_owned(), timestamp: start.format("%Y-%m-%dT%H:%M:%S").to_string(), cases }
    };
    let phases = groups.iter().map(|group| {
        let start = group.phases.iter().filter_map(|phase| started(phase)).min();
        suite(group.selector(), start, of_phase(group))
    });
    let across = [("contrasts", &verdict.contrasts), ("whole ride", &verdict.whole_ride)];
    let across =
        across.map(|(name, checks)| suite(name, None, checks.iter().map(|c| across_case(verdict, c)).collect()));
    phases.chain(across).filter(|suite| !suite.cases.is_empty()).collect()
}

fn of_phase(group: &Group<'_>) -> Vec<Case> {
    let mut cases = vec![];
    for phase in &group.phases {
        let aside = |outcome| aside_of_ride(group, phase, outcome);
        let prefix = if group.phases.len() > 1 { format!("repeat {}: ", phase.repeat) } else { String::new() };
        cases.extend(phase.checks.iter().map(|check| case(&prefix, check, aside(check.verdict))));
        if phase.verdict.is_missing() && phase.checks.is_empty() {
            let says = phase.reason.as_deref().map(words::sentence).unwrap_or_default();
            let outcome = CaseOutcome::of(phase.verdict, aside(phase.verdict));
            cases.push(Case { name: format!("{prefix}ridden"), outcome, says });
        }
    }
    let Some(repeats) = group.repeats else { return cases };
    let mean_counts = repeats.verdict != Outcome::Pass;
    let aside = if repeats.required { (!mean_counts).then_some(TOGETHER) } else { Some(NOT_REQUIRED) };
    cases.extend(repeats.checks.iter().map(|check| case("mean: ", check, aside)));
    let said = group.tally().into_iter().chain(repeats.reason.as_deref().map(words::sentence));
    let accepted = Case {
        name: format!("accepted: {}", repeats.accept),
        outcome: CaseOutcome::of(repeats.verdict, (!repeats.required).then_some(NOT_REQUIRED)),
        says: said.collect::<Vec<_>>().join("; "),
    };
    cases.extend((repeats.required || !repeats.checks.is_empty()).then_some(accepted));
    cases
}

const NOT_REQUIRED: &str = "not required";
const TOGETHER: &str = "decided by all repeats together";

/// Why an outcome of one ride of a phase has no say in the session's verdict.
fn aside_of_ride(group: &Group<'_>, phase: &PhaseVerdict, outcome: Outcome) -> Option<&'static str> {
    match group.repeats {
        _ if phase.surplus => Some("surplus"),
        _ if !phase.required => Some(NOT_REQUIRED),
        Some(repeats) if outcome != Outcome::Fail || repeats.verdict != Outcome::Fail => Some(TOGETHER),
        _ => None,
    }
}

fn across_case(verdict: &Verdict, check: &CheckVerdict) -> Case {
    let prefix = check.contrast.as_deref().map(|contrast| format!("{contrast}: ")).unwrap_or_default();
    // Without a protocol nothing was asked.
    case(&prefix, check, verdict.protocol.is_none().then_some("compared"))
}

fn case(prefix: &str, check: &CheckVerdict, aside: Option<&'static str>) -> Case {
    let aside = aside.or((!check.required).then_some("advisory"));
    let value = words::value_of(check).unwrap_or_else(|| "no value".to_owned());
    let limit = check.limit.as_ref().map(|limit| format!("limit: {limit}"));
    let numbers = words::limit(check.limit_low, check.limit_high, &check.unit);
    let limit = limit.map(|limit| numbers.map_or(limit.clone(), |numbers| format!("{limit} ({numbers})")));
    let reason = check.reason.as_deref().map(words::sentence);
    let remedy = check.remedy.as_deref().map(words::sentence);
    let says = std::iter::once(format!("{}: {value}", check.verdict.word())).chain(limit).chain(reason).chain(remedy);
    let unit = if check.unit.is_empty() { String::new() } else { format!(" ({})", check.unit) };
    Case {
        name: format!("{prefix}{}{unit}", words::plain(&check.measure)),
        outcome: CaseOutcome::of(check.verdict, aside),
        says: says.collect::<Vec<_>>().join("; "),
    }
}

impl Suite {
    fn write<W: std::io::Write>(&self, verdict: &Verdict, writer: &mut Writer<W>) -> std::io::Result<()> {
        let suite = element("testsuite", &[("name", &self.name), ("timestamp", &self.timestamp)]);
        let suite = counted(suite, self.cases.iter());
        writer.write_event(Event::Start(suite.borrow()))?;
        let mut facts = vec![("sheet number", verdict.sheet_number.as_str()), ("unit", &verdict.unit.label)];
        facts.extend(verdict.unit.firmware.as_deref().map(|firmware| ("firmware", firmware)));
        if let Some(protocol) = &verdict.protocol {
            facts.extend([("protocol", protocol.title.as_str()), ("revision", &protocol.revision)]);
        }
        let properties = BytesStart::new("properties");
        writer.write_event(Event::Start(properties.borrow()))?;
        for (name, value) in facts {
            writer.write_event(Event::Empty(element("property", &[("name", name), ("value", value)])))?;
        }
        writer.write_event(Event::End(properties.to_end()))?;
        self.cases.iter().try_for_each(|case| case.write(&self.name, writer))?;
        writer.write_event(Event::End(suite.to_end()))
    }
}

impl Case {
    fn write<W: std::io::Write>(&self, suite: &str, writer: &mut Writer<W>) -> std::io::Result<()> {
        let case = element("testcase", &[("classname", suite), ("name", &self.name)]);
        writer.write_event(Event::Start(case.borrow()))?;
        let says = self.says.as_str();
        match self.outcome {
            CaseOutcome::Passed => {
                let output = BytesStart::new("system-out");
                writer.write_event(Event::Start(output.borrow()))?;
                writer.write_event(Event::Text(BytesText::new(&printable(says))))?;
                writer.write_event(Event::End(output.to_end()))?;
            }
            CaseOutcome::Skipped(why) => {
                let message = [why, says].into_iter().filter(|part| !part.is_empty()).collect::<Vec<_>>().join(": ");
                writer.write_event(Event::Empty(element("skipped", &[("message", &message)])))?;
            }
            CaseOutcome::Failure => {
                writer.write_event(Event::Empty(element("failure", &[("message", says), ("type", "fail")])))?;
            }
            CaseOutcome::Error => {
                writer.write_event(Event::Empty(element("error", &[("message", says), ("type", "undecided")])))?;
            }
        }
        writer.write_event(Event::End(case.to_end()))
    }
}

/// An element with attributes, their values escaped.
fn element(name: &'static str, attributes: &[(&str, &str)]) -> BytesStart<'static> {
    let mut element = BytesStart::new(name);
    for (key, value) in attributes {
        element.push_attribute((*key, printable(value).as_str()));
    }
    element
}

/// The same with how many cases there are, and how many of each kind.
fn counted<'c>(mut element: BytesStart<'static>, cases: impl Iterator<Item = &'c Case> + Clone) -> BytesStart<'static> {
    let count = |of: fn(&CaseOutcome) -> bool| cases.clone().filter(|case| of(&case.outcome)).count().to_string();
    let counts = [
        ("tests", count(|_| true)),
        ("failures", count(|outcome| *outcome == CaseOutcome::Failure)),
        ("errors", count(|outcome| *outcome == CaseOutcome::Error)),
        ("skipped", count(|outcome| matches!(outcome, CaseOutcome::Skipped(_)))),
    ];
    for (key, value) in &counts {
        element.push_attribute((*key, value.as_str()));
    }
    element
}

/// XML has no place for control characters and two non-characters, however written (XML 1.0, 2.2).
fn printable(text: &str) -> String {
    safe(text).replace(['\u{fffe}', '\u{ffff}'], "\u{fffd}")
}

#[cfg(test)]
mod tests {
    use quick_xml::Reader;

    use super::*;
    use crate::report::example;

    fn written(verdict: &Verdict) -> String {
        let mut bytes = vec![];
        write(verdict, &mut bytes).unwrap();
        String::from_utf8(bytes).unwrap()
    }

    /// (element, name or message) in order, as a reader of XML sees them.
    fn read(text: &str) -> Vec<(String, String)> {
        let mut reader = Reader::from_str(text);
        let mut elements = vec![];
        loop {
            match reader.read_event().unwrap() {
                Event::Eof => return elements,
                Event::Start(e) | Event::Empty(e) => {
                    let attributes = e.attributes().map(Result::unwrap);
                    let told = attributes.filter(|a| matches!(a.key.as_ref(), "name" | "message"));
                    let told = told.map(|a| quick_xml::escape::unescape(&a.value).unwrap().into_owned()).next();
                    elements.push((e.name().as_ref().to_owned(), told.unwrap_or_default()));
                }
                _ => {}
            }
        }
    }

    fn count(verdict: &Verdict, element: &str) -> usize {
        read(&written(verdict)).iter().filter(|(name, _)| name == element).count()
    }

    /// Every required check passes; `change` spoils one thing.
    fn all_pass(change: impl Fn(&mut Verdict)) -> Verdict {
        let mut verdict = example::judgement().verdict;
        verdict.verdict = Some(Outcome::Pass);
        let phases = verdict.phases.iter_mut().flat_map(|phase| {
            phase.verdict = Outcome::Pass;
            &mut phase.checks
        });
        let repeats = verdict.repeats.iter_mut().flat_map(|repeats| {
            repeats.verdict = Outcome::Pass;
            &mut repeats.checks
        });
        let across = verdict.contrasts.iter_mut().chain(&mut verdict.whole_ride);
        phases.chain(repeats).chain(across).for_each(|check| check.verdict = Outcome::Pass);
        change(&mut verdict);
        verdict
    }

    #[test]
    fn a_case_for_every_check_and_a_suite_for_every_phase() {
        let verdict = example::judgement().verdict;
        let elements = read(&written(&verdict));
        let cases = elements.iter().filter(|(name, _)| name == "testcase").count();
        let not_ridden = verdict.phases.iter().filter(|p| p.verdict == Outcome::NotRidden).count();
        assert_eq!(cases, verdict.checks().count() + verdict.repeats.len() + not_ridden);
        let suites: Vec<&str> =
            elements.iter().filter(|(name, _)| name == "testsuite").map(|(_, told)| told.as_str()).collect();
        assert!(suites.contains(&"standing-sprints") && suites.ends_with(&["contrasts", "whole ride"]), "{suites:?}");
    }

    #[test]
    fn it_is_green_exactly_where_all_that_counts_passes() {
        let red = |verdict: &Verdict| count(verdict, "failure") + count(verdict, "error");
        assert_eq!(red(&all_pass(|_| {})), 0);
        assert!(red(&example::judgement().verdict) > 0);
        // One required thing at a time.
        let failed = all_pass(|v| v.contrasts[0].verdict = Outcome::Fail);
        assert_eq!((count(&failed, "failure"), count(&failed, "error")), (1, 0));
        let undecided = all_pass(|v| v.whole_ride[0].verdict = Outcome::Undecided);
        assert_eq!((count(&undecided, "failure"), count(&undecided, "error")), (0, 1));
        let repeats = all_pass(|v| v.repeats[0].verdict = Outcome::Undecided);
        assert_eq!((count(&repeats, "failure"), count(&repeats, "error")), (0, 1));
        // A single repeat that is too short to decide, an advisory check: nothing to stop a build for.
        let sprint = |v: &mut Verdict, outcome| {
            let sprint = v.phases.iter_mut().find(|p| p.phase == "standing-sprints").unwrap();
            sprint.checks[0].verdict = outcome;
        };
        for aside in [
            all_pass(|v| sprint(v, Outcome::Undecided)),
            all_pass(|v| sprint(v, Outcome::Fail)),
            all_pass(|v| v.whole_ride[1].verdict = Outcome::Fail),
        ] {
            assert_eq!((red(&aside), count(&aside, "skipped")), (0, 1 + count(&all_pass(|_| {}), "skipped")));
        }
    }

    #[test]
    fn a_phase_that_was_not_ridden_is_no_pass() {
        let verdict = all_pass(|v| {
            let block = v.phases.iter_mut().find(|p| p.drill == "steady").unwrap();
            (block.verdict, block.reason) = (Outcome::NotRidden, Some("no stretch near 120 W".to_owned()));
            block.checks.clear();
        });
        assert!(read(&written(&verdict)).iter().any(|(name, told)| name == "error" && told.contains("near 120")));
    }

    #[test]
    fn hostile_labels_stay_text_and_control_characters_are_marked() {
        let mut verdict = example::hostile().verdict;
        verdict.unit.firmware = Some("\u{0}\u{1b}\u{ffff}]]>".into());
        let text = written(&verdict);
        assert!(!text.chars().any(|c| c.is_control() && c != '\n') && !text.contains("<script"), "{text}");
        let read = read(&text);
        assert!(read.iter().any(|(element, _)| element == "testcase"));
        assert!(!read.iter().any(|(element, _)| element == "script"));
    }
}
