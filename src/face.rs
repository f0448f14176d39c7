//! Labelled rows -> score of each break face.
