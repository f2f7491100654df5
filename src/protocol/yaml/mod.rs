//! YAML files of people, to trees whose nodes keep their place and their text as written.
//!
//! Takes the files of a protocol or session and gives [`Node`]s, and from them texts, choices, lists and maps. The tree is
//! built from the parser's events, not through serde: serde's data model turns `1.10` into a number and drops places.
//! [`SourceFiles`] collects every mistake on the way, in all the files it opened.

mod build;
mod files;
mod kinds;
mod mend;
mod node;
mod values;

#[cfg(test)]
mod tests;

pub(crate) use files::{MovedFiles, OpenedCard, SourceFiles, hex};
pub(crate) use kinds::FileKind;
pub(crate) use node::{Body, MapEntry, Node, TextPlace};
pub(crate) use values::MapKeys;
