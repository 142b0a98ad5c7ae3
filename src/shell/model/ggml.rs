//! The ggml file of a Whisper model: its layout, its writing from CTranslate2 weights, and the walk that tells a whole
//! file from a cut one without loading it.
//!
//! Little endian: u32 magic; 11 i32 of shape; i32 mels, i32 bins, f32 filterbank; i32 tokens, each u32 length and raw
//! bytes; then tensors to the end: i32 rank, i32 name length, i32 type (0 f32, 1 f16), i32 dimensions innermost first,
//! name, data. Matrices are f16; vectors, biases and both positional embeddings are f32.

use std::io::{self, BufReader, Cursor, Read, Seek, SeekFrom, Write};
use std::ops::Range;

use anyhow::{Context, Result, bail};

use super::ct2::{Variable, Weights};
use super::mel;

pub const MAGIC: u32 = 0x6767_6d6c;

/// The 11 numbers of the header.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Shape {
    pub vocabulary: i32,
    pub audio_window: i32,
    pub audio_width: i32,
    pub audio_heads: i32,
    pub audio_layers: i32,
    pub text_window: i32,
    pub text_width: i32,
    pub text_heads: i32,
    pub text_layers: i32,
    pub mels: i32,
    pub kind: i32,
}

impl Shape {
    fn numbers(&self) -> [i32; 11] {
        [
            self.vocabulary,
            self.audio_window,
            self.audio_width,
            self.audio_heads,
            self.audio_layers,
            self.text_window,
            self.text_width,
            self.text_heads,
            self.text_layers,
            self.mels,
            self.kind,
        ]
    }

    fn of(n: [i32; 11]) -> Shape {
        Shape {
            vocabulary: n[0],
            audio_window: n[1],
            audio_width: n[2],
            audio_heads: n[3],
            audio_layers: n[4],
            text_window: n[5],
            text_width: n[6],
            text_heads: n[7],
            text_layers: n[8],
            mels: n[9],
            kind: n[10],
        }
    }

    /// True for a multilingual model, whose special tokens are numbered one higher.
    pub fn multilingual(&self) -> bool {
        self.vocabulary >= 51_865
    }

    /// What the size of the model is called, by its layers.
    pub fn name(&self) -> &'static str {
        match (self.audio_layers, self.multilingual()) {
            (4, false) => "tiny.en",
            (4, true) => "tiny",
            (6, false) => "base.en",
            (6, true) => "base",
            (12, false) => "small.en",
            (12, true) => "small",
            (24, _) => "medium",
            (32, _) => "large",
            _ => "unknown size",
        }
    }

    /// Number of tensors that a whole file holds.
    fn tensors(&self) -> u64 {
        let layers = |n: i32| u64::try_from(n).unwrap_or(0);
        7 + layers(self.audio_layers) * 15 + 4 + layers(self.text_layers) * 24
    }
}

/// The type of a tensor of halves.
pub const F16: i32 = 1;

/// One tensor of a file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Place {
    pub name: String,
    /// ggml's number of the type; [`F16`] for the matrices of a model that is not quantised.
    pub kind: i32,
    /// Outermost first.
    pub dims: Vec<usize>,
    /// Where its values are in the file.
    pub bytes: Range<usize>,
}

/// What a walk through a file found.
#[derive(Debug, PartialEq, Eq)]
pub enum Walk {
    Whole(Shape),
    /// Ends inside its header, its vocabulary or a tensor, or tensors are missing.
    Cut,
    /// Why it is no Whisper model.
    Foreign(String),
}

/// Walks through a ggml Whisper file without reading its weights.
///
/// # Errors
/// The file cannot be read.
pub fn walk(file: impl Read + Seek) -> io::Result<Walk> {
    let mut file = BufReader::new(file);
    match walk_parts(&mut file) {
        Ok(walk) => Ok(walk),
        Err(error) if error.kind() == io::ErrorKind::UnexpectedEof => Ok(Walk::Cut),
        Err(error) => Err(error),
    }
}

fn walk_parts(file: &mut BufReader<impl Read + Seek>) -> io::Result<Walk> {
    let length = file.seek(SeekFrom::End(0))?;
    file.seek(SeekFrom::Start(0))?;
    if length == 0 {
        return Ok(Walk::Foreign("it is empty".into()));
    }
    if length < 4 || read_i32(file)? as u32 != MAGIC {
        return Ok(Walk::Foreign("it does not begin as a ggml model does".into()));
    }
    let shape = read_shape(file)?;
    if let Some(why) = implausible(&shape) {
        return Ok(Walk::Foreign(why));
    }
    skip_vocabulary(file, length)?;
    let mut tensors = 0;
    while file.stream_position()? < length {
        let tensor = next_tensor(file, length);
        let cut = matches!(&tensor, Err(error) if error.kind() == io::ErrorKind::UnexpectedEof);
        if cut && tensors >= shape.tensors() {
            // Nothing is missing: what follows is no tensor at all.
            return Ok(Walk::Foreign("something stands behind its last tensor".into()));
        }
        if let Err(why) = tensor? {
            return Ok(Walk::Foreign(why));
        }
        tensors += 1;
    }
    Ok(if tensors < shape.tensors() { Walk::Cut } else { Walk::Whole(shape) })
}

fn read_shape(file: &mut impl Read) -> io::Result<Shape> {
    let mut numbers = [0; 11];
    for number in &mut numbers {
        *number = read_i32(file)?;
    }
    Ok(Shape::of(numbers))
}

fn implausible(shape: &Shape) -> Option<String> {
    let sane = (50_000..60_000).contains(&shape.vocabulary)
        && shape.audio_window == 1500
        && (1..=64).contains(&shape.audio_layers)
        && (1..=64).contains(&shape.text_layers)
        && (1..=256).contains(&shape.mels);
    (!sane).then(|| "it is a ggml file, but not of a Whisper model".into())
}

fn skip_vocabulary(file: &mut BufReader<impl Read + Seek>, length: u64) -> io::Result<()> {
    let mels = read_length(file)?;
    let bins = read_length(file)?;
    skip(file, mels * bins * 4, length)?;
    for _ in 0..read_length(file)? {
        let bytes = read_length(file)?;
        skip(file, bytes, length)?;
    }
    Ok(())
}

/// The next tensor, passed over; the inner error says why the next bytes are none.
fn next_tensor(file: &mut BufReader<impl Read + Seek>, length: u64) -> io::Result<Result<Place, String>> {
    let (rank, name_length, kind) = (read_i32(file)?, read_length(file)?, read_i32(file)?);
    if !(1..=4).contains(&rank) || name_length > 256 {
        return Ok(Err("its weights are not laid out as a Whisper model's".into()));
    }
    let mut dims = Vec::new();
    for _ in 0..rank {
        dims.insert(0, read_length(file)?);
    }
    let Some((block, bytes)) = block_of(kind) else {
        return Ok(Err(format!("it holds weights of the unknown type {kind}")));
    };
    let mut name = vec![0; name_length as usize];
    file.read_exact(&mut name)?;
    let start = file.stream_position()?;
    let values = dims.iter().fold(1u64, |product, dim| product.saturating_mul(*dim));
    skip(file, values / block * bytes, length)?;
    let name = String::from_utf8_lossy(&name).into_owned();
    let dims = dims.into_iter().map(|dim| dim as usize).collect();
    Ok(Ok(Place { name, kind, dims, bytes: start as usize..file.stream_position()? as usize }))
}

/// Where every tensor of a model lies in the bytes of its file.
///
/// # Errors
/// `model` is no whole ggml file.
pub fn places(model: &[u8]) -> Result<Vec<Place>> {
    let length = model.len() as u64;
    let mut file = BufReader::new(Cursor::new(model));
    read_i32(&mut file)?;
    read_shape(&mut file)?;
    skip_vocabulary(&mut file, length)?;
    let mut all = Vec::new();
    while file.stream_position()? < length {
        all.push(next_tensor(&mut file, length)?.map_err(anyhow::Error::msg)?);
    }
    Ok(all)
}

/// Values and bytes of one block of a ggml type (ggml.h of whisper.cpp 1.8.3).
fn block_of(kind: i32) -> Option<(u64, u64)> {
    Some(match kind {
        0 => (1, 4),
        1 => (1, 2),
        2 => (32, 18),
        3 => (32, 20),
        6 => (32, 22),
        7 => (32, 24),
        8 => (32, 34),
        10 => (256, 84),
        11 => (256, 110),
        12 => (256, 144),
        13 => (256, 176),
        14 => (256, 210),
        _ => return None,
    })
}

fn read_i32(file: &mut impl Read) -> io::Result<i32> {
    let mut bytes = [0; 4];
    file.read_exact(&mut bytes)?;
    Ok(i32::from_le_bytes(bytes))
}

fn read_length(file: &mut impl Read) -> io::Result<u64> {
    u64::try_from(read_i32(file)?).map_err(|_| io::ErrorKind::UnexpectedEof.into())
}

fn skip(file: &mut BufReader<impl Read + Seek>, bytes: u64, length: u64) -> io::Result<()> {
    let end = file.stream_position()?.saturating_add(bytes);
    if end > length {
        return Err(io::ErrorKind::UnexpectedEof.into());
    }
    file.seek_relative(i64::try_from(bytes).map_err(|_| io::ErrorKind::UnexpectedEof)?)
}

/// The raw bytes of every text token in a ggml Whisper file, by token number.
///
/// # Errors
/// The file cannot be read, or ends early.
pub fn read_vocabulary(file: impl Read) -> io::Result<Vec<Vec<u8>>> {
    let mut file = BufReader::new(file);
    read_i32(&mut file)?;
    read_shape(&mut file)?;
    let bank = read_length(&mut file)? * read_length(&mut file)? * 4;
    io::copy(&mut file.by_ref().take(bank), &mut io::sink())?;
    let count = read_length(&mut file)?;
    let mut tokens = Vec::with_capacity(usize::try_from(count).unwrap_or(0).min(60_000));
    for _ in 0..count {
        let length = usize::try_from(read_length(&mut file)?).unwrap_or(usize::MAX).min(1 << 16);
        let mut bytes = vec![0; length];
        file.read_exact(&mut bytes)?;
        tokens.push(bytes);
    }
    Ok(tokens)
}

/// Writes the ggml file of a CTranslate2 Whisper model.
///
/// # Errors
/// A weight is missing or has another shape than Whisper's, or `out` cannot be written.
pub fn write(weights: &Weights, tokens: &[Vec<u8>], out: &mut impl Write) -> Result<()> {
    let shape = shape_of(weights)?;
    write_i32(out, MAGIC as i32)?;
    for number in shape.numbers() {
        write_i32(out, number)?;
    }
    write_i32(out, shape.mels)?;
    write_i32(out, mel::N_FFT as i32)?;
    for value in mel::filterbank(shape.mels as usize) {
        out.write_all(&value.to_le_bytes())?;
    }
    write_i32(out, tokens.len() as i32)?;
    for token in tokens {
        write_i32(out, token.len() as i32)?;
        out.write_all(token)?;
    }
    Writer { weights, out }.all(&shape)
}

fn shape_of(weights: &Weights) -> Result<Shape> {
    let embedding = weights.get("decoder/embeddings/weight")?;
    let conv = weights.get("encoder/conv1/weight")?;
    let [vocabulary, width] = embedding.dims[..] else { bail!("the embedding is no matrix") };
    let [_, mels, 3] = conv.dims[..] else { bail!("the first convolution has an unknown shape") };
    let layers =
        |part: &str| (0..).take_while(|n| weights.has(&format!("{part}/layer_{n}/ffn/linear_0/weight"))).count() as i32;
    let heads = (width / 64) as i32; // every Whisper model has heads of 64
    Ok(Shape {
        vocabulary: vocabulary as i32,
        audio_window: window(weights, "encoder")?,
        audio_width: width as i32,
        audio_heads: heads,
        audio_layers: layers("encoder"),
        text_window: window(weights, "decoder")?,
        text_width: width as i32,
        text_heads: heads,
        text_layers: layers("decoder"),
        mels: mels as i32,
        kind: 1,
    })
}

fn window(weights: &Weights, part: &str) -> Result<i32> {
    let positions = weights.get(&format!("{part}/position_encodings/encodings"))?;
    Ok(positions.dims.first().copied().unwrap_or(0) as i32)
}

struct Writer<'a, 'b, W: Write> {
    weights: &'a Weights<'b>,
    out: &'a mut W,
}

impl<W: Write> Writer<'_, '_, W> {
    fn all(mut self, shape: &Shape) -> Result<()> {
        self.single("encoder/position_encodings/encodings", "encoder.positional_embedding", false)?;
        for conv in ["conv1", "conv2"] {
            self.half(&format!("encoder/{conv}/weight"), &format!("encoder.{conv}.weight"))?;
            self.single(&format!("encoder/{conv}/bias"), &format!("encoder.{conv}.bias"), true)?;
        }
        for n in 0..shape.audio_layers {
            self.layer("encoder", n)?;
        }
        self.norm("encoder/layer_norm", "encoder.ln_post")?;
        self.single("decoder/position_encodings/encodings", "decoder.positional_embedding", false)?;
        self.half("decoder/embeddings/weight", "decoder.token_embedding.weight")?;
        for n in 0..shape.text_layers {
            self.layer("decoder", n)?;
        }
        self.norm("decoder/layer_norm", "decoder.ln")
    }

    fn layer(&mut self, part: &str, n: i32) -> Result<()> {
        let (from, to) = (format!("{part}/layer_{n}"), format!("{part}.blocks.{n}"));
        self.norm(&format!("{from}/self_attention/layer_norm"), &format!("{to}.attn_ln"))?;
        self.fused(&format!("{from}/self_attention/linear_0"), &to, &["attn.query", "attn.key", "attn.value"])?;
        self.linear(&format!("{from}/self_attention/linear_1"), &format!("{to}.attn.out"))?;
        if part == "decoder" {
            self.norm(&format!("{from}/attention/layer_norm"), &format!("{to}.cross_attn_ln"))?;
            self.linear(&format!("{from}/attention/linear_0"), &format!("{to}.cross_attn.query"))?;
            self.fused(&format!("{from}/attention/linear_1"), &to, &["cross_attn.key", "cross_attn.value"])?;
            self.linear(&format!("{from}/attention/linear_2"), &format!("{to}.cross_attn.out"))?;
        }
        self.norm(&format!("{from}/ffn/layer_norm"), &format!("{to}.mlp_ln"))?;
        self.linear(&format!("{from}/ffn/linear_0"), &format!("{to}.mlp.0"))?;
        self.linear(&format!("{from}/ffn/linear_1"), &format!("{to}.mlp.2"))
    }

    fn norm(&mut self, from: &str, to: &str) -> Result<()> {
        self.single(&format!("{from}/gamma"), &format!("{to}.weight"), false)?;
        self.single(&format!("{from}/beta"), &format!("{to}.bias"), false)
    }

    fn linear(&mut self, from: &str, to: &str) -> Result<()> {
        self.half(&format!("{from}/weight"), &format!("{to}.weight"))?;
        self.single(&format!("{from}/bias"), &format!("{to}.bias"), false)
    }

    /// Splits a stacked projection into its named thirds or halves. Whisper's key has no bias: its part must be zero.
    fn fused(&mut self, from: &str, to: &str, names: &[&str]) -> Result<()> {
        let weight = self.weights.get(&format!("{from}/weight"))?;
        let bias = self.weights.get(&format!("{from}/bias"))?;
        let width = weight.dims.first().copied().unwrap_or(0) / names.len();
        for (i, name) in names.iter().enumerate() {
            let (first, last) = (i * width, (i + 1) * width);
            let rows = weight.rows(first, last)?;
            self.tensor(&format!("{to}.{name}.weight"), &rows.dims, 1, &rows.to_f16()?)?;
            let part = bias.rows(first, last)?;
            if name.ends_with("key") {
                if part.to_f32()?.iter().any(|v| *v != 0.0) {
                    bail!("`{from}` has a bias on its key, which Whisper has not");
                }
            } else {
                self.f32(&format!("{to}.{name}.bias"), &part, false)?;
            }
        }
        Ok(())
    }

    fn half(&mut self, from: &str, to: &str) -> Result<()> {
        let variable = self.weights.get(from)?;
        self.tensor(to, &variable.dims, 1, &variable.to_f16().with_context(|| from.to_string())?)
    }

    fn single(&mut self, from: &str, to: &str, column: bool) -> Result<()> {
        let variable = self.weights.get(from)?;
        self.f32(to, variable, column).with_context(|| from.to_string())
    }

    fn f32(&mut self, to: &str, variable: &Variable, column: bool) -> Result<()> {
        let mut dims = variable.dims.clone();
        if column {
            dims.push(1);
        }
        let data: Vec<u8> = variable.to_f32()?.iter().flat_map(|v| v.to_le_bytes()).collect();
        self.tensor(to, &dims, 0, &data)
    }

    fn tensor(&mut self, name: &str, dims: &[usize], kind: i32, data: &[u8]) -> Result<()> {
        write_i32(self.out, dims.len() as i32)?;
        write_i32(self.out, name.len() as i32)?;
        write_i32(self.out, kind)?;
        for dim in dims.iter().rev() {
            write_i32(self.out, *dim as i32)?;
        }
        self.out.write_all(name.as_bytes())?;
        self.out.write_all(data)?;
        Ok(())
    }
}

fn write_i32(out: &mut impl Write, value: i32) -> io::Result<()> {
    out.write_all(&value.to_le_bytes())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn foreign_and_cut_files_differ() {
        let foreign = |bytes: &[u8]| matches!(walk(Cursor::new(bytes)).unwrap(), Walk::Foreign(_));
        assert!(foreign(b""));
        assert!(foreign(b"RIFF0000WAVEfmt "));
        assert!(foreign(b"hello"));
        let mut bytes = MAGIC.to_le_bytes().to_vec();
        assert_eq!(walk(Cursor::new(&bytes)).unwrap(), Walk::Cut);
        for n in [51864, 1500, 384, 6, 4, 448, 384, 6, 4, 80, 1] {
            bytes.extend(i32::to_le_bytes(n));
        }
        assert_eq!(walk(Cursor::new(&bytes)).unwrap(), Walk::Cut);
        bytes[8] = 7;
        assert!(foreign(&bytes));
    }
}
