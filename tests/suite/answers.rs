//! From ends to answers through the public interface: places counted once, faces, knots, flags, the two commands.

use crate::cli::breakface;
use breakface::face::site::{SameSite, Thumb, count_once, place, same_sites, small_copy};
use breakface::face::{ModelFigures, score_specimens};
use breakface::flag::Flag;
use breakface::knot;
use breakface::measure::FeatureRow;
use breakface::micrograph::GreyPlane;
use breakface::series::{Kind, SeriesRow};
use breakface::settings::{FaceSettings, SiteSettings};
use breakface::stats::ratio::Method;
use breakface::table::{Basis, CarrierVerdict, EndRow, FaceVerdict, History, ImageRow, SpecimenRow, write_csv};
use breakface::tree::Label;
use std::path::{Path, PathBuf};

fn fixture(name: &str) -> GreyPlane {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("fixtures").join(name);
    let picture = image::open(&path).unwrap().to_luma16();
    GreyPlane::new(picture.width(), picture.height(), picture.into_raw()).unwrap()
}

/// Part of a picture as a higher magnification would show it: cut out and enlarged, a little darker.
fn enlarged(grey: &GreyPlane, x0: u32, y0: u32, width: u32, height: u32, factor: u32) -> GreyPlane {
    let mut values = Vec::new();
    for y in 0..height * factor {
        for x in 0..width * factor {
            // Pixel centres: (x + 0.5)/factor − 0.5.
            let at = |v: u32, from: u32| f64::from(from) + (f64::from(v) + 0.5) / f64::from(factor) - 0.5;
            let p = breakface::units::Point::new(at(x, x0), at(y, y0));
            values.push((grey.bilinear(p) * 0.8 * 65535.0) as u16);
        }
    }
    GreyPlane::new(width * factor, height * factor, values).unwrap()
}

fn thumb(grey: &GreyPlane, um_per_px: f64) -> Thumb {
    Thumb::new(&small_copy(grey, &SiteSettings::default()), grey.width(), um_per_px).unwrap()
}

const PICTURES: [&str; 3] = ["demo/TC-P07-A_1.jpg", "demo/TC-B01-A_1.jpg", "demo/TC-C04-A_1.jpg"];

#[test]
fn nested_crops_are_found_where_they_were_cut() {
    let settings = SiteSettings::default();
    for name in PICTURES {
        let whole = fixture(name);
        let (w, h) = (whole.width(), whole.height());
        for (share, factor) in [(2, 2), (4, 4)] {
            let (x0, y0) = (w * 3 / 8, h * 3 / 8);
            let crop = enlarged(&whole, x0, y0, w / share, h / share, factor);
            let found = place(&thumb(&crop, 1.0), &thumb(&whole, f64::from(factor)), &settings);
            let found = found.unwrap_or_else(|| panic!("{name}, 1/{share}: not found"));
            let tip = found.map(breakface::units::Point::new(40.0, 24.0));
            let at = |v: f64, from: u32| f64::from(from) + (v + 0.5) / f64::from(factor) - 0.5;
            let off = tip.distance(breakface::units::Point::new(at(40.0, x0), at(24.0, y0)));
            assert!(off < 4.0, "{name}, 1/{share}: {off} px off, {found:?}");
        }
    }
}

#[test]
fn pictures_of_other_places_are_not_found() {
    let settings = SiteSettings::default();
    for a in PICTURES {
        for b in PICTURES.iter().filter(|b| **b != a) {
            for factor in [1.5, 2.0, 4.0] {
                let found = place(&thumb(&fixture(a), 1.0), &thumb(&fixture(b), factor), &settings);
                assert_eq!(found, None, "{a} in {b} at {factor}");
            }
        }
    }
}

#[test]
fn places_are_found_among_many_pictures() {
    let whole = fixture(PICTURES[0]);
    let (w, h) = (whole.width(), whole.height());
    let crop = enlarged(&whole, w * 3 / 8, h * 3 / 8, w / 2, h / 2, 2);
    let picture = |i: usize| ImageRow {
        series: SeriesRow {
            image: format!("{i:02}"),
            specimen: "S".into(),
            site: (i == 3 || i == 22).then(|| "x".into()),
            counted: true,
            ..SeriesRow::default()
        },
        um_per_px: Some(if i == 5 { 1.0 } else { 2.0 }),
        ..ImageRow::default()
    };
    let pictures: Vec<ImageRow> = (0..40).map(picture).collect();
    let mut thumbs: Vec<Option<Thumb>> = vec![None; 40];
    (thumbs[5], thumbs[30]) = (Some(thumb(&crop, 1.0)), Some(thumb(&whole, 2.0)));
    let found = same_sites(&pictures, &thumbs, &SiteSettings::default());
    let names: Vec<(&str, &str, bool)> =
        found.iter().map(|s| (s.inner.as_str(), s.outer.as_str(), s.placement.is_some())).collect();
    assert_eq!(names, [("03", "22", false), ("05", "30", true)]);
}

fn end(image: &str, specimen: &str, number: u32, label: Label, carrier: u32) -> EndRow {
    let mut features = FeatureRow::default();
    features.set("shaft_diameter_px", Some(12.0));
    features.set("cut_angle_deg", Some(10.0 + f64::from(number % 3)));
    EndRow {
        image: image.into(),
        specimen: specimen.into(),
        end: number,
        carrier: Some(carrier),
        x_px: 100.0 + f64::from(number % 7) * 3.0,
        y_px: 60.0 + f64::from(number) * 16.0,
        shaft_diameter_um: Some(18.0),
        label,
        quality: 1.0,
        counted: true,
        features,
        ..EndRow::default()
    }
}

fn picture(image: &str, specimen: &str, kind: Kind) -> ImageRow {
    let series = SeriesRow {
        image: image.into(),
        specimen: specimen.into(),
        kind: Some(kind),
        knot: (kind == Kind::Knot).then(|| "palomar".into()),
        counted: true,
        carriers: Some(8),
        ..SeriesRow::default()
    };
    ImageRow { series, um_per_px: Some(1.5), width_px: Some(1600), height_px: Some(1200), ..ImageRow::default() }
}

/// `sheared` of `carriers` carriers of ten ends are cut whole.
fn face_of(specimen: &str, sheared: u32, carriers: u32) -> Vec<EndRow> {
    (0..carriers * 10)
        .map(|i| {
            let label = if i / 10 < sheared { Label::Sheared } else { Label::Tensile };
            end(&format!("{specimen}.png"), specimen, i + 1, label, i / 10 + 1)
        })
        .collect()
}

#[test]
fn an_end_seen_twice_counts_once() {
    let mut pictures = [picture("low.png", "TC-P07-A", Kind::Knot), picture("high.png", "TC-P07-A", Kind::Knot)];
    pictures[1].um_per_px = Some(0.5);
    let placement = breakface::face::site::Placement {
        corner: breakface::units::Point::new(200.0, 100.0),
        ratio: 1.0 / 3.0,
        correlation: 0.95,
    };
    let mut low = end("low.png", "TC-P07-A", 1, Label::Tensile, 1);
    (low.x_px, low.y_px) = (300.0, 200.0);
    let mut elsewhere = end("low.png", "TC-P07-A", 2, Label::Tensile, 1);
    (elsewhere.x_px, elsewhere.y_px) = (900.0, 900.0);
    let mut high = end("high.png", "TC-P07-A", 1, Label::Sheared, 1);
    high.features.set("shaft_diameter_px", Some(36.0));
    (high.x_px, high.y_px) = (303.0, 297.0);
    let site = SameSite {
        specimen: "TC-P07-A".into(),
        inner: "high.png".into(),
        outer: "low.png".into(),
        placement: Some(placement),
    };
    let settings = SiteSettings::default();
    let mut ends = vec![low, elsewhere, high];
    count_once(&mut ends, std::slice::from_ref(&site), &settings);
    assert_eq!(ends.iter().map(|e| e.counted).collect::<Vec<_>>(), [false, true, true]);
    // Only the lower magnification can tell what it is: then that one counts.
    ends.iter_mut().for_each(|e| e.counted = true);
    ends[2].label = Label::Unclear;
    count_once(&mut ends, std::slice::from_ref(&site), &settings);
    assert_eq!(ends.iter().map(|e| e.counted).collect::<Vec<_>>(), [true, true, false]);
    // Of one site by the table alone: the picture with more labelled ends counts.
    ends.iter_mut().for_each(|e| e.counted = true);
    pictures.iter_mut().for_each(|p| p.series.site = Some("1".into()));
    let sites = same_sites(&pictures, &[None, None], &settings);
    assert_eq!(sites.len(), 1);
    assert_eq!((sites[0].inner.as_str(), sites[0].placement), ("high.png", None));
    count_once(&mut ends, &sites, &settings);
    assert_eq!(ends.iter().map(|e| e.counted).collect::<Vec<_>>(), [true, true, false]);
    pictures[1].series.site = Some("2".into());
    assert!(same_sites(&pictures, &[None, None], &settings).is_empty());
}

#[test]
fn a_face_and_its_carriers() {
    let pictures =
        [picture("K.png", "K", Kind::Knot), picture("C.png", "C", Kind::Cut), picture("P.png", "P", Kind::Pull)];
    let ends = [face_of("K", 3, 8), face_of("C", 8, 8), face_of("P", 0, 8)].concat();
    let faces = score_specimens(&ends, &pictures, None, &FaceSettings::default());
    let k = faces.specimens.iter().find(|s| s.specimen == "K").unwrap();
    assert_eq!((k.n_sheared, k.n_tensile, k.n_unclear), (30, 50, 0));
    assert_eq!(k.basis, Some(Basis::Controls));
    assert_eq!((k.carriers_seen, k.carriers_cut, k.carriers_partly, k.carriers_tensile), (8, 3, 0, 5));
    assert!((k.raw_fraction.unwrap() - 0.375).abs() < 1e-12);
    // Perfect controls correct nothing, but their own uncertainty widens the interval.
    assert!((k.corrected_fraction.unwrap() - 0.375).abs() < 1e-12);
    assert!(k.sheared_low.unwrap() < 0.375 && 0.375 < k.sheared_high.unwrap());
    // A picture of the whole braid leaves little to chance between carriers; one of half of it leaves more.
    let half = score_specimens(&face_of("K", 2, 4), &pictures[..1], None, &FaceSettings::default());
    assert!(1.0 <= k.design_effect.unwrap() && 3.0 < half.specimens[0].design_effect.unwrap());
    assert_eq!(k.verdict, Some(FaceVerdict::Mixed));
    // Edge directions 80°, 79°, 78° (axis 0°, cut angles 10°, 11°, 12°): mean near 79°.
    let carrier = faces.carriers.iter().find(|c| c.specimen == "K" && c.carrier == 1).unwrap();
    assert!((carrier.cut_plane_deg.unwrap() - 79.0).abs() < 0.2, "{carrier:?}");
    assert!(0.99 < carrier.cut_plane_resultant.unwrap());
    assert_eq!(carrier.verdict, Some(CarrierVerdict::CutThrough));
}

#[test]
fn a_control_that_came_out_wrong_is_said_first() {
    let pictures = [picture("C.png", "C", Kind::Cut), picture("P.png", "P", Kind::Pull)];
    let ends = [face_of("C", 8, 8), face_of("P", 6, 8)].concat();
    let faces = score_specimens(&ends, &pictures, None, &FaceSettings::default());
    assert_eq!(faces.warnings[0].flag, Flag::ControlFailed);
    let pull = faces.specimens.iter().find(|s| s.specimen == "P").unwrap();
    assert!(pull.flags.starts_with("control_failed"), "{}", pull.flags);
    // Sensitivity 1, specificity 0.25: no correction is made of that.
    assert!(faces.warnings.iter().any(|w| w.flag == Flag::LabellerUninformative));
    assert_eq!(pull.basis, Some(Basis::Raw));
}

#[test]
fn without_controls_the_models_own_figures_are_used_and_named() {
    let model =
        ModelFigures { sheared_right: 95.0, sheared_labelled: 100.0, tensile_right: 90.0, tensile_labelled: 100.0 };
    let pictures = [picture("K.png", "K", Kind::Knot)];
    let faces = score_specimens(&face_of("K", 4, 8), &pictures, Some(&model), &FaceSettings::default());
    let k = &faces.specimens[0];
    // (0.5 + 0.90 − 1) / (0.95 + 0.90 − 1), Rogan and Gladen 1978.
    assert!((k.sheared_fraction.unwrap() - 0.4 / 0.85).abs() < 1e-12);
    assert_eq!(k.basis, Some(Basis::Model));
    assert!(faces.warnings.iter().any(|w| w.flag == Flag::ModelFigures));
    let bare = score_specimens(&face_of("K", 4, 8), &pictures, None, &FaceSettings::default());
    assert_eq!(bare.specimens[0].basis, Some(Basis::Raw));
    assert!(bare.warnings.iter().any(|w| w.flag == Flag::ControlsMissing));
}

#[test]
fn degenerate_faces_have_no_invented_numbers() {
    let settings = FaceSettings::default();
    let nothing = score_specimens(&[], &[], None, &settings);
    assert!(nothing.specimens.is_empty());
    let pictures = [picture("K.png", "K", Kind::Knot)];
    let empty = score_specimens(&[], &pictures, None, &settings);
    let k = &empty.specimens[0];
    assert_eq!((k.sheared_fraction, k.sheared_low, k.design_effect), (None, None, None));
    assert_eq!((k.verdict, k.basis), (Some(FaceVerdict::TooFew), None));
    assert!(k.flags.contains("too_few_ends"));
    for (sheared, n) in [(0, 1), (1, 1), (0, 8), (8, 8)] {
        let faces = score_specimens(&face_of("K", sheared, n), &pictures, None, &settings);
        let k = &faces.specimens[0];
        let (f, low, high) = (k.sheared_fraction.unwrap(), k.sheared_low.unwrap(), k.sheared_high.unwrap());
        assert!(0.0 <= low && low <= f && f <= high && high <= 1.0, "{sheared} of {n}: {low} {f} {high}");
        assert!(0.01 < high - low);
    }
}

fn specimen(knot: &str, code: &str, fraction: f64, load: Option<f64>) -> SpecimenRow {
    SpecimenRow {
        specimen: code.into(),
        kind: Some(Kind::Knot),
        knot: Some(knot.into()),
        line: Some("8x braid".into()),
        carriers: Some(8),
        peak_load_n: load,
        n_pictures: 1,
        n_sheared: (fraction * 100.0).round() as u32,
        n_tensile: 100 - (fraction * 100.0).round() as u32,
        sheared_fraction: Some(fraction),
        sheared_low: Some((fraction - 0.1).max(0.0)),
        sheared_high: Some((fraction + 0.1).min(1.0)),
        basis: Some(Basis::Controls),
        ..SpecimenRow::default()
    }
}

fn series() -> Vec<SpecimenRow> {
    let mut rows = Vec::new();
    for (i, f) in [0.10, 0.15, 0.12, 0.20].into_iter().enumerate() {
        rows.push(specimen("palomar", &format!("P{i}"), f, Some(380.0 + 4.0 * i as f64)));
    }
    for (i, f) in [0.80, 0.90, 0.85, 0.88].into_iter().enumerate() {
        rows.push(specimen("overhand", &format!("O{i}"), f, Some(200.0 + 5.0 * i as f64)));
    }
    rows.push(specimen("uni", "U0", 0.5, None));
    for (i, load) in [445.0, 450.0, 440.0, 448.0].into_iter().enumerate() {
        let pull =
            SpecimenRow { kind: Some(Kind::Pull), knot: None, ..specimen("", &format!("S{i}"), 0.0, Some(load)) };
        rows.push(pull);
    }
    rows
}

#[test]
fn knots_are_compared_by_their_specimens() {
    let c = knot::compare(&series(), &FaceSettings::default());
    let order: Vec<(&str, Option<u32>)> = c.knots.iter().map(|k| (k.knot.as_str(), k.rank)).collect();
    // One specimen is no knot: it has no verdict and no place.
    assert_eq!(order, [("palomar", Some(1)), ("overhand", Some(2)), ("uni", None)]);
    assert_eq!(c.knots[2].verdict, Some(FaceVerdict::TooFew));
    let overhand = &c.knots[1];
    // Mean of 200, 205, 210, 215 over mean of 445, 450, 440, 448.
    assert!((overhand.efficiency.unwrap() - 207.5 / 445.75).abs() < 1e-12);
    assert!((overhand.carriers_lost.unwrap() - 8.0 * (1.0 - 207.5 / 445.75)).abs() < 1e-9);
    assert!(overhand.carriers_lost_bundle.unwrap() > overhand.carriers_lost.unwrap());
    assert_eq!(overhand.efficiency_method, Some(Method::Fieller));
    assert_eq!(overhand.verdict, Some(FaceVerdict::MostlyShear));
    assert_eq!(overhand.flags, "knot_mostly_shear");
    // Four against four, wholly apart: 2 of 70 deals.
    let tested = c.pairs.iter().find(|p| p.knot_a == "overhand" && p.knot_b == "palomar").unwrap();
    assert!((tested.p.unwrap() - 2.0 / 70.0).abs() < 1e-12);
    // Loads 200 to 215 against 380 to 392: the same deals, 0.538 of the load, and by scipy 1.17 Welch's p of 2.0e-8.
    assert!((tested.p_load.unwrap() - 2.0 / 70.0).abs() < 1e-12 && tested.p_load_welch.unwrap() < 1e-6);
    assert!((tested.load_ratio.unwrap() - 207.5 / 386.0).abs() < 1e-12);
    assert!((tested.efficiency_difference.unwrap() - (207.5 - 386.0) / 445.75).abs() < 1e-12);
    assert!(tested.efficiency_difference_high.unwrap() < 0.0 && tested.n_needed.is_some());
    assert!(c.pairs.iter().filter(|p| p.knot_a == "uni" || p.knot_b == "uni").all(|p| p.p.is_none()));
    assert!(c.warnings.iter().any(|w| w.flag == Flag::TooFewSpecimens));
    let a = &c.associations[0];
    assert_eq!(a.n, 8);
    assert!(a.rho.unwrap() < -0.5);
    assert!((c.capacities[0].points[3].plain - 0.625).abs() < 1e-12);
}

/// The carriers of a braid come back in its pictures: they are not counted anew, and pictures that agree are no new evidence.
#[test]
fn repeated_views_are_no_new_evidence() {
    let settings = FaceSettings::default();
    let views = |n: u32, own: bool| {
        let (mut ends, mut pictures) = (Vec::new(), Vec::new());
        for view in 0..n {
            let image = format!("{view}.png");
            let mut seen = picture(&image, "K", Kind::Knot);
            if own {
                seen.series.extra = vec![("overlap".into(), "no".into())];
            }
            pictures.push(seen);
            ends.extend(face_of("K", 2, 4).into_iter().map(|e| EndRow { image: image.clone(), ..e }));
        }
        score_specimens(&ends, &pictures, None, &settings).specimens.remove(0)
    };
    let (one, five, own) = (views(1, false), views(5, false), views(2, true));
    assert_eq!((five.carriers_seen, five.carriers_cut), (4, 2));
    assert!(five.n_effective.unwrap() < 1.5 * one.n_effective.unwrap(), "{five:?}");
    // Two pictures of different carriers are the whole braid.
    assert_eq!((own.carriers_seen, own.carriers_cut), (8, 4));
    assert!(3.0 * one.n_effective.unwrap() < own.n_effective.unwrap());
}

#[test]
fn degenerate_comparisons() {
    let settings = FaceSettings::default();
    assert_eq!(knot::compare(&[], &settings).knots.len(), 0);
    let same: Vec<SpecimenRow> = (0..3).map(|i| specimen("uni", &format!("U{i}"), 1.0, Some(300.0))).collect();
    let c = knot::compare(&same, &settings);
    assert_eq!(c.knots[0].efficiency, None);
    assert_eq!(c.associations[0].rho, None);
    // Three specimens that agree exactly are still uncertain: their own intervals say so.
    assert!(c.knots[0].sheared_low.unwrap() < 0.99);
    let nothing = SpecimenRow {
        sheared_fraction: None,
        sheared_low: None,
        sheared_high: None,
        ..specimen("uni", "U0", 0.5, None)
    };
    let c = knot::compare(&[nothing], &settings);
    assert_eq!((c.knots[0].rank, c.knots[0].sheared_fraction), (None, None));
    assert_eq!(c.knots[0].verdict, Some(FaceVerdict::TooFew));
}

fn saved(folder: &Path) {
    let specimens = series();
    write_csv::<EndRow>(&folder.join("ends.csv"), &[]).unwrap();
    write_csv::<ImageRow>(&folder.join("images.csv"), &[]).unwrap();
    let comparison = knot::compare(&specimens, &FaceSettings::default());
    write_csv(&folder.join("specimens.csv"), &specimens).unwrap();
    write_csv(&folder.join("knots.csv"), &comparison.knots).unwrap();
    write_csv(&folder.join("pairs.csv"), &comparison.pairs).unwrap();
}

#[test]
fn compare_and_flag_work_from_saved_tables() {
    let folder = tempfile::tempdir().unwrap();
    saved(folder.path());
    let run = |args: &[&str]| {
        let output = breakface().args(&args[..1]).arg(folder.path()).args(&args[1..]).output().unwrap();
        let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
        (output.status.code().unwrap(), text(&output.stdout), text(&output.stderr))
    };
    let (code, out, err) = run(&["compare"]);
    assert_eq!(code, 0, "{err}");
    assert!(out.contains("palomar") && out.contains("mostly shear") && out.contains("Spearman"), "{out}");
    assert!(err.contains("fewer than 3 scored specimens"), "{err}");
    let (_, out, _) = run(&["compare", "--json"]);
    for line in out.lines() {
        let object: serde_json::Value = serde_json::from_str(line).unwrap();
        assert_eq!(object["schema"], "breakface-compare/1");
    }
    let (code, out, _) = run(&["flag"]);
    assert_eq!(code, 0);
    assert!(out.lines().next().unwrap().starts_with("finding  mostly_shear"), "{out}");
    let (code, out, _) = run(&["flag", "--fail-on-flag", "--csv"]);
    assert_eq!(code, 1);
    assert!(out.starts_with("severity,flag,about,subject,"), "{out}");
    // With the bar above every interval nothing is mostly shear.
    let (_, out, _) = run(&["flag", "--mostly-shear-above", "0.99", "--json"]);
    assert!(!out.contains("mostly_shear"), "{out}");
    let (code, _, err) = run(&["flag", "--mostly-shear-above", "7"]);
    assert_eq!(code, 2, "{err}");
    let missing = breakface().args(["compare", "no-such-folder"]).output().unwrap();
    assert_eq!(missing.status.code(), Some(2));
}

/// Where fibres are told, controls tell which class is missed more often, and the fraction is weighed; otherwise it is not.
#[test]
fn ends_missed_by_class_are_weighed_where_the_fibres_are_told() {
    let score = |told: bool| {
        let mut pictures =
            [picture("K.png", "K", Kind::Knot), picture("C.png", "C", Kind::Cut), picture("P.png", "P", Kind::Pull)];
        if told {
            pictures.iter_mut().for_each(|p| p.series.extra = vec![("fibres".into(), "100".into())]);
        }
        // Of 100 fibres each, 50 ends of the scissor cut are seen and 80 of the straight pull.
        let ends = [face_of("K", 4, 8), face_of("C", 5, 5), face_of("P", 0, 8)].concat();
        let faces = score_specimens(&ends, &pictures, None, &FaceSettings::default());
        faces.specimens.into_iter().find(|s| s.specimen == "K").unwrap()
    };
    let (told, not) = (score(true), score(false));
    assert_eq!((not.recall_ratio, not.raw_fraction, told.raw_fraction), (None, Some(0.5), Some(0.5)));
    let ratio = told.recall_ratio.unwrap();
    // Between 50 / 80 of the controls and what training sets show.
    assert!(0.625 < ratio && ratio < 1.0, "{ratio}");
    // Horvitz and Thompson: each end counts for as many as it stands for.
    let expected = 40.0 / ratio / (40.0 / ratio + 40.0);
    let corrected = told.corrected_fraction.unwrap();
    assert!((corrected - expected).abs() < 1e-9, "{corrected} {expected}");
    assert!(told.sheared_low.unwrap() < corrected && corrected < told.sheared_high.unwrap());
    assert!((told.coverage.unwrap() - 0.8).abs() < 1e-9);
}

/// Controls are not asked for their history; a knot is answered or `not known`, with the evidence.
#[test]
fn every_knot_has_an_order_of_failure_or_a_reason() {
    let pictures = [picture("K.png", "K", Kind::Knot), picture("C.png", "C", Kind::Cut)];
    let few: Vec<EndRow> = face_of("K", 1, 1);
    let faces = score_specimens(&[few, face_of("C", 8, 8)].concat(), &pictures, None, &FaceSettings::default());
    let of = |code: &str| faces.specimens.iter().find(|s| s.specimen == code).unwrap();
    assert_eq!((of("C").history, of("C").history_evidence.as_str()), (None, ""));
    assert_eq!((of("K").history, of("K").history_probability), (Some(History::NotKnown), None));
    assert!(of("K").history_evidence.contains("10 labelled ends"), "{}", of("K").history_evidence);
}
