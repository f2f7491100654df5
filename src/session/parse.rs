//! A session's tree to a [`Session`], every mistake at its place.

use std::path::Path;

use super::bench::{conditions, drivetrain, readings};
use super::dates::iso_date;
use super::instruments::{need_claims, references, tell_apart, units};
use super::model::{Amendment, CardFile, Conditions, Readings, ReportFacts, Session};
use super::named_files::{MovedFile, named_file, overlay_card};
use super::notes::{mark, marks_file, photo, pin, remark};
use crate::protocol::{self, FileKind, MapKeys, Node, OpenedCard, Phases, Protocol, SourceFiles, threshold_power};

pub(super) fn read(reading: &mut SourceFiles, file: &Path) -> Option<Session> {
    let first = reading.opened();
    let own = reading.open(FileKind::Session, file, None)?;
    let sha256 = reading.sha256(first..reading.opened());
    let root = match own.get("bike") {
        Some(card) => overlay_card(reading, card, &own),
        None => own.clone(),
    };
    let mut keys = reading.map(&root, "a session")?;
    if let Some(version) = keys.need(reading, "assize_session", "1")
        && version.as_text() != Some("1")
    {
        reading.report(version.at, "this program reads version 1 of the session file", None);
    }
    keys.take("bike");
    let mut assumed = vec![];
    let threshold_power_w = keys.take("threshold_power").and_then(|n| threshold_power(reading, n));
    let ReadProtocol { protocol, phases } = protocol_of(reading, keys.take("protocol"), threshold_power_w);
    let phases = phases.as_ref();
    let ridden = protocol.as_ref().is_none_or(is_ridden);

    let mut name = |key| keys.take(key).and_then(|n| reading.label(n));
    let (tester, place, authorised_by) = (name("tester"), name("place"), name("authorised_by"));
    let date = keys.take("date").and_then(|n| iso_date(reading, n));
    let notes = keys.take("notes").and_then(|n| reading.text(n));
    let report = report_facts(reading, &mut keys);
    let units = units(reading, &mut keys, ridden, &mut assumed);
    if let Some(protocol) = &protocol {
        need_claims(reading, &root, protocol, &units);
    }
    let references = match keys.take("references") {
        Some(n) => references(reading, n, &mut assumed),
        None if ridden => keys.need(reading, "references", "[{label: pedal pair P, …}]").map_or(vec![], |_| vec![]),
        None => vec![],
    };
    let instruments = units.iter().map(|u| &u.instrument).chain(references.iter().map(|r| &r.instrument));
    tell_apart(reading, &root, &instruments.collect::<Vec<_>>());
    let drivetrain = drivetrain(reading, keys.take("drivetrain"), &mut assumed);
    let conditions = keys.take("conditions").map_or(Conditions::default(), |n| conditions(reading, n));
    let readings = keys.take("readings").map_or(Readings::default(), |n| readings(reading, n));
    let remarks = reading.each(keys.take("remarks"), "remarks", |reading, n| remark(reading, n, phases));
    let marks_node = keys.take("marks");
    let (listed, named): (Option<&Node>, Option<&Node>) = match marks_node {
        Some(n) if n.as_text().is_some() => (None, Some(n)),
        other => (other, None),
    };
    let marks = reading.each(listed, "marks", |reading, n| mark(reading, n, phases));
    let marks_file = named.and_then(|n| marks_file(reading, n, protocol.as_ref()));
    let pins = reading.each(keys.take("pins"), "pins", |reading, n| pin(reading, n, phases));
    let photos = reading.each(keys.take("photos"), "paths of pictures", photo);
    keys.finish(reading);
    let cards = std::mem::take(&mut reading.cards).into_iter();
    let cards = cards.map(|OpenedCard { file, sha256 }| CardFile { file, sha256 }).collect();
    Some(Session {
        file: Some(file.to_owned()),
        sha256: Some(sha256),
        protocol,
        tester,
        place,
        date,
        notes,
        authorised_by,
        report,
        units,
        references,
        drivetrain,
        conditions,
        readings,
        remarks,
        marks,
        marks_file,
        pins,
        cards,
        photos,
        threshold_power_w,
        assumed,
        cautions: reading.cautions(),
        files: reading.files(),
    })
}

/// The protocol that a session names.
struct ReadProtocol {
    protocol: Option<Protocol>,
    /// `None` where the protocol has mistakes or is missing: phases may then be incomplete, and names are not held against
    /// them.
    phases: Option<Phases>,
}

fn protocol_of(reading: &mut SourceFiles, node: Option<&Node>, threshold_power_w: Option<f64>) -> ReadProtocol {
    let before = reading.problem_count();
    let protocol = node.and_then(|n| {
        let path =
            named_file(reading, n, |again| MovedFile { given: &again.protocol, missing: &mut again.missing_protocol })?;
        protocol::read(reading, &path, Some(n.at), threshold_power_w)
    });
    let missing = reading.reopened().is_some_and(|again| again.missing_protocol.is_some());
    let sound = reading.problem_count() == before && !missing;
    let all = || protocol.as_ref().map_or(vec![], |protocol| protocol.phases.clone());
    let phases = sound.then(|| Phases { all: all(), unread: vec![] });
    ReadProtocol { protocol, phases }
}

/// Whether a protocol asks for a ride at all: static loads and zero checks are typed, not recorded.
fn is_ridden(protocol: &Protocol) -> bool {
    protocol.phases.iter().any(|phase| phase.drill.kind().is_scored_riding())
}

fn report_facts(reading: &mut SourceFiles, keys: &mut MapKeys) -> ReportFacts {
    let mut name = |key| keys.take(key).and_then(|n| reading.label(n));
    let (laboratory, customer) = (name("laboratory"), name("customer"));
    let address = keys.take("address").and_then(|n| reading.text(n));
    let issued = keys.take("issued").and_then(|n| iso_date(reading, n));
    let amends = keys.take("amends").and_then(|n| amendment(reading, n));
    ReportFacts { laboratory, address, customer, issued, amends }
}

fn amendment(reading: &mut SourceFiles, node: &Node) -> Option<Amendment> {
    let mut keys = reading.map(node, "an amendment")?;
    let sheet = keys.need(reading, "sheet", "A-7C41-09E2").and_then(|n| reading.text(n));
    let because = keys.need(reading, "because", "the crank length was typed wrong").and_then(|n| reading.text(n));
    keys.finish(reading);
    Some(Amendment { sheet: sheet?, because: because? })
}
