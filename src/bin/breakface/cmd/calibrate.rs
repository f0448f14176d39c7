//! `breakface calibrate`: scale of a microscope from a ruled scale, a burnt-in scale bar or a known fibre.

mod bar;
mod common;
mod fibre;
mod ruling;

use crate::exit::Code;

/// Arguments of `calibrate`.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  breakface calibrate ruling micrometer-10x.png --pitch-um 10 --name 10x --list calibrations.csv
  breakface calibrate bar picture.jpg --bar-um 200
  breakface calibrate bar crowded.jpg --bar-um 200 --at 640,950
  breakface calibrate fibre results/ends.csv --dtex 2.47 --density 0.97")]
pub struct Args {
    #[command(subcommand)]
    from: From,
}

#[derive(Debug, clap::Subcommand)]
enum From {
    /// From pictures of a ruled scale (stage micrometer) of known pitch
    Ruling(ruling::Args),
    /// From the burnt-in scale bar of a picture, whose length you give
    Bar(bar::Args),
    /// Check scales by fibres of known linear density, or take them as a stand-in
    Fibre(fibre::Args),
}

/// Runs `calibrate`.
pub fn run(args: Args) -> anyhow::Result<Code> {
    match args.from {
        From::Ruling(args) => ruling::run(args),
        From::Bar(args) => bar::run(args),
        From::Fibre(args) => fibre::run(args),
    }
}
