//! One file per subcommand: its arguments and what it does.

pub mod calibrate;
pub mod classify;
pub mod compare;
pub mod completions;
pub mod evaluate;
pub mod explain;
pub mod features;
pub mod flag;
pub mod man;
pub mod merge;
pub mod output;
pub mod report;
pub mod review;
pub mod series;
pub mod settings;
pub mod stack;
pub mod train;
pub mod watch;

/// Parquet can be left out when the program is built.
fn parquet_is_built_in(asked: bool) -> anyhow::Result<()> {
    if asked && !cfg!(feature = "parquet") {
        anyhow::bail!("--parquet: this program was built without Parquet");
    }
    Ok(())
}
