//! Many takes drawn up: spots ranked and mapped, rotations turned into patterns.
//!
//! Nothing here knows where takes are kept or how a figure is drawn.

pub mod map;
pub mod spots;
pub mod turn;
