//! Whole cases, files in and files out, in one program: linked one by one, thirty-five of them took as long to build as the
//! crate itself. `cargo test --test cases register::` runs the tests of `register.rs`.

#[allow(dead_code, reason = "shared with the benches")]
mod common;

mod assignment;
mod beforehand;
mod brief;
mod budgets;
mod clocks;
mod compare;
mod cue;
mod demo_data;
mod draft;
mod examples;
mod fewer_references;
mod gate;
mod guide;
mod hostile;
mod instruments;
mod judge;
mod language;
mod layers;
mod marks;
mod mishaps;
mod outputs;
mod overwriting;
mod planning;
mod premises;
mod properties;
mod published_values;
mod real_rides;
mod recordings;
mod register;
mod rehearse;
mod rig_and_single_sided;
mod round_trip;
mod second_reader;
mod second_statistics;
mod shipped;
mod steadiness;
mod trials;
mod verify;

/// A file that is not named above would be tested by nobody.
#[test]
fn every_file_of_tests_is_part_of_this_program() {
    let listed = include_str!("main.rs");
    let mut files = 0;
    for entry in std::fs::read_dir(concat!(env!("CARGO_MANIFEST_DIR"), "/tests")).unwrap() {
        let name = entry.unwrap().file_name().into_string().unwrap();
        if let Some(module) = name.strip_suffix(".rs").filter(|module| !["main", "damage"].contains(module)) {
            assert!(listed.contains(&format!("\nmod {module};\n")), "tests/{name} is no module of tests/main.rs");
            files += 1;
        }
    }
    assert!(files > 30, "{files}");
}
