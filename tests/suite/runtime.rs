//! The networks' runtime, with the change that `vendor/README.md` tells of, against onnxruntime: convolutions with strides,
//! dilations, groups and padding of many shapes (`scripts/reference/runtime.py`; version in `tests/reference/runtime.json`).

use base64::Engine;
use rten::Model;
use rten_tensor::NdTensor;
use rten_tensor::prelude::*;
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
    assert_eq!(reference.cases.len(), 40);
    for (k, case) in reference.cases.iter().enumerate() {
        let model = Model::load(base64::engine::general_purpose::STANDARD.decode(&case.model).unwrap()).unwrap();
        let grey = |[_, c, y, x]: [usize; 4]| ((x * 7 + y * 13 + 5 * c) % 17) as f32 / 8.0 - 1.0;
        let input = NdTensor::<f32, 4>::from_fn(case.input, grey);
        let answer: NdTensor<f32, 4> = model.run_one(input.into(), None).unwrap().try_into().unwrap();
        assert_eq!(answer.shape(), case.output, "case {k}");
        let got: Vec<f32> = answer.iter().copied().collect();
        for (&place, &value) in case.places.iter().zip(&case.values) {
            assert!((got[place] - value).abs() < 1e-4, "case {k} at {place}: {} instead of {value}", got[place]);
        }
    }
}
