//! What was done to the head units, or they did by themselves, that spoils a recording.

use crate::session::Drivetrain;

use super::bench::FittedInstrument;
use super::clock::SimulatedClock;
use super::gears::SimulatedGear;
use super::habits::Shifting;
use super::head_units::{HeadUnitFaults, Recorded, Shift, TimerStop};
use super::mishap::{DrawnMishap, Mishap, MishapEffect, MishapPlace, with_noise};
use super::plan::RehearsalPlan;
use super::span::TrueSpan;

/// The bench's place whose head unit's lap button the rider presses: the first reference's.
const LAPS_ON: usize = 1;
/// FIT's epoch, 1989-12-31T00:00:00Z, from which a clock counts that was never set (public FIT profile).
const FIT_EPOCH_UNIX_S: i64 = 631_065_600;
/// From switching it on to pressing start. Common practice, no source.
const SWITCHED_ON_BEFORE_S: i64 = 45;

/// One head unit of a plan: the `n`-th on the bench.
#[derive(Clone, Copy)]
pub(super) struct PlannedHeadUnit<'a> {
    pub plan: &'a RehearsalPlan,
    pub n: usize,
    /// Whether the rider presses this one's lap button.
    pub laps: bool,
}

impl<'a> PlannedHeadUnit<'a> {
    pub fn new(plan: &'a RehearsalPlan, n: usize) -> Self {
        Self { plan, n, laps: n == LAPS_ON }
    }

    /// Mishaps of this head unit.
    fn mishaps(&self) -> impl Iterator<Item = DrawnMishap<'_>> {
        let all = with_noise(&self.plan.mishaps, self.plan.seed, self.n);
        all.into_iter().filter(|drawn| drawn.mishap.place.as_ref().is_none_or(|place| self.is_called(place)))
    }

    fn is_called(&self, place: &str) -> bool {
        self.plan.bench.called(place).is_some_and(|worn| worn.place == self.n)
    }

    /// Started late or with a clock that was never set.
    pub fn set(&self, clock: &mut SimulatedClock) {
        for mishap in &self.plan.mishaps {
            if let (MishapEffect::LateStart, Some(place)) = (mishap.what, &mishap.place)
                && !self.is_called(place)
            {
                clock.start_s += 60.0 * mishap.size;
            }
        }
        if self.mishaps().any(|drawn| drawn.mishap.what == MishapEffect::ClockUnset) {
            let starts_unix_s = self.plan.date.timestamp() + clock.shows_s(clock.start_s).ceil() as i64;
            clock.behind_s = starts_unix_s - FIT_EPOCH_UNIX_S - SWITCHED_ON_BEFORE_S;
        }
    }

    /// What it does besides writing every second.
    pub fn faults(&self, ride_s: f64) -> HeadUnitFaults {
        let mut faults = HeadUnitFaults::default();
        for DrawnMishap { mishap, mut noise } in self.mishaps() {
            match mishap.what {
                MishapEffect::Restart => {
                    let start_s = noise.between(0.3, 0.7) * ride_s;
                    faults.restarts.push(TrueSpan { start_s, end_s: start_s + mishap.size });
                }
                MishapEffect::AutoPause => faults.pauses_with = Some(TimerStop::Wheel),
                MishapEffect::AutoPauseCoasting => faults.pauses_with = Some(TimerStop::Cranks),
                MishapEffect::Irregular => faults.irregular_s = Some(mishap.size),
                _ => {}
            }
        }
        faults.restarts.sort_by(|a, b| a.start_s.total_cmp(&b.start_s));
        // Nobody ends what is not running.
        let mut runs_from_s = 0.0;
        faults.restarts.retain(|restart| {
            let runs = restart.start_s > runs_from_s;
            runs_from_s = if runs { restart.end_s } else { runs_from_s };
            runs
        });
        faults
    }

    /// When nothing was written, in true time.
    pub fn unwritten(&self, parts: &[Recorded], ride_s: f64) -> Vec<TrueSpan> {
        let mut spans = self.faults(ride_s).restarts;
        spans.extend(parts.iter().flat_map(|part| &part.pauses));
        spans.sort_by(|a, b| a.start_s.total_cmp(&b.start_s));
        spans
    }

    /// True times at which its lap button is pressed, where the rider means to press at those `meant`.
    pub fn presses(&self, meant: &[f64], ride_s: f64) -> Vec<f64> {
        let mut presses = if self.laps { meant.to_vec() } else { vec![] };
        presses.iter_mut().for_each(|press| *press += self.plan.habits.laps_late_s);
        let mut stray = vec![];
        for DrawnMishap { mishap, mut noise } in self.mishaps() {
            match mishap.what {
                MishapEffect::LateLaps => presses.iter_mut().for_each(|press| *press += mishap.size),
                MishapEffect::NoLaps => presses.clear(),
                MishapEffect::StrayLaps if self.laps || mishap.place.is_some() => {
                    stray.extend((0..mishap.size as usize).map(|_| noise.between(0.0, ride_s)));
                }
                _ => {}
            }
        }
        presses.extend(stray);
        presses.sort_by(f64::total_cmp);
        presses
    }

    /// The changes of gear that it hears.
    pub fn hears<'s>(&self, shifts: &'s [Shift]) -> &'s [Shift] {
        let hears = match self.plan.habits.shifting {
            Shifting::Cable => false,
            Shifting::Electronic { only } => only.is_none_or(|only| only == self.n),
        };
        if hears && !self.mishaps().any(|drawn| drawn.mishap.what == MishapEffect::NoGears) { shifts } else { &[] }
    }
}

/// Why a mishap of a recording can't happen on this bench, in words.
pub(super) fn refuse(mishap: &Mishap, plan: &RehearsalPlan) -> Result<(), String> {
    if mishap.what == MishapEffect::NoGears && plan.habits.shifting == Shifting::Cable {
        return Err("a bench that shifts by cable writes none anyway; add `--shifting electronic`".to_owned());
    }
    let Some(place) = mishap.place.as_ref().filter(|_| mishap.kind().place == MishapPlace::HeadUnit) else {
        return Ok(());
    };
    let short = |fitted: &FittedInstrument| format!("`{}`", plan.bench.short(fitted));
    match plan.bench.called(place) {
        None => {
            let references: Vec<String> = plan.bench.references.iter().map(short).collect();
            Err(format!("nothing on this bench is called `{place}`; write `unit` or {}", references.join(" or ")))
        }
        Some(worn) if worn.place != LAPS_ON && matches!(mishap.what, MishapEffect::LateLaps | MishapEffect::NoLaps) => {
            let pressed = plan.bench.worn().nth(LAPS_ON).map_or(String::new(), short);
            Err(format!("laps are pressed only on the head unit of {pressed}"))
        }
        Some(_) => Ok(()),
    }
}

/// Changes of gear with the numbers that shifters count; nothing where the drivetrain does not list its teeth.
pub(super) fn shifts(gears: &[SimulatedGear], drivetrain: &Drivetrain) -> Vec<Shift> {
    // Numbers count from the innermost, which is the largest cog and the smallest ring.
    let mut cogs = drivetrain.cassette.clone();
    cogs.sort_unstable_by(|a, b| b.cmp(a));
    let mut rings = drivetrain.chainrings.clone();
    rings.sort_unstable();
    let number = |all: &[u32], teeth: u32| all.iter().position(|t| *t == teeth).map(|at| at as u32 + 1);
    let shift = |gear: &SimulatedGear| {
        let (front_teeth, rear_teeth) = (drivetrain.teeth(gear.ring)?, gear.cog);
        let (front_number, rear_number) = (number(&rings, front_teeth)?, number(&cogs, rear_teeth)?);
        Some(Shift { at_s: gear.from_s, front_teeth, front_number, rear_teeth, rear_number })
    };
    gears.iter().filter_map(shift).collect()
}

#[cfg(test)]
mod tests {
    use chrono::TimeDelta;

    use super::super::tests::bench_trial;
    use super::super::{Rehearsal, simulate};
    use super::*;
    use crate::protocol::Ring;
    use crate::recording::{Recording, Samples, TimerKind};

    const PEDALS: usize = 1;

    fn plan(texts: &[&str]) -> RehearsalPlan {
        let mishaps = texts.iter().map(|text| text.parse().unwrap_or_else(|e| panic!("{e}"))).collect();
        RehearsalPlan { mishaps, ..RehearsalPlan::new(6) }
    }

    fn ridden(texts: &[&str]) -> Rehearsal {
        simulate(&bench_trial(), &plan(texts))
    }

    fn electronic(texts: &[&str], only: Option<usize>) -> Rehearsal {
        let mut plan = plan(texts);
        plan.habits.shifting = Shifting::Electronic { only };
        simulate(&bench_trial(), &plan)
    }

    /// The pedals' recording without and with what was done to it; nothing else may differ.
    fn pedals(sound: &Rehearsal, spoiled: &Rehearsal) -> (Recording, Recording) {
        assert_eq!(sound.truth.moves, spoiled.truth.moves);
        for n in [0, 2] {
            assert_eq!(sound.files[n], spoiled.files[n]);
            assert_eq!(sound.recordings[n], spoiled.recordings[n]);
        }
        (sound.recordings[PEDALS].clone(), spoiled.recordings[PEDALS].clone())
    }

    /// The record of each second.
    fn seconds(samples: &Samples, from_s: f64) -> Vec<(i64, [Option<f64>; 6])> {
        let columns = [
            &samples.power_w,
            &samples.cadence_rpm,
            &samples.heart_rate_bpm,
            &samples.speed_m_s,
            &samples.temperature_c,
            &samples.right_share_pct,
        ];
        let at = |i: usize| columns.map(|column| column.get(i).copied().flatten());
        samples.time_s.iter().enumerate().map(|(i, t_s)| ((t_s + from_s) as i64, at(i))).collect()
    }

    /// `b` with what tells of the file itself taken from `a`.
    fn same_file(a: &Recording, b: Recording) -> Recording {
        Recording { sha256: a.sha256.clone(), bytes: a.bytes, ..b }
    }

    #[test]
    fn lap_mishaps_change_laps_and_nothing_else() {
        let sound = ridden(&[]);
        let borders = |r: &Recording| r.laps.iter().skip(1).map(|lap| lap.start_s).collect::<Vec<f64>>();
        for (text, check) in [
            ("no-laps@P", (|_, after: Vec<f64>| assert!(after.is_empty())) as fn(Vec<f64>, Vec<f64>)),
            ("late-laps=5", |before, after| {
                assert_eq!(after, before.iter().map(|b| b + 5.0).collect::<Vec<f64>>());
            }),
            ("stray-laps=7", |before, after| {
                assert_eq!(after.len(), before.len() + 7);
                assert!(before.iter().all(|b| after.contains(b)));
            }),
        ] {
            let (before, after) = pedals(&sound, &ridden(&[text]));
            check(borders(&before), borders(&after));
            assert_eq!(after.laps.last().unwrap().end_s, before.laps.last().unwrap().end_s, "{text}");
            assert_eq!(same_file(&before, Recording { laps: before.laps.clone(), ..after }), before, "{text}");
        }
    }

    #[test]
    fn an_irregular_recording_leaves_out_seconds_and_changes_none() {
        let (before, after) = pedals(&ridden(&[]), &ridden(&["irregular=8@P"]));
        let all = seconds(&before.samples, 0.0);
        let kept = seconds(&after.samples, 0.0);
        assert!(kept.iter().all(|second| all.contains(second)));
        assert_eq!((kept.first(), kept.last()), (all.first(), all.last()));
        assert!(kept.len() < all.len() * 3 / 4, "{} of {}", kept.len(), all.len());
        let longest = kept.windows(2).map(|pair| pair[1].0 - pair[0].0).max().unwrap();
        // One second more where the eighth was dropped.
        assert!((8..=9).contains(&longest), "{longest}");
        assert_eq!((after.laps, after.timer, after.start), (before.laps, before.timer, before.start));
    }

    #[test]
    fn a_timer_that_stops_by_itself_loses_what_stands_and_keeps_its_clock() {
        for (text, stands) in [("auto-pause@P", 3), ("auto-pause-coasting@P", 1)] {
            let (sound, spoiled) = (ridden(&["phone-stop=60"]), ridden(&["phone-stop=60", text]));
            let (before, after) = pedals(&sound, &spoiled);
            let (all, kept) = (seconds(&before.samples, 0.0), seconds(&after.samples, 0.0));
            assert!(kept.iter().all(|second| all.contains(second)));
            // In order: it runs, stops, runs, …; what is between a stop and a start was not written, the rest was.
            let kinds: Vec<TimerKind> = after.timer.iter().map(|event| event.kind).collect();
            assert!(kinds.iter().enumerate().all(|(i, k)| (*k == TimerKind::Start) == (i % 2 == 0)), "{kinds:?}");
            // The last stop may be the rider's own.
            let end_s = after.laps.last().unwrap().end_s;
            let stops = after.timer[1..].chunks(2).filter(|p| p[0].at_s < end_s);
            let pauses: Vec<(f64, f64)> =
                stops.map(|p| (p[0].at_s, p.get(1).map_or(f64::INFINITY, |e| e.at_s))).collect();
            let paused = |t: i64| pauses.iter().any(|p| p.0 <= t as f64 && (t as f64) < p.1);
            assert!(kept.iter().eq(all.iter().filter(|second| !paused(second.0))), "{text}");
            for (t, second) in seconds(&before.samples, 0.0) {
                assert!(!paused(t) || second[stands] == Some(0.0), "{text}: {t}");
            }
            assert_eq!((after.laps, after.start), (before.laps, before.start));
            // Truth tells when, and one of them is the stop in the block.
            let told: Vec<_> =
                spoiled.truth.instruments[PEDALS].unwritten.iter().map(|w| (w.start_s, w.end_s)).collect();
            assert_eq!(told.len(), pauses.len());
            assert!(told.iter().any(|w| (50.0..60.0).contains(&(w.1 - w.0))), "{told:?}");
        }
    }

    #[test]
    fn coasting_is_lost_only_where_the_cranks_stop_the_timer() {
        let runs = |text| ridden(&[text]).recordings[PEDALS].timer.len() / 2;
        // Both stop before the ride begins; the cranks stop in each of six coasts, too.
        assert_eq!((runs("auto-pause@P"), runs("auto-pause-coasting@P")), (2, 2 + 6));
    }

    #[test]
    fn a_restart_is_two_recordings_with_a_hole_between_them() {
        let (sound, spoiled) = (ridden(&[]), ridden(&["restart=20@P"]));
        let (before, first) = pedals(&sound, &spoiled);
        let [_, _, _, second] = &spoiled.recordings[..] else { panic!("{}", spoiled.recordings.len()) };
        let apart_s = (second.start - first.start).as_seconds_f64();
        let mut joined = seconds(&first.samples, 0.0);
        let hole = (joined.last().unwrap().0, apart_s as i64);
        assert!((20..=21).contains(&(hole.1 - hole.0)), "{hole:?}");
        joined.extend(seconds(&second.samples, apart_s));
        let outside: Vec<_> =
            seconds(&before.samples, 0.0).into_iter().filter(|s| s.0 <= hole.0 || s.0 >= hole.1).collect();
        assert!(joined == outside);
        let listed = |r: &Rehearsal| r.session.references[0].instrument.recordings.clone();
        assert_eq!(listed(&spoiled), [first.file, second.file.clone()]);
        assert_eq!(spoiled.truth.instruments[PEDALS].later_recordings, ["pedals-p-2.fit"]);
        let stamp = second.start + TimeDelta::seconds(100);
        assert_eq!(spoiled.truth.true_s(3, stamp), sound.truth.true_s(PEDALS, stamp));
        let window = &spoiled.truth.instruments[PEDALS].unwritten[0];
        assert!((window.end_s - window.start_s - 20.0).abs() < 1e-9);
    }

    #[test]
    fn a_clock_that_was_never_set_changes_stamps_only() {
        let (sound, spoiled) = (ridden(&[]), ridden(&["clock-unset@P"]));
        let (before, after) = pedals(&sound, &spoiled);
        assert_eq!(after.start.timestamp(), FIT_EPOCH_UNIX_S + SWITCHED_ON_BEFORE_S);
        assert_eq!(same_file(&before, Recording { start: before.start, ..after.clone() }), before);
        for s in [0, 1000, 4000] {
            let at = |r: &Recording| r.start + TimeDelta::seconds(s);
            let (was, is) = (sound.truth.true_s(PEDALS, at(&before)), spoiled.truth.true_s(PEDALS, at(&after)));
            assert_eq!(was, is);
            assert!((spoiled.truth.shown_utc(PEDALS, is.unwrap()) - at(&after)).abs() < TimeDelta::milliseconds(1));
        }
        let told_s = spoiled.truth.instruments[PEDALS].clock_offset_s;
        assert!((told_s - (after.start - before.start).as_seconds_f64()).abs() < 4.0);
    }

    #[test]
    fn a_late_start_keeps_all_head_units_waiting_or_all_but_one() {
        let starts = |texts: &[&str]| {
            let ridden = ridden(texts);
            let starts: Vec<i64> =
                ridden.recordings.iter().map(|r| (r.start - ridden.truth.date).num_seconds()).collect();
            (starts, ridden.truth.moves[0].start_s)
        };
        let (sound, moved_s) = starts(&[]);
        let (all, all_moved_s) = starts(&["late-start=6"]);
        let (one, one_moved_s) = starts(&["late-start=6@P"]);
        assert_eq!((all, all_moved_s), (sound.clone(), moved_s + 360.0));
        assert_eq!((one, one_moved_s), (vec![sound[0] + 360, sound[1], sound[2] + 360], moved_s + 360.0));
    }

    #[test]
    fn gears_are_written_where_they_are_heard_and_change_nothing_else() {
        let cable = ridden(&[]);
        let all = electronic(&[], None);
        for (n, (with, without)) in all.recordings.iter().zip(&cable.recordings).enumerate() {
            assert!(with.gears.len() > 20 && without.gears.is_empty());
            assert_eq!(&same_file(without, Recording { gears: vec![], ..with.clone() }), without);
            let one = electronic(&[], Some(1));
            assert_eq!(one.recordings[n].gears.is_empty(), n != 1);
        }
        let (before, after) = pedals(&all, &electronic(&["no-gears@P"], None));
        assert!(after.gears.is_empty());
        assert_eq!(same_file(&before, Recording { gears: before.gears.clone(), ..after }), before);
    }

    #[test]
    fn gears_tell_the_ring_of_each_move_and_the_speed_at_its_cadence() {
        let ridden = electronic(&[], None);
        let (pedals, clock) = (&ridden.recordings[PEDALS], &ridden.truth.instruments[PEDALS]);
        let from_s = (pedals.start - ridden.truth.date).as_seconds_f64() - clock.clock_offset_s;
        let restarted = electronic(&["restart=20@P"], None);
        assert_eq!(restarted.recordings[3].gears[0].at_s, 0.0, "the gear in which it begins");
        for block in ridden.truth.moves.iter().filter(|m| m.act == "block") {
            let gear = pedals.gears.iter().rfind(|g| g.at_s + from_s <= block.start_s + 1.0).unwrap();
            let (front, rear) = (gear.front_teeth.unwrap(), gear.rear_teeth.unwrap());
            let (ring, number) = if front == 52 { (Ring::Big, 2) } else { (Ring::Small, 1) };
            assert_eq!((block.ring, gear.front_number), (ring.word(), Some(number)));
            let i = (block.start_s + 60.0 - from_s) as usize;
            let mean = |column: &[Option<f64>]| column[i..i + 60].iter().flatten().sum::<f64>() / 60.0;
            let metres = mean(&pedals.samples.speed_m_s) * 60.0 / mean(&pedals.samples.cadence_rpm);
            let told = f64::from(front) / f64::from(rear) * 2.105;
            assert!((metres / told - 1.0).abs() < 0.01, "{}: {metres} {told}", block.phase);
        }
    }

    /// A whole second later is the next second's record.
    #[test]
    fn a_head_unit_samples_as_long_after_its_stamp_as_its_phase_says() {
        let mut plan = plan(&[]);
        let now = simulate(&bench_trial(), &plan);
        plan.habits.sampling_s = (1.0, 1.0);
        let later = simulate(&bench_trial(), &plan);
        for n in 0..3 {
            let power = |r: &Rehearsal| -> std::collections::BTreeMap<i64, [Option<f64>; 6]> {
                seconds(&r.recordings[n].samples, 0.0).into_iter().collect()
            };
            let (now_w, later_w) = (power(&now), power(&later));
            let both: Vec<_> = later_w.iter().filter_map(|(t, w)| Some((w, now_w.get(&(t + 1))?))).collect();
            assert!(both.len() > 4000 && both.iter().all(|(a, b)| a == b));
            let stamp = now.recordings[n].start + TimeDelta::seconds(500);
            let (early_s, late_s) = (now.truth.true_s(n, stamp).unwrap(), later.truth.true_s(n, stamp).unwrap());
            assert!((late_s - early_s - 1.0).abs() < 1e-3 && later.truth.instruments[n].sampling_s == 1.0);
        }
    }
}
