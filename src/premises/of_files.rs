//! What recordings say of each other before anybody says what they are: no session, no roles, nothing is taken.

use std::collections::BTreeMap;
use std::path::PathBuf;

use super::evidence::Evidence;
use super::same_ride::one_ride;
use super::tested::{Premises, TestedPremise};
use super::{devices, identical, measured};
use crate::premise::{Premise, Takes};
use crate::quantity::{Bound, Unit as QuantityUnit};
use crate::recording::Recording;
use crate::session::{self, Instrument, Location, Reference, Session, Sides, Unit};

/// One bike carries no more head units; of more files the pairs would take long and say nothing. Common practice, no source.
const MOST: usize = 12;

/// Tests the recordings that hold power, each as the one instrument that it may be of, by the file's name: whether it measured,
/// and of several whether they name one sensor, are copies, and are of one ride. Recordings of a restarted head unit are one.
pub fn of_files(recordings: Vec<Recording>) -> Premises {
    let (mut given, mut read) = (vec![], BTreeMap::new());
    for recording in recordings.into_iter().filter(|recording| recording.samples.channel("power").is_some()) {
        given.push(recording.file.clone());
        read.entry(recording.file.clone()).or_insert(recording);
    }
    let mut files: Vec<&Recording> = vec![];
    for file in given.iter().filter_map(|path| read.get(path)) {
        if !files.iter().any(|known| known.file == file.file) {
            files.push(file);
        }
    }
    let found: Vec<Instrument> = session::restarts(files).iter().map(|of| instrument(of)).collect();
    let all: Vec<&Instrument> = found.iter().collect();
    let mut premises = Premises::default();
    premises.push(all.iter().map(|instrument| {
        let seen = measured::seen(instrument, &all, &read, true);
        TestedPremise::of(Premise::Measured, vec![instrument.label.clone()], seen, Takes::Nothing)
    }));
    if found.len() > MOST {
        let evidence = || Evidence::TooManyFiles { files: found.len() };
        let pairs = [Premise::TwoInstruments, Premise::SameRide];
        premises.push(pairs.map(|premise| TestedPremise::untested(premise, vec![], evidence())));
    } else if found.len() > 1 {
        let ridden = of_one_ride(&found, &read);
        // One sensor on two days is no contradiction.
        let is_apart = |label: &String| ridden.iter().any(|t| t.is_contradicted() && t.about.contains(label));
        let together: Vec<&Instrument> = found.iter().filter(|instrument| !is_apart(&instrument.label)).collect();
        premises.push(devices::twice(&together));
        premises.push(identical::pairs(&all, &read));
        premises.push(ridden);
    }
    for tested in &mut premises.0 {
        tested.takes = Takes::Nothing;
    }
    premises
}

/// What one head unit recorded, as an instrument.
fn instrument(recorded: &[&Recording]) -> Instrument {
    let files: Vec<PathBuf> = recorded.iter().map(|recording| recording.file.clone()).collect();
    let label = files.iter().map(|file| file.display().to_string()).collect::<Vec<_>>().join(", ");
    let sensors = recorded.first().map(|recording| recording.power_sensors()).unwrap_or_default();
    let is_trainer = sensors.iter().any(|sensor| sensor.kind.as_deref().is_some_and(crate::recording::is_trainer));
    let located = if is_trainer { Location::Hub } else { Location::Pedals };
    // Of two sensors nobody can say which one the power is of.
    let serial = match sensors[..] {
        [sensor] => sensor.known_by().map(str::to_owned),
        _ => None,
    };
    Instrument { serial, ..Instrument::new(&label, located, Sides::Both, files) }
}

/// The first one in the unit's place, the others in those of references.
fn of_one_ride(found: &[Instrument], recordings: &BTreeMap<PathBuf, Recording>) -> Vec<TestedPremise> {
    let Some((first, others)) = found.split_first() else { return vec![] };
    let reference = |instrument: &Instrument| Reference {
        instrument: instrument.clone(),
        uncertainty: Bound::single(2.0, QuantityUnit::Percent),
        certificate: None,
        mode: None,
    };
    let session = Session {
        units: vec![Unit { instrument: first.clone(), claimed: None }],
        references: others.iter().map(reference).collect(),
        ..Session::default()
    };
    let mut tested = match one_ride(&session, 0, recordings) {
        Ok(ride) => ride.tested,
        Err(why) => {
            let evidence = Evidence::NotAligned { says: why.to_string() };
            vec![TestedPremise::contradicted(Premise::SameRide, vec![], evidence, Takes::Nothing)]
        }
    };
    // Of two that have nothing in common neither is more of the ride.
    for apart in tested.iter_mut().filter(|tested| tested.evidence == Evidence::NothingInCommon) {
        apart.about.extend(others.first().map(|other| other.label.clone()));
    }
    tested
}
