//! What is ridden, stretch by stretch.

/// One stretch of the invented ride.
pub(super) struct Stretch {
    pub repeat: u32,
    pub selector: &'static str,
    pub drill: &'static str,
    pub ring: &'static str,
    pub moves: Vec<InventedMove>,
}

/// Steady power for some seconds.
#[derive(Debug, Clone, Copy)]
pub(super) struct InventedMove {
    pub power_w: f64,
    pub duration_s: usize,
}

fn moves<const N: usize>(of: [(f64, usize); N]) -> Vec<InventedMove> {
    of.map(|(power_w, duration_s)| InventedMove { power_w, duration_s }).to_vec()
}

const STEADY: [(&str, &str, f64); 6] = [
    ("steady[ring=big, power=120 W]", "big", 120.0),
    ("steady[ring=small, power=120 W]", "small", 120.0),
    ("steady[ring=small, power=180 W]", "small", 180.0),
    ("steady[ring=big, power=180 W]", "big", 180.0),
    ("steady[ring=big, power=240 W]", "big", 240.0),
    ("steady[ring=small, power=240 W]", "small", 240.0),
];

pub(super) fn plan() -> Vec<Stretch> {
    let free = |power_w, duration_s| Stretch {
        repeat: 1,
        selector: "easy",
        drill: "free",
        ring: "big",
        moves: moves([(power_w, duration_s)]),
    };
    let drill = |repeat, selector, drill, moves| Stretch { repeat, selector, drill, ring: "big", moves };
    let mut plan = vec![Stretch { selector: "warm-up", ..free(140.0, 660) }];
    for (selector, ring, power_w) in STEADY {
        plan.push(Stretch { repeat: 1, selector, drill: "steady", ring, moves: moves([(power_w, 270)]) });
        plan.push(free(110.0, 70));
    }
    for repeat in 1..=6 {
        plan.push(drill(repeat, "standing-sprints", "sprint", moves([(710.0 + 15.0 * f64::from(repeat), 10)])));
        plan.push(free(105.0, 110));
    }
    for repeat in 1..=6 {
        plan.push(drill(repeat, "coast-and-restart", "coast_restart", moves([(200.0, 20), (0.0, 10), (330.0, 8)])));
        plan.push(free(115.0, 45));
    }
    for repeat in 1..=3 {
        plan.push(drill(repeat, "soft-pedalling", "soft_pedal", moves([(300.0, 10), (60.0, 20)])));
        plan.push(free(120.0, 40));
    }
    plan.push(Stretch { selector: "cool-down", ..free(100.0, 330) });
    plan
}
