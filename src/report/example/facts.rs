//! What the verdict says beside its checks: protocol, session, instruments, recordings and clocks.

use chrono::TimeDelta;

use super::ride::start;
use crate::ride::Ride;
use crate::verdict::{
    AmendmentFacts, ChannelCounts, ClockFacts, InstrumentFacts, ProtocolFacts, RecordingFacts, ReferenceComparison,
    RingError, SessionFacts,
};

pub(super) fn protocol() -> ProtocolFacts {
    ProtocolFacts {
        title: "Bench trial on both chainrings".into(),
        revision: "2026-11".into(),
        sha256: "90b1d6a7c3e24f5588aa17d0e9f3b2c46d7e8f90a1b2c3d4e5f60718293a4b5c".into(),
        purpose: Some("Does the unit read true on both rings, in sprints, in stop-and-start riding?".into()),
        rule: "guarded".into(),
        rule_in_words:
            "A check passes if its value lies within the limit by more than its expanded uncertainty, fails if \
                        it lies beyond it by more than that, and is undecided between."
                .into(),
        coverage: 0.95,
        references_needed: 2,
    }
}

pub(super) fn session(ride: &Ride) -> SessionFacts {
    SessionFacts {
        file: Some("session.yaml".into()),
        sha256: Some("77aa".repeat(16)),
        tester: Some("tester A".into()),
        place: Some("north bench".into()),
        start: start(),
        end: start() + TimeDelta::seconds(ride.length_s as i64),
        duration_s: ride.length_s as f64,
        conditions: vec![("temperature".into(), "19 °C".into()), ("crank length".into(), "172.5 mm".into())],
        readings: vec![("zero before".into(), "12".into()), ("zero after".into(), "14".into())],
        drivetrain: vec![("chainrings".into(), "52, 36".into()), ("loss".into(), "2.3 % ± 1.0 %".into())],
        remarks: vec!["14:32:10 fan switched on".into()],
        notes: None,
        authorised_by: Some("tester B".into()),
        laboratory: Some("bench of tester A".into()),
        address: Some("north hall, bay 2".into()),
        customer: Some("owner of unit 017".into()),
        issued: Some("2026-11-21".into()),
        amends: Some(AmendmentFacts {
            sheet: "A-1F02-77B3".into(),
            because: "the crank length was typed wrong; all results are new".into(),
        }),
        assumed: vec!["the strap delay is 0.2 s, because no head unit states it".into()],
        marks: None,
        pins: vec![],
        cards: vec![],
    }
}

fn instrument(label: &str, located: &str, sides: &str, uncertainty: &str) -> InstrumentFacts {
    InstrumentFacts {
        label: label.into(),
        located: located.into(),
        sides: sides.into(),
        model: None,
        serial: Some("SN-0017-A".into()),
        firmware: Some("1.10".into()),
        battery: Some("good".into()),
        head_unit: Some("head unit H1, firmware 3.2".into()),
        history: None,
        condition: None,
        received: None,
        uncertainty: Some(uncertainty.into()),
        certificate: None,
        mode: None,
        serves: None,
    }
}

pub(super) fn unit() -> InstrumentFacts {
    InstrumentFacts {
        condition: Some("as sold, a scratch on the left arm".into()),
        received: Some("2026-11-18".into()),
        ..instrument("unit 017", "spindle", "both", "claimed 1.5 %")
    }
}

pub(super) fn references() -> Vec<InstrumentFacts> {
    vec![
        InstrumentFacts {
            certificate: Some("P-12 of 2026-03-02".into()),
            serves: Some("means, work, peaks, edges and sides".into()),
            ..instrument("pedal pair P", "pedals", "both", "±(1 % or 2 W), k = 2")
        },
        InstrumentFacts {
            mode: Some("resistance".into()),
            serves: Some("means and work over windows with margins".into()),
            ..instrument("trainer T", "hub", "total", "±(1.5 % or 3 W), k = 2")
        },
    ]
}

pub(super) fn rings() -> Vec<RingError> {
    let ring = |ring: &str, error_w, u_w, error_pct, u_pct| RingError {
        ring: ring.into(),
        blocks: 3,
        error_w,
        expanded_uncertainty_w: u_w,
        error_pct,
        expanded_uncertainty_pct: u_pct,
        reference_w: 180.0,
    };
    vec![ring("big", -7.7, 1.9, -4.3, 1.1), ring("small", 0.7, 1.9, 0.4, 1.1)]
}

pub(super) fn recordings(ride: &Ride) -> Vec<RecordingFacts> {
    let recording = |file: &str, instrument: &str, role: &str, damage: &[&str]| RecordingFacts {
        file: file.into(),
        sha256: "3f2a9c81d04be75a66f10c2b9ed87745aa31cc02916e5b84f7d0e3a1526b9c08".into(),
        instrument: instrument.into(),
        role: role.into(),
        head_unit: Some("head unit H1, firmware 3.2".into()),
        start: start(),
        samples: ride.length_s,
        gaps: usize::from(role == "unit"),
        damage: damage.iter().map(|d| (*d).into()).collect(),
        stores: "the last message".into(),
        stops: 8,
        stops_between: 0,
        channels: vec![ChannelCounts { channel: "power".into(), values: 4490, zeros: 60, invalid: 4, missing: 6 }],
    };
    vec![
        recording(
            "unit-017.fit",
            "unit 017",
            "unit",
            &["cut short: the last 41 bytes are missing, all seconds were read"],
        ),
        recording("pedals-p.fit", "pedal pair P", "reference", &[]),
        recording("trainer-t.fit", "trainer T", "reference", &[]),
    ]
}

pub(super) fn clocks() -> Vec<ClockFacts> {
    let clock = |recording: &str, offset_s, u, on: &str| ClockFacts {
        recording: recording.into(),
        offset_s,
        drift_ppm: 3.0,
        standard_uncertainty_s: u,
        aligned_on: on.into(),
    };
    vec![
        clock("unit-017.fit", 1.42, 0.18, "heart rate"),
        clock("pedals-p.fit", 0.0, 0.0, "session clock"),
        clock("trainer-t.fit", -0.63, 0.21, "heart rate"),
    ]
}

pub(super) fn reference_comparison() -> Vec<ReferenceComparison> {
    vec![ReferenceComparison {
        first: "pedal pair P".into(),
        second: "trainer T".into(),
        difference_pct: 0.31,
        expanded_uncertainty_pct: 1.4,
        e_n: 0.22,
        consistent: true,
    }]
}
