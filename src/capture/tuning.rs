//! placeholder
/// Usable.
pub const USABLE: f64 = 5.0 / 6.0;
