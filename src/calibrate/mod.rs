//! Scale from a stage micrometer, a burnt-in scale bar or a known fibre.
