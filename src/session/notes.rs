//! What people noted of a ride: remarks, marks, pins, pictures.

use super::clock::in_order;
use super::dates::time;
use super::marks::{self, MarksFile};
use super::model::{ButtonMark, Photo, Pin, Remark};
use super::named_files::{MovedFile, named_file};
use super::pins;
use crate::files;
use crate::protocol::{Node, Phases, Protocol, SourceFiles, placed_repeat, placed_selector};

pub(super) fn remark(reading: &mut SourceFiles, node: &Node, phases: Option<&Phases>) -> Option<Remark> {
    if node.as_text().is_some() {
        return Some(Remark { at: None, text: reading.text(node)?, spoiled: None });
    }
    let mut keys = reading.map(node, "a remark")?;
    let at = keys.take("at").and_then(|n| time(reading, n));
    let text = keys.need(reading, "text", "chain dropped").and_then(|n| reading.text(n));
    let spoiled = keys.take("spoiled").and_then(|n| placed_repeat(reading, n, phases));
    keys.finish(reading);
    Some(Remark { at, text: text?, spoiled })
}

pub(super) fn mark(reading: &mut SourceFiles, node: &Node, phases: Option<&Phases>) -> Option<ButtonMark> {
    let mut keys = reading.map(node, "a mark")?;
    let at = keys.need(reading, "at", "\"14:32:10\"").and_then(|n| time(reading, n));
    let phase = keys.take("phase").and_then(|n| placed_selector(reading, n, phases));
    let text = keys.take("text").and_then(|n| reading.text(n));
    keys.finish(reading);
    Some(ButtonMark { at: at?, phase, text })
}

pub(super) fn marks_file(reading: &mut SourceFiles, node: &Node, protocol: Option<&Protocol>) -> Option<MarksFile> {
    let path = named_file(reading, node, |again| MovedFile { given: &again.marks, missing: &mut again.missing_marks })?;
    match files::read(&path, files::TEXT) {
        Ok(bytes) => {
            reading.has_read(&path);
            marks::read(reading, &path, bytes, protocol)
        }
        Err(error) => {
            reading.report_whole(&path, Some(node.at), error.to_string(), None);
            None
        }
    }
}

/// `{phase, from, to}`, or the one-line form that the command line takes too.
pub(super) fn pin(reading: &mut SourceFiles, node: &Node, phases: Option<&Phases>) -> Option<Pin> {
    if let Some(text) = node.as_text() {
        let pin = pins::pin(text, &phases?.all);
        return pin.map_err(|mistake| reading.report_in_text(node, mistake)).ok();
    }
    let mut keys = reading.map(node, "a pin")?;
    let phase = keys.need(reading, "phase", "standing-sprints/2").and_then(|n| placed_repeat(reading, n, phases));
    let from = keys.need(reading, "from", "\"14:31:02\"").and_then(|n| time(reading, n));
    let to_node = keys.need(reading, "to", "\"14:31:10\"");
    let to = to_node.and_then(|n| time(reading, n));
    keys.finish(reading);
    let pin = Pin { phase: phase?, from: from?, to: to? };
    if !in_order(&pin.from, &pin.to) {
        reading.report(to_node?.at, "this is not after `from`", None);
    }
    Some(pin)
}

pub(super) fn photo(reading: &mut SourceFiles, node: &Node) -> Option<Photo> {
    let file = reading.file_of_session(node)?;
    match files::sha256(&file, files::HASHED) {
        // No part of a verdict.
        Err(_) if reading.reopened().is_some() => None,
        Ok(sha256) => Some(Photo { file, sha256 }),
        Err(error) => {
            reading.report_whole(&file, Some(node.at), error.to_string(), None);
            None
        }
    }
}
