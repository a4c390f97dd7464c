//! Plots: one function a figure, from results to SVG, and PNG from that.
