//! What numbers of a session can be and usually are. All of it is common practice, no source, unless it says otherwise:
//! ends are set so wide that nothing real lies outside, and what is usual so that a slip of the pen rarely does. What
//! protocols have as well (masses, angles, threshold powers) stands with them.

use crate::protocol::{PlausibleRange, range};
use crate::quantity::Unit;

const TEETH: (Unit, &str) = (Unit::One, "teeth");
const MILLIMETRE: (Unit, &str) = (Unit::Metre, "mm");
const PERCENT: (Unit, &str) = (Unit::Percent, "%");

pub(super) const CHAINRING: PlausibleRange = range("a chainring", TEETH, (20.0, 70.0), (24.0, 60.0));
pub(super) const COG: PlausibleRange = range("a sprocket", TEETH, (9.0, 60.0), (10.0, 52.0));
/// From small folding bikes to the largest tyres.
pub(super) const WHEEL: PlausibleRange = range("a wheel's circumference", MILLIMETRE, (0.8, 2.6), (1.85, 2.4));
pub(super) const CRANK: PlausibleRange = range("a crank length", MILLIMETRE, (0.08, 0.23), (0.14, 0.19));
/// A worn, dry and crossed chain loses some 5 %; Martin et al. 1998 found 2.3 % (from memory).
pub(super) const LOSS: PlausibleRange = range("a chain-drive loss", PERCENT, (0.0, 12.0), (0.5, 6.0));
pub(super) const LOSS_UNCERTAINTY: PlausibleRange =
    range("an uncertainty of the loss", PERCENT, (0.01, 10.0), (0.1, 3.0));

/// What people ride in, a cold soak included.
pub(super) const TEMPERATURE: PlausibleRange =
    range("a temperature", (Unit::Celsius, "°C"), (-40.0, 60.0), (-15.0, 45.0));
/// By definition; few ride beyond the usual ones.
pub(super) const LATITUDE: PlausibleRange = range("a latitude", (Unit::Degree, "°"), (-90.0, 90.0), (-56.0, 72.0));
/// From the shore of the Dead Sea to above the highest towns.
pub(super) const HEIGHT: PlausibleRange =
    range("a height above the sea", (Unit::Metre, "m"), (-450.0, 6000.0), (-30.0, 3500.0));
/// 250 kg on a crank of 230 mm.
pub(super) const TORQUE: PlausibleRange =
    range("a torque", (Unit::NewtonMetre, "N·m"), (-600.0, 600.0), (-150.0, 150.0));

/// Nobody is good to 0 %, and what is only good to 50 % is no reference.
pub(super) const UNCERTAINTY_PERCENT: PlausibleRange =
    range("an expanded uncertainty", PERCENT, (0.01, 50.0), (0.2, 5.0));
pub(super) const UNCERTAINTY_POWER: PlausibleRange =
    range("an expanded uncertainty", (Unit::Watt, "W"), (0.01, 200.0), (0.2, 20.0));
pub(super) const CLAIM_PERCENT: PlausibleRange = range("a claim", PERCENT, (0.01, 50.0), (0.3, 6.0));
pub(super) const CLAIM_POWER: PlausibleRange = range("a claim", (Unit::Watt, "W"), (0.01, 200.0), (0.2, 20.0));
