//! Candidate -> measured end: traced shaft, sub-pixel edges, features, quality.

// The registry of features.
mod registry;

// What comes out.
mod measured;

// What is known of an end before its edges are placed, and what it is measured with.
mod evidence;

// The form of an end.
mod form;

// Several estimates of one number brought together.
mod fuse;

// Pairs of edges through a strip.
mod trace;

// One edge to a fraction of a sample.
mod edge;

// A cubic through the points of a centre line.
mod centreline_fit;

// Centre line, edges and diameter of the shaft.
mod shaft;

// The shaft of an end, traced and measured.
mod shaft_trace;

// Outline of the end.
mod end_region;

// Straight edge, cap, neck, taper.
mod shape;

// Brightness, colour, texture, surroundings.
mod tone;

// What can be graded.
mod quality;

// All of one end.
mod end;

// All ends of a picture.
mod ends;

pub use ends::{accept, measure_ends};
pub use measured::{Drawn, MeasuredEnd};
pub use registry::{FEATURE_SCHEMA, FEATURES, Feature, FeatureRow, Stage};

#[cfg(test)]
mod tests;
