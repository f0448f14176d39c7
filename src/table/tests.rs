//! Every row type written and read back: as CSV, row by row, and as Parquet.

use super::*;
use crate::measure::{FEATURES, FeatureRow};
use crate::series::{Kind, SeriesRow};
use crate::stats::ratio::Method;
use crate::tree::Label;
use crate::units::ScaleSource;
use proptest::prelude::*;
use proptest::sample::select;

fn text() -> impl Strategy<Value = String> {
    // What tables have seen: separators, quotes, formulas, line ends, other scripts; no text that is only line ends, which a
    // reader of CSV passes over.
    "[a-zA-Z0-9 ,;\"'=+@|:._/~é漢-]{0,12}(\n[a-z=]{1,3})?".prop_map(|s: String| s)
}

fn some_text() -> impl Strategy<Value = Option<String>> {
    proptest::option::of(text().prop_filter("an empty text is a missing one", |s| !s.is_empty()))
}

fn number() -> impl Strategy<Value = f64> {
    prop_oneof![-1e6..1e6, -1.0..1.0, Just(0.0)].prop_map(tidy)
}

fn some_number() -> impl Strategy<Value = Option<f64>> {
    proptest::option::of(number())
}

fn word<W: Word + std::fmt::Debug>() -> impl Strategy<Value = W> {
    select(W::ALL)
}

fn some_word<W: Word + std::fmt::Debug>() -> impl Strategy<Value = Option<W>> {
    proptest::option::of(word())
}

fn extra() -> impl Strategy<Value = Extra> {
    text().prop_map(|t| vec![("operator".to_owned(), t), ("=x".to_owned(), String::new())])
}

fn features() -> impl Strategy<Value = FeatureRow> {
    proptest::collection::vec(some_number(), FEATURES.len()).prop_map(|values| {
        let mut row = FeatureRow::default();
        FEATURES.iter().zip(values).for_each(|(f, v)| row.set(f.name, v));
        row
    })
}

prop_compose! {
    fn end()(
        names in (text(), text(), text(), text()), places in (any::<u32>(), any::<Option<u32>>()),
        numbers in (number(), number(), number(), number()), some in (some_number(), some_number(), some_number(), some_number(), some_number()),
        labels in (word::<Label>(), some_word::<Label>(), some_word::<HandLabel>(), any::<bool>()),
        features in features(), extra in extra(),
    ) -> EndRow {
        EndRow {
            image: names.0, specimen: names.1, subtype: names.2, reason: names.3,
            end: places.0, carrier: places.1,
            x_px: numbers.0, y_px: numbers.1, axis_deg: numbers.2, quality: numbers.3,
            shaft_diameter_um: some.0, shaft_diameter_u_um: some.1, p_sheared: some.2,
            shape_p_sheared: some.3, appearance_p_sheared: some.4,
            label: labels.0, label_model: labels.1, label_hand: labels.2, counted: labels.3,
            features, extra,
        }
    }
}

prop_compose! {
    fn series()(
        names in (text(), text()), more in (some_text(), some_text(), some_text(), some_text()),
        kind in some_word::<Kind>(), carriers in any::<Option<u32>>(), load in some_number(), counted in any::<bool>(),
        extra in extra(),
    ) -> SeriesRow {
        SeriesRow {
            image: names.0, specimen: names.1, knot: more.0, line: more.1, side: more.2, site: more.3,
            kind, carriers, peak_load_n: load, counted, extra,
        }
    }
}

prop_compose! {
    fn image()(
        series in series(), scale in (some_number(), some_number(), some_word::<ScaleSource>()),
        size in (any::<Option<u32>>(), any::<Option<u32>>()), counts in any::<[Option<u64>; 5]>(),
        numbers in proptest::collection::vec(some_number(), 8), status in word::<Status>(),
        texts in (text(), text(), text()),
    ) -> ImageRow {
        ImageRow {
            series, um_per_px: scale.0, u_um_per_px: scale.1, scale_source: scale.2,
            width_px: size.0, height_px: size.1,
            n_found: counts[0], n_sheared: counts[1], n_tensile: counts[2], n_unclear: counts[3], burnt_in_boxes: counts[4],
            median_shaft_diameter_px: numbers[0], median_shaft_diameter_um: numbers[1], sharpness: numbers[2],
            clipped_low: numbers[3], clipped_high: numbers[4], noise: numbers[5], blockiness: numbers[6],
            out_of_range_share: numbers[7],
            status, error: texts.0, warnings: texts.1, content_hash: texts.2,
        }
    }
}

prop_compose! {
    fn specimen()(
        names in (text(), some_text(), some_text(), text(), text()), kind in some_word::<Kind>(),
        carriers in any::<Option<u32>>(), counts in any::<[u32; 8]>(), n in proptest::collection::vec(some_number(), 19),
        words in (some_word::<Basis>(), some_word::<FaceVerdict>(), some_word::<History>()),
    ) -> SpecimenRow {
        SpecimenRow {
            specimen: names.0, knot: names.1, line: names.2, flags: names.3, kind, carriers,
            n_pictures: counts[0], n_sheared: counts[1], n_tensile: counts[2], n_unclear: counts[3],
            carriers_seen: counts[4], carriers_cut: counts[5], carriers_partly: counts[6], carriers_tensile: counts[7],
            basis: words.0, verdict: words.1, history: words.2, history_evidence: names.4,
            peak_load_n: n[0], sheared_fraction: n[1], sheared_low: n[2], sheared_high: n[3],
            raw_fraction: n[4], raw_low: n[5], raw_high: n[6],
            corrected_fraction: n[7], corrected_low: n[8], corrected_high: n[9],
            design_effect: n[10], n_effective: n[11], n_expected: n[12], coverage: n[13],
            break_zone_um: n[14], fibre_diameter_um: n[15], fibre_diameter_u_um: n[16],
            history_probability: n[17], recall_ratio: n[18],
        }
    }
}

prop_compose! {
    fn side()(names in (text(), text()), counts in any::<[u32; 3]>(), n in proptest::collection::vec(some_number(), 3)) -> SideRow {
        SideRow {
            specimen: names.0, side: names.1, n_sheared: counts[0], n_tensile: counts[1], n_unclear: counts[2],
            sheared_fraction: n[0], sheared_low: n[1], sheared_high: n[2],
        }
    }
}

prop_compose! {
    fn carrier()(
        names in (text(), text()), counts in any::<[u32; 4]>(), n in proptest::collection::vec(some_number(), 5),
        verdict in some_word::<CarrierVerdict>(),
    ) -> CarrierRow {
        CarrierRow {
            image: names.0, specimen: names.1, carrier: counts[0], n_sheared: counts[1], n_tensile: counts[2],
            n_unclear: counts[3], sheared_fraction: n[0], cut_plane_deg: n[1], cut_plane_resultant: n[2],
            plane_distance_d: n[3], spread_along_d: n[4], verdict,
        }
    }
}

prop_compose! {
    fn knot()(
        names in (text(), some_text(), text()), counts in (any::<Option<u32>>(), any::<u32>(), any::<u32>(), any::<Option<u32>>()),
        n in proptest::collection::vec(some_number(), 11),
        words in (some_word::<IntervalFrom>(), some_word::<FaceVerdict>(), some_word::<Method>()),
    ) -> KnotRow {
        KnotRow {
            knot: names.0, line: names.1, flags: names.2,
            rank: counts.0, n_specimens: counts.1, n_loads: counts.2, carriers: counts.3,
            sheared_fraction: n[0], sheared_low: n[1], sheared_high: n[2], mean_load_n: n[3], efficiency: n[4],
            efficiency_low: n[5], efficiency_high: n[6], carriers_lost: n[7], carriers_lost_bundle: n[8],
            load_modulus: n[9], load_scale_n: n[10], interval_from: words.0, verdict: words.1, efficiency_method: words.2,
        }
    }
}

prop_compose! {
    fn pair()(names in (some_text(), text(), text()), counts in any::<[u32; 2]>(), needed in any::<[Option<u32>; 2]>(), n in proptest::collection::vec(some_number(), 12)) -> PairRow {
        PairRow {
            line: names.0, knot_a: names.1, knot_b: names.2, n_a: counts[0], n_b: counts[1],
            difference: n[0], p: n[1], p_adjusted: n[2], n_needed: needed[0], load_ratio: n[3], load_ratio_low: n[4],
            load_ratio_high: n[5], efficiency_difference: n[6], efficiency_difference_low: n[7],
            efficiency_difference_high: n[8], p_load: n[9], p_load_welch: n[10], p_load_adjusted: n[11], n_loads_needed: needed[1],
        }
    }
}

/// Written and read back, a row is the same row; all ways of writing give the same bytes.
fn comes_back<T: TableRow + Clone + PartialEq + std::fmt::Debug>(rows: &[T]) -> Result<(), TestCaseError> {
    let bytes = to_csv(rows);
    prop_assert_eq!(&from_csv::<T>("t.csv", &bytes).unwrap()[..], rows);
    prop_assert_eq!(&Fields::of(rows).rows::<T>().unwrap()[..], rows);
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join(T::csv_name());
    let mut table = CsvFile::begin(&path, rows.iter().map(TableRow::extra)).unwrap();
    rows.iter().try_for_each(|row| table.push(row)).unwrap();
    prop_assert!(!path.exists());
    table.finish().unwrap().put().unwrap();
    prop_assert_eq!(std::fs::read(&path).unwrap(), bytes);
    prop_assert_eq!(&open_csv::<T>(&path).unwrap().collect::<Result<Vec<_>, _>>().unwrap()[..], rows);
    parquet_repeats(rows)
}

#[cfg(feature = "parquet")]
fn parquet_repeats<T: TableRow>(rows: &[T]) -> Result<(), TestCaseError> {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join(T::parquet_name());
    let mut table = ParquetFile::begin(&path, rows.iter().map(TableRow::extra)).unwrap();
    rows.iter().try_for_each(|row| table.push(row)).unwrap();
    table.finish().unwrap().put().unwrap();
    prop_assert_eq!(std::fs::read(&path).unwrap(), to_parquet(&path, rows).unwrap());
    Ok(())
}

#[cfg(not(feature = "parquet"))]
fn parquet_repeats<T: TableRow>(_rows: &[T]) -> Result<(), TestCaseError> {
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(32))]

    #[test]
    fn ends_come_back(rows in proptest::collection::vec(end(), 1..4)) { comes_back(&rows)?; }

    #[test]
    fn images_come_back(rows in proptest::collection::vec(image(), 1..4)) { comes_back(&rows)?; }

    #[test]
    fn specimens_come_back(rows in proptest::collection::vec(specimen(), 0..4)) { comes_back(&rows)?; }

    #[test]
    fn sides_come_back(rows in proptest::collection::vec(side(), 0..4)) { comes_back(&rows)?; }

    #[test]
    fn carriers_come_back(rows in proptest::collection::vec(carrier(), 0..4)) { comes_back(&rows)?; }

    #[test]
    fn knots_come_back(rows in proptest::collection::vec(knot(), 0..4)) { comes_back(&rows)?; }

    #[test]
    fn pairs_come_back(rows in proptest::collection::vec(pair(), 0..4)) { comes_back(&rows)?; }

    #[test]
    fn rounded_rows_are_what_the_table_holds(row in end()) {
        prop_assert_eq!(&from_csv::<EndRow>("t.csv", &to_csv(&[row.clone().tidied()])).unwrap()[0], &row);
    }
}

#[test]
fn a_byte_order_mark_is_no_part_of_the_first_column() {
    let rows = [SideRow { specimen: "S".into(), ..SideRow::default() }];
    let marked = [b"\xef\xbb\xbf".to_vec(), to_csv(&rows)].concat();
    assert_eq!(from_csv::<SideRow>("sides.csv", &marked).unwrap(), rows);
}

#[test]
fn old_names_of_columns_are_read() {
    let table = b"image,specimen,end,x_px,y_px,axis_deg,quality,finder_score\na.png,S,1,2,3,4,1,0.5\n";
    let rows = from_csv::<EndRow>("ends.csv", table).unwrap();
    assert_eq!((rows[0].features.get("detection_score"), rows[0].extra.len()), (Some(0.5), 0));
}

#[test]
fn a_table_that_lacks_a_needed_column_or_has_one_twice_is_refused() {
    let refused = |text: &[u8]| from_csv::<SideRow>("sides.csv", text).unwrap_err().to_string();
    assert!(refused(b"side\nleft\n").contains("column specimen is missing"));
    assert!(refused(b"specimen,specimen\n").contains("column specimen is there twice"));
    assert!(refused(b"specimen,n_sheared,n_tensile,n_unclear\nS,4294967296,0,0\n").contains("whole number"));
}

#[cfg(feature = "parquet")]
#[test]
fn values_nulls_and_units_survive_in_parquet() {
    use parquet::file::reader::{FileReader, SerializedFileReader};
    use parquet::record::{Field, Row};
    let rows = [
        SideRow { specimen: "S1".into(), n_sheared: 3, sheared_fraction: Some(0.25), ..SideRow::default() },
        SideRow { specimen: "S2".into(), ..SideRow::default() },
    ];
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join(SideRow::parquet_name());
    write_parquet(&path, &rows).unwrap();
    let reader = SerializedFileReader::new(std::fs::File::open(path).unwrap()).unwrap();
    let of = |row: &Row, name| row.get_column_iter().find(|(n, _)| *n == name).unwrap().1.clone();
    let read: Vec<_> = reader.get_row_iter(None).unwrap().map(Result::unwrap).collect();
    let all = |name| read.iter().map(|row| of(row, name)).collect::<Vec<_>>();
    assert_eq!(all("specimen"), [Field::Str("S1".into()), Field::Str("S2".into())]);
    assert_eq!(all("n_sheared"), [Field::ULong(3), Field::ULong(0)]);
    assert_eq!(all("sheared_fraction"), [Field::Double(0.25), Field::Null]);
}
