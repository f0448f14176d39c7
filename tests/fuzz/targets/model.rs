//! A model file: read, asked about ends with and without measurements, written and read again.

#![no_main]

use breakface::measure::{FEATURES, FeatureRow};
use breakface::tree::Model;
use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| {
    let Ok(model) = Model::from_json(bytes) else { return };
    for value in [None, Some(0.0), Some(1.0), Some(-1e300), Some(0.37)] {
        let mut row = FeatureRow::default();
        FEATURES.iter().for_each(|f| row.set(f.name, value));
        let verdict = model.predict(&row, &[]);
        assert!(verdict.p_sheared.is_none_or(|p| (0.0..=1.0).contains(&p)));
        model.path(&row);
        model.out_of_range(&row);
    }
    let again = Model::from_json(&model.to_json()).expect("our own model can be read");
    assert_eq!(again.digest(), model.digest());
});
