//! Large letters of plain characters: each five points high, a point being as many characters as there is room for.

/// Points of a letter, row by row; `#` is ink.
fn glyph(letter: char) -> [&'static str; 5] {
    match letter {
        '0' => ["###", "# #", "# #", "# #", "###"],
        '1' => [" # ", "## ", " # ", " # ", "###"],
        '2' => ["###", "  #", "###", "#  ", "###"],
        '3' => ["###", "  #", "###", "  #", "###"],
        '4' => ["# #", "# #", "###", "  #", "  #"],
        '5' => ["###", "#  ", "###", "  #", "###"],
        '6' => ["###", "#  ", "###", "# #", "###"],
        '7' => ["###", "  #", "  #", " # ", " # "],
        '8' => ["###", "# #", "###", "# #", "###"],
        '9' => ["###", "# #", "###", "  #", "###"],
        ':' => [" ", "#", " ", "#", " "],
        '.' => [" ", " ", " ", " ", "#"],
        '-' => ["  ", "  ", "##", "  ", "  "],
        '+' => ["   ", " # ", "###", " # ", "   "],
        '/' => ["  #", "  #", " # ", "#  ", "#  "],
        'A' => ["###", "# #", "###", "# #", "# #"],
        'B' => ["## ", "# #", "## ", "# #", "## "],
        'C' => ["###", "#  ", "#  ", "#  ", "###"],
        'D' => ["## ", "# #", "# #", "# #", "## "],
        'E' => ["###", "#  ", "## ", "#  ", "###"],
        'F' => ["###", "#  ", "## ", "#  ", "#  "],
        'G' => ["###", "#  ", "# #", "# #", "###"],
        'H' => ["# #", "# #", "###", "# #", "# #"],
        'I' => ["#", "#", "#", "#", "#"],
        'J' => ["  #", "  #", "  #", "# #", "###"],
        'K' => ["# #", "# #", "## ", "# #", "# #"],
        'L' => ["#  ", "#  ", "#  ", "#  ", "###"],
        'M' => ["#   #", "## ##", "# # #", "#   #", "#   #"],
        'N' => ["#  #", "## #", "# ##", "#  #", "#  #"],
        'O' => ["###", "# #", "# #", "# #", "###"],
        'P' => ["###", "# #", "###", "#  ", "#  "],
        'Q' => ["###", "# #", "# #", "###", "  #"],
        'R' => ["## ", "# #", "## ", "# #", "# #"],
        'S' => ["###", "#  ", "###", "  #", "###"],
        'T' => ["###", " # ", " # ", " # ", " # "],
        'U' => ["# #", "# #", "# #", "# #", "###"],
        'V' => ["# #", "# #", "# #", "# #", " # "],
        'W' => ["#   #", "#   #", "# # #", "## ##", "#   #"],
        'X' => ["# #", "# #", " # ", "# #", "# #"],
        'Y' => ["# #", "# #", " # ", " # ", " # "],
        'Z' => ["###", "  #", " # ", "#  ", "###"],
        ' ' => ["  ", "  ", "  ", "  ", "  "],
        _ => ["   ", "   ", "   ", "   ", "   "],
    }
}

/// Characters to a point, across and down.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Size {
    pub across: usize,
    pub down: usize,
}

impl Size {
    pub fn height(self) -> usize {
        5 * self.down
    }

    fn gap(self) -> usize {
        (self.across / 2).max(1)
    }
}

/// A text in large letters: `size.height()` rows of the same width.
pub(super) fn large(text: &str, size: Size, ink: char) -> Vec<String> {
    let gap = " ".repeat(size.gap());
    let row = |n: usize| {
        let letters: Vec<String> = text
            .chars()
            .map(|c| {
                let points = glyph(c)[n].chars();
                points.flat_map(|p| std::iter::repeat_n(if p == '#' { ink } else { ' ' }, size.across)).collect()
            })
            .collect();
        letters.join(&gap)
    };
    (0..5).flat_map(|n| std::iter::repeat_n(row(n), size.down)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_row_of_every_letter_is_as_wide_as_its_first() {
        for c in ('0'..='9').chain('A'..='Z').chain([':', '.', '-', '+', '/', ' ', '?']) {
            let width = glyph(c)[0].len();
            assert!(glyph(c).iter().all(|row| row.len() == width), "{c}");
        }
        let size = Size { across: 3, down: 2 };
        let rows = large("10:30", size, '#');
        assert_eq!(rows.len(), size.height());
        // Four digits of nine columns, a colon of three, and four gaps of one.
        assert!(rows.iter().all(|row| row.chars().count() == 43), "{}", rows[0].len());
    }

    #[test]
    fn no_two_digits_look_alike() {
        let all: std::collections::BTreeSet<_> = ('0'..='9').map(glyph).collect();
        assert_eq!(all.len(), 10);
    }
}
