//! How many ends a whole face should have, from what the series table says about line and fibre.
//!
//! Read from further columns of the series table: `fibres`, or `fibres_per_carrier` with `carriers`; or `line_dtex`, or
//! `line_strength_n` with the fibres' `tenacity_cn_dtex` and the braid's `realisation`, over the linear density of a fibre
//! (`fibre_dtex`, or from `fibre_um` or the measured diameter, and `density_g_cm3`).

use super::effective_sample::shows_own_carriers;
use super::faces::Face;
use crate::settings::FaceSettings;
use crate::tree::Label;

/// d[µm] = 11.284 √(dtex / ρ[g/cm³]) for a round fibre: d = √(4 T / (π ρ)) with T in dtex = 1e-7 kg/m.
const UM_PER_ROOT_DTEX: f64 = 11.283_791_670_955_126;

/// Linear density of a round fibre, dtex, from its diameter in µm and density in g/cm³.
pub fn fibre_dtex(diameter_um: f64, density_g_cm3: f64) -> f64 {
    density_g_cm3 * (diameter_um / UM_PER_ROOT_DTEX).powi(2)
}

/// Ends expected over all sides that were pictured; `None` when the table does not say enough.
pub fn ends(face: &Face, measured_um: Option<f64>, settings: &FaceSettings) -> Option<f64> {
    let column = |name: &str| {
        let value = |(n, v): &(String, String)| {
            n.trim()
                .eq_ignore_ascii_case(name)
                .then(|| v.trim().parse::<f64>().ok().filter(|v| v.is_finite() && 0.0 < *v))?
        };
        face.pictures.iter().find_map(|p| p.series.extra.iter().find_map(value))
    };
    let carriers = face.pictures.iter().find_map(|p| p.series.carriers).map(f64::from);
    let of_one_fibre = || {
        let density = column("density_g_cm3").unwrap_or(settings.density_g_cm3);
        column("fibre_dtex").or_else(|| column("fibre_um").or(measured_um).map(|d| fibre_dtex(d, density)))
    };
    let from_strength = || {
        let tenacity = column("tenacity_cn_dtex").unwrap_or(settings.tenacity_cn_dtex);
        let realisation = column("realisation").unwrap_or(settings.realisation);
        // 100 cN to the newton.
        Some(100.0 * column("line_strength_n")? / (tenacity * realisation))
    };
    let of_one_side = column("fibres")
        .or_else(|| Some(column("fibres_per_carrier")? * carriers?))
        .or_else(|| Some(column("line_dtex").or_else(from_strength)? / of_one_fibre()?))?;
    Some(of_one_side * sides(face) as f64)
}

/// Sides of a break that were pictured, at least one.
pub fn sides(face: &Face) -> usize {
    let mut sides: Vec<Option<&str>> = face.pictures.iter().map(|p| p.series.side.as_deref()).collect();
    sides.sort_unstable();
    sides.dedup();
    sides.len().max(1)
}

/// Share of the expected ends that was seen labelled, 0..1.
///
/// Pictures of one side look at the same ends, each as if it knew nothing of the others: of shares fᵢ, 1 − Π (1 − fᵢ) is seen at
/// least once. Ends of a picture that shows carriers of its own are new ones. The sides count alike.
pub fn coverage(face: &Face, n_expected: f64) -> f64 {
    let side_of = |i: usize| face.pictures[i].series.side.as_deref();
    let mut sides: Vec<Option<&str>> = (0..face.pictures.len()).map(side_of).collect();
    sides.sort_unstable();
    sides.dedup();
    let of_side = n_expected / sides.len().max(1) as f64;
    let share = |i: usize| {
        let labelled = face.ends[i].iter().filter(|e| e.label != Label::Unclear).count();
        (labelled as f64 / of_side).min(1.0)
    };
    let seen = |side: &Option<&str>| {
        let (mut own, mut unseen) = (0.0, 1.0);
        for i in (0..face.pictures.len()).filter(|i| side_of(*i) == *side) {
            if shows_own_carriers(face.pictures[i]) {
                own += share(i);
            } else {
                unseen *= 1.0 - share(i);
            }
        }
        f64::min(own + 1.0 - unseen, 1.0)
    };
    sides.iter().map(seen).sum::<f64>() / sides.len().max(1) as f64
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::series::SeriesRow;
    use crate::table::ImageRow;

    fn expected(columns: &[(&str, &str)], measured_um: Option<f64>) -> Option<f64> {
        let extra = columns.iter().map(|(n, v)| ((*n).to_owned(), (*v).to_owned())).collect();
        let picture =
            ImageRow { series: SeriesRow { carriers: Some(8), extra, ..SeriesRow::default() }, ..ImageRow::default() };
        let face = Face { pictures: vec![&picture], ..Face::default() };
        ends(&face, measured_um, &FaceSettings::default())
    }

    #[test]
    fn diameter_and_linear_density() {
        // Check values 2: d = 11.284 √(dtex/ρ).
        for (d, density, dtex) in [(18.0, 0.97, 2.468), (25.0, 1.38, 6.774), (12.0, 1.44, 1.629), (7.0, 1.79, 0.6889)] {
            assert!((fibre_dtex(d, density) - dtex).abs() < 6e-4, "{d}");
        }
    }

    #[test]
    fn fibres_of_a_hundred_pound_braid() {
        // Check values 2: fibres in a 444.8 N braid.
        let strength = ("line_strength_n", "444.822");
        for (tenacity, dtex, realisation, n) in
            [("35", "2.2", "1", 578.0), ("30", "2.2", "0.8", 842.0), ("35", "1.1", "0.65", 1778.0)]
        {
            let columns =
                [strength, ("tenacity_cn_dtex", tenacity), ("fibre_dtex", dtex), ("realisation", realisation)];
            assert!((expected(&columns, None).unwrap() - n).abs() < 1.0, "{n}");
        }
        // 1716 dtex of 2.2 dtex fibres: 780.
        assert!((expected(&[("line_dtex", "1716"), ("fibre_dtex", "2.2")], None).unwrap() - 780.0).abs() < 1e-9);
        assert!((expected(&[("line_dtex", "1716")], Some(16.99)).unwrap() - 780.0).abs() < 1.0);
        assert_eq!(expected(&[("fibres_per_carrier", "90")], None), Some(720.0));
    }

    #[test]
    fn nothing_said_nothing_expected() {
        assert_eq!(expected(&[], Some(18.0)), None);
        assert_eq!(expected(&[strength_of("-3")], Some(18.0)), None);
        assert_eq!(expected(&[strength_of("much")], Some(18.0)), None);
    }

    fn strength_of(text: &str) -> (&str, &str) {
        ("line_strength_n", text)
    }
}
