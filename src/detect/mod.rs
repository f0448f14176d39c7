//! [`Micrograph`](crate::micrograph::Micrograph) -> candidate fibre ends.
//!
//! A small network ([`crate::network`]) is shown smaller and smaller copies of the picture (`pyramid`), so that fibres of any
//! width appear 5 to 14 px wide in one of them; local maxima of its maps are detections (`decode`). What surrounds a
//! detection, and what its own strip shows, decide how far to believe it (`rescore`); of several on one end the strongest
//! stays (`suppress`). Nothing here measures: widths and axes are rough, made good by [`crate::measure`].

// One place where a fibre seems to end.
mod candidate;

// The network with the trees that rescore its detections.
mod detector;

// Copies of the picture.
mod pyramid;

// Maps -> detections.
mod decode;

// Detections near a place.
mod spatial_index;

// Several on one end -> the strongest.
pub(crate) mod suppress;

// What surrounds a detection, and what its strip shows.
mod describe;

// That -> chance of being an end.
mod rescore;

// Picture -> candidates.
mod ends;

pub use candidate::Candidate;
pub use describe::{Description, RESCORE_FEATURES};
pub use detector::Detector;
pub use ends::{describe_detections, detect_ends};
