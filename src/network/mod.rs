//! Learned networks and what they are shown: tiles of a picture, and straightened strips of single ends.
//!
//! Everything here lies below detection and measuring, which both ask the same networks about the same strips.
//! A network that cannot be loaded, fails, or answers in another shape or with something else than finite numbers is an
//! error of the picture under work ([`NetworkError`]), never an empty answer.

// Numbers with their uncertainties.
pub(crate) mod estimate;

// Loading, proving and running one network.
pub(crate) mod model;

// How large a network's inner values can get.
mod shapes;

// A copy of a picture in overlapping tiles.
pub(crate) mod tiles;

// The picture at halving sizes.
pub(crate) mod planes;

// The picture straightened along a centre line.
pub(crate) mod strip;

// What the networks of single ends are shown.
pub(crate) mod strip_input;

// Width, axis, tip, end line and cap from a strip, each with its uncertainty.
pub(crate) mod regression;

// Which samples of a strip are own fibre.
pub(crate) mod segmentation;

// One picture with what its strips have answered.
mod strip_cache;

pub use model::NetworkError;
pub use strip_cache::StripCache;
pub(crate) use strip_cache::{Expert, StripNetworks};
