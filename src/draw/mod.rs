//! Plots: one function a figure, from results to SVG, and PNG from that.
//!
//! - [`comparison`]: A against B, channel by channel: what each receives, and the difference with its interval
//! - [`merit`]: several antennas against a reference: means, and every channel
//! - [`tied`]: antennas of different days, channel by channel
//! - [`spectrum`]: the stitched spectrum, A over B, with channel edges
//! - [`panels`]: a small spectrum for each channel of a take
//! - [`Strip`]: a difference with its interval, for the row of a table
//! - [`polar`]: patterns of an antenna turned round, or of two over each other
//! - [`floor`], [`floors`]: spots on a floor plan, what can be received where, with a map between them
//!
//! Every figure is 1600 px wide and as high as it needs to be; text is 28 px or more, so that a picture shrunk to a
//! phone's width can still be read. Colours are Okabe and Ito's (Color Universal Design, 2008), and whatever a colour
//! says, a shape, a fill or a line style says too. The fonts are in the crate ([SIL Open Font License
//! 1.1](https://openfontlicense.org)): a PNG never depends on the machine's fonts, and an SVG carries the characters
//! it uses.
//!
//! What comes from a user (names, labels, notes) is cleaned of control characters and escaped; what is not finite is
//! not drawn.

mod canvas;
mod comparison;
mod error;
mod floor;
mod font;
mod inline;
mod legend;
mod mark;
mod merit;
mod panels;
mod png;
mod polar;
mod scale;
mod spectrum;
mod strip;
mod strips;
mod svg;

pub use comparison::comparison;
pub use error::DrawError;
pub use floor::{
    Floor, FloorCell, FloorError, FloorImage, FloorMap, FloorMark, FloorNext, FloorPanel,
    FloorPlan, Place, floor, floors,
};
pub use inline::Inline;
pub use merit::{merit, tied};
pub use panels::{Panel, panels};
pub use polar::polar;
pub use scale::{number, signed};
pub use spectrum::{Band, Line, spectrum};
pub use strip::{Shown, Strip};
pub use svg::{Svg, check_ending};

pub(crate) use font::clean;
pub(crate) use inline::{FAMILY, ROLES, font_faces, rules};
pub(crate) use scale::mhz;
pub(crate) use svg::put;

#[cfg(test)]
mod samples;
#[cfg(test)]
mod tests;
