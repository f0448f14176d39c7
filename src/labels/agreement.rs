//! How far two labellers agree on the ends that both have labelled: Cohen's kappa and the list of disagreements.

use std::collections::BTreeMap;

use super::standing::{EndKey, end_key};
use super::{EndRef, HandLabel, LabelRow, standing};
use crate::units::Point;

/// An end on which two labellers differ.
#[derive(Debug, Clone, PartialEq)]
pub struct Disagreement {
    /// Picture.
    pub image: String,
    /// End, when numbered.
    pub end: Option<EndRef>,
    /// Tip of the first labeller's row, px.
    pub tip: Point,
    /// What the first says.
    pub first: HandLabel,
    /// What the second says.
    pub second: HandLabel,
}

/// Agreement of two labellers.
#[derive(Debug, Clone, PartialEq)]
pub struct Agreement {
    /// The labellers, in alphabetical order.
    pub labellers: [String; 2],
    /// Ends that both have labelled.
    pub n_both: usize,
    /// Ends on which they say the same.
    pub n_same: usize,
    /// Cohen's kappa over the four hand labels; `None` when nothing is shared or chance agreement is total.
    pub kappa: Option<Kappa>,
    /// Where they differ, by picture and end.
    pub disagreements: Vec<Disagreement>,
}

/// Agreement of every pair of labellers, in alphabetical order, from the rows of `labels.csv`.
pub fn agreement(rows: &[LabelRow]) -> Vec<Agreement> {
    let mut by_labeller: BTreeMap<&str, BTreeMap<EndKey<'_>, &LabelRow>> = BTreeMap::new();
    for row in standing(rows) {
        by_labeller.entry(&row.labeller).or_default().insert(end_key(row), row);
    }
    let labellers: Vec<&str> = by_labeller.keys().copied().collect();
    let mut out = Vec::new();
    for (index, first) in labellers.iter().enumerate() {
        for second in &labellers[index + 1..] {
            out.push(pair([first, second], &by_labeller[first], &by_labeller[second]));
        }
    }
    out
}

type Labelled<'a> = BTreeMap<EndKey<'a>, &'a LabelRow>;

fn pair(names: [&str; 2], first: &Labelled<'_>, second: &Labelled<'_>) -> Agreement {
    let mut table = [[0usize; 4]; 4];
    let mut disagreements = Vec::new();
    for (key, a) in first {
        let Some((said_a, said_b)) = a.label.zip(second.get(key).and_then(|b| b.label)) else { continue };
        table[said_a as usize][said_b as usize] += 1;
        if said_a != said_b {
            let (image, end) = (a.image.clone(), a.end);
            disagreements.push(Disagreement { image, end, tip: a.tip, first: said_a, second: said_b });
        }
    }
    let n_both = table.iter().flatten().sum();
    Agreement {
        labellers: names.map(String::from),
        n_both,
        n_same: (0..4).map(|i| table[i][i]).sum(),
        kappa: kappa_with_interval(&table),
        disagreements,
    }
}

/// Cohen's kappa of a square table of counts (rows: first labeller, columns: second): agreement beyond chance over the
/// most there could be (Cohen 1960, *Educ. Psychol. Meas.* 20:37). `None` when the table is empty or chance agreement is 1.
pub fn cohen_kappa<const N: usize>(table: &[[usize; N]; N]) -> Option<f64> {
    let total = table.iter().flatten().sum::<usize>() as f64;
    let observed = (0..N).map(|i| table[i][i]).sum::<usize>() as f64 / total;
    let by_chance: f64 = (0..N)
        .map(|i| {
            let row: usize = table[i].iter().sum();
            let column: usize = table.iter().map(|r| r[i]).sum();
            row as f64 * column as f64 / (total * total)
        })
        .sum();
    let kappa = (observed - by_chance) / (1.0 - by_chance);
    kappa.is_finite().then_some(kappa)
}

/// Cohen's kappa with its uncertainty.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Kappa {
    /// Agreement beyond chance.
    pub value: f64,
    /// Standard error.
    pub standard_error: f64,
    /// Lower end of the 95 % interval, at least -1.
    pub low: f64,
    /// Upper end of the 95 % interval, at most 1.
    pub high: f64,
}

/// Cohen's kappa of a square table of counts with its large-sample standard error and 95 % interval
/// (Fleiss, Cohen and Everitt 1969, *Psychol. Bull.* 72:323). `None` as for [`cohen_kappa`].
pub fn kappa_with_interval<const N: usize>(table: &[[usize; N]; N]) -> Option<Kappa> {
    let value = cohen_kappa(table)?;
    let total = table.iter().flatten().sum::<usize>() as f64;
    let share = |i: usize, j: usize| table[i][j] as f64 / total;
    let row: Vec<f64> = (0..N).map(|i| (0..N).map(|j| share(i, j)).sum()).collect();
    let column: Vec<f64> = (0..N).map(|j| (0..N).map(|i| share(i, j)).sum()).collect();
    let by_chance: f64 = (0..N).map(|i| row[i] * column[i]).sum();
    let (mut same, mut other) = (0.0, 0.0);
    for i in 0..N {
        for j in 0..N {
            match i == j {
                true => same += share(i, i) * (1.0 - (row[i] + column[i]) * (1.0 - value)).powi(2),
                false => other += share(i, j) * (column[i] + row[j]).powi(2),
            }
        }
    }
    let variance = (same + other * (1.0 - value).powi(2) - (value - by_chance * (1.0 - value)).powi(2))
        / ((1.0 - by_chance).powi(2) * total);
    let standard_error = variance.max(0.0).sqrt();
    let half = crate::stats::Z95 * standard_error;
    Some(Kappa { value, standard_error, low: (value - half).max(-1.0), high: (value + half).min(1.0) })
}

#[cfg(test)]
mod tests {
    use super::super::tests::row;
    use super::*;

    #[test]
    fn kappa_of_the_textbook_table() {
        // collected check values, section 4.5: 20 5 / 10 15.
        assert!((cohen_kappa(&[[20, 5], [10, 15]]).unwrap() - 0.4).abs() < 1e-12);
        // Full agreement, and agreement no better than chance, by hand.
        assert_eq!(cohen_kappa(&[[3, 0], [0, 7]]), Some(1.0));
        assert!(cohen_kappa(&[[1, 1], [1, 1]]).unwrap().abs() < 1e-12);
        assert_eq!(cohen_kappa(&[[0, 0], [0, 0]]), None);
        assert_eq!(cohen_kappa(&[[9, 0], [0, 0]]), None);
    }

    // statsmodels 0.15.0, statsmodels.stats.inter_rater.cohens_kappa: kappa, std_kappa, kappa_low, kappa_upp.
    #[test]
    fn the_interval_of_kappa_is_that_of_statsmodels() {
        let agrees = |found: Option<Kappa>, expected: [f64; 4]| {
            let k = found.unwrap();
            for (found, expected) in [k.value, k.standard_error, k.low, k.high].into_iter().zip(expected) {
                assert!((found - expected).abs() < 1e-9, "{found} {expected}");
            }
        };
        agrees(
            kappa_with_interval(&[[20, 5], [10, 15]]),
            [0.4, 0.12699606293110033, 0.151092290476661, 0.6489077095233389],
        );
        agrees(
            kappa_with_interval(&[[44, 5, 1, 2], [7, 20, 3, 0], [1, 9, 12, 1], [0, 2, 0, 6]]),
            [0.5900526623756583, 0.0609495619005096, 0.47059371617716483, 0.7095116085741519],
        );
        agrees(
            kappa_with_interval(&[[188, 24], [12, 345]]),
            [0.8631004892132489, 0.0220451145045536, 0.8198928587492622, 0.9063081196772356],
        );
        agrees(kappa_with_interval(&[[5, 0], [0, 7]]), [1.0, 0.0, 1.0, 1.0]);
        assert_eq!(kappa_with_interval(&[[0, 0], [0, 0]]), None);
    }

    #[test]
    fn only_ends_that_both_labelled_count_and_the_last_word_counts() {
        let rows = [
            row("Bo", 1, Some(HandLabel::Sheared)),
            row("Ann", 1, Some(HandLabel::Tensile)),
            row("Ann", 1, Some(HandLabel::Sheared)),
            row("Bo", 2, Some(HandLabel::Tensile)),
            row("Ann", 2, Some(HandLabel::Unclear)),
            row("Bo", 3, Some(HandLabel::Tensile)),
            row("Ann", 4, None),
            row("Bo", 4, Some(HandLabel::Tensile)),
        ];
        let found = agreement(&rows);
        assert_eq!(found.len(), 1);
        assert_eq!(found[0].labellers, ["Ann", "Bo"]);
        assert_eq!((found[0].n_both, found[0].n_same), (2, 1));
        assert_eq!(found[0].disagreements.len(), 1);
        assert_eq!(found[0].disagreements[0].first, HandLabel::Unclear);
    }
}
