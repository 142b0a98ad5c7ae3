//! Reads the `model.bin` of CTranslate2 (binary version 6), the form in which the pinned Python packages carry Whisper.
//!
//! Little endian: u32 version; string (u16 length with the final NUL, bytes, NUL); u32 revision; u32 count; then per
//! variable its name, u8 rank, u32 dimensions, u8 type, u32 byte count, data; then aliases, which the import needs not.

use std::collections::BTreeMap;

use anyhow::{Context, Result, bail};

use super::half;

/// One weight as stored: row-major, `dims` outermost first.
pub struct Variable<'a> {
    pub dims: Vec<usize>,
    pub kind: Kind,
    pub data: &'a [u8],
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    F32,
    F16,
    /// Counts, flags and quantised weights: no Whisper weight that can be imported has this type.
    Other,
}

/// The weights of a CTranslate2 Whisper model, by name.
pub struct Weights<'a> {
    variables: BTreeMap<String, Variable<'a>>,
}

impl<'a> Weights<'a> {
    /// # Errors
    /// Not such a file, of another version or for another kind of model, or cut short.
    pub fn read(bytes: &'a [u8]) -> Result<Weights<'a>> {
        let mut reader = Reader { bytes, at: 0 };
        let version = reader.u32()?;
        if version != 6 {
            bail!("binary version {version} where 6 is known: this is no CTranslate2 model, or one of another age");
        }
        let spec = reader.string()?;
        if spec != "WhisperSpec" {
            bail!("it holds a `{spec}`, not a Whisper model");
        }
        reader.u32()?; // revision of the specification; the names below decide
        let count = reader.u32()?;
        let mut variables = BTreeMap::new();
        for _ in 0..count {
            let (name, variable) = reader.variable()?;
            variables.insert(name, variable);
        }
        Ok(Weights { variables })
    }

    pub fn get(&self, name: &str) -> Result<&Variable<'a>> {
        self.variables.get(name).with_context(|| format!("the weight `{name}` is missing"))
    }

    pub fn has(&self, name: &str) -> bool {
        self.variables.contains_key(name)
    }
}

impl Variable<'_> {
    /// Number of values.
    pub fn len(&self) -> usize {
        self.dims.iter().product()
    }

    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// All values in single precision.
    pub fn to_f32(&self) -> Result<Vec<f32>> {
        Ok(match self.kind {
            Kind::F32 => self.data.chunks_exact(4).map(|b| f32::from_le_bytes([b[0], b[1], b[2], b[3]])).collect(),
            Kind::F16 => half::read(self.data),
            Kind::Other => bail!("a weight is quantised; import the float16 or float32 model"),
        })
    }

    /// All values in half precision, as bytes.
    pub fn to_f16(&self) -> Result<Vec<u8>> {
        Ok(match self.kind {
            Kind::F16 => self.data.to_vec(),
            Kind::F32 => half::written(&self.to_f32()?),
            Kind::Other => bail!("a weight is quantised; import the float16 or float32 model"),
        })
    }

    /// Rows `from..to` of the outermost dimension.
    pub fn rows(&self, from: usize, to: usize) -> Result<Variable<'_>> {
        let outer = self.dims.first().copied().unwrap_or(0);
        if from > to || to > outer {
            bail!("rows {from} to {to} of {outer}");
        }
        let row = self.data.len() / outer.max(1);
        let mut dims = self.dims.clone();
        dims[0] = to - from;
        Ok(Variable { dims, kind: self.kind, data: &self.data[from * row..to * row] })
    }
}

struct Reader<'a> {
    bytes: &'a [u8],
    at: usize,
}

impl<'a> Reader<'a> {
    fn take(&mut self, count: usize) -> Result<&'a [u8]> {
        let part = self.at.checked_add(count).and_then(|end| self.bytes.get(self.at..end));
        let part = part.with_context(|| format!("the file ends inside a weight, at byte {}", self.bytes.len()))?;
        self.at += count;
        Ok(part)
    }

    fn u8(&mut self) -> Result<u8> {
        Ok(self.take(1)?[0])
    }

    fn u32(&mut self) -> Result<u32> {
        let b = self.take(4)?;
        Ok(u32::from_le_bytes([b[0], b[1], b[2], b[3]]))
    }

    fn string(&mut self) -> Result<String> {
        let b = self.take(2)?;
        let length = usize::from(u16::from_le_bytes([b[0], b[1]]));
        let bytes = self.take(length)?;
        let text = bytes.strip_suffix(&[0]).unwrap_or(bytes);
        Ok(std::str::from_utf8(text).context("a name in it is no text")?.to_string())
    }

    fn variable(&mut self) -> Result<(String, Variable<'a>)> {
        let name = self.string()?;
        let rank = self.u8()?;
        let dims = (0..rank).map(|_| Ok(self.u32()? as usize)).collect::<Result<Vec<_>>>()?;
        let (kind, width) = match self.u8()? {
            0 => (Kind::F32, 4),
            4 => (Kind::F16, 2),
            1 => (Kind::Other, 1),
            2 | 5 => (Kind::Other, 2),
            3 => (Kind::Other, 4),
            other => bail!("weight `{name}` has the unknown type {other}"),
        };
        let bytes = self.u32()? as usize;
        let wanted = dims.iter().try_fold(width, |product: usize, dim| product.checked_mul(*dim));
        if wanted != Some(bytes) {
            bail!("weight `{name}` claims {bytes} bytes, which is not its shape's size");
        }
        Ok((name, Variable { dims, kind, data: self.take(bytes)? }))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn another_file_is_refused_not_read() {
        assert!(Weights::read(b"").is_err());
        assert!(Weights::read(b"RIFFxxxxWAVE").is_err());
        let mut bytes = Vec::new();
        bytes.extend(6u32.to_le_bytes());
        bytes.extend(12u16.to_le_bytes());
        bytes.extend(b"WhisperSpec\0");
        bytes.extend(3u32.to_le_bytes());
        bytes.extend(1u32.to_le_bytes());
        assert!(Weights::read(&bytes).err().unwrap().to_string().contains("ends inside"));
    }
}
