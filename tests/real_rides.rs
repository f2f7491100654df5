//! Rides that nobody here made, judged against themselves: errors must be exactly zero, and 5 % where a copy reads
//! 5 % more. The folder comes from `ASSIZE_RECORDINGS`; its README says where the rides are from.

use crate::common::steady;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use assert_cmd::Command;
use assize::internals::rehearse::{RehearsalPlan, RideHabits, RideSetting};
use assize::recording::{self, Recording};
use assize::verdict::{CheckVerdict, Outcome, PremiseFacts, Verdict};

const WHY_IGNORED: &str = "ASSIZE_RECORDINGS names no folder of recordings";

/// Rides with power in them.
const RIDES: [&str; 4] =
    ["road-two-sided-78min.fit", "road-autopause-6h.fit", "indoor-38min.fit", "developer-fields-57min.fit"];

fn ride(name: &str) -> PathBuf {
    Path::new(&std::env::var_os("ASSIZE_RECORDINGS").expect(WHY_IGNORED)).join(name)
}

fn judged_against(unit: &Path, reference: &Path) -> Verdict {
    let folder = tempfile::tempdir().unwrap();
    let out = Command::cargo_bin("assize")
        .unwrap()
        .args(["judge", "--json", "-", "--sheet"])
        .arg(folder.path().join("sheet.html"))
        .arg("--unit")
        .arg(unit)
        .arg("--reference")
        .arg(reference)
        .output()
        .unwrap();
    assert!(matches!(out.status.code(), Some(0 | 2)), "{}", String::from_utf8_lossy(&out.stderr));
    serde_json::from_slice(&out.stdout).unwrap()
}

fn check<'v>(verdict: &'v Verdict, measure: &str) -> &'v CheckVerdict {
    verdict.whole_ride.iter().find(|c| c.measure == measure).unwrap()
}

#[test]
#[ignore = "needs the folder of real recordings in ASSIZE_RECORDINGS; .ci/run sets it"]
fn a_ride_against_itself_is_a_copy_and_not_judged() {
    for name in RIDES {
        let verdict = judged_against(&ride(name), &ride(name));
        assert_eq!(verdict.verdict, Some(Outcome::NotJudged), "{name}");
        assert!(verdict.whole_ride.is_empty(), "{name}");
        let told = |p: &PremiseFacts| p.is_contradicted() && ["two instruments", "measured"].contains(&&*p.premise);
        assert!(verdict.premises.iter().any(told), "{name}: {:?}", verdict.why);
    }
}

#[test]
#[ignore = "needs the folder of real recordings in ASSIZE_RECORDINGS; .ci/run sets it"]
fn an_instrument_that_reads_5_percent_high_is_found_so_within_rounding() {
    let folder = tempfile::tempdir().unwrap();
    for name in RIDES {
        let recording = recording::read(&ride(name)).unwrap();
        let copy = folder.path().join("copy.csv");
        std::fs::write(&copy, scaled(&recording, 1.05)).unwrap();
        let verdict = judged_against(&copy, &ride(name));
        let work = check(&verdict, "work_error");
        // Powers were rounded to whole watts: at most half a watt of the mean, in practice far less.
        let error = work.value.unwrap();
        assert!((error - 5.0).abs() < 0.05, "{name}: {error} %");
    }
}

/// The ride as CSV with its power multiplied and rounded to whole watts, as a head unit stores it, two watts to either side every
/// other second as no copy is.
fn scaled(recording: &Recording, factor: f64) -> String {
    let samples = &recording.samples;
    let cell = |value: Option<f64>| value.map_or(String::new(), |v| v.to_string());
    let mut csv = String::from("time,power,cadence,heart_rate\n");
    for i in 0..samples.len() {
        let at = recording.start + chrono::TimeDelta::milliseconds((samples.time_s[i] * 1000.0) as i64);
        let apart_w = |power_w: f64| if power_w > 30.0 { [2.0, -2.0, 0.0, -2.0, 2.0][i % 5] } else { 0.0 };
        let power = samples.power_w[i].map(|power_w| (power_w * factor).round() + apart_w(power_w));
        let (cadence, heart) = (samples.cadence_rpm[i], samples.heart_rate_bpm[i]);
        writeln!(csv, "{},{},{},{}", at.to_rfc3339(), cell(power), cell(cadence), cell(heart)).unwrap();
    }
    csv
}

/// Steady minutes of real rides beside the simulator's; of the four rides with power one is a run.
#[test]
#[ignore = "needs the folder of real recordings in ASSIZE_RECORDINGS; .ci/run sets it"]
fn the_simulator_is_held_to_what_real_rides_give() {
    let measured = |names: &[&str]| -> Vec<steady::Figures> {
        let read = |name: &&str| steady::figures(&recording::read(&ride(name)).unwrap(), |_| true);
        names.iter().flat_map(read).collect()
    };
    let indoors = measured(&["indoor-38min.fit"]);
    let road = measured(&["road-two-sided-78min.fit", "road-autopause-6h.fit"]);
    assert_eq!((indoors.len(), road.len()), (31, 46));
    let copied = steady::real();
    for real in &copied {
        for (copy, windows) in [(real.indoor, &indoors), (real.road, &road)] {
            let ridden = steady::percentiles(windows, &real.name).map(|(q, _)| q);
            assert_eq!(copy.is_some(), ridden.is_some(), "{}", real.name);
            for (copy, ridden) in copy.into_iter().flatten().zip(ridden.into_iter().flatten()) {
                assert!((copy - ridden).abs() < 0.0051, "{}: {copy} is copied, {ridden} measured", real.name);
            }
        }
    }
    held("indoors", steady::Real::indoors, indoors.len(), RideSetting::Resistance);
    held("road", |real| real.road, road.len(), RideSetting::Road);
}

/// Prints the table and asserts it.
fn held(place: &str, of: impl Fn(&steady::Real) -> Option<[f64; 3]>, minutes: usize, setting: RideSetting) {
    let made = steady::simulated(|seed| RehearsalPlan {
        habits: RideHabits::varied(seed),
        setting,
        ..RehearsalPlan::new(seed)
    });
    let title = format!("{place}, {minutes} and {} minutes", made.len());
    println!("\n{title:46}{:>21} |{:>21}", "real", "simulated");
    for (line, inside) in steady::compare(&steady::real(), of, &made) {
        println!("{line}");
        assert!(inside, "{line}");
    }
}
