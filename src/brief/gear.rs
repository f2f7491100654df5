//! Which cog to ride a target on.

use crate::protocol::Ring;
use crate::rehearse::brake_speed_m_s;
use crate::session::Drivetrain;

/// Teeth of ring and cog.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Gear {
    pub ring: u32,
    pub cog: u32,
}

/// The cog that at this cadence turns the wheel most nearly as fast as a trainer's brake takes this power (200 W at
/// 33 km/h, as on a level road; common practice, no source). On both rings the wheel then turns alike.
///
/// `None` where rings, cassette or wheel are not known.
pub fn gear(drivetrain: &Drivetrain, ring: Ring, power_w: f64, cadence_rpm: f64) -> Option<Gear> {
    let (teeth, wheel_m) = (drivetrain.teeth(ring)?, drivetrain.wheel_m?);
    let wanted_m = brake_speed_m_s(power_w) * 60.0 / cadence_rpm.max(30.0);
    let off_m = |cog: u32| (f64::from(teeth) / f64::from(cog) * wheel_m - wanted_m).abs();
    let cog = drivetrain.cassette.iter().copied().min_by(|a, b| off_m(*a).total_cmp(&off_m(*b)))?;
    Some(Gear { ring: teeth, cog })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 200 W is 33.4 km/h here, 9.28 m/s: at 90 rpm 6.19 m for a turn. 2.105 m × 52 / 17 is 6.44 m, 52 / 18 would be
    /// 6.08 m, 52 / 19 is 5.76 m; 36 / 12 is 6.32 m and 36 / 13 is 5.83 m. By hand.
    #[test]
    fn both_rings_turn_the_wheel_nearly_alike() {
        let drivetrain = Drivetrain {
            chainrings: vec![52, 36],
            cassette: vec![11, 12, 13, 14, 15, 17, 19, 21],
            wheel_m: Some(2.105),
            ..Drivetrain::default()
        };
        assert_eq!(gear(&drivetrain, Ring::Big, 200.0, 90.0), Some(Gear { ring: 52, cog: 17 }));
        assert_eq!(gear(&drivetrain, Ring::Small, 200.0, 90.0), Some(Gear { ring: 36, cog: 12 }));
        assert_eq!(gear(&Drivetrain::default(), Ring::Big, 200.0, 90.0), None);
    }
}
