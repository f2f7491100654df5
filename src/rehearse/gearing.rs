//! Which cog turns the wheel how far, and how fast a trainer's wheel turns at a power.

use crate::protocol::Ring;
use crate::session::Drivetrain;

/// How the brake's power grows with speed, W per (m/s)³: 200 W at 33 km/h, as on a level road. Common practice, no source.
pub(super) const BRAKE: f64 = 0.25;
/// Bike and rider, or the flywheel that stands for them, are light indoors. Common practice, no source.
pub(super) const FLYWHEEL_KG: f64 = 32.0;
/// Metres for one turn on a drivetrain that states nothing (52/17 on a 25-622 tyre, roughly). Common practice, no source.
const PLAIN_DEVELOPMENT_M: f64 = 6.4;

/// Speed at which the trainer's brake takes this power.
pub(super) fn brake_speed_m_s(power_w: f64) -> f64 {
    libm::cbrt(power_w.max(0.0) / BRAKE)
}

/// Metres of one turn of the cranks on each cog; none on a drivetrain that does not state enough.
pub(super) fn developments_m(drivetrain: &Drivetrain, ring: Ring) -> Vec<f64> {
    let (Some(teeth), Some(wheel_m)) = (drivetrain.teeth(ring), drivetrain.wheel_m) else { return vec![] };
    drivetrain.cassette.iter().map(|cog| f64::from(teeth) / f64::from(*cog) * wheel_m).collect()
}

/// The cog on this ring that brings the rider nearest to the trainer's speed at this power.
pub(super) fn nearest_m(drivetrain: &Drivetrain, ring: Ring, aim_w: f64, cadence_rpm: f64) -> f64 {
    let (Some(teeth), Some(wheel_m)) = (drivetrain.teeth(ring), drivetrain.wheel_m) else {
        return PLAIN_DEVELOPMENT_M;
    };
    let wanted_m = brake_speed_m_s(aim_w) * 60.0 / cadence_rpm.max(30.0);
    let developments = drivetrain.cassette.iter().map(|cog| f64::from(teeth) / f64::from(*cog) * wheel_m);
    developments.min_by(|a, b| (a - wanted_m).abs().total_cmp(&(b - wanted_m).abs())).unwrap_or(PLAIN_DEVELOPMENT_M)
}
