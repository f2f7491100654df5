//! How warm an instrument's sensor is.

use crate::protocol::Protocol;

use super::super::bench::SensorWarmth;
use super::super::stretches::{RiderAction, ScriptStretch};

/// Time in which a sensor takes up most of what warms it. Common practice, no source.
const WARMING_S: f64 = 1200.0;

/// How much colder it is where a bike is left standing to soak: a winter's day against a room. Common practice, no source.
const COLDER_C: f64 = 14.0;

/// Temperature of a sensor at each second of the ride: it warms by up to `rises_c` while its rider sweats beside it, cools
/// while it stands, and soaks in the cold in a `wait` if it goes out `with_bike`.
pub(crate) fn temperature_c(
    stretches: &[ScriptStretch],
    protocol: &Protocol,
    SensorWarmth { start_c, rises_c }: SensorWarmth,
    with_bike: bool,
) -> Vec<f64> {
    let waits = |stretch: &ScriptStretch| {
        stretch.phase.is_some_and(|of| protocol.phases[of.phase_index].drill.kind().is_off_the_bike())
    };
    let mut now_c = start_c;
    let mut found = vec![];
    for stretch in stretches {
        let towards_c = match stretch.act {
            RiderAction::Still if with_bike && waits(stretch) => start_c - COLDER_C,
            RiderAction::Still => start_c,
            _ => start_c + rises_c,
        };
        while (found.len() as f64) < stretch.end_s {
            found.push(now_c);
            now_c += (towards_c - now_c) / WARMING_S;
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::super::super::stretches::RepeatOf;
    use super::super::super::tests::bench_trial;
    use super::*;
    use crate::protocol::{Drill, Posture, Ring};

    /// Of each second of a ride of such stretches.
    fn temperature_of(ride: &[(RiderAction, Option<usize>, f64)], protocol: &Protocol, with_bike: bool) -> Vec<f64> {
        let mut start_s = 0.0;
        let stretch = |&(act, phase, lasts_s): &(RiderAction, Option<usize>, f64)| {
            start_s += lasts_s;
            ScriptStretch {
                act,
                phase: phase.map(|phase_index| RepeatOf { phase_index, repeat: 1 }),
                start_s: start_s - lasts_s,
                end_s: start_s,
                aim_w: 100.0,
                cadence_rpm: 80.0,
                posture: Posture::Seated,
                grade_pct: None,
                ring: Ring::Big,
                development_m: 6.0,
            }
        };
        let stretches: Vec<ScriptStretch> = ride.iter().map(stretch).collect();
        temperature_c(&stretches, protocol, SensorWarmth { start_c: 18.0, rises_c: 4.0 }, with_bike)
    }

    #[test]
    fn a_sensor_warms_towards_its_end_and_cools_while_it_stands() {
        let ride = [(RiderAction::Ride, None, 3600.0), (RiderAction::Still, None, 1800.0)];
        let temperature_c = temperature_of(&ride, &bench_trial(), true);
        assert_eq!((temperature_c.len(), temperature_c[0]), (5400, 18.0));
        // 1 − e^−3 of the rise after three times the time constant.
        assert!((temperature_c[3599] - 21.8).abs() < 0.01, "{}", temperature_c[3599]);
        assert!(temperature_c[5399] < 19.0);
    }

    #[test]
    fn what_is_on_the_bike_soaks_in_the_cold_of_a_wait_and_a_trainer_does_not() {
        let mut protocol = bench_trial();
        protocol.phases[0].drill = Drill::Wait { lasts_s: None };
        let ride = [
            (RiderAction::Still, None, 10.0),
            (RiderAction::Still, Some(0), 2400.0),
            (RiderAction::Ride, Some(1), 2400.0),
        ];
        let (soaked, stayed) = (temperature_of(&ride, &protocol, true), temperature_of(&ride, &protocol, false));
        // 1 − e^−2 of the way down, then of the way up from there.
        let coldest_c = 18.0 - COLDER_C * 0.8647;
        assert!((soaked[2410] - coldest_c).abs() < 0.02, "{}", soaked[2410]);
        assert!((soaked[4809] - (22.0 - (22.0 - coldest_c) * 0.1353)).abs() < 0.02, "{}", soaked[4809]);
        assert_eq!(stayed[2410], 18.0);
    }
}
