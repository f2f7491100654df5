//! A session's tree to a [`Session`], every mistake at its place.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use sha2::{Digest, Sha256};

use super::clock::{self, clock_time};
use super::marks::{self, MarksFile};
use super::model::*;
use crate::protocol::{
    self, Body, Drill, MapKeys, MovedFiles, Node, Phases, Protocol, SIDES, SourceFiles, hex, nearest, overlay,
    placed_repeat, placed_selector, positive, power,
};
use crate::quantity::{Bound, Limit, Unit as Measured};

/// Channels, and the time, whose field or column an instrument can name.
const CHANNELS: [&str; 11] = [
    "time",
    "power",
    "cadence",
    "heart_rate",
    "speed",
    "altitude",
    "temperature",
    "distance",
    "latitude",
    "longitude",
    "right_share",
];

pub(super) fn read(reading: &mut SourceFiles, file: &Path) -> Option<Session> {
    let first = reading.opened();
    let own = reading.open(file, None)?;
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
    let threshold_power_w = keys.take("threshold_power").and_then(|n| power(reading, n));
    let before = reading.problem_count();
    let protocol_node = keys.take("protocol");
    let protocol = protocol_node.and_then(|n| {
        let path = named_file(reading, n, |again| (&again.protocol, &mut again.missing_protocol))?;
        protocol::read(reading, &path, Some(n.at), threshold_power_w)
    });
    // Phases of a protocol with mistakes may be incomplete: names are then not held against the session.
    let missing = reading.reopened().is_some_and(|again| again.missing_protocol.is_some());
    let sound = reading.problem_count() == before && !missing;
    let phases = match &protocol {
        _ if !sound => None,
        Some(protocol) => Some(Phases { all: protocol.phases.clone(), unread: vec![] }),
        None => Some(Phases::default()),
    };
    let phases = phases.as_ref();
    let ridden = protocol.as_ref().is_none_or(is_ridden);

    let mut text = |key| keys.take(key).and_then(|n| reading.text(n));
    let (tester, place, date) = (text("tester"), text("place"), text("date"));
    let (notes, authorised_by) = (text("notes"), text("authorised_by"));
    let (laboratory, address, customer) = (text("laboratory"), text("address"), text("customer"));
    let issued = keys.take("issued").and_then(|n| iso_date(reading, n));
    let amends = keys.take("amends").and_then(|n| amendment(reading, n));
    let report = ReportFacts { laboratory, address, customer, issued, amends };
    let units = units(reading, &mut keys, ridden, &mut assumed);
    if let Some(protocol) = &protocol {
        need_claims(reading, &root, protocol, &units);
    }
    let references = match keys.take("references") {
        Some(n) => references(reading, n, &mut assumed),
        None => {
            if ridden {
                keys.need(reading, "references", "[{label: pedal pair P, …}]");
            }
            vec![]
        }
    };
    let instruments = units.iter().map(|u| &u.instrument).chain(references.iter().map(|r| &r.instrument));
    tell_apart(reading, &root, &instruments.collect::<Vec<_>>());
    let drivetrain = match keys.take("drivetrain") {
        Some(n) => drivetrain(reading, n, &mut assumed),
        None => {
            assumed.push(assumed_loss());
            Drivetrain::default()
        }
    };
    let conditions = keys.take("conditions").map_or(Conditions::default(), |n| conditions(reading, n));
    let readings = keys.take("readings").map_or(Readings::default(), |n| readings(reading, n));
    let remarks = each(reading, keys.take("remarks"), "remarks", |reading, n| remark(reading, n, phases));
    let marks_node = keys.take("marks");
    let (listed, named): (Option<&Node>, Option<&Node>) = match marks_node {
        Some(n) if n.as_text().is_some() => (None, Some(n)),
        other => (other, None),
    };
    let marks = each(reading, listed, "marks", |reading, n| mark(reading, n, phases));
    let marks_file = named.and_then(|n| marks_file(reading, n, protocol.as_ref()));
    let pins = each(reading, keys.take("pins"), "pins", |reading, n| pin(reading, n, phases));
    let photos = each(reading, keys.take("photos"), "paths of pictures", photo);
    keys.finish(reading);
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
        photos,
        threshold_power_w,
        assumed,
    })
}

/// Whether a protocol asks for a ride at all: static loads and zero checks are typed, not recorded.
fn is_ridden(protocol: &Protocol) -> bool {
    let typed = |drill: &Drill| {
        matches!(drill, Drill::StaticLoad { .. } | Drill::ZeroCheck | Drill::Wait { .. } | Drill::Free { .. })
    };
    !protocol.phases.iter().all(|p| typed(&p.drill))
}

/// The file that a session names; where it is read again and that is not there, what was given in its place, else
/// `None`, noted.
fn named_file(
    reading: &mut SourceFiles,
    node: &Node,
    of: impl FnOnce(&mut MovedFiles) -> (&Option<PathBuf>, &mut Option<PathBuf>),
) -> Option<PathBuf> {
    let path = reading.file_of_session(node)?;
    match reading.reopened() {
        Some(again) if !path.is_file() => {
            let (given, missing) = of(again);
            if given.is_none() {
                *missing = Some(path);
            }
            given.clone()
        }
        _ => Some(path),
    }
}

/// A card's keys under those of the node that names it.
fn overlay_card(reading: &mut SourceFiles, card: &Node, own: &Node) -> Node {
    let path = reading.existing_file(card);
    if let (Some(path), Some(again)) = (&path, reading.reopened()) {
        again.cards.push(path.clone());
    }
    let read = path.and_then(|path| reading.open(&path, Some(card.at)));
    match read {
        Some(base) => overlay(base, own.clone()),
        None => own.clone(),
    }
}

fn each<T>(
    reading: &mut SourceFiles,
    node: Option<&Node>,
    what: &str,
    mut read: impl FnMut(&mut SourceFiles, &Node) -> Option<T>,
) -> Vec<T> {
    let Some(node) = node else { return vec![] };
    let items = reading.list(node, what).unwrap_or_default();
    items.iter().filter_map(|item| read(reading, item)).collect()
}

fn units(reading: &mut SourceFiles, keys: &mut MapKeys, ridden: bool, assumed: &mut Vec<String>) -> Vec<Unit> {
    let nodes: Vec<&Node> = match (keys.take("unit"), keys.take("units")) {
        (Some(_), Some(list)) => {
            reading.report(list.at, "`unit` and `units` both stand here", Some("keep one of them".into()));
            return vec![];
        }
        (Some(one), None) => vec![one],
        (None, Some(list)) => reading.list(list, "units").unwrap_or_default().iter().collect(),
        (None, None) => {
            keys.need(reading, "unit", "{label: unit 017, located: spindle, recording: unit-017.fit}");
            vec![]
        }
    };
    let mut units = vec![];
    for node in nodes {
        let node = with_card(reading, node);
        let Some(mut keys) = reading.map(&node, "a unit") else { continue };
        let claimed = keys.take("claimed").and_then(|n| uncertainty(reading, n));
        let instrument = instrument(reading, &mut keys, ridden, assumed);
        keys.finish(reading);
        units.extend(instrument.map(|instrument| Unit { instrument, claimed }));
    }
    units
}

fn references(reading: &mut SourceFiles, node: &Node, assumed: &mut Vec<String>) -> Vec<Reference> {
    each(reading, Some(node), "references", |reading, node| {
        let node = with_card(reading, node);
        let mut keys = reading.map(&node, "a reference")?;
        let stated = keys.need(reading, "uncertainty", "1.0 % or 2 W").and_then(|n| uncertainty(reading, n));
        let certificate = keys.take("certificate").and_then(|n| certificate(reading, n));
        let modes = [("resistance", TrainerMode::Resistance), ("constant power", TrainerMode::ConstantPower)];
        let mode = keys.take("mode").and_then(|n| reading.one_of(n, &modes));
        let instrument = instrument(reading, &mut keys, true, assumed);
        keys.finish(reading);
        Some(Reference { instrument: instrument?, uncertainty: stated?, certificate, mode })
    })
}

/// `within claim` needs a claim.
fn need_claims(reading: &mut SourceFiles, root: &Node, protocol: &Protocol, units: &[Unit]) {
    let checks = protocol.phases.iter().flat_map(|p| &p.checks).chain(&protocol.whole_ride).map(|c| &c.limit);
    if !checks.chain(protocol.contrasts.iter().map(|c| &c.limit)).any(|limit| *limit == Limit::WithinClaim) {
        return;
    }
    for unit in units.iter().filter(|u| u.claimed.is_none()) {
        let label = &unit.instrument.label;
        let at = label_place(root, label).unwrap_or(root.at);
        let help = "add `claimed: 1.5 %`";
        reading.report(
            at,
            format!("the protocol has `within claim`, but what `{label}` claims is not said"),
            Some(help.into()),
        );
    }
}

fn with_card(reading: &mut SourceFiles, node: &Node) -> Node {
    match node.get("instrument") {
        Some(card) => overlay_card(reading, card, node),
        None => node.clone(),
    }
}

/// `1.0 % or 2 W`, expanded with k = 2.
fn uncertainty(reading: &mut SourceFiles, node: &Node) -> Option<Bound> {
    reading.words(node, "an uncertainty, as in `1.0 % or 2 W`", |w| w.bound(&[Measured::Percent, Measured::Watt]))
}

/// A date, kept as written.
fn iso_date(reading: &mut SourceFiles, node: &Node) -> Option<String> {
    let date = reading.text(node)?;
    if chrono::NaiveDate::parse_from_str(&date, "%Y-%m-%d").is_err() {
        reading.report(node.at, format!("`{date}` is no date"), Some("as in `2026-03-02`".into()));
    }
    Some(date)
}

fn amendment(reading: &mut SourceFiles, node: &Node) -> Option<Amendment> {
    let mut keys = reading.map(node, "an amendment")?;
    let sheet = keys.need(reading, "sheet", "A-7C41-09E2").and_then(|n| reading.text(n));
    let because = keys.need(reading, "because", "the crank length was typed wrong").and_then(|n| reading.text(n));
    keys.finish(reading);
    Some(Amendment { sheet: sheet?, because: because? })
}

fn certificate(reading: &mut SourceFiles, node: &Node) -> Option<Certificate> {
    let mut keys = reading.map(node, "a certificate")?;
    let number = keys.take("number").and_then(|n| reading.text(n));
    let date = keys.take("date").and_then(|n| iso_date(reading, n));
    let by = keys.take("by").and_then(|n| reading.text(n));
    keys.finish(reading);
    Some(Certificate { number, date, by })
}

fn instrument(
    reading: &mut SourceFiles,
    keys: &mut MapKeys,
    recorded: bool,
    assumed: &mut Vec<String>,
) -> Option<Instrument> {
    keys.take("instrument");
    let label = keys.need(reading, "label", "unit 017").and_then(|n| reading.text(n));
    let mut text = |key| keys.take(key).and_then(|n| reading.text(n));
    let (model, serial, firmware) = (text("model"), text("serial"), text("firmware"));
    let (battery, history, head_unit) = (text("battery"), text("history"), text("head_unit"));
    let condition = text("condition");
    let received = keys.take("received").and_then(|n| iso_date(reading, n));
    let places = [Location::Pedals, Location::Crank, Location::Spindle, Location::Spider, Location::Hub];
    let places = places.map(|place| (place.word(), place));
    let located = keys.need(reading, "located", "spindle").and_then(|n| reading.one_of(n, &places));
    let all_sides = [Sides::Both, Sides::LeftDoubled, Sides::RightDoubled, Sides::Total].map(|s| (s.word(), s));
    let sides = match keys.take("sides") {
        Some(n) => reading.one_of(n, &all_sides),
        None => located.zip(label.as_ref()).map(|(located, label)| {
            // Behind the spider both sides' torques are one.
            let sides = if located >= Location::Spider { Sides::Total } else { Sides::Both };
            assumed.push(format!("{label}: nobody said which sides it measures; taken as `{}`", sides.word()));
            sides
        }),
    };
    let to_come = reading.is_before_ride();
    let recording =
        if recorded && !to_come { keys.need(reading, "recording", "ride.fit") } else { keys.take("recording") };
    let recordings = recording.filter(|_| !to_come).map(|n| {
        let files = reading.one_or_list(n, "recordings").unwrap_or_default();
        files.iter().filter_map(|file| reading.file_of_session(file)).collect::<Vec<PathBuf>>()
    });
    let mut fields = BTreeMap::new();
    for channel in CHANNELS {
        if let Some(field) = keys.take(channel).and_then(|n| reading.text(n)) {
            fields.insert(channel.to_owned(), field);
        }
    }
    Some(Instrument {
        label: label?,
        model,
        serial,
        firmware,
        battery,
        history,
        condition,
        received,
        head_unit,
        located: located?,
        sides: sides?,
        recordings: recordings.unwrap_or_default(),
        fields,
    })
}

/// Labels are unique, and of the instruments in one recording at most one leaves its field unsaid.
fn tell_apart(reading: &mut SourceFiles, root: &Node, instruments: &[&Instrument]) {
    for (i, this) in instruments.iter().enumerate() {
        for earlier in &instruments[..i] {
            let at = label_place(root, &this.label).unwrap_or(root.at);
            if this.label == earlier.label {
                reading.report(at, format!("two instruments are called `{}`", this.label), None);
            }
            let shared = this.recordings.iter().any(|r| earlier.recordings.contains(r));
            if shared && this.fields.get("power") == earlier.fields.get("power") {
                let message = format!("`{}` and `{}` read the same field of one recording", earlier.label, this.label);
                let help = "name the field of one, as in `power: developer power_2`; `assize inspect` lists them";
                reading.report(at, message, Some(help.into()));
            }
        }
    }
}

/// Where the last instrument of this label says so.
fn label_place(root: &Node, label: &str) -> Option<protocol::TextPlace> {
    let lists = ["units", "references"].iter().filter_map(|key| root.get(key)).flat_map(|n| match &n.body {
        Body::List(items) => items.as_slice(),
        _ => &[],
    });
    let mut labels = root.get("unit").into_iter().chain(lists).filter_map(|n| n.get("label"));
    labels.rfind(|n| n.as_text() == Some(label)).map(|n| n.at)
}

fn assumed_loss() -> String {
    let default = Drivetrain::default();
    format!("chain-drive loss: nobody said; taken as {} % ± {} %", default.loss_pct, default.loss_expanded_pct)
}

fn drivetrain(reading: &mut SourceFiles, node: &Node, assumed: &mut Vec<String>) -> Drivetrain {
    let mut drivetrain = Drivetrain::default();
    let Some(mut keys) = reading.map(node, "`drivetrain`") else { return drivetrain };
    let mut teeth = |key| {
        let Some(n) = keys.take(key) else { return vec![] };
        let items = reading.one_or_list(n, "numbers of teeth").unwrap_or_default();
        items.iter().filter_map(|item| reading.count(item, 5)).collect()
    };
    (drivetrain.chainrings, drivetrain.cassette) = (teeth("chainrings"), teeth("cassette"));
    drivetrain.wheel_m =
        keys.take("wheel").and_then(|n| positive(reading, n, Measured::Metre, "a circumference, as in `2105 mm`"));
    match keys.take("loss") {
        Some(n) => {
            let loss = reading.words(n, "a loss, as in `2.3 % ± 1.0 %`", |w| w.plus_minus(Measured::Percent));
            if let Some((loss_pct, expanded_pct)) = loss {
                drivetrain.loss_pct = loss_pct;
                match expanded_pct {
                    Some(expanded_pct) => drivetrain.loss_expanded_pct = expanded_pct,
                    None => assumed.push(format!(
                        "chain-drive loss: no uncertainty given; taken as ± {} %",
                        drivetrain.loss_expanded_pct
                    )),
                }
            }
        }
        None => assumed.push(assumed_loss()),
    }
    keys.finish(reading);
    drivetrain
}

/// Further keys as written; one that is nearly a known key is a slip.
fn others(reading: &mut SourceFiles, keys: &MapKeys, known: &[&str]) -> Vec<(String, String)> {
    let mut others = vec![];
    for entry in keys.rest() {
        match nearest(&entry.key, known) {
            Some(help) => {
                let message = format!("`{}` is nearly the name of a known key", entry.key);
                reading.report(entry.key_at, message, Some(help));
            }
            None => others.extend(reading.text(&entry.value).map(|text| (entry.key.clone(), text))),
        }
    }
    others
}

fn conditions(reading: &mut SourceFiles, node: &Node) -> Conditions {
    let Some(mut keys) = reading.map(node, "`conditions`") else { return Conditions::default() };
    let mut value = |key, unit, what| {
        let node = keys.take(key)?;
        reading.words(node, what, |w| w.quantity(&[unit])).map(|q| q.value)
    };
    let temperature_c = value("temperature", Measured::Celsius, "a temperature, as in `19 °C`");
    let crank_length_m = value("crank_length", Measured::Metre, "a length, as in `172.5 mm`");
    let latitude_deg = value("latitude", Measured::Degree, "a latitude, as in `52.4 °`");
    let height_m = value("height", Measured::Metre, "a height above the sea, as in `35 m`");
    let other = others(reading, &keys, &["temperature", "crank_length", "latitude", "height"]);
    Conditions { temperature_c, crank_length_m, latitude_deg, height_m, other }
}

fn readings(reading: &mut SourceFiles, node: &Node) -> Readings {
    let Some(mut keys) = reading.map(node, "`readings`") else { return Readings::default() };
    let mut number = |key| {
        let node = keys.take(key)?;
        reading.words(node, "a number as the instrument shows it", |w| w.number())
    };
    let (zero_before, zero_after) = (number("zero_before"), number("zero_after"));
    let loads = each(reading, keys.take("loads"), "readings under load", |reading, node| {
        let mut keys = reading.map(node, "a reading under load")?;
        let mass = keys.need(reading, "mass", "10 kg");
        let mass_kg = mass.and_then(|n| reading.words(n, "a mass, as in `10 kg`", |w| w.amount(Measured::Kilogram)));
        let side = keys.take("side").and_then(|n| reading.one_of(n, &SIDES));
        let angle = keys.take("angle");
        let angle_deg =
            angle.and_then(|n| reading.words(n, "an angle, as in `90 °`", |w| w.quantity(&[Measured::Degree])));
        let torque = keys.need(reading, "torque", "16.9 N·m");
        let torque_nm = torque
            .and_then(|n| reading.words(n, "a torque, as in `16.9 N·m`", |w| w.quantity(&[Measured::NewtonMetre])));
        keys.finish(reading);
        Some(LoadReading {
            mass_kg: mass_kg?,
            side,
            angle_deg: angle_deg.map(|q| q.value),
            torque_nm: torque_nm?.value,
        })
    });
    let other = others(reading, &keys, &["zero_before", "zero_after", "loads"]);
    Readings { zero_before, zero_after, loads, other }
}

fn time(reading: &mut SourceFiles, node: &Node) -> Option<ClockTime> {
    let text = reading.text(node)?;
    let time = clock_time(&text);
    if time.is_none() {
        let help = "as in `14:32:10` or `2026-11-03T14:32:10Z`";
        reading.report(node.at, format!("`{text}` is no time of day"), Some(help.into()));
    }
    time
}

fn remark(reading: &mut SourceFiles, node: &Node, phases: Option<&Phases>) -> Option<Remark> {
    if node.as_text().is_some() {
        return Some(Remark { at: None, text: reading.text(node)?, spoiled: None });
    }
    let mut keys = reading.map(node, "a remark")?;
    let at = keys.take("at").and_then(|n| time(reading, n));
    let text = keys.need(reading, "text", "chain dropped").and_then(|n| reading.text(n));
    let spoiled = keys.take("spoiled").and_then(|n| placed_repeat(reading, n, phases));
    keys.finish(reading);
    Some(Remark { at, text: text?, spoiled })
}

fn mark(reading: &mut SourceFiles, node: &Node, phases: Option<&Phases>) -> Option<ButtonMark> {
    let mut keys = reading.map(node, "a mark")?;
    let at = keys.need(reading, "at", "\"14:32:10\"").and_then(|n| time(reading, n));
    let phase = keys.take("phase").and_then(|n| placed_selector(reading, n, phases));
    let text = keys.take("text").and_then(|n| reading.text(n));
    keys.finish(reading);
    Some(ButtonMark { at: at?, phase, text })
}

fn marks_file(reading: &mut SourceFiles, node: &Node, protocol: Option<&Protocol>) -> Option<MarksFile> {
    let path = named_file(reading, node, |again| (&again.marks, &mut again.missing_marks))?;
    match std::fs::read(&path) {
        Ok(bytes) => marks::read(reading, &path, bytes, protocol),
        Err(error) => {
            reading.report(node.at, format!("`{}` can't be read: {error}", path.display()), None);
            None
        }
    }
}

/// `{phase, from, to}`, or the one-line form that the command line takes too.
fn pin(reading: &mut SourceFiles, node: &Node, phases: Option<&Phases>) -> Option<Pin> {
    if let Some(text) = node.as_text() {
        let pin = clock::pin(text, &phases?.all);
        return pin.map_err(|slip| reading.slip(node, slip)).ok();
    }
    let mut keys = reading.map(node, "a pin")?;
    let phase = keys.need(reading, "phase", "standing-sprints/2").and_then(|n| placed_repeat(reading, n, phases));
    let from = keys.need(reading, "from", "\"14:31:02\"").and_then(|n| time(reading, n));
    let to_node = keys.need(reading, "to", "\"14:31:10\"");
    let to = to_node.and_then(|n| time(reading, n));
    keys.finish(reading);
    let pin = Pin { phase: phase?, from: from?, to: to? };
    if !clock::in_order(&pin.from, &pin.to) {
        reading.report(to_node?.at, "this is not after `from`", None);
    }
    Some(pin)
}

fn photo(reading: &mut SourceFiles, node: &Node) -> Option<Photo> {
    let file = reading.file_of_session(node)?;
    match std::fs::read(&file) {
        // No part of a verdict.
        Err(_) if reading.reopened().is_some() => None,
        Ok(bytes) => Some(Photo { file, sha256: hex(&Sha256::digest(bytes)) }),
        Err(error) => {
            reading.report(node.at, format!("`{}` can't be read: {error}", file.display()), None);
            None
        }
    }
}
