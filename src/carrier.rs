//! Measured ends -> carriers, and the features an end has from its company.
