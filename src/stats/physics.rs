//! Torque, power, speed and the weight of a mass.

use std::f64::consts::PI;

/// Exact by definition. Source: 3rd CGPM (1901).
pub const STANDARD_GRAVITY_M_S2: f64 = 9.80665;

/// Normal gravity in m/s² at a geodetic latitude and a height above the ellipsoid.
///
/// Somigliana's formula with the GRS80 constants (Moritz 1988, Geodesist's Handbook; k and e² from memory), then the
/// free-air gradient. Local gravity differs from it by less than 0.05 % almost everywhere (common practice, no
/// source).
pub fn normal_gravity(latitude_deg: f64, height_m: f64) -> f64 {
    const EQUATOR_M_S2: f64 = 9.780_326_771_5;
    const K: f64 = 0.001_931_851_353;
    const E2: f64 = 0.006_694_380_022_90;
    const FREE_AIR_PER_S2: f64 = 3.086e-6;
    let sin2 = latitude_deg.to_radians().sin().powi(2);
    EQUATOR_M_S2 * (1.0 + K * sin2) / (1.0 - E2 * sin2).sqrt() - FREE_AIR_PER_S2 * height_m
}

/// Power in watts of a torque at a cadence: T · 2πn/60.
pub fn power_from_torque(torque_nm: f64, cadence_rpm: f64) -> f64 {
    torque_nm * 2.0 * PI * cadence_rpm / 60.0
}

/// Torque in N·m of a mass hung at the pedal: m · g · l · sin(angle), the angle of the crank from the vertical.
pub fn hanging_mass_torque(mass_kg: f64, gravity_m_s2: f64, crank_length_m: f64, angle_deg: f64) -> f64 {
    mass_kg * gravity_m_s2 * crank_length_m * angle_deg.to_radians().sin()
}

/// Road speed in m/s in a gear of `front` and `rear` teeth, with a wheel circumference in metres.
pub fn speed_m_s(front: u32, rear: u32, wheel_m: f64, cadence_rpm: f64) -> f64 {
    f64::from(front) / f64::from(rear) * wheel_m * cadence_rpm / 60.0
}
