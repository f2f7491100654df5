//! What can hurt somebody in a trial. One list for the run sheet, the prompter, the verdict sheet and the README, chosen by
//! what a protocol has: a caution that does not apply hides those that do.
//!
//! Usual cautions for riding, for a bike on a stand and for hung masses (common practice, no source). Local codes and
//! licensed practice come before any of them, which the list says last.

use crate::protocol::{Phase, Posture, Protocol, Setting};

/// An enum with all its variants in [`Caution::ALL`], so that none is left out.
macro_rules! cautions {
    ($($(#[$doc:meta])* $variant:ident,)+) => {
        /// One thing to mind, in the order in which they are told: what is ridden, where, on what, and what comes before them all.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
        pub enum Caution { $($(#[$doc])* $variant),+ }

        impl Caution {
            /// In the order in which they are told.
            pub const ALL: &[Caution] = &[$(Caution::$variant),+];
        }
    };
}

cautions! {
    /// Before any riding.
    Unwell,
    Sprints,
    /// For whoever leaves the saddle, but on the road.
    Spotter,
    SecureBike,
    Traffic,
    ClearView,
    HungMass,
    MassOff,
    Cold,
    Condensation,
    Cracks,
    Fitting,
    MovingParts,
    Batteries,
    Mains,
    LocalCodes,
}

use Caution::*;

/// What a protocol asks that somebody could be hurt by.
struct Hazards {
    rides: bool,
    sprints: bool,
    stands: bool,
    hangs_masses: bool,
    waits_off_bike: bool,
    /// `None`: nobody said where.
    setting: Option<Setting>,
}

impl Caution {
    /// As it stands on paper.
    pub fn text(self) -> &'static str {
        match self {
            Unwell => "Stop when unwell. Whoever is not sure to be fit for hard efforts asks a doctor first.",
            Sprints => "Hard sprints can injure: be fit for them, and warm.",
            Spotter => "Out of the saddle a bike can tip and a rider fall: have a spotter or a clear floor.",
            SecureBike => "Secure the bike, and see that trainer or rig stands firm, before anybody rides hard.",
            Traffic => {
                "On the road: wear a helmet, keep to traffic law, use a closed or empty road, and never steer by a screen."
            }
            ClearView => {
                "Ride a drill only where the view is clear and nobody is about; rest the feet only in a straight line; leave a \
                 drill out rather than force it."
            }
            HungMass => {
                "Block the wheel before a mass is hung, secure the mass against falling before you let go of it, keep hands and \
                 feet from under it, and stand where a crank that swings can't reach you."
            }
            MassOff => "Take the mass off and release the wheel before anybody gets on, with nobody near the cranks.",
            Cold => {
                "After the cold hands are numb and brakes bite late: try both before riding hard, in dry clothes, on a dry tyre \
                 and a dry floor."
            }
            Condensation => "Water settles on cold electronics in a warm room: let them dry before you plug them in.",
            Cracks => "Look over cranks, pedals and bars for cracks and play; stop if anything creaks or loosens.",
            Fitting => "Parts are fitted by somebody qualified, and torqued to their makers' figures.",
            MovingParts => "Keep fingers, hair and loose clothes clear of cranks, chain and wheel that move.",
            Batteries => "Charge no battery that is cold or damaged.",
            Mains => "Keep sweat and water away from mains plugs and adapters.",
            LocalCodes => "Local codes and licensed practice come before this list.",
        }
    }

    /// For a screen, at most [`Caution::LONGEST_SHORT`] characters of ASCII.
    pub fn short(self) -> &'static str {
        match self {
            Unwell => "Stop when unwell. Not sure to be fit for it? Ask a doctor first.",
            Sprints => "Hard sprints can injure: be fit for them, and warm.",
            Spotter => "A spotter or a clear floor for riding out of the saddle.",
            SecureBike => "Bike secured, trainer or rig standing firm?",
            Traffic => "Helmet, traffic law, an empty road; nobody steers by a screen.",
            ClearView => "Drills only where the view is clear and nobody is about.",
            HungMass => "Mass: wheel blocked, mass secured, hands, feet and heads clear of the swing.",
            MassOff => "Mass off and wheel free before anybody gets on, nobody near the cranks.",
            Cold => "From the cold: numb hands, late brakes; dry clothes, dry tyre, dry floor.",
            Condensation => "Let cold electronics dry before you plug them in.",
            Cracks => "Look for cracks and play; stop if anything creaks or loosens.",
            Fitting => "Parts fitted by somebody qualified, torqued to their makers' figures?",
            MovingParts => "Fingers, hair and clothes clear of cranks, chain and wheel.",
            Batteries => "Charge no battery that is cold or damaged.",
            Mains => "Sweat and water away from mains plugs and adapters.",
            LocalCodes => "Local codes and licensed practice come before this list.",
        }
    }

    /// Of [`Caution::short`]: a line of a terminal.
    #[cfg(test)]
    pub const LONGEST_SHORT: usize = 80;

    fn applies(self, asked: &Hazards) -> bool {
        let on_road = asked.setting == Some(Setting::Road);
        let beside_mains = asked.setting.is_some() && !on_road;
        match self {
            Unwell => asked.rides,
            Sprints => asked.sprints,
            Spotter => (asked.sprints || asked.stands) && beside_mains,
            SecureBike | Mains => asked.rides && beside_mains,
            Traffic => asked.rides && (on_road || asked.setting.is_none()),
            ClearView => asked.rides && on_road,
            HungMass | MassOff => asked.hangs_masses,
            Cold | Condensation => asked.waits_off_bike,
            Cracks | Fitting | MovingParts | Batteries | LocalCodes => true,
        }
    }
}

/// What to mind in this protocol's sessions; `None`: any ride, nobody knows where.
pub fn of(protocol: Option<&Protocol>) -> Vec<Caution> {
    let asked = match protocol {
        None => Hazards {
            rides: true,
            sprints: false,
            stands: false,
            hangs_masses: false,
            waits_off_bike: false,
            setting: None,
        },
        Some(protocol) => {
            let any = |wanted: fn(&Phase) -> bool| protocol.phases.iter().any(wanted);
            Hazards {
                rides: any(|p| p.drill.kind().is_ridden()),
                sprints: any(|p| p.drill.kind().is_all_out()),
                stands: any(|p| p.posture == Some(Posture::Standing)),
                hangs_masses: any(|p| p.drill.kind().hangs_masses()),
                waits_off_bike: any(|p| p.drill.kind().is_off_the_bike()),
                setting: Some(protocol.setting),
            }
        }
    };
    Caution::ALL.iter().copied().filter(|caution| caution.applies(&asked)).collect()
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;
    use crate::protocol;

    /// What each shipped protocol must warn of, and nothing else.
    #[test]
    fn each_shipped_protocol_has_the_cautions_that_fit_it() {
        let always = [Cracks, Fitting, MovingParts, Batteries, LocalCodes];
        let table: [(&str, &[Caution]); 7] = [
            ("bench-both-rings", &[Unwell, Sprints, Spotter, SecureBike, Mains]),
            ("cold-soak-drift", &[Unwell, SecureBike, Cold, Condensation, Mains]),
            ("rig-ramp-and-loads", &[Unwell, SecureBike, HungMass, MassOff, Mains]),
            ("road-climbs", &[Unwell, Sprints, Traffic, ClearView]),
            ("short-check", &[Unwell, Sprints, Spotter, SecureBike, Mains]),
            ("single-sided", &[Unwell, Sprints, Spotter, SecureBike, Mains]),
            ("sprint-and-stop", &[Unwell, Sprints, Spotter, SecureBike, Mains]),
        ];
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("protocols");
        assert_eq!(std::fs::read_dir(&folder).unwrap().count(), table.len(), "a protocol without a line here");
        for (name, own) in table {
            let protocol = protocol::load(&folder.join(format!("{name}.yaml")), None).unwrap();
            let mut wanted = [own, &always].concat();
            wanted.sort_unstable();
            assert_eq!(of(Some(&protocol)), wanted, "{name}");
        }
    }

    #[test]
    fn nothing_is_said_of_what_a_protocol_does_not_have() {
        let of_drill = |setting: &str, phase: &str| {
            let text = format!(
                "assize: 1\ntitle: t\nrevision: \"1\"\nsetting: {setting}\nphases:\n  - {{phase: a, {phase}}}\n"
            );
            of(Some(&protocol::load_bytes(Path::new("made-up.yaml"), text.as_bytes()).unwrap()))
        };
        let block = "drill: steady, power: 200 W, lasts: 4 min";
        let masses = "drill: static_load, loads: [5 kg], sides: [left], angles: [90 °]";
        let says = |cautions: &[Caution], word: &str| {
            cautions.iter().any(|c| c.text().to_lowercase().contains(word) || c.short().to_lowercase().contains(word))
        };
        for setting in ["indoor", "road", "rig"] {
            let (ridden, hung) = (of_drill(setting, block), of_drill(setting, masses));
            for word in ["sprint", "mass", "spotter", "cold hands", "numb"] {
                assert!(!says(&ridden, word), "{setting}: {word}");
            }
            assert!(!says(&hung, "unwell") && says(&hung, "block the wheel"), "{setting}");
            let standing = of_drill(setting, &format!("{block}, posture: standing"));
            assert_eq!(says(&standing, "spotter"), setting != "road");
            assert_eq!(
                (says(&ridden, "helmet"), says(&ridden, "secure the bike")),
                (setting == "road", setting != "road")
            );
        }
    }

    #[test]
    fn the_list_is_in_order_and_its_short_forms_fit_a_line() {
        assert!(Caution::ALL.is_sorted());
        for &caution in Caution::ALL {
            let short = caution.short();
            assert!(short.is_ascii() && short.len() <= Caution::LONGEST_SHORT, "{short}");
        }
    }

    #[test]
    fn the_readme_tells_all_of_them() {
        let readme = std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("README.md")).unwrap();
        let (_, told) = readme.split_once("\n## Cautions\n").unwrap();
        let told = told.split_whitespace().collect::<Vec<&str>>().join(" ");
        for &caution in Caution::ALL {
            assert!(told.contains(caution.text()), "{}", caution.text());
        }
    }
}
