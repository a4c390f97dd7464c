//! From samples to power spectral density.
