//! What all pages and plots share: the document around a page, values as markup, plots.
//!
//! Markup is made by maud, which escapes every text; plots are made by plotters. Nothing here knows what a page is about.

mod document;
pub(crate) mod plot;
pub(crate) mod values;

pub(crate) use document::{Document, relative_address};
