//! Progress of a run on a terminal; quiet when piped.
