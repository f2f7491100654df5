//! What many rehearsals showed, for the terminal and as CSV.

use std::collections::{BTreeMap, BTreeSet};
use std::io::{self, Write};

use crate::protocol::trim;
use crate::rehearse::Fault;
use crate::trials::{Found, Judged, Point, Share, Trials, by_ladder, place_of, threshold};
use crate::verdict::Outcome;

/// A fault is found where nine of ten sessions fail.
const WANTED: f64 = 0.9;

pub fn table(trials: &Trials, points: &[Point], out: &mut impl Write) -> io::Result<()> {
    let protocol = trials.protocol;
    let sessions = points.iter().map(|point| point.sessions.len()).min().unwrap_or(0);
    writeln!(out, "{}, revision {}", protocol.title, protocol.revision)?;
    let last = trials.seed.wrapping_add(u64::from(trials.sessions.saturating_sub(1)));
    writeln!(out, "{sessions} rehearsed sessions of each, seeds {} to {last}; {}", trials.seed, worn(trials))?;
    writeln!(
        out,
        "Riders and head units differ from session to session; references are off by a draw from what they state."
    )?;
    for point in points.iter().filter(|point| point.fault.is_none()) {
        sound(point, out)?;
    }
    let faulty = points.iter().enumerate().filter_map(|(place, point)| Some((place, point.fault.clone()?)));
    let ladders = by_ladder(faulty);
    if !ladders.is_empty() {
        writeln!(out, "\n{:<30} {:>22} {:>9} {:>12}", "fault", "fails, 95 % interval", "named", "undecided")?;
    }
    for (_, sizes) in &ladders {
        ladder(sizes.iter().map(|(size, place)| (*size, &points[*place])), out)?;
    }
    work(points, out)
}

fn worn(trials: &Trials) -> String {
    let references: Vec<&str> = trials.bench.references.iter().map(|fitted| fitted.label.as_str()).collect();
    format!("{} against {}, {}", trials.bench.unit.label, references.join(" and "), trials.setting.word())
}

fn sound(point: &Point, out: &mut impl Write) -> io::Result<()> {
    let share = |outcome| with_interval(point.ending(outcome));
    writeln!(
        out,
        "\nsound unit: passes in {}, fails in {}, undecided in {}",
        share(Outcome::Pass),
        share(Outcome::Fail),
        share(Outcome::Undecided)
    )?;
    let of = |which: fn(&Judged) -> &BTreeSet<String>| point.sessions.iter().flat_map(which).collect::<Vec<_>>();
    for (what, all) in [("fails by", of(|j| &j.failed)), ("undecided by", of(|j| &j.undecided))] {
        let mut by: BTreeMap<&str, u64> = BTreeMap::new();
        all.into_iter().for_each(|check| *by.entry(check).or_default() += 1);
        let mut by: Vec<(&str, u64)> = by.into_iter().collect();
        by.sort_by_key(|(_, hits)| std::cmp::Reverse(*hits));
        let n = point.sessions.len() as u64;
        let words: Vec<String> =
            by.into_iter().take(6).map(|(check, hits)| format!("{check} {}", pct(Share { hits, n }))).collect();
        if !words.is_empty() {
            writeln!(out, "  {what}: {}", words.join(", "))?;
        }
    }
    Ok(())
}

fn ladder<'p>(sizes: impl Iterator<Item = (f64, &'p Point)>, out: &mut impl Write) -> io::Result<()> {
    let (mut failing, mut naming, mut unit, mut pattern) = (vec![], vec![], "", None);
    for (size, point) in sizes {
        let Some(fault) = &point.fault else { continue };
        let failed = point.ending(Outcome::Fail);
        let named = point.named();
        writeln!(
            out,
            "{:<30} {:>22} {:>9} {:>12}",
            fault.to_string(),
            with_interval(failed),
            named.map(pct).unwrap_or_default(),
            pct(point.ending(Outcome::Undecided))
        )?;
        failing.push((size.abs(), failed));
        naming.extend(named.map(|named| (size.abs(), named)));
        (unit, pattern) = (unit_of(fault), point.pattern);
    }
    let said = |what: &str, points: &[(f64, Share)]| {
        let sizes = (points.first()?.0, points.last()?.0);
        Some(format!("{what} {}", size(threshold(points, WANTED)?, sizes, unit)))
    };
    let named = pattern.and_then(|pattern| said(&format!("named `{pattern}`"), &naming));
    let words: Vec<String> = said("fails in 9 of 10", &failing).into_iter().chain(named).collect();
    writeln!(out, "  {}\n", words.join("; "))
}

fn unit_of(fault: &Fault) -> &'static str {
    crate::rehearse::FAULT_KINDS.iter().find(|kind| kind.kind == fault.kind).map_or("", |kind| kind.unit)
}

/// In words, of the sizes ridden from the least to the most.
fn size(found: Found, (least, most): (f64, f64), unit: &str) -> String {
    let with_unit = |size: f64| format!("{} {unit}", two_digits(size)).trim_end().to_owned();
    match found {
        Found::Below(least) => format!("from less than {} on", with_unit(least)),
        Found::Above(most) => format!("at no size up to {}", with_unit(most)),
        Found::At { size, low, high } => {
            let low = low.map_or_else(|| format!("less than {}", trim(least)), two_digits);
            let high = high.map_or_else(|| format!("more than {}", trim(most)), two_digits);
            format!("from {} on (95 % interval {low} to {high})", with_unit(size))
        }
    }
}

/// More would be false precision: sizes lie a quarter apart and more.
fn two_digits(size: f64) -> String {
    let unit = 10f64.powi(size.abs().max(1e-6).log10().floor() as i32 - 1);
    trim((size / unit).round() * unit)
}

/// Which phases the faults fail by, and what is found by one of them alone.
fn work(points: &[Point], out: &mut impl Write) -> io::Result<()> {
    let faulty: Vec<&Judged> = points.iter().filter(|p| p.fault.is_some()).flat_map(|p| &p.sessions).collect();
    let found = faulty.iter().filter(|judged| judged.outcome == Outcome::Fail).count() as u64;
    if found == 0 {
        return Ok(());
    }
    let mut by: BTreeMap<&str, (u64, u64)> = BTreeMap::new();
    for judged in &faulty {
        let places: BTreeSet<&str> = judged.failed.iter().map(|check| place_of(check)).collect();
        for place in places {
            let (hits, alone) = by.entry(place).or_default();
            *hits += 1;
            *alone += u64::from(judged.failed_only_by(place));
        }
    }
    writeln!(
        out,
        "Of {found} failed sessions with a fault\n{:<30} {:>16} {:>22}",
        "", "fail by it", "fail by nothing else"
    )?;
    let mut by: Vec<_> = by.into_iter().collect();
    by.sort_by_key(|(_, (hits, _))| std::cmp::Reverse(*hits));
    for (place, (hits, alone)) in by {
        let share = |hits| pct(Share { hits, n: found });
        writeln!(out, "{place:<30} {:>16} {:>22}", share(hits), share(alone))?;
    }
    Ok(())
}

fn pct(share: Share) -> String {
    if share.n == 0 { "none ridden".to_owned() } else { format!("{:.0} %", 100.0 * share.value()) }
}

fn with_interval(share: Share) -> String {
    let (low, high) = share.interval();
    if share.n == 0 { pct(share) } else { format!("{} ({:.0} to {:.0})", pct(share), 100.0 * low, 100.0 * high) }
}

/// A line for each fault, sizes apart: counts with their exact 95 % limits.
///
/// # Errors
/// Of what it is written to.
pub fn csv(points: &[Point], out: impl Write) -> Result<(), csv::Error> {
    let mut writer = csv::Writer::from_writer(out);
    writer.write_record([
        "fault",
        "size",
        "unit",
        "sessions",
        "passed",
        "failed",
        "undecided",
        "failed_low",
        "failed_high",
        "pattern",
        "named",
    ])?;
    for point in points {
        let count = |outcome| point.ending(outcome).hits.to_string();
        let (low, high) = point.ending(Outcome::Fail).interval();
        let fault = point.fault.as_ref();
        writer.write_record([
            fault.map_or("sound".to_owned(), ToString::to_string),
            fault.map_or(String::new(), |fault| trim(fault.size)),
            fault.map_or("", unit_of).to_owned(),
            point.sessions.len().to_string(),
            count(Outcome::Pass),
            count(Outcome::Fail),
            count(Outcome::Undecided),
            format!("{low:.4}"),
            format!("{high:.4}"),
            point.pattern.unwrap_or_default().to_owned(),
            point.named().map_or(String::new(), |named| named.hits.to_string()),
        ])?;
    }
    Ok(writer.flush()?)
}
