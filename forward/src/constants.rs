//! Constants of an ONNX file: numbers as they are, or whole numbers with a scale for each row.

use std::collections::HashMap;

use crate::file::{self, Node, kinds};

/// Numbers with their sides.
#[derive(Debug, Clone)]
pub(super) struct Constant {
    /// Sides.
    pub(super) dims: Vec<usize>,
    /// Numbers, row-major.
    pub(super) values: Vec<f32>,
}

/// Constants by their names.
#[derive(Debug, Default)]
pub(super) struct Constants(HashMap<String, Constant>);

impl Constants {
    /// Adds what a file holds under a name.
    ///
    /// # Errors
    /// When it is of a kind that is not known here, is cut short, or holds what is no finite number.
    pub(super) fn insert(&mut self, name: &str, tensor: &file::Constant) -> Result<(), String> {
        let dims: Option<Vec<usize>> = tensor.dims.iter().map(|d| usize::try_from(*d).ok()).collect();
        let dims = dims.ok_or_else(|| format!("weights {name:?} with a negative side"))?;
        let values = numbers(tensor).ok_or_else(|| format!("weights {name:?} of a kind that is not known here"))?;
        if dims.iter().try_fold(1usize, |n, d| n.checked_mul(*d)) != Some(values.len()) {
            return Err(format!("weights {name:?} that are cut short"));
        }
        if !values.iter().all(|v| v.is_finite()) {
            return Err(format!("weights {name:?} that are not finite"));
        }
        self.0.insert(name.to_owned(), Constant { dims, values });
        Ok(())
    }

    /// Whole numbers times the scale of their row (ONNX operator specification, DequantizeLinear along the first side).
    ///
    /// # Errors
    /// When its inputs are no constants that fit each other.
    pub(super) fn scale(&mut self, node: &Node) -> Result<(), String> {
        let of = |k: usize| node.input.get(k).and_then(|name| self.0.get(name));
        let (quantised, scales) = of(0).zip(of(1)).ok_or("scaled weights that are no constants")?;
        let rows = scales.values.len();
        let zeros = of(2).map_or_else(|| vec![0.0; rows], |zeros| zeros.values.clone());
        let fits = 0 < rows && zeros.len() == rows && (rows == 1 || quantised.dims.first() == Some(&rows));
        if !fits || quantised.values.is_empty() {
            return Err("scaled weights with scales that do not fit them".to_owned());
        }
        let row = quantised.values.len() / rows;
        let scaled = quantised.values.chunks_exact(row).zip(scales.values.iter().zip(&zeros));
        let values = scaled.flat_map(|(own, (scale, zero))| own.iter().map(move |v| (v - zero) * scale)).collect();
        let constant = Constant { dims: quantised.dims.clone(), values };
        self.0.insert(node.output.first().cloned().unwrap_or_default(), constant);
        Ok(())
    }

    /// Gives a constant a second name.
    ///
    /// # Errors
    /// When it reads no constant.
    pub(super) fn name_again(&mut self, node: &Node) -> Result<(), String> {
        let constant = node.input.first().and_then(|name| self.0.get(name)).ok_or("of what is no constant")?.clone();
        self.0.insert(node.output.first().cloned().unwrap_or_default(), constant);
        Ok(())
    }

    /// A constant by its name.
    pub(super) fn get(&self, name: &str) -> Option<&Constant> {
        self.0.get(name)
    }
}

/// Numbers of a tensor; `None` for kinds that our networks do not use.
fn numbers(tensor: &file::Constant) -> Option<Vec<f32>> {
    let raw = tensor.raw_data.as_deref().unwrap_or_default();
    let whole = |v: &i32| *v as f32;
    match tensor.data_type.unwrap_or(kinds::FLOAT) {
        kinds::FLOAT if raw.is_empty() => Some(tensor.float_data.clone()),
        kinds::FLOAT => Some(raw.chunks_exact(4).map(|b| f32::from_le_bytes([b[0], b[1], b[2], b[3]])).collect()),
        kinds::INT8 if raw.is_empty() => Some(tensor.int32_data.iter().map(whole).collect()),
        kinds::INT8 => Some(raw.iter().map(|b| f32::from(b.cast_signed())).collect()),
        kinds::UINT8 if raw.is_empty() => Some(tensor.int32_data.iter().map(whole).collect()),
        kinds::UINT8 => Some(raw.iter().map(|b| f32::from(*b)).collect()),
        _ => None,
    }
}
