//! Pictures of one place.
