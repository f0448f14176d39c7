//! A value with its uncertainty.

/// A value and its standard uncertainty (GUM, JCGM 100:2008, 2.3.1).
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Estimate {
    /// The value.
    pub(crate) value: f64,
    /// Standard uncertainty, in the unit of the value.
    pub(crate) standard_uncertainty: f64,
}
