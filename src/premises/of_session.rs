//! What a session says of itself before any recording is read, and what its protocol needs that nothing in it can hold.

use std::collections::BTreeMap;

use super::devices::instruments;
use super::evidence::{Evidence, Lacks};
use super::of_recordings::no_reference_left;
use super::readings::readings;
use super::tested::{Premises, TestedPremise};
use super::{dates, devices};
use crate::premise::{Premise, Takes};
use crate::protocol::{Drill, Protocol};
use crate::session::{Instrument, Session};

/// All premises that need no recording, over all units. What is needed and can't be held takes the pass.
pub fn of_session(session: &Session) -> Premises {
    let mut premises = Premises::default();
    let mut said = |tested: Vec<TestedPremise>| {
        // Units share their references, and what is said of these is said once.
        let new: Vec<TestedPremise> = tested.into_iter().filter(|tested| !premises.0.contains(tested)).collect();
        premises.push(new);
    };
    let no_recordings = BTreeMap::new();
    // Recordings will tell the day.
    let dated = |tested: &TestedPremise| tested.evidence != Evidence::DayNotKnown;
    said(dates::certificates(session, &no_recordings).into_iter().filter(dated).collect());
    for unit in &session.units {
        said(devices::twice(&instruments(session, unit)));
        said(dates::dates(session, unit, &no_recordings));
        if let Some(protocol) = &session.protocol {
            let typed = readings(protocol, session, unit);
            said(if nothing_typed(session) { typed.into_iter().map(to_come).collect() } else { typed });
        }
    }
    if !session.references.is_empty() {
        premises.push(no_reference_left(&premises, session));
    }
    if let Some(protocol) = &session.protocol {
        need(&mut premises, protocol, session);
    }
    premises
}

fn nothing_typed(session: &Session) -> bool {
    let readings = &session.readings;
    readings.loads.is_empty() && readings.zero_before.is_none() && readings.zero_after.is_none()
}

fn to_come(tested: TestedPremise) -> TestedPremise {
    match tested.evidence {
        Evidence::ReadingsMissing { read: 0, asked } => {
            TestedPremise::untested(tested.premise, tested.about, Evidence::ReadingsToCome { asked })
        }
        _ => tested,
    }
}

/// What the protocol needs held, and what was said already or what nothing in the session can hold.
fn need(premises: &mut Premises, protocol: &Protocol, session: &Session) {
    premises.need(protocol, |tested| !matches!(tested.evidence, Evidence::ReadingsToCome { .. }));
    let all: Vec<&Instrument> = match session.units.first() {
        Some(unit) => session.units[1..].iter().map(|u| &u.instrument).chain(instruments(session, unit)).collect(),
        None => vec![],
    };
    let open = protocol.needs.held.iter().flat_map(|premise| lacking(*premise, protocol, session, &all));
    let open: Vec<TestedPremise> = open.collect();
    premises.push(open);
}

/// What a premise can't be held without, and is not there.
fn lacking(premise: Premise, protocol: &Protocol, session: &Session, all: &[&Instrument]) -> Vec<TestedPremise> {
    let lacks = |about: Vec<String>, lacks: Lacks| TestedPremise {
        takes: Takes::Pass,
        ..TestedPremise::untested(premise, about, Evidence::CannotBeHeld { lacks })
    };
    let of_session = |is_so: bool, what: Lacks| if is_so { vec![lacks(vec![], what)] } else { vec![] };
    match premise {
        Premise::OwnRecording => {
            let unnamed = all.iter().filter(|i| i.serial.is_none() && i.model.is_none());
            unnamed.map(|i| lacks(vec![i.label.clone()], Lacks::SerialOrModel)).collect()
        }
        Premise::Firmware => of_session(all.iter().all(|i| i.firmware.is_none()), Lacks::Firmware),
        Premise::Bike => {
            let bike = &session.drivetrain;
            let told = !bike.chainrings.is_empty() && !bike.cassette.is_empty() && bike.wheel_m.is_some();
            of_session(!told, Lacks::Teeth)
        }
        Premise::References => of_session(session.references.len() < 2, Lacks::SecondReference),
        Premise::Pins => of_session(session.pins.is_empty(), Lacks::Pins),
        Premise::Readings => {
            let typed = |drill: &Drill| matches!(drill, Drill::StaticLoad { .. } | Drill::ZeroCheck);
            of_session(!protocol.phases.iter().any(|phase| typed(&phase.drill)), Lacks::PhaseOfReadings)
        }
        Premise::Dates => {
            let dated = session.date.is_some() || all.iter().any(|i| i.received.is_some());
            of_session(!dated, Lacks::Dates)
        }
        Premise::ProtocolRidden => of_session(true, Lacks::Test),
        // The recordings tell.
        Premise::TwoInstruments
        | Premise::Measured
        | Premise::SameRide
        | Premise::Clocks
        | Premise::Covered
        | Premise::AsAsked
        | Premise::Certificates => vec![],
    }
}
