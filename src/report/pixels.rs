//! A picture as pixels, for whoever needs PNG. Fonts, shaping and a rasteriser take a fifth of a build, so this is the feature
//! `png`, off by default.

use std::sync::{Arc, OnceLock};

use resvg::{tiny_skia, usvg};

/// Letters for what becomes pixels: the same on every machine (shared/fonts/LICENSE says whose they are).
const FONTS: [&[u8]; 2] =
    [include_bytes!("../../shared/fonts/DejaVuSans.ttf"), include_bytes!("../../shared/fonts/DejaVuSans-Bold.ttf")];
const FAMILY: &str = "DejaVu Sans";

/// The picture as PNG.
///
/// # Errors
/// What is wrong with the SVG, in words.
pub fn png(svg: &str) -> Result<Option<Vec<u8>>, String> {
    let options = usvg::Options { fontdb: fonts(svg), font_family: FAMILY.to_owned(), ..usvg::Options::default() };
    let tree = usvg::Tree::from_str(svg, &options).map_err(|error| error.to_string())?;
    let size = tree.size().to_int_size();
    let mut pixels = tiny_skia::Pixmap::new(size.width(), size.height()).ok_or("it has no size")?;
    resvg::render(&tree, tiny_skia::Transform::identity(), &mut pixels.as_mut());
    pixels.encode_png().map(Some).map_err(|error| error.to_string())
}

/// The project's own fonts; with those of the system where a text needs another script.
fn fonts(svg: &str) -> Arc<usvg::fontdb::Database> {
    static OWN: OnceLock<Arc<usvg::fontdb::Database>> = OnceLock::new();
    static ALL: OnceLock<Arc<usvg::fontdb::Database>> = OnceLock::new();
    let own = || {
        let mut fonts = usvg::fontdb::Database::new();
        FONTS.iter().for_each(|font| fonts.load_font_data(font.to_vec()));
        fonts.set_sans_serif_family(FAMILY);
        fonts
    };
    let known = |c: char| matches!(c as u32, 0..0x530 | 0x2000..0x2300 | 0xfffd);
    if svg.chars().all(known) {
        return OWN.get_or_init(|| Arc::new(own())).clone();
    }
    let all = || {
        let mut fonts = own();
        fonts.load_system_fonts();
        fonts.set_sans_serif_family(FAMILY);
        Arc::new(fonts)
    };
    ALL.get_or_init(all).clone()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn decoded(png: &[u8]) -> tiny_skia::Pixmap {
        tiny_skia::Pixmap::decode_png(png).expect("a PNG")
    }

    /// The letters are there: a title leaves dark pixels where it stands, and none without fonts.
    #[test]
    fn words_become_pixels() {
        let svg = |text: &str| {
            format!(
                r##"<svg xmlns="http://www.w3.org/2000/svg" width="200" height="40" font-family="system-ui, sans-serif"><rect width="200" height="40" fill="#fff"/><text x="5" y="28" font-size="24" font-weight="600">{text}</text></svg>"##
            )
        };
        let dark = |text: &str| {
            let pixels = decoded(&png(&svg(text)).unwrap().unwrap());
            pixels.pixels().iter().filter(|p| p.red() < 100).count()
        };
        assert_eq!(dark(""), 0);
        assert!(dark("±1,5 % Ω ≤") > 200, "{}", dark("±1,5 % Ω ≤"));
    }
}
