//! What the chain drive takes of the power.

use crate::protocol::Ring;

/// Chain drive, spider to hub. Source: Martin et al. 1998 (97.7 %, from memory).
pub(super) const LOSS: f64 = 0.023;

/// Chain-drive loss of a session, as a share.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Loss {
    /// In the middle gear.
    pub middle: f64,
    /// What a chain that runs askew adds on the small ring.
    pub small_more: f64,
    /// Share that comes from links that bend onto and off ring and cog: in proportion to 1/ring + 1/cog, the angle of
    /// each bend (Burgess 1998, Spicer et al. 2001, both from memory).
    pub bending: f64,
}

/// Ring and cog, in teeth, of the middle of usual gears. Common practice, no source.
pub(super) const MIDDLE_GEAR: (f64, f64) = (52.0, 17.0);

impl Loss {
    pub fn of(&self, ring: Ring, ring_teeth: f64, cog: f64) -> f64 {
        let bends = |(ring, cog): (f64, f64)| 1.0 / ring + 1.0 / cog;
        let more = if ring == Ring::Small { self.small_more } else { 0.0 };
        self.middle * (1.0 + self.bending * (bends((ring_teeth, cog)) / bends(MIDDLE_GEAR) - 1.0)) + more
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const MEASURED: Loss = Loss { middle: LOSS, small_more: 0.0, bending: 0.4 };

    #[test]
    fn the_middle_gear_loses_what_is_stated() {
        assert_eq!(MEASURED.of(Ring::Big, 52.0, 17.0), LOSS);
        let askew = Loss { small_more: 0.002, ..MEASURED };
        assert_eq!(askew.of(Ring::Small, 52.0, 17.0), LOSS + 0.002);
    }

    /// Larger rings and cogs lose less at one ratio; the whole lies between 1 and 5 %. Spicer et al. 2001 and later rig
    /// tests, from memory, in direction and range; no figure is theirs.
    #[test]
    fn a_small_ring_with_a_small_cog_loses_more_at_the_same_ratio() {
        let (big, small) = (MEASURED.of(Ring::Big, 52.0, 21.0), MEASURED.of(Ring::Small, 36.0, 14.0));
        assert!(small - big > 0.002 && small - big < 0.006, "{big} {small}");
        for cog in [11.0, 14.0, 19.0, 25.0, 30.0] {
            for (ring, teeth) in [(Ring::Big, 52.0), (Ring::Small, 36.0)] {
                assert!((0.01..0.05).contains(&MEASURED.of(ring, teeth, cog)));
            }
        }
    }
}
