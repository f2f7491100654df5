//! Units and references, as the session file and their cards describe them.

use std::collections::BTreeMap;
use std::path::PathBuf;

use super::dates::iso_date;
use super::model::{Certificate, Instrument, Location, Reference, Sides, TrainerMode, Unit};
use super::named_files::overlay_card;
use super::ranges;
use crate::protocol::{Body, MapKeys, Node, PlausibleRange, Protocol, SourceFiles, TextPlace};
use crate::quantity::{Bound, Limit, Unit as Measured};
use crate::recording;

pub(super) fn units(
    reading: &mut SourceFiles,
    keys: &mut MapKeys,
    ridden: bool,
    assumed: &mut Vec<String>,
) -> Vec<Unit> {
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
        let claimed = keys.take("claimed").and_then(|n| uncertainty(reading, n, CLAIM));
        let instrument = instrument(reading, &mut keys, ridden, assumed);
        keys.finish(reading);
        units.extend(instrument.map(|instrument| Unit { instrument, claimed }));
    }
    units
}

pub(super) fn references(reading: &mut SourceFiles, node: &Node, assumed: &mut Vec<String>) -> Vec<Reference> {
    reading.each(Some(node), "references", |reading, node| {
        let node = with_card(reading, node);
        let mut keys = reading.map(&node, "a reference")?;
        let stated =
            keys.need(reading, "uncertainty", "1.0 % or 2 W").and_then(|n| uncertainty(reading, n, UNCERTAINTY));
        let certificate = keys.take("certificate").and_then(|n| certificate(reading, n));
        let modes = [("resistance", TrainerMode::Resistance), ("constant power", TrainerMode::ConstantPower)];
        let mode = keys.take("mode").and_then(|n| reading.one_of(n, &modes));
        let instrument = instrument(reading, &mut keys, true, assumed);
        keys.finish(reading);
        Some(Reference { instrument: instrument?, uncertainty: stated?, certificate, mode })
    })
}

/// `within claim` needs a claim.
pub(super) fn need_claims(reading: &mut SourceFiles, root: &Node, protocol: &Protocol, units: &[Unit]) {
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

/// What each part of an uncertainty can be, in per cent and in watts.
type BoundRanges = [&'static PlausibleRange; 2];
const UNCERTAINTY: BoundRanges = [&ranges::UNCERTAINTY_PERCENT, &ranges::UNCERTAINTY_POWER];
const CLAIM: BoundRanges = [&ranges::CLAIM_PERCENT, &ranges::CLAIM_POWER];

/// `1.0 % or 2 W`, expanded with k = 2.
fn uncertainty(reading: &mut SourceFiles, node: &Node, [percent, power]: BoundRanges) -> Option<Bound> {
    let bound = reading
        .words(node, "an uncertainty, as in `1.0 % or 2 W`", |w| w.bound(&[Measured::Percent, Measured::Watt]))?;
    for part in &bound.parts {
        reading.plausible(node, part.value, if part.unit == Measured::Percent { percent } else { power })?;
    }
    Some(bound)
}

fn certificate(reading: &mut SourceFiles, node: &Node) -> Option<Certificate> {
    let mut keys = reading.map(node, "a certificate")?;
    let number = keys.take("number").and_then(|n| reading.label(n));
    let date = keys.take("date").and_then(|n| iso_date(reading, n));
    let due = keys.take("due").and_then(|n| iso_date(reading, n));
    let by = keys.take("by").and_then(|n| reading.label(n));
    keys.finish(reading);
    Some(Certificate { number, date, due, by })
}

fn instrument(
    reading: &mut SourceFiles,
    keys: &mut MapKeys,
    recorded: bool,
    assumed: &mut Vec<String>,
) -> Option<Instrument> {
    keys.take("instrument");
    let label = keys.need(reading, "label", "unit 017").and_then(|n| reading.label(n));
    let mut name = |key| keys.take(key).and_then(|n| reading.label(n));
    let (model, serial, firmware, head_unit) = (name("model"), name("serial"), name("firmware"), name("head_unit"));
    let mut text = |key| keys.take(key).and_then(|n| reading.text(n));
    let (battery, history, condition) = (text("battery"), text("history"), text("condition"));
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
    if let Some(n) = recording.filter(|_| to_come) {
        reading.names(n);
    }
    let recordings = recording.filter(|_| !to_come).map(|n| {
        let files = reading.one_or_list(n, "recordings").unwrap_or_default();
        files.iter().filter_map(|file| reading.file_of_session(file)).collect::<Vec<PathBuf>>()
    });
    let mut fields = BTreeMap::new();
    // What can be named is the field or column of each channel, and that of the time.
    for channel in std::iter::once("time").chain(recording::channel_names()) {
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

/// Reports labels that two instruments have, and instruments that read the same field of one recording.
pub(super) fn tell_apart(reading: &mut SourceFiles, root: &Node, instruments: &[&Instrument]) {
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
fn label_place(root: &Node, label: &str) -> Option<TextPlace> {
    let lists = ["units", "references"].iter().filter_map(|key| root.get(key)).flat_map(|n| match &n.body {
        Body::List(items) => items.as_slice(),
        _ => &[],
    });
    let mut labels = root.get("unit").into_iter().chain(lists).filter_map(|n| n.get("label"));
    labels.rfind(|n| n.as_text() == Some(label)).map(|n| n.at)
}
