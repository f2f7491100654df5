//! Which cog to ride a target on.

use crate::protocol::Ring;
use crate::session::Drivetrain;

/// How a trainer's brake grows with speed, W per (m/s)³: 200 W at 33 km/h, as on a level road. Common practice, no source.
/// The simulated trainer has its own, so that neither hangs on the other.
const BRAKE: f64 = 0.25;

/// Teeth of ring and cog.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ChosenGear {
    pub ring: u32,
    pub cog: u32,
}

/// The cog that at this cadence turns the wheel about as fast as a trainer's brake takes this power. Cogs of both rings are chosen together, so that at one power the wheel
/// turns nearly as fast on either.
///
/// `None` where rings, cassette or wheel are not known.
pub fn gear(drivetrain: &Drivetrain, ring: Ring, power_w: f64, cadence_rpm: f64) -> Option<ChosenGear> {
    let (big, small, wheel_m) = (drivetrain.teeth(Ring::Big)?, drivetrain.teeth(Ring::Small)?, drivetrain.wheel_m?);
    let wanted_m = libm::cbrt(power_w.max(0.0) / BRAKE) * 60.0 / cadence_rpm.max(30.0);
    let metres = |teeth: u32, cog: u32| f64::from(teeth) / f64::from(cog) * wheel_m;
    // Twice as bad as a wheel too fast or slow: one that is not as fast on both.
    let badness = |(on_big, on_small): &(u32, u32)| {
        let (big_m, small_m) = (metres(big, *on_big), metres(small, *on_small));
        (big_m - wanted_m).abs() + (small_m - wanted_m).abs() + 2.0 * (big_m - small_m).abs()
    };
    let cogs = &drivetrain.cassette;
    let pairs = cogs.iter().flat_map(|on_big| cogs.iter().map(|on_small| (*on_big, *on_small)));
    let (on_big, on_small) = pairs.min_by(|a, b| badness(a).total_cmp(&badness(b)))?;
    Some(match ring {
        Ring::Big => ChosenGear { ring: big, cog: on_big },
        Ring::Small => ChosenGear { ring: small, cog: on_small },
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 200 W is 33.4 km/h here, 9.28 m/s: at 90 rpm 6.19 m for a turn. 2.105 m × 52 / 17 is 6.44 m, 52 / 19 is 5.76 m;
    /// 36 / 12 is 6.32 m and 36 / 13 is 5.83 m. 240 W at 87.5 rpm is 6.76 m for a turn; 36 / 11 is 6.89 m, nearer than
    /// 36 / 12, but 7 % off 52 / 17. By hand.
    #[test]
    fn both_rings_turn_the_wheel_nearly_alike() {
        let drivetrain = Drivetrain {
            chainrings: vec![52, 36],
            cassette: vec![11, 12, 13, 14, 15, 17, 19, 21],
            wheel_m: Some(2.105),
            ..Drivetrain::default()
        };
        assert_eq!(gear(&drivetrain, Ring::Big, 200.0, 90.0), Some(ChosenGear { ring: 52, cog: 17 }));
        assert_eq!(gear(&drivetrain, Ring::Small, 200.0, 90.0), Some(ChosenGear { ring: 36, cog: 12 }));
        assert_eq!(gear(&drivetrain, Ring::Big, 240.0, 87.5), Some(ChosenGear { ring: 52, cog: 17 }));
        assert_eq!(gear(&drivetrain, Ring::Small, 240.0, 87.5), Some(ChosenGear { ring: 36, cog: 12 }));
        assert_eq!(gear(&Drivetrain::default(), Ring::Big, 200.0, 90.0), None);
    }
}
