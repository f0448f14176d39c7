//! Focus series -> one all-in-focus picture with its height map and confidence map.
