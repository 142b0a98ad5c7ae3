//! What training on crew talk adds to a published model: for a matrix `W` of the model, two thin ones, `a` and `b`, whose
//! product is added to it (Hu et al., "LoRA", arXiv 2106.09685). `models/README.md` says how they were made.
//!
//! The published file stays as it is on disk; the sum is made in memory when the recogniser starts.

use std::collections::HashMap;

use anyhow::{Context, Result, bail};
use safetensors::{Dtype, SafeTensors};

use super::ggml::{self, Place};
use super::half;

/// For tiny.en, in the open safetensors format: `NAME.a` and `NAME.b` for the matrix `NAME.weight`.
const TINY_EN: &[u8] = include_bytes!("../../../models/tiny.en.tuning.safetensors");

/// The thin matrices of one weight, row by row.
struct Thin {
    rank: usize,
    /// `rank` rows, as wide as the weight.
    a: Vec<f32>,
    /// As many rows as the weight, `rank` wide.
    b: Vec<f32>,
}

/// Adds the tuning of tiny.en to `model`, the bytes of its ggml file.
///
/// # Errors
/// `model` is no whole ggml file, or its matrices are not those that the tuning was made for.
pub fn add_to_tiny_en(model: &mut [u8]) -> Result<()> {
    add(model, TINY_EN)
}

fn add(model: &mut [u8], tuning: &[u8]) -> Result<()> {
    let mut thin = read(tuning)?;
    for place in ggml::places(model)? {
        let Some(name) = place.name.strip_suffix(".weight") else { continue };
        if let Some(thin) = thin.remove(name) {
            thin.add_to(&place, &mut model[place.bytes.clone()])
                .with_context(|| format!("the tuning does not fit `{}`", place.name))?;
        }
    }
    match thin.keys().next() {
        Some(name) => bail!("the model has no matrix `{name}.weight`, which the tuning is for"),
        None => Ok(()),
    }
}

fn read(tuning: &[u8]) -> Result<HashMap<String, Thin>> {
    let tensors = SafeTensors::deserialize(tuning).context("the tuning cannot be read")?;
    let mut all = HashMap::new();
    for name in tensors.names() {
        let Some(name) = name.strip_suffix(".a") else { continue };
        let (a, b) = (tensors.tensor(&format!("{name}.a"))?, tensors.tensor(&format!("{name}.b"))?);
        if a.dtype() != Dtype::F16 || b.dtype() != Dtype::F16 || a.shape().first() != b.shape().get(1) {
            bail!("the tuning of `{name}` is not two half-precision matrices of one rank");
        }
        let rank = a.shape().first().copied().unwrap_or(0);
        all.insert(name.to_string(), Thin { rank, a: half::read(a.data()), b: half::read(b.data()) });
    }
    Ok(all)
}

impl Thin {
    fn add_to(&self, place: &Place, bytes: &mut [u8]) -> Result<()> {
        let [rows, width] = place.dims[..] else { bail!("it is no matrix") };
        if place.kind != ggml::F16 || self.a.len() != self.rank * width || self.b.len() != rows * self.rank {
            bail!("it is {rows} by {width} of type {}", place.kind);
        }
        for (row, factors) in bytes.chunks_exact_mut(width * 2).zip(self.b.chunks_exact(self.rank.max(1))) {
            let mut values = half::read(row);
            for (factor, thin) in factors.iter().zip(self.a.chunks_exact(width)) {
                values.iter_mut().zip(thin).for_each(|(value, thin)| *value += factor * thin);
            }
            row.copy_from_slice(&half::written(&values));
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use safetensors::tensor::TensorView;

    /// A ggml file of one matrix, `layer.weight`, of two rows of three.
    fn model(values: [f32; 6]) -> Vec<u8> {
        let mut bytes = ggml::MAGIC.to_le_bytes().to_vec();
        let shape = [51_864, 1500, 384, 6, 4, 448, 384, 6, 4, 80, 1];
        let no_mels_no_tokens = [0, 0, 0];
        let name = b"layer.weight";
        let tensor = [2, name.len() as i32, ggml::F16, 3, 2];
        for number in shape.into_iter().chain(no_mels_no_tokens).chain(tensor) {
            bytes.extend(number.to_le_bytes());
        }
        bytes.extend(name);
        bytes.extend(half::written(&values));
        bytes
    }

    fn thin(name: &str, a: (&[f32], [usize; 2]), b: (&[f32], [usize; 2])) -> Vec<u8> {
        let (a_bytes, b_bytes) = (half::written(a.0), half::written(b.0));
        let view = |shape: [usize; 2], bytes| TensorView::new(Dtype::F16, shape.to_vec(), bytes).unwrap();
        let both = [(format!("{name}.a"), view(a.1, &a_bytes)), (format!("{name}.b"), view(b.1, &b_bytes))];
        safetensors::serialize(both, None).unwrap()
    }

    #[test]
    fn the_product_of_the_thin_matrices_is_added() {
        let mut bytes = model([1.0, 2.0, 3.0, 4.0, 5.0, 6.0]);
        let tuning = thin("layer", (&[1.0, 0.0, 2.0], [1, 3]), (&[10.0, -1.0], [2, 1]));
        add(&mut bytes, &tuning).unwrap();
        assert_eq!(bytes, model([11.0, 2.0, 23.0, 3.0, 5.0, 4.0]));
    }

    #[test]
    fn what_does_not_fit_is_refused_by_name() {
        let other = thin("other", (&[1.0, 0.0, 2.0], [1, 3]), (&[10.0, -1.0], [2, 1]));
        assert!(add(&mut model([0.0; 6]), &other).unwrap_err().to_string().contains("`other.weight`"));
        let narrow = thin("layer", (&[1.0, 0.0], [1, 2]), (&[10.0, -1.0], [2, 1]));
        assert!(add(&mut model([0.0; 6]), &narrow).unwrap_err().to_string().contains("`layer.weight`"));
        assert!(add(&mut model([0.0; 6]), b"no tuning").is_err());
        let mut cut = model([0.0; 6]);
        cut.truncate(cut.len() - 1);
        assert!(add(&mut cut, &narrow).is_err());
    }
}
