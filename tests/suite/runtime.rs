//! The forward pass of networks (`forward/`) against onnxruntime: convolutions with strides, dilations, groups and padding of
//! many shapes, few and many channels, one and several pictures (`scripts/reference/runtime.py`; version in
//! `tests/reference/runtime.json`).

use base64::Engine;
use serde::Deserialize;

#[derive(Deserialize)]
struct Reference {
    cases: Vec<Case>,
}

#[derive(Deserialize)]
struct Case {
    model: String,
    input: [usize; 4],
    output: [usize; 4],
    places: Vec<usize>,
    values: Vec<f32>,
}

#[test]
fn convolutions_answer_as_onnxruntime_does() {
    let reference: Reference = serde_json::from_str(include_str!("../reference/runtime.json")).unwrap();
    assert_eq!(reference.cases.len(), 60);
    for (k, case) in reference.cases.iter().enumerate() {
        let file = base64::engine::general_purpose::STANDARD.decode(&case.model).unwrap();
        let [pictures, planes, rows, columns] = case.input;
        let grey = |at: usize| {
            let (x, y, c) = (at % columns, at / columns % rows, at / columns / rows % planes);
            ((x * 7 + y * 13 + 5 * c) % 17) as f32 / 8.0 - 1.0
        };
        let input: Vec<f32> = (0..pictures * planes * rows * columns).map(grey).collect();
        let (sides, answer) = breakface_forward::load(&file).unwrap().run(case.input, &input).unwrap();
        assert_eq!(sides, case.output, "case {k}");
        for (&place, &value) in case.places.iter().zip(&case.values) {
            assert!((answer[place] - value).abs() < 1e-4, "case {k} at {place}: {} instead of {value}", answer[place]);
        }
    }
}
