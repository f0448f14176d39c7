//! Cells in columns as wide as their widest cell.

use std::io::Write;

/// Writes rows of cells, all of one length.
pub(super) fn write_columns(mut out: impl Write, rows: &[Vec<String>]) -> anyhow::Result<()> {
    let columns = rows.first().map_or(0, Vec::len);
    let width = |c: usize| rows.iter().map(|r| r[c].chars().count()).max().unwrap_or(0);
    let widths: Vec<usize> = (0..columns).map(width).collect();
    for row in rows {
        let cells: Vec<String> = row.iter().zip(&widths).map(|(cell, w)| format!("{cell:<w$}")).collect();
        writeln!(out, "{}", cells.join("  ").trim_end())?;
    }
    Ok(())
}
