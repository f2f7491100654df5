//! The bench of every rehearsal: who is worn where, as the session file and the recordings name them.

use crate::protocol::Protocol;
use crate::quantity::{Bound, Join, Quantity, Unit as Of};
use crate::recording::{HeadUnit, Sensor};
use crate::session::{
    Certificate, Conditions, Drivetrain, Instrument, Location, Readings, Reference, Session, Sides, TrainerMode, Unit,
};

use super::head_unit::Naming;

pub(super) const UNIT: &str = "unit 017";
pub(super) const PEDALS: &str = "pedal pair P";
pub(super) const TRAINER: &str = "trainer T";
pub(super) const FILES: [&str; 3] = ["unit-017.fit", "pedals-p.fit", "trainer-t.fit"];

pub(super) fn naming(n: usize) -> Naming {
    let sensor = |kind: &str, product: &str, serial: &str, firmware: &str| Sensor {
        kind: Some(kind.to_owned()),
        maker: Some("development".to_owned()),
        product: Some(product.to_owned()),
        serial: Some(serial.to_owned()),
        firmware: Some(firmware.to_owned()),
        source: Some("antplus".to_owned()),
        ..Sensor::default()
    };
    let power = match n {
        0 => sensor("bike power", UNIT, "17", "1.80"),
        1 => sensor("bike power", PEDALS, "2001", "3.10"),
        _ => sensor("bike power", TRAINER, "3001", "2.04"),
    };
    let head_unit = HeadUnit {
        maker: Some("development".to_owned()),
        product: Some(format!("head unit {}", ["A", "B", "C"][n])),
        serial: Some(["4101", "4102", "4103"][n].to_owned()),
        firmware: Some(["5.20", "5.20", "7.01"][n].to_owned()),
    };
    // A sensor out of its bag warms to the room and the rider. Common practice, no source.
    let (temperature_c, warms_c) = [(18.6, 2.2), (18.8, 1.8), (19.0, 1.2)][n];
    Naming {
        file: FILES[n],
        head_unit,
        sensors: vec![power, sensor("heart rate", "strap S", "5001", "1.00")],
        temperature_c,
        warms_c,
    }
}

pub(super) fn drivetrain() -> Drivetrain {
    Drivetrain {
        chainrings: vec![52, 36],
        cassette: vec![11, 12, 13, 14, 15, 17, 19, 21, 23, 25, 28, 30],
        wheel_m: Some(2.105),
        ..Drivetrain::default()
    }
}

fn instrument(n: usize, label: &str, located: Location, sides: Sides) -> Instrument {
    Instrument {
        label: label.to_owned(),
        model: None,
        serial: None,
        firmware: None,
        battery: None,
        history: None,
        head_unit: None,
        located,
        sides,
        recordings: vec![FILES[n].into()],
        fields: Default::default(),
    }
}

fn wider(pct: f64, power_w: f64) -> Bound {
    Bound { parts: vec![Quantity::new(pct, Of::Percent), Quantity::new(power_w, Of::Watt)], join: Join::Wider }
}

pub(super) fn session(protocol: &Protocol, drivetrain: Drivetrain) -> Session {
    let certificate = Certificate { number: Some("P-12".to_owned()), date: Some("2026-03-02".to_owned()), by: None };
    let unit = Instrument { firmware: Some("1.8".to_owned()), ..instrument(0, UNIT, Location::Spindle, Sides::Both) };
    Session {
        file: None,
        sha256: None,
        protocol: Some(protocol.clone()),
        tester: Some("tester A".to_owned()),
        place: Some("north bench".to_owned()),
        date: None,
        notes: None,
        authorised_by: None,
        units: vec![Unit { instrument: unit, claimed: Some(Bound::single(1.5, Of::Percent)) }],
        references: vec![
            Reference {
                instrument: instrument(1, PEDALS, Location::Pedals, Sides::Both),
                uncertainty: wider(1.0, 2.0),
                certificate: Some(certificate),
                mode: None,
            },
            Reference {
                instrument: instrument(2, TRAINER, Location::Hub, Sides::Total),
                uncertainty: wider(1.5, 3.0),
                certificate: None,
                mode: Some(TrainerMode::Resistance),
            },
        ],
        drivetrain,
        conditions: Conditions { temperature_c: Some(19.0), crank_length_m: Some(0.1725), ..Conditions::default() },
        readings: Readings { zero_before: Some(12.0), zero_after: Some(14.0), ..Readings::default() },
        remarks: vec![],
        marks: vec![],
        pins: vec![],
        photos: vec![],
        threshold_power_w: protocol.threshold_power_w,
        assumed: vec![],
    }
}
