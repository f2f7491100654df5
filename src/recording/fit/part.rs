//! Where the parts of a (possibly chained) FIT file begin and end: headers, lengths, checksums.

const CHECKSUM_BYTES: usize = 2;

/// Whether this is a FIT file: the mark `.FIT` at byte 8.
pub(crate) fn is_fit(bytes: &[u8]) -> bool {
    bytes.get(8..12) == Some(b".FIT")
}

/// One of the FIT files that a chained file consists of.
pub(super) struct FitPart {
    pub body: std::ops::Range<usize>,
    /// Where the next part may begin.
    pub next: usize,
    /// Bytes of data that the header declares but the file no longer has.
    pub missing: usize,
    pub damage: Vec<String>,
}

impl FitPart {
    /// The part whose header, at least twelve bytes with `.FIT` in it, is at byte `at`.
    pub fn find(bytes: &[u8], at: usize) -> Self {
        let mut damage = Vec::new();
        let header = &bytes[at..];
        let header_bytes = match header[0] {
            12 => 12,
            14 => 14,
            other => {
                damage.push(format!("byte {at}: the header says that it is {other} bytes long; read as 14"));
                14
            }
        };
        if header_bytes == 14
            && let Some(&[low, high]) = header.get(12..14)
            && ![0, crc16(&header[..12])].contains(&u16::from_le_bytes([low, high]))
        {
            damage.push(format!("byte {at}: the header's checksum is wrong"));
        }
        let declared = u32::from_le_bytes([header[4], header[5], header[6], header[7]]) as usize;
        let start = (at + header_bytes).min(bytes.len());
        let end = start + declared;
        let next = end + CHECKSUM_BYTES;
        if declared > 0 && next <= bytes.len() && sound(bytes, at, start, end) {
            return Self { body: start..end, next, missing: 0, damage };
        }
        if declared > 0 && (next == bytes.len() || bytes.get(next..).is_some_and(is_fit)) {
            damage.push(format!("byte {end}: the checksum is wrong, so any value before it may be; all were read"));
            return Self { body: start..end, next, missing: 0, damage };
        }
        // The declared length is wrong or the part was cut: it ends where the next one begins, or the file.
        let limit = next_header(bytes, start).unwrap_or(bytes.len());
        let last = limit.saturating_sub(CHECKSUM_BYTES);
        let mut missing = 0;
        let body_end = if last > start && sound(bytes, at, start, last) {
            let there = last - start;
            damage.push(format!(
                "byte {at}: the header declares {declared} bytes of data where there are {there}; their checksum is right"
            ));
            last
        } else if declared == 0 {
            damage.push(format!("byte {at}: the header's length was never written (no proper end); read to the end"));
            limit
        } else if next > limit {
            missing = next - limit;
            limit.min(end)
        } else {
            damage.push(format!(
                "byte {at}: the declared length of {declared} bytes and the checksum are wrong; read to the end"
            ));
            limit
        };
        Self { body: start..body_end, next: limit, missing, damage }
    }
}

/// Where the next part's header begins, after byte `from`.
pub(super) fn next_header(bytes: &[u8], from: usize) -> Option<usize> {
    (from + 1..bytes.len()).find(|&at| matches!(bytes[at], 12 | 14) && is_fit(&bytes[at..]))
}

/// Whether the checksum after `end` is right. Some writers start it at the header, some after one of
/// 14 bytes; the two agree wherever the header has a checksum of its own.
fn sound(bytes: &[u8], header: usize, start: usize, end: usize) -> bool {
    let stored = u16::from_le_bytes([bytes[end], bytes[end + 1]]);
    crc16(&bytes[header..end]) == stored || (start - header == 14 && crc16(&bytes[start..end]) == stored)
}

/// CRC-16/ARC, a byte at a time.
pub(super) fn crc16(bytes: &[u8]) -> u16 {
    const TABLE: [u16; 256] = {
        let mut table = [0; 256];
        let mut bit = 0;
        while bit < 8 * 256 {
            let crc: u16 = if bit % 8 == 0 { bit as u16 / 8 } else { table[bit / 8] };
            // The polynomial that the FIT protocol's own table of half bytes comes from.
            table[bit / 8] = (crc >> 1) ^ (0xA001 * (crc & 1));
            bit += 1;
        }
        table
    };
    bytes.iter().fold(0, |crc, byte| (crc >> 8) ^ TABLE[usize::from(crc as u8 ^ byte)])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_checksum_gives_the_published_values() {
        // CRC-16/ARC check value and the protocol's own table; header example of the public FIT protocol.
        assert_eq!(crc16(b"123456789"), 0xBB3D);
        assert_eq!(crc16(b""), 0x0000);
        assert_eq!(crc16(&[0x00]), 0x0000);
        assert_eq!(crc16(b"A"), 0x30C0);
        let header = [0x0E, 0x10, 0x54, 0x08, 0, 0, 0, 0, 0x2E, 0x46, 0x49, 0x54];
        assert_eq!(crc16(&header), 0xD146);
        assert_eq!(crc16(&[&header[..], &[0x46, 0xD1]].concat()), 0);
    }
}
