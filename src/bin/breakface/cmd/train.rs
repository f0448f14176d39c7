//! `breakface train`: labelled ends in, a model and its page out.

use crate::exit::Code;
use crate::model_files;
use anyhow::{Context, bail};
use breakface::labels::{EndRef, HandLabel, Labelled, by_labeller, effective, guide, place, read_labels};
use breakface::report::counted;
use breakface::results::Results;
use breakface::settings::Settings;
use breakface::train::gather::{Gathered, from_controls, from_labels, from_truth};
use breakface::train::ground_truth::read_truth;
use breakface::train::{Kind, Options, TrainError, Trained, TrainingRow, TrainingTable, digest_of, train};
use breakface::tree::file::training_digest;
use breakface::tree::model::Rate;
use breakface::tree::{Label, Model, ModelError};
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// Arguments of `train`.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Pictures are never read: the features saved in RESULTS are enough. Beside MODEL.json are written the training table
(MODEL.training.csv) and the model page (MODEL.md, MODEL.html).

Examples:
  breakface train results --labels results/labels.csv --base bundled --out ours.json
  breakface train results --labels results/labels.csv --out own.json       (from your labels alone)
  breakface train results --controls --out controls.json")]
pub struct Args {
    /// Folders that runs of `classify` have written
    #[arg(value_name = "RESULTS", help_heading = "Labelled ends")]
    results: Vec<PathBuf>,
    /// Hand labels of the ends in RESULTS (image, x_px, y_px, label); may be given more than once
    #[arg(long, value_name = "FILE", help_heading = "Labelled ends")]
    labels: Vec<PathBuf>,
    /// Use the labels of one labeller only, instead of what labellers and adjudicators have decided together
    #[arg(short, long, value_name = "NAME", requires = "labels", help_heading = "Labelled ends")]
    labeller: Option<String>,
    /// Take all ends of kind=cut as sheared and all of kind=pull as tensile
    #[arg(long, help_heading = "Labelled ends")]
    controls: bool,
    /// Table of ends with features and a label column; may be given more than once
    #[arg(long, value_name = "FILE", help_heading = "Labelled ends")]
    ends: Vec<PathBuf>,
    /// Folder of pictures' truth (JSON), matched to RESULTS by file name and position
    #[arg(long, value_name = "DIR", help_heading = "Labelled ends")]
    truth: Vec<PathBuf>,
    /// Learn from the training table of this model too: a model file, or `bundled`
    #[arg(long, value_name = "MODEL", help_heading = "Labelled ends")]
    base: Option<String>,
    /// How many ends each of your labels counts for, 0.1 to 1000
    #[arg(long, value_name = "NUMBER", default_value_t = 1.0, help_heading = "Labelled ends")]
    weight: f64,
    /// Name of these labels in the training table
    #[arg(long, value_name = "WORD", help_heading = "Labelled ends")]
    source: Option<String>,
    /// Picture family of these labels, INSTRUMENT or INSTRUMENT/LIGHT: instruments, and lights, are left out of learning in
    /// turn, to see how the model fares on pictures of another kind [default: the family that --truth names, else the source]
    #[arg(long, value_name = "WORD", help_heading = "Labelled ends")]
    family: Option<String>,

    /// What labels by measured shape: one tree that can be read, or a forest
    #[arg(long, value_enum, default_value_t = KindArg::Tree, help_heading = "Method")]
    kind: KindArg,
    /// Feature that must not be used (`breakface settings --features` lists them), e.g. one that your microscope cannot
    /// show, such as dye_hue_deg in grey pictures; may be given more than once
    #[arg(long, value_name = "FEATURE", help_heading = "Method")]
    without: Vec<String>,
    /// Settings (TOML); see `breakface settings`
    #[arg(short, long, value_name = "FILE", help_heading = "Method")]
    settings: Option<PathBuf>,

    /// Model file to write (.json)
    #[arg(short, long, value_name = "MODEL.json", help_heading = "Output")]
    out: PathBuf,
    /// Write the training table alone (MODEL.training.csv), to train from it later with --ends
    #[arg(long, help_heading = "Output")]
    table_only: bool,
    /// Name of the model, for people [default: name of the file]
    #[arg(long, value_name = "NAME", help_heading = "Output")]
    name: Option<String>,
    /// Replace files that are there
    #[arg(short, long, help_heading = "Output")]
    force: bool,
    /// Write the figures as JSON on standard output
    #[arg(long, help_heading = "Output")]
    json: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
enum KindArg {
    Tree,
    Forest,
}

/// Runs `train`.
pub fn run(args: Args) -> anyhow::Result<Code> {
    let settings = Settings::load_or_default(args.settings.as_deref())?;
    check(&args)?;
    model_files::go_on(&args.out)?;
    let own = own_rows(&args, &settings)?;
    let base = args.base.as_deref().map(base_table).transpose()?;
    let known = match &base {
        Some(base) => base.model.clone(),
        None => Some(Model::bundled()?),
    };
    warn_out_of_range(known.as_ref(), &own, &settings);
    let n_own = own.len();
    let table = base.map(|b| b.table).unwrap_or_default().with(own);
    if args.table_only {
        let path = args.out.with_extension("training.csv");
        breakface::table::write_atomic(&path, &table.to_csv())?;
        tell!("{}: {} ends", path.display(), table.rows().len());
        return Ok(Code::Done);
    }
    let options = Options {
        name: args.name.clone().unwrap_or_else(|| stem(&args.out)),
        kind: if args.kind == KindArg::Forest { Kind::Forest } else { Kind::Tree },
        without: args.without.clone(),
    };
    let n_both = table.contradictions();
    if 0 < n_both {
        note!(
            "note: {} in the table both as sheared and as tensile; keep one row of each",
            counted(n_both, "end is", "ends are")
        );
    }
    let trained = train(&table, &settings.label, &options).map_err(with_hint)?;
    model_files::write(&args.out, &trained, &table)?;
    if args.json {
        tell!("{}", serde_json::to_string_pretty(&as_json(&args.out, &trained, &table, n_own))?);
    } else {
        tell(&args.out, &trained, &table, n_own);
        guide_further(&args, &settings)?;
    }
    for warning in &trained.warnings {
        note!("warning: {warning}");
    }
    Ok(Code::Done)
}

fn with_hint(error: TrainError) -> anyhow::Error {
    match error {
        TrainError::Empty => anyhow::anyhow!("{error}; give RESULTS with --labels, --controls or --truth, or --ends"),
        TrainError::OneClass { .. } => anyhow::anyhow!("{error}; add labels of the other kind, or --base bundled"),
        TrainError::UnknownFeature { .. } => anyhow::anyhow!("{error}; `breakface settings --features` lists them"),
        other => other.into(),
    }
}

fn check(args: &Args) -> anyhow::Result<()> {
    if !(0.1..=1000.0).contains(&args.weight) {
        bail!("--weight: expected a number from 0.1 to 1000, found {}", args.weight);
    }
    let of_results = !args.labels.is_empty() || args.controls || !args.truth.is_empty();
    if of_results && args.results.is_empty() {
        bail!("--labels, --controls and --truth need RESULTS: the folder that `breakface classify` wrote");
    }
    if !of_results && !args.results.is_empty() {
        bail!("RESULTS alone have no labels: add --labels FILE, --controls or --truth DIR");
    }
    if args.out.extension().is_none_or(|e| e != "json") {
        bail!("--out {}: expected a file that ends in .json", args.out.display());
    }
    if !args.force {
        for path in model_files::paths(&args.out) {
            if path.exists() {
                bail!("{}: is there already; choose another name, or add --force", path.display());
            }
        }
    }
    Ok(())
}

fn stem(path: &Path) -> String {
    path.file_stem().map_or_else(|| "model".to_owned(), |s| s.to_string_lossy().into_owned())
}

fn own_rows(args: &Args, settings: &Settings) -> anyhow::Result<Vec<TrainingRow>> {
    let mut rows = Vec::new();
    let mut take = |gathered: Gathered, what: &str| {
        if 0 < gathered.n_unmatched {
            note!(
                "note: {what}: {} not among the found ends, left out",
                counted(gathered.n_unmatched, "labelled end is", "labelled ends are")
            );
        }
        if 0 < gathered.n_undecided {
            note!(
                "note: {what}: labellers differ on {}, left out; decide with `breakface review --adjudicate`, or name one with --labeller",
                counted(gathered.n_undecided, "end", "ends")
            );
        }
        rows.extend(gathered.rows);
    };
    for folder in &args.results {
        let results = Results::load(folder)?;
        for file in &args.labels {
            let labels = by_labeller(read_labels(file)?, args.labeller.as_deref());
            let ours: Vec<_> = labels.into_iter().filter(|l| results.image(&l.image).is_some()).collect();
            take(from_labels(&results, &ours, &settings.label, args.weight), &file.display().to_string());
        }
        if args.controls {
            take(from_controls(&results, args.weight), "controls");
        }
        for dir in &args.truth {
            let truth = read_truth(dir)?.into_iter().filter(|(image, _)| has_picture(&results, image)).collect();
            take(from_truth(&results, &truth, &settings.label, args.weight), &dir.display().to_string());
        }
    }
    for file in &args.ends {
        let bytes = breakface::files::read_regular(file).with_context(|| format!("table {}", file.display()))?;
        let table = TrainingTable::from_csv(&file.display().to_string(), &bytes)?;
        rows.extend(table.rows().iter().cloned().map(|r| TrainingRow { weight: r.weight * args.weight, ..r }));
    }
    if let Some(source) = &args.source {
        for row in &mut rows {
            // A family named like the source follows it.
            if row.family == row.source {
                row.family.clone_from(source);
            }
            row.source.clone_from(source);
        }
    }
    if let Some(family) = &args.family {
        rows.iter_mut().for_each(|r| r.family = family_name(family, &r.family, &r.source));
    }
    Ok(rows)
}

fn has_picture(results: &Results, image: &str) -> bool {
    results.images.iter().any(|i| breakface::train::ground_truth::base_name(&i.series.image) == image)
}

/// `rendered/sem` of family `rendered` and light `sem`; the family alone where it names a light itself or none is known.
fn family_name(family: &str, light: &str, source: &str) -> String {
    let known = !light.contains('/') && light != source && light != "truth" && !family.contains('/');
    if known { format!("{family}/{light}") } else { family.to_owned() }
}

/// What is learnt from beside the new labels.
struct Base {
    table: TrainingTable,
    /// Missing for a model that version 0.1.0 wrote.
    model: Option<Model>,
}

fn base_table(base: &str) -> anyhow::Result<Base> {
    if base == "bundled" {
        return Ok(Base { table: TrainingTable::bundled()?, model: Some(Model::bundled()?) });
    }
    let path = Path::new(base);
    model_files::go_on(path)?;
    let bytes = breakface::files::read_regular(path).with_context(|| format!("model {base}"))?;
    let model = match Model::from_json(&bytes) {
        Err(ModelError::Old) => None,
        model => Some(model.with_context(|| format!("model {base}"))?),
    };
    let beside = path.with_extension("training.csv");
    let rows = breakface::files::read_regular(&beside)
        .with_context(|| format!("{}: the training table of the model must lie beside it", beside.display()))?;
    let name = beside.display().to_string();
    if training_digest(&bytes).is_some_and(|digest| digest != digest_of(&rows)) {
        bail!("{name}: is not the table this model learnt from; keep model and table together");
    }
    Ok(Base { table: TrainingTable::from_csv(&name, &rows)?, model })
}

/// Says when the new ends are unlike those the base model knows.
fn warn_out_of_range(model: Option<&Model>, own: &[TrainingRow], settings: &Settings) {
    let Some(model) = model else { return };
    let outside = own.iter().filter(|r| !model.out_of_range(&r.features).is_empty()).count();
    if settings.label.out_of_range_share * (own.len() as f64) < outside as f64 {
        note!(
            "{outside} of {} new ends lie outside the range that model \"{}\" learnt from: new material, or another microscope",
            own.len(),
            model.name
        );
    }
}

fn tell(out: &Path, trained: &Trained, table: &TrainingTable, n_own: usize) {
    let figures = &trained.model.figures;
    let (sheared, tensile) = (table.count(Label::Sheared), table.count(Label::Tensile));
    tell!(
        "{}: {} from {sheared} sheared and {tensile} tensile ends, {n_own} of them new",
        out.display(),
        trained.model.kind()
    );
    tell!("shape tree: {} questions deep, {} leaves", trained.model.tree.depth(), trained.model.tree.n_leaves());
    if let Some(b) = figures.balanced_accuracy {
        tell!(
            "on specimens not learnt from: balanced accuracy {b:.3}, sensitivity {}/{}, specificity {}/{}, unclear {} of {}",
            figures.sensitivity.right,
            figures.sensitivity.of,
            figures.specificity.right,
            figures.specificity.of,
            figures.n_unclear,
            trained.confusion.n()
        );
    }
    let number = |v: Option<f64>| v.map_or("-".to_owned(), |v| format!("{v:.3}"));
    let rate = |r: Rate| format!("{}/{}", r.right, r.of);
    tell!(
        "with a verdict: sheared {}, tensile {}; contradictions {}",
        rate(figures.coverage_sheared),
        rate(figures.coverage_tensile),
        figures.n_contradictions
    );
    tell!(
        "one witness alone, verdict on every end: shape {} (a forest {}), appearance {}; calibration error of both {}",
        number(figures.tree_without_unclear),
        number(figures.forest_without_unclear),
        number(figures.appearance_without_unclear),
        number(figures.calibration_error)
    );
    if 0 < figures.families {
        tell!(
            "on picture families left out ({}): balanced accuracy {}, with a verdict {}",
            figures.families,
            number(figures.families_balanced_accuracy),
            number(figures.families_coverage)
        );
    }
}

/// Figures of the model for scripts.
fn as_json(out: &Path, trained: &Trained, table: &TrainingTable, n_own: usize) -> Value {
    let figures = &trained.model.figures;
    json!({
        "schema": "breakface-train/1", "model": out, "kind": trained.model.kind(), "digest": trained.model.digest(),
        "sheared": table.count(Label::Sheared), "tensile": table.count(Label::Tensile), "new": n_own,
        "depth": trained.model.tree.depth(), "leaves": trained.model.tree.n_leaves(),
        "cross_validated": super::evaluate::confusion_json(&trained.confusion),
        "families": figures.families, "families_balanced_accuracy": figures.families_balanced_accuracy,
        "calibration_error": figures.calibration_error, "warnings": trained.warnings,
    })
}

/// Says where more labels of one's own are worth most, while they are few and no other model is behind them.
fn guide_further(args: &Args, settings: &Settings) -> anyhow::Result<()> {
    if args.labels.is_empty() || args.base.is_some() {
        return Ok(());
    }
    let mut specimens: BTreeMap<String, Labelled> = BTreeMap::new();
    for folder in &args.results {
        let results = Results::load(folder)?;
        let mut rows = Vec::new();
        for file in &args.labels {
            rows.extend(by_labeller(read_labels(file)?, args.labeller.as_deref()));
        }
        let placed = place(&rows, &results.ends, &settings.label);
        let said: BTreeMap<(&str, Option<EndRef>), Option<HandLabel>> =
            effective(&placed).into_iter().map(|r| ((r.image.as_str(), r.end), r.label)).collect();
        for end in &results.ends {
            let labelled = specimens.entry(end.specimen.clone()).or_default();
            labelled.ends += 1;
            match said.get(&(end.image.as_str(), Some(EndRef::Found(end.end)))).copied().flatten() {
                Some(HandLabel::Sheared) => labelled.sheared += 1,
                Some(HandLabel::Tensile) => labelled.tensile += 1,
                Some(HandLabel::Unclear | HandLabel::NotAnEnd) => labelled.other += 1,
                None => {}
            }
        }
    }
    let guide = guide(&specimens);
    if 0 < guide.more {
        let places: Vec<String> = guide.specimens.iter().take(6).map(|(name, n)| format!("{n} in {name}")).collect();
        tell!(
            "label {} more ends for a better model: {}; `breakface review` goes through them in turns",
            guide.more,
            places.join(", ")
        );
    }
    if let Some(label) = guide.scarce {
        tell!("few of the labels are {label}: look for more of them");
    }
    Ok(())
}
