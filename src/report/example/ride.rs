//! The plan as every instrument recorded it.

use chrono::{DateTime, Utc};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::plan::{InventedMove, Stretch};
use crate::quantity::{Bound, Unit};
use crate::ride::{AlignedOn, Clock, ClockWindow, ReferenceTrace, Ride, Trace};
use crate::session::{Location, Sides};

pub(super) fn start() -> DateTime<Utc> {
    "2026-11-20T14:00:00Z".parse().expect("a valid time")
}

fn trace(label: &str, located: Location, sides: Sides, power_w: Vec<Option<f64>>) -> Trace {
    let n = power_w.len();
    let aligned_on = if label.starts_with("unit") { AlignedOn::HeartRate } else { AlignedOn::SessionClock };
    let clock = Clock {
        offset_s: 1.4,
        drift_ppm: 3.0,
        standard_uncertainty_s: 0.18,
        aligned_on,
        also: vec![],
        apart: vec![],
        reset: None,
        windows: (0..6)
            .map(|n| ClockWindow {
                at_s: 300.0 * f64::from(n) + 150.0,
                offset_s: 1.4 + 0.05 * f64::from(n % 3),
                standard_uncertainty_s: 0.08,
            })
            .collect(),
    };
    Trace {
        grid: (0..n).map(|i| power_w[i].map(|_| i)).collect(),
        power_w,
        cadence_rpm: vec![Some(88.0); n],
        ..Trace::without_values(label, located, sides, clock, n)
    }
}

pub(super) fn ride(plan: &[Stretch]) -> Ride {
    let mut rng = ChaCha8Rng::seed_from_u64(17);
    let (mut unit, mut pedals, mut hub, mut right_pct) = (vec![], vec![], vec![], vec![]);
    let mut smooth_w = 0.0;
    for stretch in plan {
        for (k, &InventedMove { power_w, duration_s }) in stretch.moves.iter().enumerate() {
            for s in 0..duration_s {
                let mut noise = |share: f64| 1.0 + share * (rng.random::<f64>() + rng.random::<f64>() - 1.0);
                let truth_w = power_w * noise(0.10);
                smooth_w += 0.45 * (truth_w - smooth_w);
                let gain = if stretch.ring == "big" { 0.957 } else { 1.004 };
                let read_w = match (stretch.drill, k) {
                    ("sprint", _) => truth_w * gain * 0.93,
                    ("coast_restart", 1) if s < 3 => 190.0,
                    ("coast_restart", 2) if s < 2 => 0.0,
                    ("soft_pedal", 1) if s > 9 => 0.0,
                    _ => truth_w * gain * noise(0.03),
                };
                let lost = stretch.selector == "warm-up" && (300..340).contains(&s);
                unit.push((!lost).then_some(read_w.round()));
                right_pct.push(Some(if stretch.drill == "sprint" { 44.5 } else { 50.0 }));
                pedals.push(Some((truth_w * noise(0.02)).round()));
                hub.push(Some((smooth_w * 1.003).round()));
            }
        }
    }
    let n = unit.len();
    let mut unit = trace("unit 017", Location::Spindle, Sides::Both, unit);
    unit.right_share_pct = right_pct;
    let reference = |label, located, sides, power_w, pct| ReferenceTrace {
        trace: trace(label, located, sides, power_w),
        carried_by: 1.0,
        uncertainty: Bound::single(pct, Unit::Percent),
        loss_standard_pct: 0.0,
    };
    let mut pedals = reference("pedal pair P", Location::Pedals, Sides::Both, pedals, 1.0);
    pedals.trace.right_share_pct = vec![Some(50.5); n];
    Ride {
        start: start(),
        length_s: n,
        unit,
        references: vec![pedals, reference("trainer T", Location::Hub, Sides::Total, hub, 1.5)],
        edges: vec![],
        gears: vec![],
    }
}
