//! The session at a glance: verdict mark, errors on each ring, the whole ride.

use super::*;
use crate::protocol::{DrillKind, Measure};
use crate::quantity::Unit;

/// A shape for each outcome, told apart without colour: disc with tick, octagon with cross, diamond with question
/// mark, ring with dash.
pub fn mark(outcome: Option<Outcome>) -> String {
    let (word, shape, sign) = match outcome {
        Some(Outcome::Pass) => ("pass", "M40 4a36 36 0 1 1 0 72a36 36 0 1 1 0 -72Z", "M24 41l11 12l22 -25"),
        Some(Outcome::Fail) => {
            ("fail", "M25.5 5h29l20.5 20.5v29l-20.5 20.5h-29l-20.5 -20.5v-29Z", "M28 28l24 24M52 28l-24 24")
        }
        Some(Outcome::Undecided) => {
            ("undecided", "M40 3l37 37l-37 37l-37 -37Z", "M31 33a9 9 0 1 1 12 9q-3 1.5 -3 6M40 56h0.1")
        }
        _ => ("no verdict", "M40 4a36 36 0 1 1 0 72a36 36 0 1 1 0 -72Z", "M25 40h30"),
    };
    let solid = Look { class: "m-shape", paint: r##"fill="#4d5866""## };
    let line = Look {
        class: "m-sign",
        paint: r##"fill="none" stroke="#fff" stroke-width="7" stroke-linecap="round" stroke-linejoin="round""##,
    };
    let mut svg = Svg::new(80.0, 80.0, word, &format!("The session's verdict: {word}."));
    svg.path(shape, solid);
    svg.path(sign, line);
    svg.finish()
}

/// A ring's pooled error, or that of one of its blocks.
struct RingRow<'a> {
    label: String,
    value: f64,
    uncertainty: f64,
    check: Option<&'a CheckVerdict>,
}

/// Each ring before its blocks, and the unit of all.
fn ring_rows(verdict: &Verdict) -> (Vec<RingRow<'_>>, &'static str) {
    let blocks: Vec<(&PhaseVerdict, &CheckVerdict)> = verdict
        .phases
        .iter()
        .filter(|p| p.kind() == Some(DrillKind::Steady))
        .filter_map(|p| Some((p, p.valued(Measure::MeanError)?)))
        .collect();
    // Blocks and pooled errors share an axis only where they share a unit.
    let in_pct = blocks.first().is_some_and(|(_, check)| check.is_in(Unit::Percent));
    let drawn_in = if in_pct { Unit::Percent } else { Unit::Watt };
    let mut rows = vec![];
    for ring in &verdict.rings {
        let (value, uncertainty) = if in_pct {
            (ring.error_pct, ring.expanded_uncertainty_pct)
        } else {
            (ring.error_w, ring.expanded_uncertainty_w)
        };
        rows.push(RingRow { label: format!("{} ring, pooled", ring.ring), value, uncertainty, check: None });
        for (phase, check) in &blocks {
            let ring_of = phase.matched.as_ref().and_then(|m| m.ring.as_deref());
            if ring_of == Some(ring.ring.as_str()) && check.is_in(drawn_in) {
                let (name, keys) = words::phase_parts(&phase.phase);
                let mut label = keys.replace(&format!("{} ring, ", ring.ring), "");
                if label.is_empty() {
                    label = name;
                }
                if phase.surplus {
                    label += ", surplus";
                }
                let Some(value) = check.value else { continue };
                let uncertainty = check.expanded_uncertainty.unwrap_or(0.0);
                rows.push(RingRow { label, value, uncertainty, check: Some(check) });
            }
        }
    }
    (rows, drawn_in.symbol())
}

/// Each ring's pooled error with its expanded uncertainty, and the blocks behind it with their limits.
pub fn rings(verdict: &Verdict) -> Option<Picture> {
    const ROW_PX: f64 = 19.0;
    if verdict.rings.is_empty() {
        return None;
    }
    let (rows, unit) = ring_rows(verdict);
    let reach = rows
        .iter()
        .flat_map(|r| {
            let limits = r.check.map_or([None; 2], |c| [c.limit_low, c.limit_high]);
            [Some(r.value.abs() + r.uncertainty), limits[0].map(f64::abs), limits[1].map(f64::abs)]
        })
        .flatten()
        .fold(0.1, f64::max)
        * 1.08;
    let height = rows.len() as f64 * ROW_PX + 34.0;
    let frame = Frame {
        x: Scale { low: -reach, high: reach, from_px: 142.0, to_px: 438.0 },
        y: Scale { low: 0.0, high: 1.0, from_px: height - 26.0, to_px: 4.0 },
    };
    let mut numbers = Numbers::new(["blocks", &format!("error, {unit}"), &format!("expanded uncertainty, {unit}")]);
    for row in &rows {
        let decimals = words::decimals_for(row.uncertainty);
        numbers.push([
            words::capital(&row.label),
            words::number(row.value, decimals),
            words::number(row.uncertainty, decimals),
        ]);
    }
    let says: Vec<String> =
        rows.iter().map(|r| format!("{}: {}", r.label, words::quantity(r.value, Some(r.uncertainty), unit))).collect();
    let mut svg = Svg::new(
        460.0,
        height,
        "Error on each ring",
        &format!(
            "Mean error with expanded uncertainty as a bar; brackets are the limits of a block. {}.",
            says.join("; ")
        ),
    );
    let (values, decimals) = svg::ticks(-reach, reach, 7);
    for value in &values {
        svg.upright(&frame, *value, if *value == 0.0 { svg::AXIS } else { svg::GRID });
    }
    svg.x_axis(&frame, &labelled(&values, decimals, unit).collect::<Vec<_>>());
    for (i, row) in rows.iter().enumerate() {
        let y = 4.0 + (i as f64 + 0.5) * ROW_PX;
        let (look, size) = if row.check.is_none() { (svg::STRONG, 5.0) } else { (svg::TEXT, 3.2) };
        svg.text(134.0, y + 4.0, Anchor::End, look, &svg::fitted(&words::capital(&row.label), svg::STRONG_PX, 132.0));
        if let Some(check) = row.check {
            for (limit, inward) in [(check.limit_low, 4.0), (check.limit_high, -4.0)] {
                if let Some(limit) = limit {
                    let x = frame.x.at(limit);
                    svg.path(
                        &format!("M{:.1} {:.1}h{inward}m{} 0v12h{inward}", x + inward, y - 6.0, -inward),
                        svg::BRACKET,
                    );
                }
            }
        }
        let ends = (frame.x.at(row.value - row.uncertainty), frame.x.at(row.value + row.uncertainty));
        svg.segment((ends.0, y), (ends.1, y), svg::MEAN);
        svg.dot(frame.x.at(row.value), y, size, svg::DOT);
    }
    let keys = vec![
        Key::dot(svg::DOT, "mean error, bar: expanded uncertainty"),
        Key::line(svg::BRACKET, "brackets: limits of a block"),
    ];
    Some(Picture { name: "error on each ring".to_owned(), drawing: svg, keys, numbers })
}

/// The timeline's lanes, from the top: two of names, brackets, keys, power, difference.
const TIMELINE_WIDTH: f64 = 1000.0;
const NAMES_PX: [f64; 2] = [27.0, 12.0];
const BRACKETS_PX: f64 = 36.0;
const KEYS_PX: [f64; 2] = [51.0, 63.0];
const POWER_PX: (f64, f64) = (66.0, 270.0);
const DIFFERENCE_PX: (f64, f64) = (284.0, 364.0);

/// The whole session: every instrument's power with the phases as labelled bands, and the unit's difference.
pub fn timeline(verdict: &Verdict, ride: &Ride) -> Picture {
    let end_s = (ride.length_s as f64).max(1.0);
    let lines = PowerLines::of(ride, (0.0, end_s));
    let frame = Frame {
        x: Scale { low: 0.0, high: end_s, from_px: 52.0, to_px: TIMELINE_WIDTH - 10.0 },
        y: Scale { low: 0.0, high: lines.highest_w * 1.04, from_px: POWER_PX.1, to_px: POWER_PX.0 },
    };
    let mut bands: Vec<Band<'_>> = verdict.phases.iter().filter_map(|p| Band::of(p, ride, &frame)).collect();
    bands.sort_by(|a, b| a.from_px.total_cmp(&b.from_px));
    let desc = format!(
        "Power over time for {} and {} references, with {} matched phases marked, which the table beneath lists; below \
         it, in means over {DIFFERENCE_BIN_S} s, the unit less the first reference.",
        verdict.unit.label,
        ride.references.len(),
        bands.len()
    );
    let mut svg = Svg::new(TIMELINE_WIDTH, DIFFERENCE_PX.1 + 26.0, "The whole session", &desc);
    for band in bands.iter().filter(|b| b.scored()) {
        let tip = format!("{}, repeat {}", words::phase(&band.phase.phase), band.phase.repeat);
        svg.rect((band.from_px, band.to_px), (BRACKETS_PX + 4.0, DIFFERENCE_PX.1), svg::BAND, Some(&tip));
    }
    svg.y_axis(&frame, &svg::ticks(0.0, frame.y.high, 5), "W");
    for (points, look) in &lines.lines {
        let look = if look.class == svg::UNIT.class { svg::UNIT_FINE } else { *look };
        svg.path(&svg::path(&frame, points, GAP_S), look);
    }
    let beneath = difference(&mut svg, &frame, ride);
    svg.x_axis(&beneath, &clock_labels(ride, 0.0, end_s, 10));
    names(&mut svg, &bands);
    let mut keys = instrument_keys(ride);
    keys.push(Key::area(svg::BAND, "scored phase, with its settling"));
    keys.push(Key::line(svg::UNIT, format!("beneath: unit less first reference, means over {DIFFERENCE_BIN_S} s")));
    Picture { name: "whole session".to_owned(), drawing: svg, keys, numbers: means(ride, (0.0, end_s), 60) }
}

/// A matched phase on the timeline.
struct Band<'a> {
    phase: &'a PhaseVerdict,
    name: String,
    keys: String,
    from_px: f64,
    to_px: f64,
}

impl<'a> Band<'a> {
    fn of(phase: &'a PhaseVerdict, ride: &Ride, frame: &Frame) -> Option<Self> {
        let matched = phase.matched.as_ref()?;
        let (name, keys) = words::phase_parts(&phase.phase);
        let at = |time| frame.x.at(seconds(ride, time));
        Some(Self { phase, name, keys, from_px: at(matched.start), to_px: at(matched.end) })
    }

    /// In pixels.
    fn middle_and_room(&self) -> (f64, f64) {
        ((self.from_px + self.to_px) / 2.0, self.to_px - self.from_px - 2.0)
    }

    fn scored(&self) -> bool {
        !self.phase.checks.is_empty()
    }
}

/// A bracket with its name over the scored neighbours of one name, whatever rest lies between them; in each band its
/// keys, or the number of the repeat. Rests are named where they have the room.
fn names(svg: &mut Svg, bands: &[Band<'_>]) {
    let (scored, rests): (Vec<&Band<'_>>, Vec<&Band<'_>>) = bands.iter().partition(|b| b.scored());
    let mut taken_px = [0.0; 2];
    for stretch in scored.chunk_by(|a, b| a.name == b.name) {
        let from = stretch[0].from_px;
        let to = stretch.iter().map(|b| b.to_px).fold(from, f64::max);
        svg.path(&format!("M{from:.1} {}v-4H{to:.1}v4", BRACKETS_PX + 1.0), svg::BRACKET);
        let name = svg::fitted(&words::capital(&stretch[0].name), svg::STRONG_PX, 240.0);
        let half = svg::text_width(&name, svg::STRONG_PX) / 2.0;
        let middle = ((from + to) / 2.0).min(TIMELINE_WIDTH - half).max(half);
        if let Some(lane) = (0..2).find(|lane| middle - half >= taken_px[*lane]) {
            svg.text(middle, NAMES_PX[lane], Anchor::Middle, svg::STRONG, &name);
            taken_px[lane] = middle + half + 4.0;
        }
    }
    for band in &scored {
        let (middle, room) = band.middle_and_room();
        if band.keys.is_empty() {
            svg.text(middle, KEYS_PX[0], Anchor::Middle, svg::TEXT, &band.phase.repeat.to_string());
        }
        for (key, y) in band.keys.split(", ").filter(|k| !k.is_empty()).zip(KEYS_PX) {
            let key = svg::fitted(key.trim_end_matches(" ring"), svg::LETTER_PX, room);
            svg.text(middle, y, Anchor::Middle, svg::TEXT, &key);
        }
    }
    for band in rests {
        let (middle, room) = band.middle_and_room();
        let name = words::capital(&band.name);
        if svg::text_width(&name, svg::LETTER_PX) <= room {
            svg.text(middle, KEYS_PX[0], Anchor::Middle, svg::TEXT, &name);
        }
    }
}

/// Long enough that a shift of a second between two head units does not show.
const DIFFERENCE_BIN_S: usize = 30;

/// Unit less first reference in means over [`DIFFERENCE_BIN_S`]; a bin with less than half of its seconds is a gap.
fn difference(svg: &mut Svg, above: &Frame, ride: &Ride) -> Frame {
    let bin = |from: usize| {
        let reference = ride.references.first()?;
        let both = |s| Some(ride.unit.power_at(s)? - reference.trace.power_at(s)?);
        let found: Vec<f64> = (from..from + DIFFERENCE_BIN_S).filter_map(both).collect();
        (found.len() * 2 >= DIFFERENCE_BIN_S).then(|| found.iter().sum::<f64>() / found.len() as f64)
    };
    let bins: Points = (0..ride.length_s)
        .step_by(DIFFERENCE_BIN_S)
        .map(|from| ((from + DIFFERENCE_BIN_S / 2) as f64, bin(from)))
        .collect();
    let mut sizes: Vec<f64> = bins.iter().filter_map(|b| b.1).map(f64::abs).collect();
    sizes.sort_by(f64::total_cmp);
    // Sprints may leave the frame, so that a few watts can be seen in the rest.
    let reach = sizes.get(sizes.len() * 9 / 10).map_or(10.0, |s| (s * 1.4).max(5.0));
    let (to_px, from_px) = DIFFERENCE_PX;
    let frame = Frame { x: above.x, y: Scale { low: -reach, high: reach, from_px, to_px } };
    svg.y_axis(&frame, &svg::ticks(-reach, reach, 4), "W");
    svg.level(&frame, 0.0, svg::AXIS);
    svg.path(&svg::path(&frame, &bins, DIFFERENCE_BIN_S as f64 * 1.5), svg::UNIT);
    frame
}
