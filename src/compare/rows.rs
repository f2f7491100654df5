//! The rows of a comparison: steady errors by ring, then every check.

use std::collections::{BTreeMap, HashMap};

use super::read::VerdictFile;
use super::shared::{DrawKeys, KeyNumbers, SharedSources};
use super::unpooled::{RowSubject, SessionValue, SharedDraw, UnpooledRow};
use crate::protocol::{DrillKind, Measure};
use crate::quantity::Unit;
use crate::scoring::budget::Source;
use crate::verdict::{CheckOf, CheckVerdict, PlacedCheck, Verdict};
use crate::words;

/// A value with what its budget says, times `factor`.
fn session_value(check: &CheckVerdict, factor: f64, shared: &SharedSources, keys: &mut KeyNumbers) -> SessionValue {
    let mut says = SessionValue {
        // What a contradicted premise took says nothing.
        value: check.value.filter(|_| !check.censored && check.premise.is_none()).map(|value| value * factor),
        uncertain: check.expanded_uncertainty.is_some() && !check.budget.is_empty(),
        censored: check.censored,
        outcome: Some(check.verdict),
        ..SessionValue::default()
    };
    for line in &check.budget {
        let u = line.standard_uncertainty * factor.abs();
        let source = Source::from_word(&line.source);
        match shared.keys(source, check, keys) {
            None => says.add_own(u, line.degrees_of_freedom.unwrap_or(f64::INFINITY)),
            Some(DrawKeys { surely, maybe }) => {
                let source = source.map_or(u8::MAX, |source| source as u8);
                says.shared.push(SharedDraw { source, surely, maybe, u });
            }
        }
    }
    says
}

/// Errors of steady blocks in per cent, by ring, then every check of the protocol.
pub(super) fn rows(given: &[VerdictFile]) -> Vec<UnpooledRow> {
    let mut keys = KeyNumbers::default();
    let shared = SharedSources::of(given, &mut keys);
    let mut rows = steady_rows(given, &shared, &mut keys);
    let mut places: HashMap<(RowSubject, String, String, String), usize> = HashMap::new();
    for (i, VerdictFile { verdict, .. }) in given.iter().enumerate() {
        for placed in verdict.checks() {
            let Some(of) = subject(&placed, verdict) else { continue };
            let check = placed.check;
            let key = (of, placed.label().to_owned(), check.measure.clone(), check.unit.clone());
            let place = *places.entry(key).or_insert_with(|| {
                rows.push(UnpooledRow { entries: vec![], ..of_check(&placed, of) });
                rows.len() - 1
            });
            let row = &mut rows[place];
            row.entries.resize(i, None);
            // A check that stands twice in one verdict is one row's once.
            if row.entries.len() == i {
                row.entries.push(Some(session_value(check, 1.0, &shared[i], &mut keys)));
            }
            if row.limit != check.limit {
                row.limit = None;
            }
        }
    }
    rows.iter_mut().for_each(|row| row.entries.resize(given.len(), None));
    rows
}

/// `None` for what another row says: single rides of what is repeated, and surplus ones.
fn subject(placed: &PlacedCheck<'_>, verdict: &Verdict) -> Option<RowSubject> {
    match placed.of {
        CheckOf::Ride(phase) => (!phase.surplus && phase.repeat == 1 && verdict.repeats_of(&phase.phase).is_none())
            .then_some(RowSubject::Ride),
        CheckOf::Mean(_) => Some(RowSubject::Mean),
        CheckOf::Contrast => Some(RowSubject::Contrast),
        CheckOf::WholeRide => Some(RowSubject::WholeRide),
    }
}

fn of_check(placed: &PlacedCheck<'_>, of: RowSubject) -> UnpooledRow {
    let (check, label) = (placed.check, placed.label());
    let steady = matches!(placed.of, CheckOf::Ride(phase) if phase.kind().is_some_and(DrillKind::is_block));
    let measure = words::plain(&check.measure);
    let name = match of {
        RowSubject::Contrast => words::plain(label),
        RowSubject::WholeRide => format!("whole ride: {measure}"),
        RowSubject::Mean => format!("{}, mean of repeats: {measure}", words::phase(label)),
        RowSubject::Ride | RowSubject::Steady => format!("{}: {measure}", words::phase(label)),
    };
    let measured = check.expanded_uncertainty.is_some() || of != RowSubject::Ride;
    UnpooledRow {
        name,
        of,
        place: label.to_owned(),
        measure: check.measure.clone(),
        unit: check.unit.clone(),
        limit: check.limit.clone(),
        required: placed.required(),
        compared: placed.required() && measured && !(steady && check.is_of(Measure::MeanError)),
        main: of == RowSubject::Contrast,
        entries: vec![],
    }
}

/// The ring that a selector asks for.
fn ring(selector: &str) -> Option<&str> {
    let (_, keys) = selector.split_once('[')?;
    keys.trim_end_matches(']').split(", ").find_map(|key| key.strip_prefix("ring="))
}

fn steady_rows(given: &[VerdictFile], shared: &[SharedSources], keys: &mut KeyNumbers) -> Vec<UnpooledRow> {
    let mut rows: BTreeMap<Option<String>, Vec<Option<SessionValue>>> = BTreeMap::new();
    for (i, VerdictFile { verdict, .. }) in given.iter().enumerate() {
        let mut blocks: BTreeMap<Option<String>, Vec<SessionValue>> = BTreeMap::new();
        for placed in verdict.checks() {
            let CheckOf::Ride(phase) = placed.of else { continue };
            let check = placed.check;
            let steady = phase.kind().is_some_and(DrillKind::is_block) && !phase.surplus;
            if !steady || !check.is_of(Measure::MeanError) || check.budget.is_empty() || check.premise.is_some() {
                continue;
            }
            if let Some(factor) = to_percent(check) {
                let block = session_value(check, factor, &shared[i], keys);
                blocks.entry(ring(&phase.phase).map(str::to_owned)).or_default().push(block);
            }
        }
        for (ring, blocks) in blocks {
            if let Some(mean) = SessionValue::mean(&blocks) {
                let row = rows.entry(ring).or_default();
                row.resize(i, None);
                row.push(Some(mean));
            }
        }
    }
    let named = |(ring, mut entries): (Option<String>, Vec<Option<SessionValue>>)| {
        entries.resize(given.len(), None);
        let name = ring.as_ref().map_or("steady error".to_owned(), |ring| format!("steady error, {ring} ring"));
        UnpooledRow {
            name,
            of: RowSubject::Steady,
            place: ring.unwrap_or_default(),
            measure: Measure::MeanError.word().to_owned(),
            unit: Unit::Percent.symbol().to_owned(),
            limit: None,
            required: true,
            compared: true,
            main: true,
            entries,
        }
    };
    rows.into_iter().map(named).collect()
}

/// The factor that turns a check's value into per cent; `None` where it has no such form.
fn to_percent(check: &CheckVerdict) -> Option<f64> {
    if check.is_in(Unit::Percent) {
        return Some(1.0);
    }
    let also = check.also.as_ref().filter(|also| also.is_in(Unit::Percent))?;
    let by_uncertainty = also.expanded_uncertainty.zip(check.expanded_uncertainty).map(|(a, b)| a / b);
    by_uncertainty.or_else(|| Some(also.value / check.value?)).filter(|factor| factor.is_finite() && *factor > 0.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_selector_tells_its_ring() {
        assert_eq!(ring("steady[ring=big, power=120 W]"), Some("big"));
        assert_eq!(ring("steady[power=120 W]"), None);
        assert_eq!(ring("sprints"), None);
    }
}
