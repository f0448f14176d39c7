//! Every way in which rows are parted, and what the trees of each part say of the ends they have not seen.

use super::cross::{ALWAYS_LEARNT, Folds, Grown, Plan, Variant, family_folds, folds, unseen};
use super::judge::{Evidence, Repeat, judge_repeat};
use crate::settings::LabelSettings;

/// What testifies for the shape.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Kind {
    /// One tree.
    #[default]
    Tree,
    /// Many trees that vote; the single tree stays in the model to be read.
    Forest,
}

/// Every way in which the rows are parted.
pub struct Splits {
    /// Repeats by specimen; none when there is only one.
    pub by_specimen: Vec<Folds>,
    /// By picture family, when there are several: by instrument, then by light.
    pub by_family: Vec<Folds>,
    /// Repeats by end, used to fit (never to judge) when there is only one specimen.
    by_end: Vec<Folds>,
}

impl Splits {
    /// Splits of rows with these specimens and families.
    pub fn new(groups: &[usize], families: &[&str], classes: &[usize], settings: &LabelSettings) -> Self {
        let by_specimen = folds(groups, settings);
        let each: Vec<usize> = (0..groups.len()).collect();
        let by_end = if by_specimen.is_empty() { folds(&each, settings) } else { Vec::new() };
        Self { by_specimen, by_family: family_folds(families, classes), by_end }
    }

    /// The repeats that choices and calibrations are made on.
    pub fn fitting(&self) -> &[Folds] {
        if self.by_specimen.is_empty() { &self.by_end } else { &self.by_specimen }
    }

    /// Folds by specimen and number of families, 0 where nothing can be judged.
    pub fn numbers(&self) -> (u32, u32) {
        let n = |repeats: &[Folds]| {
            let mut folds: Vec<usize> = repeats.first().cloned().unwrap_or_default();
            folds.retain(|f| *f != ALWAYS_LEARNT);
            folds.sort_unstable();
            folds.dedup();
            folds.len() as u32
        };
        (n(&self.by_specimen), n(&self.by_family))
    }
}

/// Raw probabilities by shape on unseen ends.
pub struct Raw {
    /// Of the witness, in each repeat that fits.
    shape: Vec<Vec<f64>>,
    /// Of the witness, with each family left out.
    by_family: Vec<Vec<f64>>,
    /// Of the single tree in each repeat.
    pub tree: Vec<Vec<f64>>,
    /// Of a forest; in one repeat when it is only compared.
    pub forest: Vec<Vec<f64>>,
}

impl Raw {
    /// Grows and judges all parts.
    pub fn new(plan: Plan<'_>, splits: &Splits, variant: Variant, kind: Kind) -> Self {
        let one = |folds: &Folds, grown: Grown<'_>| unseen(plan, folds, grown).swap_remove(0);
        let variants = [variant];
        let tree: Vec<Vec<f64>> = splits.fitting().iter().map(|f| one(f, Grown::Tree(&variants))).collect();
        let n = if kind == Kind::Forest { splits.fitting().len() } else { 1 };
        let grown = Grown::Forest(variant.rule);
        let forest: Vec<Vec<f64>> = splits.fitting().iter().take(n).map(|f| one(f, grown)).collect();
        let (grown, shape) = match kind {
            Kind::Forest => (grown, forest.clone()),
            Kind::Tree => (Grown::Tree(&variants), tree.clone()),
        };
        Self { shape, by_family: splits.by_family.iter().map(|f| one(f, grown)).collect(), tree, forest }
    }

    /// Both witnesses on specimens left out, in each repeat.
    pub fn judged_by_specimen<'a>(
        &'a self,
        splits: &Splits,
        evidence: impl Fn(&'a [f64]) -> Evidence<'a>,
        settings: &LabelSettings,
    ) -> Vec<Repeat> {
        judged(&splits.by_specimen, &self.shape, evidence, settings)
    }

    /// Both witnesses on families left out.
    pub fn judged_by_family<'a>(
        &'a self,
        splits: &Splits,
        evidence: impl Fn(&'a [f64]) -> Evidence<'a>,
        settings: &LabelSettings,
    ) -> Vec<Repeat> {
        judged(&splits.by_family, &self.by_family, evidence, settings)
    }

    /// All unseen ends together: the repeats by specimen count once in all, those by family once in all. Without any, the
    /// ends as the final tree sees them (`own`).
    pub fn pool(&self, splits: &Splits, own: Evidence<'_>) -> Pool {
        let mut pool = Pool::default();
        for (repeats, folds) in [(&self.shape, splits.fitting()), (&self.by_family, splits.by_family.as_slice())] {
            for (shape, folds) in repeats.iter().zip(folds) {
                let judged = |r: &usize| folds[*r] != ALWAYS_LEARNT;
                pool.add(&Evidence { shape, ..own }, 1.0 / repeats.len() as f64, judged);
            }
        }
        if pool.classes.is_empty() {
            pool.add(&own, 1.0, |_| true);
        }
        pool
    }
}

/// Both witnesses in each repeat: on every part by what the others teach.
fn judged<'a>(
    repeats: &[Folds],
    shapes: &'a [Vec<f64>],
    evidence: impl Fn(&'a [f64]) -> Evidence<'a>,
    settings: &LabelSettings,
) -> Vec<Repeat> {
    let repeats = repeats.iter().zip(shapes);
    repeats.map(|(folds, shape)| judge_repeat(evidence(shape), folds, settings)).collect()
}

/// Evidence on unseen ends, gathered over repeats.
#[derive(Default)]
pub struct Pool {
    shape: Vec<f64>,
    appearance: Vec<Option<f64>>,
    classes: Vec<usize>,
    weights: Vec<f64>,
    times: usize,
}

impl Pool {
    fn add(&mut self, evidence: &Evidence<'_>, share: f64, judged: impl Fn(&usize) -> bool) {
        let rows: Vec<usize> = (0..evidence.classes.len()).filter(judged).collect();
        self.shape.extend(rows.iter().map(|&r| evidence.shape[r]));
        self.appearance.extend(rows.iter().map(|&r| evidence.appearance[r]));
        self.classes.extend(rows.iter().map(|&r| evidence.classes[r]));
        self.weights.extend(rows.iter().map(|&r| evidence.weights[r] * share));
        self.times += 1;
    }

    /// The pooled evidence.
    pub fn evidence(&self) -> Evidence<'_> {
        Evidence {
            shape: &self.shape,
            appearance: &self.appearance,
            classes: &self.classes,
            weights: &self.weights,
            times: self.times,
        }
    }

    /// Positions of all its ends.
    pub fn all(&self) -> Vec<usize> {
        (0..self.classes.len()).collect()
    }
}
