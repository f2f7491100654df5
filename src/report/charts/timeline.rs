//! The whole ride at a glance.

use super::labels::{clock_labels, instrument_keys};
use super::samples::{GAP_S, PowerLines, means, seconds};
use crate::report::picture::{Key, Picture};
use crate::report::svg::{self, Anchor, Frame, Points, Scale, Svg};
use crate::ride::Ride;
use crate::verdict::{PhaseVerdict, Verdict};
use crate::words;

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
