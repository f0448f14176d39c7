//! What was flagged, worst first, with the evidence in one line each. Works from saved tables alone.

use crate::face::estimate::{Estimate, verdict};
use crate::flag::{self, About, Flag, Severity};
use crate::series::Kind;
use crate::settings::FaceSettings;
use crate::stats::Interval;
use crate::table::{Basis, FaceVerdict, ImageRow, KnotRow, SpecimenRow};

/// One raised flag.
#[derive(Debug, Clone, PartialEq)]
pub struct Flagged {
    /// What it is about.
    pub about: About,
    /// Specimen code, knot (with its line) or picture.
    pub subject: String,
    /// Name of the flag.
    pub flag: String,
    /// How much it matters.
    pub severity: Severity,
    /// The figures behind it.
    pub figures: String,
    /// One line: the figures behind it, and what to do.
    pub evidence: String,
    /// Sheared fraction of the subject, when it has one.
    pub sheared_fraction: Option<f64>,
    /// Lower end of its interval.
    pub sheared_low: Option<f64>,
    /// Upper end of its interval.
    pub sheared_high: Option<f64>,
}

/// Every flag of specimens, knots and pictures. Verdicts are taken anew from the saved intervals, so that thresholds can be moved;
/// all other flags are as they were raised.
pub fn flagged(
    specimens: &[SpecimenRow],
    knots: &[KnotRow],
    images: &[ImageRow],
    settings: &FaceSettings,
) -> Vec<Flagged> {
    let mut found: Vec<Flagged> = Vec::new();
    found.extend(specimens.iter().flat_map(|s| of_specimen(s, (specimens, images), settings)));
    found.extend(knots.iter().flat_map(|k| of_knot(k, specimens, settings)));
    found.extend(images.iter().flat_map(of_picture));
    // Worst first: by weight of the flag, then by how much was surely sheared.
    found.sort_by(|a, b| {
        // Flags that this version does not know come last.
        let place = |f: &Flagged| Flag::from_name(&f.flag).map_or((1, None), |flag| (0, Some(flag)));
        let low = |f: &Flagged| f.sheared_low.unwrap_or(-1.0);
        (a.severity, place(a))
            .cmp(&(b.severity, place(b)))
            .then(low(b).total_cmp(&low(a)))
            .then_with(|| a.subject.cmp(&b.subject))
    });
    found
}

fn estimate(fraction: Option<f64>, low: Option<f64>, high: Option<f64>) -> Option<Estimate> {
    Some(Estimate { fraction: fraction?, interval: Interval { low: low?, high: high? } })
}

/// Saved flags with those that follow from the verdict taken anew.
fn names(saved: &str, renewed: [(Flag, bool); 2]) -> Vec<&str> {
    let kept = flag::split(saved).filter(|n| renewed.iter().all(|(flag, _)| flag.name() != *n));
    kept.chain(renewed.into_iter().filter(|(_, raised)| *raised).map(|(flag, _)| flag.name())).collect()
}

fn of_specimen(
    s: &SpecimenRow,
    (specimens, images): (&[SpecimenRow], &[ImageRow]),
    settings: &FaceSettings,
) -> Vec<Flagged> {
    let found = estimate(s.sheared_fraction, s.sheared_low, s.sheared_high);
    let labelled = s.n_sheared + s.n_tensile;
    let verdict = verdict(found, labelled, settings);
    let shear = verdict == FaceVerdict::MostlyShear && s.kind != Some(Kind::Cut);
    let renewed = [(Flag::MostlyShear, shear), (Flag::TooFewEnds, verdict == FaceVerdict::TooFew)];
    let share = percent(found);
    let of = |n: u32, one: &str, many: &str| format!("{n} {}", if n == 1 { one } else { many });
    let ends = of(labelled, "labelled end", "labelled ends");
    let figures = format!("{share} of {ends} sheared ({}), {} unclear", basis_word(s), s.n_unclear);
    let seen = of(s.carriers_seen, "carrier", "carriers");
    let carriers = format!("{figures}; {} of {seen} cut through", s.carriers_cut);
    names(&s.flags, renewed)
        .into_iter()
        .map(|name| {
            let figures = match Flag::from_name(name) {
                Some(Flag::MostlyShear | Flag::OneCarrierDominates) => carriers.clone(),
                Some(Flag::ScaleContradicts) => {
                    format!("{}{}{}", diameter(s), by_picture(&s.specimen, images), of_line(s, specimens))
                }
                Some(Flag::DiameterImplausible) => format!(
                    "{}{}; expected {} to {} µm",
                    diameter(s),
                    by_picture(&s.specimen, images),
                    settings.least_diameter_um,
                    settings.largest_diameter_um
                ),
                Some(Flag::ControlFailed) => format!("{figures}; all should be {}", expected_label(s)),
                _ => figures.clone(),
            };
            raised(About::Specimen, s.specimen.clone(), name, figures, found)
        })
        .collect()
}

fn diameter(s: &SpecimenRow) -> String {
    let diameter = s.fibre_diameter_um.map_or_else(|| "unknown".into(), |d| format!("{d:.1} µm"));
    format!("median fibre diameter {diameter}")
}

/// The median fibre diameter of the other specimens of a line, where there are any.
fn of_line(s: &SpecimenRow, specimens: &[SpecimenRow]) -> String {
    let others = specimens.iter().filter(|o| o.line == s.line && o.specimen != s.specimen);
    let mut known: Vec<f64> = others.filter_map(|o| o.fibre_diameter_um).collect();
    known.sort_by(f64::total_cmp);
    known.get(known.len() / 2).map_or_else(String::new, |d| format!("; {d:.1} µm in the other specimens of this line"))
}

/// What all ends of a control should be.
fn expected_label(s: &SpecimenRow) -> &'static str {
    if s.kind == Some(Kind::Cut) { "sheared" } else { "tensile" }
}

/// The pictures of a specimen with the thinnest and the thickest fibres, where they differ.
fn by_picture(specimen: &str, images: &[ImageRow]) -> String {
    let of_specimen = images.iter().filter(|i| i.series.specimen == specimen);
    let mut known: Vec<(f64, &str)> =
        of_specimen.filter_map(|i| Some((i.median_shaft_diameter_um?, i.series.image.as_str()))).collect();
    known.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(b.1)));
    match (known.first(), known.last()) {
        (Some((thin, first)), Some((thick, last))) if first != last => {
            format!(", from {thin:.1} µm in {first} to {thick:.1} µm in {last}")
        }
        _ => String::new(),
    }
}

fn of_knot(k: &KnotRow, specimens: &[SpecimenRow], settings: &FaceSettings) -> Vec<Flagged> {
    let found = estimate(k.sheared_fraction, k.sheared_low, k.sheared_high);
    let of_knot = |s: &&SpecimenRow| s.knot.as_deref() == Some(k.knot.as_str()) && s.line == k.line;
    let labelled = specimens.iter().filter(of_knot).map(|s| s.n_sheared + s.n_tensile).sum();
    let shear = verdict(found, labelled, settings) == FaceVerdict::MostlyShear;
    let renewed = [(Flag::KnotMostlyShear, shear), (Flag::TooFewSpecimens, k.n_specimens < settings.fewest_specimens)];
    let of = if k.n_specimens == 1 { "one specimen".into() } else { format!("mean of {} specimens", k.n_specimens) };
    let mut figures = format!("{} sheared, {of}", percent(found));
    if let Some(efficiency) = k.efficiency {
        figures.push_str(&format!("; knot efficiency {:.0} %", 100.0 * efficiency));
    }
    let subject = knot_subject(k);
    names(&k.flags, renewed)
        .into_iter()
        .map(|name| raised(About::Knot, subject.clone(), name, figures.clone(), found))
        .collect()
}

fn of_picture(i: &ImageRow) -> Vec<Flagged> {
    i.warning_list()
        .map(|(name, text)| raised(About::Picture, i.series.image.clone(), name, text.to_owned(), None))
        .collect()
}

/// A knot as flags name it: with its line where that is known.
pub fn knot_subject(k: &KnotRow) -> String {
    k.line.as_ref().map_or_else(|| k.knot.clone(), |line| format!("{} ({line})", k.knot))
}

fn raised(about: About, subject: String, name: &str, figures: String, found: Option<Estimate>) -> Flagged {
    let flag = Flag::from_name(name);
    let evidence = match flag {
        Some(flag) if about != About::Picture => format!("{figures}. {}", flag.remedy()),
        _ => figures.clone(),
    };
    Flagged {
        about,
        subject,
        flag: name.to_owned(),
        severity: flag.map_or(Severity::Note, Flag::severity),
        figures,
        evidence,
        sheared_fraction: found.map(|e| e.fraction),
        sheared_low: found.map(|e| e.interval.low),
        sheared_high: found.map(|e| e.interval.high),
    }
}

fn basis_word(s: &SpecimenRow) -> &'static str {
    match s.basis {
        Some(Basis::Controls) => "corrected by the controls",
        Some(Basis::Model) => "corrected by the model's cross-validated error rates",
        Some(Basis::Raw) | None => "as labelled",
    }
}

fn percent(found: Option<Estimate>) -> String {
    let Some(Estimate { fraction, interval }) = found else { return "unknown share".into() };
    format!("{:.0} % ({:.0} to {:.0} %)", 100.0 * fraction, 100.0 * interval.low, 100.0 * interval.high)
}
