/// Shipped protocols, each with the bench that it is meant for.
pub const SHIPPED: &[(&str, &str)] = &[("bench-both-rings.yaml", "both"), ("short-check.yaml", "pedals")];
