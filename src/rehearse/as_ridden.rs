//! From the protocol as written down to the ride as it went, with what the rider did otherwise.
//!
//! A script is edited after it was drawn, so that a mishap leaves times, powers and cadences of everything else alone.

use std::collections::BTreeMap;

use crate::protocol::{Protocol, Ring};
use crate::session::Drivetrain;

use super::mishap::{DrawnMishap, Mishap, MishapEffect, NamedPhase};
use super::noise::Noise;
use super::script;
use super::stretches::{RepeatOf, RiderAction, ScriptStretch, change_gears, follow};

/// One repeat of one phase, and the easy riding before it.
#[derive(Debug, Clone)]
struct RepeatRidden {
    phase_index: usize,
    /// As scripted; counted anew in the end.
    repeat: u32,
    easy: Vec<ScriptStretch>,
    own: Vec<ScriptStretch>,
}

struct RideEdits<'a> {
    protocol: &'a Protocol,
    drivetrain: &'a Drivetrain,
    /// Standing and a warm-up that no phase asks for.
    lead: Vec<ScriptStretch>,
    repeats: Vec<RepeatRidden>,
    rest: Vec<ScriptStretch>,
}

/// A script with the mishaps in it.
pub(super) struct RideAsItWent {
    pub stretches: Vec<ScriptStretch>,
    /// As written, with the place that was drawn for each.
    pub mishaps: Vec<String>,
}

/// The ride as it went, and the mishaps with the place that was drawn for each. Repeats are numbered as ridden: a
/// surplus one has the next number, after a skipped one the last is missing. A mishap that fits nowhere in the
/// protocol does nothing.
pub(super) fn ride(
    scripted: Vec<ScriptStretch>,
    protocol: &Protocol,
    drivetrain: &Drivetrain,
    mishaps: &[DrawnMishap],
) -> RideAsItWent {
    if mishaps.is_empty() {
        return RideAsItWent { stretches: scripted, mishaps: vec![] };
    }
    let mut ride = RideEdits::of(scripted, protocol, drivetrain);
    let told =
        mishaps.iter().map(|drawn| ride.let_happen(drawn.mishap, &mut drawn.noise.clone()).to_string()).collect();
    RideAsItWent { stretches: ride.into_stretches(), mishaps: told }
}

/// Riding that leads from one thing that is asked for to the next.
fn easy(stretch: &ScriptStretch) -> bool {
    matches!(stretch.act, RiderAction::Recovery | RiderAction::Ride | RiderAction::Still | RiderAction::Stop)
}

fn other(ring: Ring) -> Ring {
    match ring {
        Ring::Big => Ring::Small,
        Ring::Small => Ring::Big,
    }
}

impl<'a> RideEdits<'a> {
    fn of(scripted: Vec<ScriptStretch>, protocol: &'a Protocol, drivetrain: &'a Drivetrain) -> Self {
        let mut ride = Self { protocol, drivetrain, lead: vec![], repeats: vec![], rest: vec![] };
        for stretch in scripted {
            let Some(RepeatOf { phase_index, repeat }) = stretch.phase else {
                let leads = ride.repeats.is_empty() && stretch.act != RiderAction::Recovery;
                if leads { &mut ride.lead } else { &mut ride.rest }.push(stretch);
                continue;
            };
            let goes_on = |part: &&mut RepeatRidden| (part.phase_index, part.repeat) == (phase_index, repeat);
            match ride.repeats.last_mut().filter(goes_on) {
                Some(part) => part.own.push(stretch),
                None => {
                    let easy = std::mem::take(&mut ride.rest);
                    ride.repeats.push(RepeatRidden { phase_index, repeat, easy, own: vec![stretch] });
                }
            }
        }
        ride
    }

    /// Lets it happen, and says where it did.
    fn let_happen(&mut self, mishap: &Mishap, noise: &mut Noise) -> Mishap {
        let Ok(places) = mishap.phases(self.protocol) else { return mishap.clone() };
        let repeats: Vec<Vec<usize>> = places.iter().map(|named| self.repeats_of(named)).collect();
        match (mishap.what, &repeats[..]) {
            (_, []) => {
                if let (MishapEffect::LateStart, Some(first)) = (mishap.what, self.lead.first_mut()) {
                    first.end_s += 60.0 * mishap.size;
                }
            }
            (MishapEffect::PhasesSwapped, [one, other]) => return self.swap(mishap, one, other, noise),
            (MishapEffect::RingsSwapped | MishapEffect::OffTarget | MishapEffect::OffCadence, [repeats]) => {
                repeats.iter().for_each(|&at| self.alter(at, mishap));
            }
            (_, [repeats]) if !repeats.is_empty() => {
                let at = repeats[noise.below(repeats.len())];
                let part = &self.repeats[at];
                let phase = &self.protocol.phases[part.phase_index];
                let one_of_several = phase.repeats > 1 && mishap.what != MishapEffect::SurplusRepeat;
                let repeat = if one_of_several { format!("/{}", part.repeat) } else { String::new() };
                let place = format!("{}{repeat}", phase.id);
                match mishap.what {
                    MishapEffect::SkippedRepeat => drop(self.repeats.remove(at)),
                    MishapEffect::SurplusRepeat => self.ride_again(at, noise),
                    _ => self.stop_in(at, mishap.size, noise),
                }
                return Mishap { place: Some(place), ..mishap.clone() };
            }
            _ => {}
        }
        mishap.clone()
    }

    fn repeats_of(&self, phases: &[NamedPhase]) -> Vec<usize> {
        let named = |part: &RepeatRidden| {
            let is_named = |of: &NamedPhase| of.index == part.phase_index && of.repeat.is_none_or(|n| n == part.repeat);
            phases.iter().any(is_named)
        };
        (0..self.repeats.len()).filter(|&at| named(&self.repeats[at])).collect()
    }

    /// All repeats of two phases, each in the other's place; `one` and `other` are repeats to draw the phases from.
    fn swap(&mut self, mishap: &Mishap, one: &[usize], other: &[usize], noise: &mut Noise) -> Mishap {
        let phase_of = |at: &usize| self.repeats[*at].phase_index;
        let phases = |repeats: &[usize]| -> Vec<usize> {
            let mut phases: Vec<usize> = repeats.iter().map(phase_of).collect();
            phases.sort_unstable();
            phases.dedup();
            phases
        };
        let (from, mut to) = (phases(one), phases(other));
        if from.is_empty() {
            return mishap.clone();
        }
        let first = from[noise.below(from.len())];
        to.retain(|phase| *phase != first);
        if to.is_empty() {
            return mishap.clone();
        }
        let pair = [first, to[noise.below(to.len())]];
        let [early, late] = [pair[0].min(pair[1]), pair[0].max(pair[1])];
        let (mut swapped, mut held): (Vec<RepeatRidden>, BTreeMap<usize, Vec<RepeatRidden>>) =
            (vec![], BTreeMap::new());
        let order: Vec<usize> = self.repeats.iter().map(|part| part.phase_index).collect();
        for part in self.repeats.drain(..) {
            held.entry(part.phase_index).or_default().push(part);
        }
        for phase in order {
            let instead = if phase == early {
                late
            } else if phase == late {
                early
            } else {
                phase
            };
            swapped.append(held.entry(instead).or_default());
        }
        self.repeats = swapped;
        let ids = pair.map(|phase| self.protocol.phases[phase].id.to_string());
        Mishap { place: Some(ids.join(",")), ..mishap.clone() }
    }

    /// Once more after the last repeat of the phase of repeat `at`, drawn as any repeat is.
    fn ride_again(&mut self, at: usize, noise: &mut Noise) {
        let phase_index = self.repeats[at].phase_index;
        let last = self.repeats.iter().rposition(|part| part.phase_index == phase_index).unwrap_or(at);
        let repeat = self.repeats[last].repeat + 1;
        let ring = self.repeats[last].own.last().map_or(Ring::Big, |s| s.ring);
        let seed = (noise.uniform() * (1u64 << 53) as f64) as u64;
        let of = RepeatOf { phase_index, repeat };
        let mut drawn = script::again(self.protocol, self.drivetrain, of, ring, noise.clone());
        follow(&mut drawn, self.protocol, seed);
        let (easy, own) = drawn.into_iter().partition(|s| s.phase.is_none());
        self.repeats.insert(last + 1, RepeatRidden { phase_index, repeat, easy, own });
    }

    /// Stands still in the middle third of the longest stretch, then rides what is left of it.
    fn stop_in(&mut self, at: usize, lasts_s: f64, noise: &mut Noise) {
        let own = &mut self.repeats[at].own;
        let length_s = |s: &ScriptStretch| s.end_s - s.start_s;
        let Some(n) = (0..own.len()).max_by(|&a, &b| length_s(&own[a]).total_cmp(&length_s(&own[b]))) else { return };
        let stop_s = own[n].start_s + noise.between(1.0 / 3.0, 2.0 / 3.0) * length_s(&own[n]);
        let before = ScriptStretch { end_s: stop_s, ..own[n].clone() };
        let still = ScriptStretch {
            act: RiderAction::Stop,
            phase: None,
            start_s: stop_s,
            end_s: stop_s + lasts_s,
            aim_w: 0.0,
            cadence_rpm: 0.0,
            ..own[n].clone()
        };
        let after = ScriptStretch { start_s: stop_s, ..own[n].clone() };
        own.splice(n..=n, [before, still, after]);
    }

    /// Another ring, power or cadence wherever something was asked for.
    fn alter(&mut self, at: usize, mishap: &Mishap) {
        let part = &mut self.repeats[at];
        let phase = &self.protocol.phases[part.phase_index];
        if mishap.what == MishapEffect::RingsSwapped {
            // What was ridden is then another phase, where the protocol has the same for the other ring.
            let else_alike = |keys: &[(String, String)]| -> Vec<(String, String)> {
                keys.iter().filter(|(key, _)| key != "ring").cloned().collect()
            };
            let twin = self.protocol.phases.iter().position(|p| {
                p.ring == phase.ring.map(other)
                    && p.id.name == phase.id.name
                    && else_alike(&p.id.keys) == else_alike(&phase.id.keys)
            });
            part.phase_index = twin.unwrap_or(part.phase_index);
        }
        for stretch in part.own.iter_mut().filter(|s| !easy(s)) {
            match mishap.what {
                MishapEffect::RingsSwapped => stretch.ring = other(stretch.ring),
                MishapEffect::OffTarget => stretch.aim_w *= 1.0 + mishap.size / 100.0,
                _ if stretch.act != RiderAction::Coast => {
                    stretch.cadence_rpm = (stretch.cadence_rpm + mishap.size).max(LEAST_RPM);
                }
                _ => {}
            }
        }
        change_gears(&mut part.own, self.drivetrain);
    }

    /// One list again: repeats numbered, shifts where a ring is needed next, one stretch after the other.
    fn into_stretches(mut self) -> Vec<ScriptStretch> {
        let mut ridden: BTreeMap<usize, u32> = BTreeMap::new();
        for part in &mut self.repeats {
            let repeat = ridden.entry(part.phase_index).or_default();
            *repeat += 1;
            for stretch in part.own.iter_mut().filter(|s| s.phase.is_some()) {
                stretch.phase = Some(RepeatOf { phase_index: part.phase_index, repeat: *repeat });
            }
        }
        let repeats = self.repeats.into_iter().flat_map(|part| part.easy.into_iter().chain(part.own));
        let mut all: Vec<ScriptStretch> = self.lead.into_iter().chain(repeats).chain(self.rest).collect();
        shift_in_time(&mut all, self.drivetrain);
        let mut now_s = 0.0;
        for stretch in &mut all {
            // What comes before the first mishap stays as it was, to the last bit.
            if stretch.start_s != now_s {
                stretch.end_s += now_s - stretch.start_s;
                stretch.start_s = now_s;
            }
            now_s = stretch.end_s;
        }
        all
    }
}

/// Slower than this nobody turns the cranks. Common practice, no source.
const LEAST_RPM: f64 = 30.0;

/// Where easy riding no longer leads from the ring before it to the ring after it, its last part is on the new ring.
fn shift_in_time(all: &mut Vec<ScriptStretch>, drivetrain: &Drivetrain) {
    let mut from = 0;
    while let Some(start) = (from..all.len()).find(|&i| easy(&all[i])) {
        let mut end = (start..all.len()).find(|&i| !easy(&all[i])).unwrap_or(all.len());
        let before = if start == 0 { all[0].ring } else { all[start - 1].ring };
        let after = all.get(end).map_or(before, |s| s.ring);
        let last = (start..end).rev().find(|&i| !matches!(all[i].act, RiderAction::Still | RiderAction::Stop));
        let leads = all[start].ring == before && last.is_none_or(|last| all[last].ring == after);
        if let Some(mut last) = last.filter(|_| !leads || after_shift_back(&all[start..end])) {
            if before != after && (start..last).all(|i| matches!(all[i].act, RiderAction::Still | RiderAction::Stop)) {
                let half_s = (all[last].start_s + all[last].end_s) / 2.0;
                let second = ScriptStretch { start_s: half_s, ..all[last].clone() };
                all[last].end_s = half_s;
                all.insert(last + 1, second);
                (last, end) = (last + 1, end + 1);
            }
            for (i, stretch) in all[start..end].iter_mut().enumerate() {
                stretch.ring = if start + i < last { before } else { after };
            }
            change_gears(&mut all[start..end], drivetrain);
        }
        from = end;
    }
}

/// More than one change of ring in one stretch of easy riding.
fn after_shift_back(easy: &[ScriptStretch]) -> bool {
    easy.windows(2).filter(|pair| pair[0].ring != pair[1].ring).count() > 1
}

#[cfg(test)]
mod tests {
    use super::super::mishap::with_noise;
    use super::super::tests::{bench_trial, drivetrain};
    use super::*;

    const SEED: u64 = 3;

    fn scripted() -> Vec<ScriptStretch> {
        script::write(&bench_trial(), &drivetrain(), SEED)
    }

    fn ridden(texts: &[&str]) -> (Vec<ScriptStretch>, Vec<String>) {
        let mishaps: Vec<Mishap> = texts.iter().map(|t| t.parse().unwrap_or_else(|e| panic!("{e}"))).collect();
        let ridden = ride(scripted(), &bench_trial(), &drivetrain(), &with_noise(&mishaps, SEED, 0));
        (ridden.stretches, ridden.mishaps)
    }

    /// A stretch without its place in the ride: what it is, how long to a microsecond, how hard, and on what.
    type Bare = (RiderAction, i64, f64, f64, Ring);

    fn bare(s: &ScriptStretch) -> Bare {
        (s.act, ((s.end_s - s.start_s) * 1e6).round() as i64, s.aim_w, s.cadence_rpm, s.ring)
    }

    fn bares<'a>(all: impl IntoIterator<Item = &'a ScriptStretch>) -> Vec<Bare> {
        all.into_iter().map(bare).collect()
    }

    fn asked(all: &[ScriptStretch], named: impl Fn(&str) -> bool) -> Vec<ScriptStretch> {
        let protocol = bench_trial();
        all.iter()
            .filter(|s| s.phase.is_some_and(|p| named(&protocol.phases[p.phase_index].id.name)))
            .cloned()
            .collect()
    }

    const SPRINTS: &str = "standing-sprints";

    #[test]
    fn a_skipped_repeat_is_gone_with_the_recovery_before_it_and_leaves_the_rest_alone() {
        let (all, told) = ridden(&["skipped-repeat@standing-sprints/3"]);
        assert_eq!(told, ["skipped-repeat@standing-sprints/3"]);
        let before = scripted();
        let third = before.iter().position(|s| s.phase == Some(RepeatOf { phase_index: 6, repeat: 3 })).unwrap();
        let mut expected = bares(&before);
        expected.drain(third - 1..=third);
        assert_eq!(bares(&all), expected);
        assert_eq!(all[..third - 1], before[..third - 1], "to the last bit");
        let repeats: Vec<u32> = asked(&all, |n| n == SPRINTS).iter().map(|s| s.phase.unwrap().repeat).collect();
        assert_eq!(repeats, [1, 2, 3, 4, 5]);
    }

    #[test]
    fn a_surplus_repeat_comes_last_keeps_to_the_plan_and_has_the_next_number() {
        let (all, _) = ridden(&["surplus-repeat@standing-sprints"]);
        let sprints = asked(&all, |n| n == SPRINTS);
        let [.., last] = &sprints[..] else { panic!() };
        assert_eq!(
            (sprints.len(), last.phase, last.ring),
            (7, Some(RepeatOf { phase_index: 6, repeat: 7 }), Ring::Big)
        );
        // With the rider's reaction and a target missed by up to 3 %.
        assert!((5.0..=14.0).contains(&(last.end_s - last.start_s)) && last.aim_w >= 669.0);
        let before = scripted();
        assert!(sprints[..6].iter().all(|s| bare(s) != bare(last)), "drawn, not copied");
        assert_eq!(bares(&sprints[..6]), bares(&asked(&before, |n| n == SPRINTS)));
        assert_eq!(bares(&asked(&all, |n| n != SPRINTS)), bares(&asked(&before, |n| n != SPRINTS)));
    }

    #[test]
    fn swapped_rings_are_the_other_phase_where_there_is_one_and_else_the_same_on_the_wrong_ring() {
        let (all, _) = ridden(&["rings-swapped"]);
        let protocol = bench_trial();
        for (now, was) in asked(&all, |_| true).iter().zip(asked(&scripted(), |_| true)) {
            let (id, of) =
                (&protocol.phases[now.phase.unwrap().phase_index], &protocol.phases[was.phase.unwrap().phase_index]);
            let turned = of.ring.is_some();
            assert_eq!(now.ring == was.ring, !turned, "{}", of.id);
            let (_, mine, ..) = bare(now);
            assert_eq!(
                (now.act, mine, now.aim_w, now.cadence_rpm),
                (was.act, bare(&was).1, was.aim_w, was.cadence_rpm)
            );
            if of.id.name == "steady" {
                assert_eq!(id.ring, Some(now.ring));
            } else {
                assert_eq!(id.id, of.id);
            }
        }
        let (only_big, _) = ridden(&["rings-swapped@steady[ring=big, power=120 W]"]);
        let small: Vec<_> = only_big
            .iter()
            .filter_map(|s| s.phase)
            .filter(|p| protocol.phases[p.phase_index].id.to_string().contains("small, power=120 W"))
            .collect();
        assert_eq!(small, [1, 2].map(|repeat| RepeatOf { phase_index: 1, repeat }), "ridden twice on the small ring");
    }

    #[test]
    fn a_phone_stop_cuts_one_block_in_two_that_last_as_long_as_it() {
        let (all, told) = ridden(&["phone-stop=40@steady"]);
        let at = all.iter().position(|s| s.act == RiderAction::Stop).unwrap();
        let [before, stop, after] = &all[at - 1..=at + 1] else { panic!() };
        assert!((stop.end_s - stop.start_s - 40.0).abs() < 1e-9);
        assert_eq!((before.act, before.phase, before.aim_w), (RiderAction::Block, after.phase, after.aim_w));
        assert!(told[0].starts_with("phone-stop=40@steady[ring="), "{told:?}");
        let mut whole = all.clone();
        whole[at - 1].end_s += after.end_s - after.start_s;
        whole.drain(at..=at + 1);
        assert_eq!(bares(&whole), bares(&scripted()));
    }

    #[test]
    fn a_late_start_is_a_longer_stand_and_nothing_else() {
        let (all, _) = ridden(&["late-start=6"]);
        let before = scripted();
        assert_eq!(all[0].end_s, before[0].end_s + 360.0);
        assert_eq!(bares(&all[1..]), bares(&before[1..]));
    }

    #[test]
    fn targets_and_cadence_are_missed_by_what_is_written_where_it_is_written() {
        let before = scripted();
        let (weak, _) = ridden(&["off-target=-20@steady"]);
        let (slow, _) = ridden(&["off-cadence=-15@soft-pedalling"]);
        let name = |s: &ScriptStretch| {
            s.phase.map(|p| bench_trial().phases[p.phase_index].id.name.clone()).unwrap_or_default()
        };
        for ((was, weak), slow) in before.iter().zip(&weak).zip(&slow) {
            let part = if name(was) == "steady" { 0.8 } else { 1.0 };
            assert_eq!((weak.aim_w, weak.cadence_rpm, weak.start_s), (was.aim_w * part, was.cadence_rpm, was.start_s));
            let less = if name(was) == "soft-pedalling" { 15.0 } else { 0.0 };
            assert_eq!((slow.aim_w, slow.cadence_rpm, slow.end_s), (was.aim_w, was.cadence_rpm - less, was.end_s));
        }
        let (all_weak, _) = ridden(&["off-target"]);
        for (was, weak) in before.iter().zip(&all_weak) {
            assert_eq!(weak.aim_w, was.aim_w * if was.phase.is_some() { 0.8 } else { 1.0 });
        }
    }

    #[test]
    fn swapped_phases_stand_in_each_others_place() {
        let (all, told) = ridden(&["phases-swapped@standing-sprints,coast-and-restart"]);
        assert_eq!(told, ["phases-swapped@standing-sprints,coast-and-restart"]);
        let mut order: Vec<usize> = all.iter().filter_map(|s| s.phase).map(|p| p.phase_index).collect();
        order.dedup();
        assert_eq!(order, [0, 1, 2, 3, 4, 5, 7, 6, 8]);
        for phase in 0..9 {
            let of =
                |all: &[ScriptStretch]| bares(all.iter().filter(|s| s.phase.is_some_and(|p| p.phase_index == phase)));
            assert_eq!(of(&all), of(&scripted()));
        }
    }

    /// Whatever happens: no hole, each effort on its own ring, and a shift only in easy riding.
    #[test]
    fn rings_are_ready_when_they_are_needed_and_time_has_no_holes() {
        let kinds = ["skipped-repeat", "surplus-repeat", "rings-swapped", "phone-stop", "phases-swapped", "late-start"];
        for seed in 0..40 {
            for pair in [[0, 1], [2, 4], [3, 0], [4, 4], [1, 5]] {
                let mishaps = pair.map(|k| kinds[k].parse::<Mishap>().unwrap());
                let scripted = script::write(&bench_trial(), &drivetrain(), seed);
                let all = ride(scripted, &bench_trial(), &drivetrain(), &with_noise(&mishaps, seed, 0)).stretches;
                for pair in all.windows(2) {
                    assert_eq!(pair[0].end_s, pair[1].start_s);
                    assert!(pair[0].ring == pair[1].ring || easy(&pair[0]) && easy(&pair[1]), "{pair:?}");
                }
            }
        }
    }
}
