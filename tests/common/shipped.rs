/// A shipped protocol, the bench that it is meant for, and faults that it is there to find.
pub struct Shipped {
    pub file: &'static str,
    pub bench: &'static str,
    pub finds: &'static [&'static str],
}

/// What nobody would ride with. Common practice, no source.
pub const RING: &str = "ring-offset=20@big";
pub const SIDE: &str = "side-short=100@left,2/3";
pub const HELD: &str = "held-reading=5";
pub const LATE: &str = "late-wake=3";

/// By name, as in the folder.
pub const SHIPPED: &[Shipped] = &[
    Shipped { file: "bench-both-rings.yaml", bench: "both", finds: &[RING, SIDE, HELD, LATE] },
    Shipped { file: "cold-soak-drift.yaml", bench: "both", finds: &["drift=6", "temperature-drift=0.7"] },
    Shipped { file: "rig-ramp-and-loads.yaml", bench: "both", finds: &[RING] },
    Shipped { file: "road-climbs.yaml", bench: "pedals", finds: &[RING, SIDE, HELD, LATE] },
    Shipped { file: "short-check.yaml", bench: "pedals", finds: &[RING, SIDE, HELD, LATE] },
    Shipped { file: "single-sided.yaml", bench: "left-unit", finds: &[RING, HELD, LATE] },
    Shipped { file: "sprint-and-stop.yaml", bench: "pedals", finds: &[SIDE, HELD, LATE] },
];
