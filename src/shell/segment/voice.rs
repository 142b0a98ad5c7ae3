//! Whether somebody speaks, 32 ms at a time: the network of silero-vad (PyPI `silero-vad` 6.2.3, MIT; its layers are in the
//! package's `tinygrad_model.py`, its weights in `models/voice.safetensors`) in plain arithmetic.
//!
//! A spectrum by convolution, four small convolutions, one cell that remembers, one number. Some 700,000 multiplications
//! a frame.

use std::sync::OnceLock;

use anyhow::{Context, Result, bail};
use safetensors::{Dtype, SafeTensors};

/// Samples at 16 kHz that are judged at a time.
pub const FRAME: usize = 512;

/// As published; `models/README.md` says from where.
const WEIGHTS: &[u8] = include_bytes!("../../../models/voice.safetensors");

/// Samples from before the frame that are looked at with it, and as many behind it, mirrored.
const CONTEXT: usize = 64;
/// One spectrum: samples, and samples to the next.
const WINDOW: usize = 256;
const STEP: usize = 128;
/// Frequencies of a spectrum.
const BINS: usize = WINDOW / 2 + 1;
/// What the cell remembers.
const CELL: usize = 128;

/// Weights as rows for each output, one behind the other.
struct Layer {
    inputs: usize,
    weights: Vec<f32>,
    bias: Vec<f32>,
}

struct Weights {
    spectrum: Layer,
    convolutions: [(Layer, usize); 4],
    from_input: Layer,
    from_cell: Layer,
    last: Layer,
}

/// Hears one stream of sound.
pub struct Voice {
    weights: &'static Weights,
    context: [f32; CONTEXT],
    hidden: Vec<f32>,
    cell: Vec<f32>,
}

impl Default for Voice {
    fn default() -> Voice {
        Voice { weights: weights(), context: [0.0; CONTEXT], hidden: vec![0.0; CELL], cell: vec![0.0; CELL] }
    }
}

impl Voice {
    /// How likely it is, 0 to 1, that somebody speaks in `frame`, which follows the one before.
    pub fn score(&mut self, frame: &[f32; FRAME]) -> f32 {
        let mirrored = frame.iter().rev().skip(1).take(CONTEXT);
        let sound: Vec<f32> = self.context.iter().chain(frame).chain(mirrored).copied().collect();
        self.context.copy_from_slice(&frame[FRAME - CONTEXT..]);
        let mut now: Vec<Vec<f32>> = sound.windows(WINDOW).step_by(STEP).map(|w| self.spectrum(w)).collect();
        for (layer, stride) in &self.weights.convolutions {
            now = convolved(layer, &now, *stride);
        }
        self.remember(now.first().map(Vec::as_slice).unwrap_or_default());
        let heard: Vec<f32> = self.hidden.iter().map(|value| value.max(0.0)).collect();
        sigmoid(self.weights.last.of(0, &heard))
    }

    fn spectrum(&self, window: &[f32]) -> Vec<f32> {
        let of = |row| self.weights.spectrum.of(row, window);
        (0..BINS).map(|bin| of(bin).hypot(of(bin + BINS))).collect()
    }

    /// A long short-term memory cell (Hochreiter and Schmidhuber 1997), its gates in the order of PyTorch: in, forget, new, out.
    fn remember(&mut self, heard: &[f32]) {
        let Weights { from_input, from_cell, .. } = self.weights;
        let before = std::mem::take(&mut self.hidden);
        let gate = |row: usize| from_input.of(row, heard) + from_cell.of(row, &before);
        self.hidden = (0..CELL)
            .map(|at| {
                let (taken, kept) = (sigmoid(gate(at)), sigmoid(gate(at + CELL)));
                self.cell[at] = kept * self.cell[at] + taken * gate(at + 2 * CELL).tanh();
                sigmoid(gate(at + 3 * CELL)) * self.cell[at].tanh()
            })
            .collect();
    }
}

impl Layer {
    /// One output.
    fn of(&self, row: usize, input: &[f32]) -> f32 {
        let weights = &self.weights[row * self.inputs..(row + 1) * self.inputs];
        self.bias.get(row).copied().unwrap_or(0.0) + dot(weights, input)
    }

    fn outputs(&self) -> usize {
        self.weights.len() / self.inputs
    }
}

/// A convolution over three neighbours in time, nothing before the first and behind the last, without what is negative.
fn convolved(layer: &Layer, input: &[Vec<f32>], stride: usize) -> Vec<Vec<f32>> {
    let channels = layer.inputs / 3;
    let at = |time: usize, channel: usize| time.checked_sub(1).and_then(|t| input.get(t)).map_or(0.0, |f| f[channel]);
    let output = |time: usize| {
        let near: Vec<f32> = (0..channels * 3).map(|i| at(time + i % 3, i / 3)).collect();
        (0..layer.outputs()).map(|row| layer.of(row, &near).max(0.0)).collect()
    };
    (0..input.len()).step_by(stride).map(output).collect()
}

/// Eight sums side by side: the compiler makes one instruction of them.
fn dot(one: &[f32], other: &[f32]) -> f32 {
    const LANES: usize = 8;
    let mut sums = [0.0f32; LANES];
    let (ones, others) = (one.chunks_exact(LANES), other.chunks_exact(LANES));
    let rest: f32 = ones.remainder().iter().zip(others.remainder()).map(|(a, b)| a * b).sum();
    for (a, b) in ones.zip(others) {
        for lane in 0..LANES {
            sums[lane] += a[lane] * b[lane];
        }
    }
    sums.iter().sum::<f32>() + rest
}

fn sigmoid(value: f32) -> f32 {
    1.0 / (1.0 + (-value).exp())
}

/// The weights are within the program, and a test reads them: they cannot be wrong.
fn weights() -> &'static Weights {
    static READ: OnceLock<Weights> = OnceLock::new();
    READ.get_or_init(|| read(WEIGHTS).unwrap_or_else(|error| panic!("models/voice.safetensors: {error:#}")))
}

fn read(bytes: &[u8]) -> Result<Weights> {
    let tensors = SafeTensors::deserialize(bytes).context("the weights cannot be read")?;
    let values = |name: &str| -> Result<Vec<f32>> {
        let tensor = tensors.tensor(name).with_context(|| name.to_string())?;
        if tensor.dtype() != Dtype::F32 {
            bail!("`{name}` is not in single precision");
        }
        Ok(tensor.data().chunks_exact(4).map(|b| f32::from_le_bytes([b[0], b[1], b[2], b[3]])).collect())
    };
    let layer = |weight: &str, bias: Option<&str>, outputs: usize, inputs: usize| -> Result<Layer> {
        let weights = values(weight)?;
        let bias = bias.map_or(Ok(Vec::new()), &values)?;
        if weights.len() != outputs * inputs || !(bias.is_empty() || bias.len() == outputs) {
            bail!("`{weight}` is not {outputs} times {inputs}");
        }
        Ok(Layer { inputs, weights, bias })
    };
    let convolution = |name: &str, outputs: usize, channels: usize| {
        layer(&format!("{name}.weight"), Some(&format!("{name}.bias")), outputs, channels * 3)
    };
    Ok(Weights {
        spectrum: layer("stft_conv.weight", None, 2 * BINS, WINDOW)?,
        convolutions: [
            (convolution("conv1", 128, BINS)?, 1),
            (convolution("conv2", 64, 128)?, 2),
            (convolution("conv3", 64, 64)?, 2),
            (convolution("conv4", CELL, 64)?, 1),
        ],
        from_input: layer("lstm_cell.weight_ih", Some("lstm_cell.bias_ih"), 4 * CELL, CELL)?,
        from_cell: layer("lstm_cell.weight_hh", Some("lstm_cell.bias_hh"), 4 * CELL, CELL)?,
        last: layer("final_conv.weight", Some("final_conv.bias"), 1, CELL)?,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::shell::wav;

    #[test]
    fn it_scores_as_the_published_network_does() {
        let sound = wav::read(std::path::Path::new("samples/ladder-fall.wav")).unwrap().samples;
        let published = include_str!("../../../tests/hearing/voice-scores.txt");
        let published = published.lines().filter(|line| !line.starts_with('#')).flat_map(str::split_whitespace);
        let mut voice = Voice::default();
        let (mut frames, mut voiced) = (0, 0);
        for (frame, score) in sound.chunks_exact(FRAME).zip(published) {
            let (own, score) = (voice.score(frame.try_into().unwrap()), score.parse::<f32>().unwrap());
            assert!((own - score).abs() < 0.002, "frame {frames}: {own} for {score}");
            frames += 1;
            voiced += usize::from(own >= 0.5);
        }
        assert!(frames == 625 && (100..525).contains(&voiced), "{voiced} of {frames}");
    }

    #[test]
    fn weights_of_another_shape_are_refused() {
        assert!(read(&WEIGHTS[..1_000]).is_err());
        assert!(read(WEIGHTS).is_ok());
    }
}
