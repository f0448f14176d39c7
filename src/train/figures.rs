//! Figures of a labeller: counts of right and wrong, and what follows from them.

use super::calibrate::{Seen, calibration_error};
use super::fit::Rows;
use super::judge::{Repeat, confusions};
use crate::labels::cohen_kappa;
use crate::table::tidy;
use crate::tree::model::{Figures, Rate};
use crate::tree::{CLASSES, Label};

/// Truth against label, in ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Confusion {
    /// Sheared, called sheared.
    pub sheared_right: u64,
    /// Sheared, called tensile.
    pub sheared_wrong: u64,
    /// Sheared, called unclear.
    pub sheared_unclear: u64,
    /// Tensile, called tensile.
    pub tensile_right: u64,
    /// Tensile, called sheared.
    pub tensile_wrong: u64,
    /// Tensile, called unclear.
    pub tensile_unclear: u64,
}

impl Confusion {
    /// Counts one end; a truth that is unclear counts nowhere.
    pub fn add(&mut self, truth: Label, said: Label) {
        let cell = match (truth, said) {
            (Label::Sheared, Label::Sheared) => &mut self.sheared_right,
            (Label::Sheared, Label::Tensile) => &mut self.sheared_wrong,
            (Label::Sheared, Label::Unclear) => &mut self.sheared_unclear,
            (Label::Tensile, Label::Tensile) => &mut self.tensile_right,
            (Label::Tensile, Label::Sheared) => &mut self.tensile_wrong,
            (Label::Tensile, Label::Unclear) => &mut self.tensile_unclear,
            (Label::Unclear, _) => return,
        };
        *cell += 1;
    }

    /// Sheared ends with a verdict: right, of all.
    pub fn sensitivity(&self) -> Rate {
        Rate { right: self.sheared_right, of: self.sheared_right + self.sheared_wrong }
    }

    /// Tensile ends with a verdict: right, of all.
    pub fn specificity(&self) -> Rate {
        Rate { right: self.tensile_right, of: self.tensile_right + self.tensile_wrong }
    }

    /// Ends without a verdict.
    pub fn n_unclear(&self) -> u64 {
        self.sheared_unclear + self.tensile_unclear
    }

    /// All ends.
    pub fn n(&self) -> u64 {
        self.sensitivity().of + self.specificity().of + self.n_unclear()
    }

    /// Sheared ends with a verdict, of all sheared ends.
    pub fn coverage_sheared(&self) -> Rate {
        let given = self.sheared_right + self.sheared_wrong;
        Rate { right: given, of: given + self.sheared_unclear }
    }

    /// Tensile ends with a verdict, of all tensile ends.
    pub fn coverage_tensile(&self) -> Rate {
        let given = self.tensile_right + self.tensile_wrong;
        Rate { right: given, of: given + self.tensile_unclear }
    }

    /// Share of ends with a verdict.
    pub fn coverage(&self) -> Option<f64> {
        Rate { right: self.n() - self.n_unclear(), of: self.n() }.share()
    }

    /// Mean of sensitivity and specificity; of the one there is, when ends of only one class were seen.
    pub fn balanced_accuracy(&self) -> Option<f64> {
        let both: Vec<f64> = [self.sensitivity(), self.specificity()].into_iter().filter_map(Rate::share).collect();
        (!both.is_empty()).then(|| both.iter().sum::<f64>() / both.len() as f64)
    }

    /// Agreement with the truth beyond chance (Cohen 1960), of ends with a verdict.
    pub fn kappa(&self) -> Option<f64> {
        let cell = |n: u64| usize::try_from(n).unwrap_or(usize::MAX);
        cohen_kappa(&[
            [cell(self.sheared_right), cell(self.sheared_wrong)],
            [cell(self.tensile_wrong), cell(self.tensile_right)],
        ])
    }

    /// The mean of several tables, rounded to whole ends.
    pub fn mean(tables: &[Self]) -> Self {
        let mean = |cell: fn(&Self) -> u64| {
            let sum: u64 = tables.iter().map(cell).sum();
            let n = tables.len().max(1) as u64;
            (sum + n / 2) / n
        };
        Self {
            sheared_right: mean(|t| t.sheared_right),
            sheared_wrong: mean(|t| t.sheared_wrong),
            sheared_unclear: mean(|t| t.sheared_unclear),
            tensile_right: mean(|t| t.tensile_right),
            tensile_wrong: mean(|t| t.tensile_wrong),
            tensile_unclear: mean(|t| t.tensile_unclear),
        }
    }
}

/// Figures of a model from what it said of specimens and of families left out.
pub fn model_figures(rows: &Rows, by_specimen: &[Repeat], by_family: Option<&Repeat>) -> Figures {
    let tidied = |v: Option<f64>| v.map(tidy);
    let families = by_family.map(|f| Confusion::mean(&confusions(rows, std::slice::from_ref(f))));
    let left_out = Figures {
        families_balanced_accuracy: families.and_then(|f| tidied(f.balanced_accuracy())),
        families_coverage: families.and_then(|f| tidied(f.coverage())),
        ..Figures::default()
    };
    if by_specimen.is_empty() {
        return left_out;
    }
    let mean = Confusion::mean(&confusions(rows, by_specimen));
    let seen: Vec<Seen> = by_specimen.iter().flat_map(|r| r.seen.iter().copied()).collect();
    let contradictions: usize = by_specimen.iter().map(|r| r.contradict.iter().filter(|c| **c).count()).sum();
    Figures {
        repeats: by_specimen.len() as u32,
        sensitivity: mean.sensitivity(),
        specificity: mean.specificity(),
        n_unclear: mean.n_unclear(),
        n_contradictions: (contradictions as f64 / by_specimen.len() as f64).round() as u64,
        coverage_sheared: mean.coverage_sheared(),
        coverage_tensile: mean.coverage_tensile(),
        balanced_accuracy: tidied(mean.balanced_accuracy()),
        kappa: tidied(mean.kappa()),
        calibration_error: tidied(calibration_error(&seen)),
        ..left_out
    }
}

/// Balanced accuracy of the appearance alone with a verdict on every end that has one.
pub fn appearance_without_unclear(rows: &Rows, appearance: &[Option<f64>]) -> Option<f64> {
    let mut table = Confusion::default();
    for (row, p) in appearance.iter().enumerate().filter_map(|(row, p)| p.map(|p| (row, p))) {
        table.add(CLASSES[rows.classes[row]], if 0.5 <= p { Label::Sheared } else { Label::Tensile });
    }
    table.balanced_accuracy().map(tidy)
}

/// Balanced accuracy with a verdict on every end, mean over repeats.
pub fn without_unclear(rows: &Rows, repeats: &[Vec<f64>]) -> Option<f64> {
    let one = |p: &Vec<f64>| {
        let mut table = Confusion::default();
        for (row, &p) in p.iter().enumerate() {
            table.add(CLASSES[rows.classes[row]], if 0.5 <= p { Label::Sheared } else { Label::Tensile });
        }
        table.balanced_accuracy()
    };
    let values: Vec<f64> = repeats.iter().filter_map(one).collect();
    (!values.is_empty()).then(|| tidy(values.iter().sum::<f64>() / values.len() as f64))
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::Value;

    // scikit-learn 1.9.1 on its breast cancer data, depth 3, ten folds: 188 24 / 12 345.
    #[test]
    fn agreement_equals_scikit_learn() {
        let table = Confusion {
            sheared_right: 188,
            sheared_wrong: 24,
            tensile_wrong: 12,
            tensile_right: 345,
            ..Confusion::default()
        };
        let value: Value = serde_json::from_str(include_str!("../../tests/reference/tree.json")).unwrap();
        let expected = |key: &str| value["agreement"][key].as_f64().unwrap();
        assert!((table.kappa().unwrap() - expected("kappa")).abs() < 1e-12);
        assert!((table.kappa().unwrap() - expected("kappa_statsmodels")).abs() < 1e-12);
        assert!((table.kappa().unwrap() - 0.863100).abs() < 5e-7);
        assert!((table.balanced_accuracy().unwrap() - expected("balanced_accuracy")).abs() < 1e-12);
        assert!((table.sensitivity().share().unwrap() - expected("sensitivity")).abs() < 1e-12);
        assert!((table.specificity().share().unwrap() - expected("specificity")).abs() < 1e-12);
    }

    // By hand: 3 x 2 table with one unclear end of each kind.
    #[test]
    fn unclear_ends_lower_coverage_and_nothing_else() {
        let mut table = Confusion::default();
        for (truth, said) in [
            (Label::Sheared, Label::Sheared),
            (Label::Sheared, Label::Unclear),
            (Label::Tensile, Label::Tensile),
            (Label::Tensile, Label::Sheared),
            (Label::Tensile, Label::Unclear),
            (Label::Unclear, Label::Sheared),
        ] {
            table.add(truth, said);
        }
        assert_eq!((table.n(), table.n_unclear(), table.coverage()), (5, 2, Some(0.6)));
        assert_eq!(table.balanced_accuracy(), Some(0.75));
    }

    #[test]
    fn nothing_gives_nothing() {
        let table = Confusion::default();
        assert_eq!((table.coverage(), table.balanced_accuracy(), table.kappa()), (None, None, None));
        let cut_only = Confusion { sheared_right: 3, sheared_wrong: 1, ..table };
        assert_eq!(cut_only.balanced_accuracy(), Some(0.75));
    }
}
