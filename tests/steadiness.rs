//! The simulated rider is as unsteady as riders are: figures of real rides beside the same figures, by the same code,
//! of simulated recordings.

#[allow(dead_code, reason = "shared with the tests on real rides")]
#[path = "common/steady.rs"]
mod steady;

use assize::rehearse::{Habits, Plan};

#[test]
fn a_simulated_indoor_ride_is_as_unsteady_as_a_real_one() {
    let real = steady::real();
    let windows = steady::simulated(|seed| Plan { habits: Habits::varied(seed), ..Plan::new(seed) });
    assert!(windows.len() > 100, "{} windows", windows.len());
    let compared = steady::compare(&real, steady::Real::indoors, &windows);
    assert!(compared.len() >= 34, "{} figures", compared.len());
    let outside: Vec<&str> = compared.iter().filter(|line| !line.1).map(|line| line.0.as_str()).collect();
    assert!(outside.is_empty(), "real and simulated, 10th, 50th and 90th percentile:\n{}", outside.join("\n"));
}
