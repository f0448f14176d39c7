//! Where results go and what is told on the way: arguments shared by the subcommands that write a folder of results.

use std::path::PathBuf;

/// Arguments under the heading "Output".
#[derive(Debug, clap::Args)]
pub struct Output {
    /// Folder for the results; a fresh one, or one of an earlier run, which is continued
    #[arg(short, long, value_name = "DIR", help_heading = "Output")]
    pub out: PathBuf,
    /// Write into a folder that holds other files, and do every picture again
    #[arg(short, long, help_heading = "Output")]
    pub force: bool,
    /// Write over results that hold pictures which these inputs do not have
    #[arg(long, help_heading = "Output")]
    pub replace: bool,
    /// Draw no overlays
    #[arg(long, help_heading = "Output")]
    pub no_overlays: bool,
    /// Write no report page
    #[arg(long, help_heading = "Output")]
    pub no_report: bool,
    /// Write the tables as Parquet too
    #[arg(long, help_heading = "Output")]
    pub parquet: bool,
    /// Tell what happens as JSON Lines on standard output
    #[arg(long, help_heading = "Output")]
    pub json: bool,
    /// Tell how far the run is in plain lines, also when nobody watches at a terminal
    #[arg(long, conflicts_with_all = ["quiet", "json"], help_heading = "Output")]
    pub progress: bool,
    /// Say nothing but errors
    #[arg(short, long, help_heading = "Output")]
    pub quiet: bool,
}
