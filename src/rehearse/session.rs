//! The session file of a rehearsal: what was ridden on, by whom and with what.

use crate::protocol::Protocol;
use crate::session::{Conditions, Drivetrain, Instrument, Readings, Reference, Session, Unit};

use super::bench::FittedInstrument;
use super::plan::RehearsalPlan;

impl RehearsalPlan {
    /// The session as its file would say it; masses and the zero are typed later.
    pub(super) fn session(&self, protocol: &Protocol, drivetrain: Drivetrain) -> Session {
        let unit = Instrument { firmware: Some(self.bench.unit.firmware.clone()), ..self.bench.unit.instrument() };
        let reference = |fitted: &FittedInstrument| Reference {
            instrument: fitted.instrument(),
            uncertainty: fitted.stated.clone(),
            certificate: fitted.certificate.clone(),
            mode: fitted.mode,
        };
        Session {
            protocol: Some(protocol.clone()),
            tester: Some(self.tester.clone()),
            place: Some(self.place.clone()),
            units: vec![Unit { instrument: unit, claimed: Some(self.bench.unit.stated.clone()) }],
            references: self.bench.references.iter().map(reference).collect(),
            drivetrain,
            conditions: Conditions { temperature_c: Some(19.0), crank_length_m: Some(0.1725), ..Conditions::default() },
            readings: Readings { zero_before: Some(12.0), zero_after: Some(14.0), ..Readings::default() },
            threshold_power_w: protocol.threshold_power_w,
            ..Session::default()
        }
    }
}
