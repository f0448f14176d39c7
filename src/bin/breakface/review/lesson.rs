//! Learning from hand labels: a new model judged beside the old one, taken only when the person says so.

use anyhow::bail;
use serde::Serialize;

use super::session::Session;

/// A new model beside the old one.
#[derive(Debug, Serialize)]
pub struct Learnt {}

/// Trains with the hand labels and judges old and new side by side.
pub fn learn(_session: &Session) -> anyhow::Result<Learnt> {
    bail!("learning from the page is not there yet; use `breakface train`")
}

/// Takes the new model.
pub fn take(_session: &Session) -> anyhow::Result<Learnt> {
    bail!("learning from the page is not there yet; use `breakface train`")
}
