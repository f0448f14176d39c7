//! Frozen contracts: columns of the tables, exit codes, features. Changing one is a decision, visible in review.

use crate::driver::repository;
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use breakface::measure::FEATURES;
use breakface::table::{EndRow, ImageRow, KnotRow, SpecimenRow, TableRow};
use parquet::file::reader::{FileReader, SerializedFileReader};
use std::collections::BTreeSet;

fn names<T: TableRow>() -> Vec<String> {
    T::columns().into_iter().map(|c| c.name).collect()
}

/// The columns that issue and design promise, in their order (design: section 4).
#[test]
fn promised_columns_come_first() {
    let ends = [
        "image",
        "specimen",
        "end",
        "carrier",
        "x_px",
        "y_px",
        "axis_deg",
        "shaft_diameter_px",
        "shaft_diameter_um",
        "bulb_ratio",
        "cut_angle_deg",
        "flatness",
        "label",
        "p_sheared",
        "quality",
    ];
    assert_eq!(names::<EndRow>()[..ends.len()], ends);
    let specimens = names::<SpecimenRow>();
    for promised in [
        "specimen",
        "kind",
        "knot",
        "n_sheared",
        "n_tensile",
        "n_unclear",
        "sheared_fraction",
        "sheared_low",
        "sheared_high",
    ] {
        assert!(specimens.iter().any(|c| c == promised), "{promised}");
    }
    assert_eq!(names::<ImageRow>()[..3], ["image", "specimen", "kind"]);
    assert!(names::<KnotRow>().iter().any(|c| c == "sheared_fraction"));
}

#[test]
fn every_column_is_named_once_and_says_what_it_is() {
    fn check<T: TableRow>(row: &T) {
        let columns = T::columns();
        assert_eq!(columns.len(), row.cells().len());
        let unique: BTreeSet<&str> = columns.iter().map(|c| c.name.as_str()).collect();
        assert_eq!(unique.len(), columns.len());
        for column in &columns {
            assert!(column.meaning.ends_with(['.', ';']) || 3 < column.meaning.len(), "{}", column.name);
            assert!(column.name.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_'));
            for (end, unit) in [("_px", "px"), ("_um", "um"), ("_deg", "deg"), ("_n", "N")] {
                let counts = ["n_", "um_per_px", "u_um_per_px", "carriers"].iter().any(|p| column.name.starts_with(p));
                let sizes = ["width_px", "height_px"].contains(&column.name.as_str());
                if column.name.ends_with(end) && !counts && !sizes {
                    assert_eq!(column.unit, unit, "{}", column.name);
                }
            }
        }
    }
    check(&ImageRow::default());
    check(&SpecimenRow::default());
    check(&KnotRow::default());
}

#[test]
fn features_are_all_columns_of_ends() {
    let columns = names::<EndRow>();
    for feature in FEATURES {
        assert_eq!(columns.iter().filter(|c| *c == feature.name).count(), 1, "{}", feature.name);
    }
}

#[test]
fn exit_codes_of_the_readme_are_those_of_the_program() {
    let readme = std::fs::read_to_string(repository("README.md")).unwrap();
    let source = std::fs::read_to_string(repository("src/bin/breakface/exit.rs")).unwrap();
    for line in source.lines().filter_map(|l| l.trim().strip_prefix("/// ")) {
        let Some((number, meaning)) = line.split_once(": ").filter(|(n, _)| n.parse::<u8>().is_ok()) else { continue };
        let row = format!("| {number} | {} |", meaning.trim_end_matches('.'));
        assert!(readme.contains(&row), "README lacks: {row}");
    }
}

#[test]
fn the_features_of_the_readme_are_those_of_the_registry() {
    let readme = std::fs::read_to_string(repository("README.md")).unwrap();
    let listed: Vec<&str> = readme
        .lines()
        .skip_while(|l| !l.starts_with("| feature |"))
        .skip(2)
        .take_while(|l| l.starts_with('|'))
        .collect();
    let expected: Vec<String> =
        FEATURES.iter().map(|f| format!("| `{}` | {} | {} |", f.name, f.unit, f.meaning)).collect();
    assert_eq!(listed, expected, "write the output of `breakface settings --features --markdown` into README.md");
}

#[test]
fn the_tables_of_the_documents_are_those_of_the_program() {
    let said =
        crate::driver::said(&crate::cli::breakface().args(["features", "--tables", "--markdown"]).output().unwrap());
    let document = std::fs::read_to_string(repository("docs/tables.md")).unwrap();
    let listed = &document[document.find("\n## ").unwrap()..];
    assert_eq!(listed, said.out, "write the output of `breakface features --tables --markdown` into docs/tables.md");
    // The registry of flags, in the same document's neighbour.
    let document = std::fs::read_to_string(repository("docs/flags.md")).unwrap();
    for flag in breakface::flag::Flag::ALL {
        let line = format!(
            "| `{}` | {} | {} | {} | {} |",
            flag.name(),
            flag.severity().word(),
            flag.about().word(),
            flag.meaning(),
            flag.remedy()
        );
        assert!(document.contains(&line), "docs/flags.md lacks: {line}");
    }
}

/// What a reader of the CSV tables sees is what a reader of the Parquet tables sees. Whether pyarrow, polars and duckdb
/// find units and meanings is checked by `scripts/tables/check.py`.
#[test]
fn both_forms_of_a_table_have_the_same_columns() {
    fn check<T: TableRow>(row: T) {
        let folder = tempfile::tempdir().unwrap();
        let (csv, parquet) = (folder.path().join(T::csv_name()), folder.path().join(T::parquet_name()));
        breakface::table::write_csv(&csv, std::slice::from_ref(&row)).unwrap();
        breakface::table::write_parquet(&parquet, &[row]).unwrap();
        let header = csv::Reader::from_path(&csv).unwrap().headers().unwrap().clone();
        let file = std::fs::File::open(&parquet).unwrap();
        let reader = SerializedFileReader::new(file).unwrap();
        let metadata = reader.metadata().file_metadata();
        let fields = metadata.schema().get_fields();
        assert_eq!(fields.len(), T::columns().len());
        let arrow = metadata.key_value_metadata().unwrap().iter().find(|entry| entry.key == "ARROW:schema").unwrap();
        let arrow = STANDARD.decode(arrow.value.as_ref().unwrap()).unwrap();
        // A text in a FlatBuffer: its length as four bytes, itself, a zero.
        let holds = |text: &str| {
            let text = [&(text.len() as u32).to_le_bytes(), text.as_bytes(), &[0]].concat();
            arrow.windows(text.len()).any(|part| part == text)
        };
        for ((name, field), column) in header.iter().zip(fields).zip(T::columns()) {
            assert_eq!((name, field.name()), (column.name.as_str(), column.name.as_str()));
            assert!([column.unit, &column.meaning, name].into_iter().all(holds), "{name}");
        }
    }
    check(EndRow::default());
    check(ImageRow::default());
    check(SpecimenRow::default());
    check(KnotRow::default());
    check(breakface::table::SideRow::default());
    check(breakface::table::CarrierRow::default());
    check(breakface::table::PairRow::default());
}
