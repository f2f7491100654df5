//! What the session dates against the day that the recordings were made.

use std::collections::BTreeMap;
use std::path::PathBuf;

use chrono::NaiveDate;

use super::devices::instruments;
use super::evidence::Evidence;
use super::tested::TestedPremise;
use crate::premise::{Premise, Takes};
use crate::recording::Recording;
use crate::session::{Certificate, Session, Unit};

/// Laboratories have an instrument calibrated again within so many years where nobody says when it is due. Common practice, no
/// source.
const VALID_YEARS: f64 = 2.0;
const DAYS_A_YEAR: f64 = 365.25;

/// The day of the ride by the recordings' own clocks: the median of those that were set, as one may be wrong.
fn ridden_on(session: &Session, recordings: &BTreeMap<PathBuf, Recording>) -> Option<NaiveDate> {
    let read = session.recordings().into_keys().filter_map(|path| recordings.get(&path));
    let mut days: Vec<NaiveDate> = read.filter(|r| r.is_dated()).map(|r| r.start.date_naive()).collect();
    days.sort_unstable();
    days.get((days.len().max(1) - 1) / 2).copied()
}

fn date(text: Option<&String>) -> Option<NaiveDate> {
    NaiveDate::parse_from_str(text?, "%Y-%m-%d").ok()
}

/// Each reference's certificate on the day of the ride.
pub(super) fn certificates(session: &Session, recordings: &BTreeMap<PathBuf, Recording>) -> Vec<TestedPremise> {
    let needed = session.protocol.as_ref().is_some_and(|protocol| protocol.needs.valid_certificates);
    let takes = if needed { Takes::Reference } else { Takes::Nothing };
    let ridden = ridden_on(session, recordings).or_else(|| date(session.date.as_ref()));
    let of = |(label, certificate): (&str, Option<&Certificate>)| {
        let about = vec![label.to_owned()];
        let tested = match (certificate, ridden) {
            (Some(certificate), Some(ridden)) => on_the_day(certificate, ridden),
            // What is needed and not there takes as much as what is out of date.
            (Some(_), None) if needed => Err(Evidence::DayNotKnown),
            (None, _) if needed => Err(Evidence::NoCertificate),
            (Some(_), None) => return TestedPremise::untested(Premise::Certificates, about, Evidence::DayNotKnown),
            (None, _) => return TestedPremise::untested(Premise::Certificates, about, Evidence::NoCertificate),
        };
        TestedPremise::of(Premise::Certificates, about, tested, takes)
    };
    let references = session.references.iter().map(|r| (r.instrument.label.as_str(), r.certificate.as_ref()));
    references.map(of).collect()
}

fn on_the_day(certificate: &Certificate, ridden: NaiveDate) -> Result<Evidence, Evidence> {
    let (dated, due) = (date(certificate.date.as_ref()), date(certificate.due.as_ref()));
    if let Some(dated) = dated.filter(|dated| *dated > ridden) {
        return Err(Evidence::CertificateAfterRide { dated, ridden });
    }
    if let Some(due) = due {
        return if due < ridden {
            Err(Evidence::CertificateDue { due, ridden })
        } else {
            Ok(Evidence::CertificateValid { dated, ridden })
        };
    }
    let years = dated.map_or(0.0, |dated| (ridden - dated).num_days() as f64 / DAYS_A_YEAR);
    match dated {
        Some(dated) if years > VALID_YEARS => Err(Evidence::CertificateOld { dated, ridden, years }),
        _ => Ok(Evidence::CertificateValid { dated, ridden }),
    }
}

/// The session's own date, and the day that each instrument came. A day's difference is a time zone.
pub(super) fn dates(session: &Session, unit: &Unit, recordings: &BTreeMap<PathBuf, Recording>) -> Vec<TestedPremise> {
    let (recorded, stated) = (ridden_on(session, recordings), date(session.date.as_ref()));
    // Before the ride, and where no clock was set, the session's word is all there is.
    let Some(ridden) = recorded.or(stated) else { return vec![] };
    let mut tested = vec![];
    if let Some((recorded, stated)) = recorded.zip(stated) {
        let other = Evidence::OtherDay { stated, recorded };
        let fits = if (stated - recorded).num_days().abs() > 1 { Err(other) } else { Ok(Evidence::DatesFit) };
        tested.push(TestedPremise::of(Premise::Dates, vec![], fits, Takes::Nothing));
    }
    for instrument in instruments(session, unit) {
        let Some(received) = date(instrument.received.as_ref()) else { continue };
        let about = vec![instrument.label.clone()];
        let later = Evidence::ReceivedAfterRide { received, ridden };
        let fits = if (received - ridden).num_days() > 1 { Err(later) } else { Ok(Evidence::DatesFit) };
        tested.push(TestedPremise::of(Premise::Dates, about, fits, Takes::Nothing));
    }
    tested
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_certificate_is_valid_from_its_date_to_its_due_date_or_for_two_years() {
        let day = |text: &str| NaiveDate::parse_from_str(text, "%Y-%m-%d").unwrap();
        let on = |dated: &str, due: Option<&str>| {
            let certificate =
                Certificate { number: None, date: Some(dated.to_owned()), due: due.map(str::to_owned), by: None };
            on_the_day(&certificate, day("2026-11-03")).is_ok()
        };
        assert!(on("2026-03-02", None) && on("2026-11-03", None) && on("2024-11-10", None));
        assert!(!on("2026-11-04", None) && !on("2024-10-01", None) && !on("2020-11-03", None));
        assert!(on("2020-11-03", Some("2027-01-01")) && !on("2026-03-02", Some("2026-10-31")));
    }
}
