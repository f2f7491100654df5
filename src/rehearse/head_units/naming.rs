//! What a recording is called, and what it says of the devices.

use std::path::PathBuf;

use crate::recording::{HeadUnit, Sensor};

use super::super::bench::FittedInstrument;

/// What a recording is called and says of the devices.
pub(crate) struct Naming {
    pub file: String,
    pub head_unit: HeadUnit,
    pub sensors: Vec<Sensor>,
}

impl Naming {
    /// `pedals-p.fit`, and after a restart `pedals-p-2.fit`.
    pub(super) fn nth_file(&self, n: usize) -> PathBuf {
        let file = PathBuf::from(&self.file);
        if n == 0 {
            return file;
        }
        let stem = file.file_stem().unwrap_or_default().to_string_lossy().into_owned();
        file.with_file_name(format!("{stem}-{}.fit", n + 1))
    }
}

impl FittedInstrument {
    pub(crate) fn naming(&self) -> Naming {
        let sensor = |kind: &str| Sensor {
            kind: Some(kind.to_owned()),
            source: Some("antplus".to_owned()),
            ..Sensor::default()
        };
        let own = Sensor {
            name: Some(self.label.clone()),
            product: self.model.clone(),
            serial: self.serial.map(|serial| serial.to_string()),
            firmware: self.tells_firmware().then(|| self.firmware.clone()),
            ..sensor("bike power")
        };
        let strap = Sensor {
            name: Some("strap S".to_owned()),
            serial: Some("5001".to_owned()),
            firmware: Some("1.00".to_owned()),
            ..sensor("heart rate")
        };
        let n = self.recorder as usize;
        let head_unit = HeadUnit {
            maker: None,
            product: Some(format!("head unit {:?}", self.recorder)),
            serial: Some(["4101", "4102", "4103", "4104"][n].to_owned()),
            firmware: Some(["5.20", "5.20", "7.01", "5.20"][n].to_owned()),
        };
        Naming { file: self.file(), head_unit, sensors: vec![own, strap] }
    }
}
