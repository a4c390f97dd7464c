//! From samples to power spectral density: windows and Welch's estimate. What a receiver's passband and centre spike do
//! to it is undone in [`flat`]; tunings are laid side by side in [`stitch`].

mod aligned;
pub mod flat;
mod kernels;
pub mod stitch;
mod welch;
mod window;

pub use welch::{Psd, Scaling, SubDwells, Welch, WelchSettings};
pub use window::Window;
