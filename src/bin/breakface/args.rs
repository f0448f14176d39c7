//! The subcommands; each one's arguments live in its own file under `cmd/`.

use crate::cmd;
use crate::exit::{self, Code};
use clap::{CommandFactory, Parser, Subcommand};

/// Finds, measures and labels broken fibre ends in micrographs of braided line, and scores every break face.
#[derive(Debug, Parser)]
#[command(name = "breakface", version, about, after_help = exit::HELP, max_term_width = 100)]
pub struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Find, measure and label the ends of all pictures; score break faces and knots
    Classify(cmd::classify::Args),
    /// Classify pictures as they arrive in a folder; tables and report follow
    Watch(cmd::watch::Args),
    /// Write a series table to fill in, with one row for every picture of a folder
    Series(cmd::series::Args),
    /// Train a labelling model from labelled ends
    Train(cmd::train::Args),
    /// Measure how well ends are found and labelled, against truth or hand labels
    Evaluate(cmd::evaluate::Args),
    /// Show why one end got its label: its path through the tree, and both witnesses
    Explain(cmd::explain::Args),
    /// Compare knots; or two runs on the same pictures, and controls over time
    Compare(cmd::compare::Args),
    /// List flagged knots and specimens, worst first
    Flag(cmd::flag::Args),
    /// Write the self-contained report page
    Report(cmd::report::Args),
    /// Look at ends one by one and correct their labels in a local page
    Review(cmd::review::Args),
    /// Measure the scale of a microscope
    Calibrate(cmd::calibrate::Args),
    /// Merge a focus series into one picture
    Stack(cmd::stack::Args),
    /// Join the results of a run that was shared out in parts
    Merge(cmd::merge::Args),
    /// List every measured feature; `settings --features` does the same
    #[command(hide = true)]
    Features(cmd::features::Args),
    /// Print the effective settings, ready to save; or every measured feature with its meaning
    Settings(cmd::settings::Args),
    /// Print shell completions
    Completions(cmd::completions::Args),
    /// Print manual pages
    Man(cmd::man::Args),
}

/// Runs the chosen subcommand.
pub fn run(cli: Cli) -> anyhow::Result<Code> {
    match cli.command {
        Command::Classify(args) => cmd::classify::run(args),
        Command::Watch(args) => cmd::watch::run(args),
        Command::Series(args) => cmd::series::run(args),
        Command::Train(args) => cmd::train::run(args),
        Command::Evaluate(args) => cmd::evaluate::run(args),
        Command::Explain(args) => cmd::explain::run(args),
        Command::Compare(args) => cmd::compare::run(args),
        Command::Flag(args) => cmd::flag::run(args),
        Command::Report(args) => cmd::report::run(args),
        Command::Review(args) => cmd::review::run(args),
        Command::Calibrate(args) => cmd::calibrate::run(args),
        Command::Stack(args) => cmd::stack::run(args),
        Command::Merge(args) => cmd::merge::run(args),
        Command::Features(args) => cmd::features::run(args),
        Command::Settings(args) => cmd::settings::run(args),
        Command::Completions(args) => cmd::completions::run(args, Cli::command()),
        Command::Man(args) => cmd::man::run(args, Cli::command()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_definition_of_the_command_line_is_sound() {
        Cli::command().debug_assert();
    }
}
