//! Truth against label, counted, and what follows from the counts.

use crate::labels::cohen_kappa;
use crate::tree::Label;
use crate::tree::model::Rate;

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
