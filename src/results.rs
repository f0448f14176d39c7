//! Saved results of a run, read back from its tables.
