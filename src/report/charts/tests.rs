use super::clocks::clock;
use super::phase::{PhasePictures, pictures};
use super::rings::rings;
use super::sheet::SheetPictures;
use crate::judge::Judgement;
use crate::report::picture::{Numbers, Picture};
use crate::report::{example, groups};
use crate::scoring::PictureMarks;
use crate::verdict::{PhaseVerdict, Verdict};
use crate::words;

fn album(judgement: &Judgement) -> SheetPictures {
    let groups = groups::groups(&judgement.verdict);
    SheetPictures::of(judgement, &groups.iter().filter(|g| g.is_scored()).collect::<Vec<_>>())
}

/// The pictures of the group of this drill.
fn of_drill(judgement: &Judgement, drill: &str) -> PhasePictures {
    let groups = groups::groups(&judgement.verdict);
    let group = groups.iter().find(|g| g.drill() == drill).unwrap();
    let at: Vec<usize> =
        judgement.verdict.phases.iter().enumerate().filter(|p| p.1.drill == drill).map(|p| p.0).collect();
    pictures(group, &at[..group.phases.len()], &judgement.ride, &judgement.shown)
}

fn drawn(picture: &Picture) -> String {
    picture.drawing.finish()
}

#[test]
fn a_limit_in_per_cent_has_its_error_drawn_in_per_cent() {
    let mut judgement = example::judgement();
    let check = &mut judgement.verdict.phases[1].checks[0];
    (check.unit, check.value, check.expanded_uncertainty) = ("%".into(), Some(-4.3), Some(1.1));
    (check.limit_low, check.limit_high) = (Some(-2.5), Some(2.5));
    let block = of_drill(&judgement, "steady").rides.remove(0).unwrap();
    assert!(drawn(&block).contains("c-limit") && drawn(&block).contains("5\u{a0}%"));
}

#[test]
fn a_ride_without_a_sample_still_draws() {
    let mut judgement = example::judgement();
    judgement.ride.unit.power_w.fill(None);
    judgement.ride.references.clear();
    judgement.shown = PictureMarks::of_ride(judgement.protocol.as_ref(), &judgement.matches, &judgement.ride);
    let album = album(&judgement);
    assert!(!drawn(&album.timeline).contains("\"c-unit\""));
    assert!(album.phases.iter().all(|p| p.together.is_none()));
    assert!(album.against_power.is_none() && album.agreement.is_none() && album.references.is_none());
}

#[test]
fn a_clock_shows_its_channel_and_a_dot_for_each_window() {
    let mut judgement = example::judgement();
    let ride = &mut judgement.ride;
    for trace in [&mut ride.unit, &mut ride.references[0].trace] {
        trace.heart_rate_bpm = trace.time_s.iter().map(|t| Some(120.0 + (t / 20.0).sin().round())).collect();
    }
    let picture = clock(&ride.unit, ride).unwrap();
    let chart = drawn(&picture);
    assert_eq!(chart.matches("<circle").count(), ride.unit.clock.windows.len());
    assert_eq!(picture.numbers.rows.len(), ride.unit.clock.windows.len());
    assert_eq!((chart.matches("c-ref").count(), chart.matches("c-unit").count()), (1, 1));
    assert!(clock(&ride.references[0].trace, ride).is_none(), "the session's own clock");
    ride.unit.heart_rate_bpm.fill(None);
    assert!(clock(&ride.unit, ride).is_none(), "nothing to show");
}

#[test]
fn a_missing_repeat_has_no_chart_and_the_others_share_a_scale() {
    let soft = of_drill(&example::judgement(), "soft_pedal").rides;
    assert_eq!(soft.iter().map(Option::is_some).collect::<Vec<_>>(), [true, true, true, false]);
    let axis = |picture: &Option<Picture>| {
        let chart = drawn(picture.as_ref().unwrap());
        chart.split("c-text").take(6).map(|t| t.split('>').nth(1).unwrap_or("").to_owned()).collect::<Vec<_>>()
    };
    assert_eq!(axis(&soft[0]), axis(&soft[2]));
}

#[test]
fn what_a_silent_unit_lost_is_marked_and_counted() {
    let soft = of_drill(&example::judgement(), "soft_pedal").rides;
    let chart = drawn(soft[0].as_ref().unwrap());
    assert!(chart.contains("c-lost") && chart.contains("s lost"), "{chart}");
    assert!(soft[0].as_ref().unwrap().keys.iter().any(|k| k.label.contains("says nothing")));
    let sprint = of_drill(&example::judgement(), "sprint").rides.remove(0).unwrap();
    assert!(!drawn(&sprint).contains("c-lost"));
}

#[test]
fn a_sprint_shows_both_sides_where_both_instruments_have_them() {
    let mut judgement = example::judgement();
    let sprint = of_drill(&judgement, "sprint").rides.remove(0).unwrap();
    assert!(drawn(&sprint).contains("left side") && drawn(&sprint).contains("right side"));
    assert_eq!(sprint.numbers.columns.len(), 7);
    judgement.ride.unit.right_share_pct.fill(None);
    let sprint = of_drill(&judgement, "sprint").rides.remove(0).unwrap();
    assert!(!drawn(&sprint).contains("right side"));
}

#[test]
fn a_stop_is_marked_from_the_references_edge_by_the_lag_of_the_check() {
    let judgement = example::judgement();
    let PhasePictures { rides, together } = of_drill(&judgement, "coast_restart");
    let check = |p: &PhaseVerdict| p.checks.iter().find(|c| c.measure == "release_lag").unwrap().value;
    let first = judgement.verdict.phases.iter().find(|p| p.drill == "coast_restart").unwrap();
    let text = format!(">{}\u{a0}s<", words::number(check(first).unwrap(), 1));
    assert!(drawn(rides[0].as_ref().unwrap()).contains(&text), "{text}");
    let together = together.unwrap();
    // Six stops, two panels, two instruments.
    assert_eq!(drawn(&together).matches("<path class=\"c-unit\"").count(), 12);
    assert_eq!(drawn(&together).matches("<path class=\"c-ref\"").count(), 12);
    assert!(together.numbers.rows.len() > 12 * 14);
}

#[test]
fn a_contrast_pairs_what_is_alike_in_all_but_its_key() {
    let album = album(&example::judgement());
    let contrast = album.contrasts[0].as_ref().unwrap();
    let pairs: Vec<&str> = contrast.numbers.rows.iter().map(|r| r[0].as_str()).collect();
    assert_eq!(pairs, ["120 W", "180 W", "240 W", "mean"]);
    assert_eq!(drawn(contrast).matches("c-hollow").count(), 3);
}

#[test]
fn each_block_is_a_dot_over_its_power_and_has_its_limits_of_agreement() {
    let album = album(&example::judgement());
    let (means, seconds) = (album.against_power.unwrap(), album.agreement.unwrap());
    assert_eq!((means.numbers.rows.len(), seconds.numbers.rows.len()), (6, 6));
    assert_eq!(drawn(&means).matches("<circle").count(), 6);
    // Two limits and a mean for each block.
    assert_eq!(drawn(&seconds).matches("c-limit").count(), 12);
    // By the table's own numbers: mean ± 1.96 standard deviations (Bland and Altman 1986).
    let number = |text: &str| text.replace('−', "-").parse::<f64>().unwrap();
    for row in &seconds.numbers.rows {
        let [mean, sd, low, high] = [2, 3, 4, 5].map(|i| number(&row[i]));
        assert!((mean - 1.96 * sd - low).abs() < 0.25 && (mean + 1.96 * sd - high).abs() < 0.25, "{row:?}");
    }
}

#[test]
fn the_rings_are_drawn_with_the_limits_of_their_blocks() {
    let verdict = example::judgement().verdict;
    let chart = drawn(&rings(&verdict).unwrap());
    assert_eq!(chart.matches("c-dot").count(), 8);
    assert_eq!(chart.matches("c-bracket").count(), 12);
    assert!(rings(&Verdict { rings: vec![], ..verdict }).is_none());
}

#[test]
fn every_picture_has_its_own_name_words_for_those_who_cant_see_it_and_numbers_behind_it() {
    for judgement in [example::judgement(), example::hostile()] {
        let pictures = album(&judgement).into_pictures();
        assert!(pictures.len() > 25);
        for picture in &pictures {
            assert!(!picture.drawing.title().is_empty() && !picture.drawing.desc().is_empty());
            assert!(!picture.file_name().is_empty() && !picture.keys.is_empty(), "{}", picture.name);
            let Numbers { columns, rows } = &picture.numbers;
            assert!(!rows.is_empty() && rows.iter().all(|r| r.len() == columns.len()), "{}", picture.name);
        }
    }
}
