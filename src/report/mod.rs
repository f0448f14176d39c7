//! Results -> overlays, plots and one self-contained page.

pub mod overlay;
