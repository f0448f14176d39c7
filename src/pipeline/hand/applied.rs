//! What hand labels have changed, and what a specimen's fraction was before and is after.

use crate::labels::{HandLabel, ReviewedEnd};
use crate::pipeline::scores::Scores;
use crate::table::{format_number, guard_formula};
use serde::Serialize;

/// What hand labels have changed.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct Applied {
    /// Ends whose label is by hand.
    pub n_labelled: usize,
    /// Of these, ends that the model had called something else.
    pub n_changed: usize,
    /// Ends added by hand.
    pub n_added: usize,
    /// Found ends that are none.
    pub n_not_an_end: usize,
    /// Pictures with hand labels that lie outside them; these do not count.
    pub outside: Vec<String>,
    /// Pictures with hand labels that are not part of the run.
    pub pictures_not_here: Vec<String>,
    /// Fractions of each specimen.
    pub specimens: Vec<BothFractions>,
    /// Fractions of each knot.
    pub knots: Vec<BothFractions>,
}

/// The sheared fraction of a specimen or knot, as labelled by the model and after review.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BothFractions {
    /// Specimen; or knot and line.
    pub name: String,
    /// Hand labels in it; not counted for knots.
    pub n_hand: Option<usize>,
    /// By the model.
    pub model: Fraction,
    /// With hand labels in place.
    pub reviewed: Fraction,
}

/// A fraction with its interval.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize)]
pub struct Fraction {
    /// The fraction.
    pub value: Option<f64>,
    /// Lower end of its interval.
    pub low: Option<f64>,
    /// Upper end of its interval.
    pub high: Option<f64>,
}

impl Applied {
    /// Of the reviewed ends of a run, with its scores before and after. Pictures that are not part of it are not known here.
    pub(super) fn new(reviewed: &[ReviewedEnd], before: &Scores, after: &Scores) -> Self {
        let labelled = || reviewed.iter().filter(|e| e.hand.is_some());
        let is_gone = |e: &ReviewedEnd| e.hand == Some(HandLabel::NotAnEnd);
        let specimens = after.specimens.iter().map(|s| {
            let model = before.specimens.iter().find(|b| b.specimen == s.specimen);
            BothFractions {
                name: s.specimen.clone(),
                n_hand: Some(labelled().filter(|e| e.row.specimen == s.specimen).count()),
                model: model.map(|b| fraction(b.sheared_fraction, b.sheared_low, b.sheared_high)).unwrap_or_default(),
                reviewed: fraction(s.sheared_fraction, s.sheared_low, s.sheared_high),
            }
        });
        let knots = after.knots.iter().map(|k| {
            let model = before.knots.iter().find(|b| b.knot == k.knot && b.line == k.line);
            BothFractions {
                name: [Some(k.knot.as_str()), k.line.as_deref()].into_iter().flatten().collect::<Vec<_>>().join(", "),
                n_hand: None,
                model: model.map(|b| fraction(b.sheared_fraction, b.sheared_low, b.sheared_high)).unwrap_or_default(),
                reviewed: fraction(k.sheared_fraction, k.sheared_low, k.sheared_high),
            }
        });
        Self {
            n_labelled: labelled().count(),
            n_changed: labelled().filter(|e| is_gone(e) || e.model.is_some_and(|m| m != e.row.label)).count(),
            n_added: reviewed.iter().filter(|e| e.model.is_none()).count(),
            n_not_an_end: reviewed.iter().filter(|e| is_gone(e)).count(),
            outside: Vec::new(),
            pictures_not_here: Vec::new(),
            specimens: specimens.collect(),
            knots: knots.collect(),
        }
    }

    /// `review.csv`.
    pub(super) fn to_csv(&self) -> Vec<u8> {
        let mut writer = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(Vec::new());
        let mut header = vec!["of".to_owned(), "name".into(), "n_hand_labels".into()];
        for whose in ["model", "reviewed"] {
            header.extend(["fraction", "low", "high"].map(|part| format!("sheared_{part}_{whose}")));
        }
        // Writing to memory cannot fail, and all records have the length of the header.
        const CANNOT_FAIL: &str = "records of one length are written to memory";
        writer.write_record(&header).expect(CANNOT_FAIL);
        let cell = |v: Option<f64>| v.map(format_number).unwrap_or_default();
        for (of, scores) in [("specimen", &self.specimens), ("knot", &self.knots)] {
            for score in scores {
                let mut record = vec![of.to_owned(), guard_formula(&score.name)];
                record.push(score.n_hand.map(|n| n.to_string()).unwrap_or_default());
                for fraction in [score.model, score.reviewed] {
                    record.extend([fraction.value, fraction.low, fraction.high].map(cell));
                }
                writer.write_record(record).expect(CANNOT_FAIL);
            }
        }
        writer.into_inner().expect(CANNOT_FAIL)
    }
}

fn fraction(value: Option<f64>, low: Option<f64>, high: Option<f64>) -> Fraction {
    Fraction { value, low, high }
}
