//! PNG from SVG, with no fonts but the bundled ones.

use std::sync::{Arc, OnceLock};

use resvg::tiny_skia::{Color, Pixmap, Transform};
use resvg::usvg::{Options, Tree, fontdb};

use super::canvas::WIDTH_PX;
use super::{DrawError, font};

/// The bundled fonts, and nothing of the machine's.
fn fonts() -> Arc<fontdb::Database> {
    static FONTS: OnceLock<Arc<fontdb::Database>> = OnceLock::new();
    FONTS
        .get_or_init(|| {
            let mut fonts = fontdb::Database::new();
            fonts.load_font_data(font::REGULAR.to_vec());
            fonts.load_font_data(font::BOLD.to_vec());
            fonts.set_sans_serif_family(font::NAME);
            Arc::new(fonts)
        })
        .clone()
}

/// The document's tree, its texts laid out with the bundled fonts.
pub(super) fn parse(svg: &str) -> Result<Tree, DrawError> {
    let options = Options {
        font_family: font::NAME.into(),
        fontdb: fonts(),
        ..Options::default()
    };
    Tree::from_str(svg, &options).map_err(DrawError::render)
}

/// The document as a PNG on white, [`WIDTH_PX`] wide.
pub(super) fn render(svg: &str) -> Result<Vec<u8>, DrawError> {
    let tree = parse(svg)?;
    let size = tree.size();
    let scale = WIDTH_PX as f32 / size.width();
    let height = (size.height() * scale).round().max(1.0);
    let mut pixmap = Pixmap::new(WIDTH_PX as u32, height as u32).ok_or_else(|| {
        DrawError::render(format_args!(
            "a height of {height} px is too much for a PNG"
        ))
    })?;
    pixmap.fill(Color::WHITE);
    resvg::render(
        &tree,
        Transform::from_scale(scale, scale),
        &mut pixmap.as_mut(),
    );
    pixmap.encode_png().map_err(DrawError::render)
}
