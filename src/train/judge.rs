//! Both witnesses on unseen ends: calibrations, weights and band of each fold come from the other folds.

use super::band::{BandLimits, Judged, choose_band};
use super::calibrate::{CalibrationPrior, Seen, fit_calibration};
use super::confusion::Confusion;
use super::cross::{ALWAYS_LEARNT, Folds, n_folds};
use super::fit::Rows;
use crate::settings::LabelSettings;
use crate::tree::model::UnclearBand;
use crate::tree::witness::{Testimony, Witness, Witnesses, log_odds};
use crate::tree::{CLASSES, Label};
use std::collections::BTreeMap;

/// What is known of each row: raw probabilities by both witnesses.
#[derive(Debug, Clone, Copy)]
pub struct Evidence<'a> {
    /// Raw probability by shape of each row.
    pub shape: &'a [f64],
    /// The network's impression of each row, where there is one.
    pub appearance: &'a [Option<f64>],
    /// Class of each row, from 0.
    pub classes: &'a [usize],
    /// Weight of each row, both classes weighing the same.
    pub weights: &'a [f64],
    /// How many rows there are of each end.
    pub times: usize,
}

/// Witnesses and band.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Court {
    /// Both witnesses.
    pub witnesses: Witnesses,
    /// Where there is no verdict.
    pub unclear: UnclearBand,
}

impl Court {
    /// What is said of one end.
    pub fn label(&self, heard: &Testimony) -> Label {
        match heard.p_sheared {
            Some(p) if !heard.contradict => self.unclear.label(p),
            _ => Label::Unclear,
        }
    }
}

/// Weights of a witness that are tried: a witness may be believed at most as it says, and is never muted by the other.
const WEIGHTS: [f64; 6] = [1.0, 0.9, 0.8, 0.7, 0.6, 0.5];

impl Evidence<'_> {
    /// Calibrates both witnesses on the picked rows, weighs them and chooses the band.
    pub fn fit(&self, picked: &[usize], settings: &LabelSettings) -> Court {
        let shape = self.calibrated(picked, settings, |r| Some(self.shape[r]));
        let appearance = self.calibrated(picked, settings, |r| self.appearance[r]);
        let mut witnesses = Witnesses { shape, appearance, decided: log_odds(settings.decided) };
        let mut least = f64::INFINITY;
        for shape in WEIGHTS {
            for appearance in WEIGHTS {
                let mut tried = witnesses;
                (tried.shape.weight, tried.appearance.weight) = (shape, appearance);
                let loss = self.loss(picked, &tried);
                if loss < least {
                    (least, witnesses) = (loss, tried);
                }
            }
        }
        Court { witnesses, unclear: choose_band(&self.judged(picked, &witnesses), limits(settings)) }
    }

    /// One witness, capped by what may be said at all and by how many ends it was heard on.
    fn calibrated(&self, picked: &[usize], settings: &LabelSettings, raw: impl Fn(usize) -> Option<f64>) -> Witness {
        let end = |&r: &usize| raw(r).map(|p| Seen { p, sheared: self.classes[r] == 0, weight: self.weights[r] });
        let seen: Vec<Seen> = picked.iter().filter_map(end).collect();
        let n = seen.iter().filter(|s| s.sheared).count();
        // No claim is stronger than that of the rule of succession after nothing but right answers.
        let earned = ((n.min(seen.len() - n) / self.times.max(1)) as f64 + 1.0).ln();
        let calibration = fit_calibration(&seen, CalibrationPrior::WEAK);
        let cap = crate::table::tidy(earned.min(log_odds(settings.witness_cap)));
        Witness { calibration, cap, weight: 1.0 }
    }

    /// Mean log loss of both witnesses together.
    fn loss(&self, picked: &[usize], witnesses: &Witnesses) -> f64 {
        let one = |&r: &usize| {
            let p = self.hear(r, witnesses).p_sheared.unwrap_or(0.5);
            -self.weights[r] * if self.classes[r] == 0 { p.ln() } else { (1.0 - p).ln() }
        };
        picked.iter().map(one).sum::<f64>() / picked.len().max(1) as f64
    }

    fn hear(&self, row: usize, witnesses: &Witnesses) -> Testimony {
        witnesses.hear(Some(self.shape[row]), self.appearance[row])
    }

    /// The picked rows as the band looks at them.
    pub fn judged(&self, picked: &[usize], witnesses: &Witnesses) -> Vec<Judged> {
        let one = |&r: &usize| {
            let heard = self.hear(r, witnesses);
            Judged {
                p: heard.p_sheared.unwrap_or(0.5),
                sheared: self.classes[r] == 0,
                weight: self.weights[r],
                contradict: heard.contradict,
            }
        };
        picked.iter().map(one).collect()
    }
}

/// What the band may cost.
pub fn limits(settings: &LabelSettings) -> BandLimits {
    BandLimits { max_unclear: settings.max_unclear, accepted_error: settings.accepted_error }
}

/// Labels of unseen ends in one repeat.
#[derive(Debug, Clone)]
pub struct Repeat {
    /// Probability, truth and weight of each row.
    pub seen: Vec<Seen>,
    /// Label of each row; missing for those that were never judged.
    pub said: Vec<Option<Label>>,
    /// Whether the witnesses contradicted each other.
    pub contradict: Vec<bool>,
}

/// Judges every row by what the other folds teach of witnesses and band.
pub fn judge_repeat(evidence: Evidence<'_>, folds: &Folds, settings: &LabelSettings) -> Repeat {
    let n = folds.len();
    let end = |r: usize| Seen { p: 0.5, sheared: evidence.classes[r] == 0, weight: evidence.weights[r] };
    let mut out = Repeat { seen: (0..n).map(end).collect(), said: vec![None; n], contradict: vec![false; n] };
    for fold in 0..n_folds(folds) {
        let judged: Vec<usize> = (0..n).filter(|&r| folds[r] == fold).collect();
        if judged.is_empty() {
            continue;
        }
        let others: Vec<usize> = (0..n).filter(|&r| folds[r] != fold && folds[r] != ALWAYS_LEARNT).collect();
        let court = evidence.fit(&others, settings);
        for r in judged {
            let heard = evidence.hear(r, &court.witnesses);
            out.seen[r].p = heard.p_sheared.unwrap_or(0.5);
            out.said[r] = Some(court.label(&heard));
            out.contradict[r] = heard.contradict;
        }
    }
    out
}

/// Truth against label in each repeat.
pub fn confusions(rows: &Rows, repeats: &[Repeat]) -> Vec<Confusion> {
    let count = |repeat: &Repeat| {
        let mut table = Confusion::default();
        for (r, said) in repeat.said.iter().enumerate() {
            said.iter().for_each(|&s| table.add(CLASSES[rows.classes[r]], s));
        }
        table
    };
    repeats.iter().map(count).collect()
}

/// Figures of one source of labels, one specimen or one picture family.
#[derive(Debug, Clone, PartialEq)]
pub struct PartFigures {
    /// Source, specimen or family.
    pub name: String,
    /// Truth against label on unseen ends, mean over repeats.
    pub confusion: Confusion,
}

/// Mean confusion of each named part, in order of names.
pub fn by_part(rows: &Rows, repeats: &[Repeat], names: &[&str]) -> Vec<PartFigures> {
    let mut parts: BTreeMap<&str, Vec<Confusion>> = BTreeMap::new();
    for (i, repeat) in repeats.iter().enumerate() {
        for (row, label) in repeat.said.iter().enumerate().filter_map(|(r, s)| s.map(|s| (r, s))) {
            let tables = parts.entry(names[row]).or_insert_with(|| vec![Confusion::default(); repeats.len()]);
            tables[i].add(CLASSES[rows.classes[row]], label);
        }
    }
    let mean = |(name, tables): (&str, Vec<Confusion>)| PartFigures {
        name: name.to_owned(),
        confusion: Confusion::mean(&tables),
    };
    parts.into_iter().map(mean).collect()
}
