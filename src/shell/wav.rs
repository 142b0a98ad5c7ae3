//! Reads a WAV file into 16 kHz mono samples: 16, 24 or 32-bit integer or 32-bit float, any common rate.

use std::fs::File;
use std::io::{BufReader, Read};
use std::path::Path;

use anyhow::{Context, Result, bail};
use hound::{SampleFormat, WavReader, WavSpec};

use super::segment::resample;

/// Sample rate of everything past this room, hertz.
pub const RATE_HZ: u32 = 16_000;

const RATES_HZ: std::ops::RangeInclusive<u32> = 4_000..=384_000;
const MAX_CHANNELS: u16 = 32;

/// A recording, ready to be heard.
#[derive(Clone, Debug, PartialEq)]
pub struct Wav {
    /// 16 kHz, mono, -1 to 1.
    pub samples: Vec<f32>,
    /// Length of the recording, milliseconds.
    pub duration_ms: u64,
}

/// Reads `path` whole. Channels are averaged; other rates are resampled; what is not a number becomes silence.
///
/// # Errors
/// One line naming the file: missing, empty, not a WAV file, truncated, of a width that is not read (8-bit), or
/// without a single sample.
pub fn read(path: &Path) -> Result<Wav> {
    let name = path.display();
    if path.is_dir() {
        bail!("{name}: this is a folder; a WAV file is wanted");
    }
    let file = File::open(path).map_err(|error| match error.kind() {
        std::io::ErrorKind::NotFound => anyhow::anyhow!("{name}: no such file"),
        _ => anyhow::anyhow!("{name}: cannot be read: {error}"),
    })?;
    let length = file.metadata().with_context(|| format!("{name}: cannot be read"))?.len();
    if length == 0 {
        bail!("{name}: the file is empty (0 bytes); a WAV file is wanted");
    }
    let mut reader = match WavReader::new(BufReader::new(file)) {
        Ok(reader) => reader,
        Err(error) => bail!("{name}: {}", header_trouble(&error, path)),
    };
    let spec = reader.spec();
    check(&spec).with_context(|| name.to_string())?;
    let frames = reader.duration();
    if frames == 0 {
        bail!("{name}: the recording is empty (0 seconds)");
    }
    let mono = match decode(&mut reader, &spec) {
        Ok(mono) => mono,
        Err(error) => bail!("{name}: {}", sample_trouble(&error, frames, spec.sample_rate)),
    };
    let duration_ms = mono.len() as u64 * 1000 / u64::from(spec.sample_rate);
    let samples = resample::whole(&mono, spec.sample_rate).with_context(|| name.to_string())?;
    Ok(Wav { samples, duration_ms })
}

fn check(spec: &WavSpec) -> Result<()> {
    let bits = spec.bits_per_sample;
    match (spec.sample_format, bits) {
        (SampleFormat::Int, 16 | 24 | 32) | (SampleFormat::Float, 32) => {}
        (SampleFormat::Int, _) => bail!("{bits}-bit samples are not read; save it as 16, 24 or 32-bit PCM"),
        (SampleFormat::Float, _) => {
            bail!("{bits}-bit float samples are not read; save it as 32-bit float or 16-bit PCM")
        }
    }
    if !RATES_HZ.contains(&spec.sample_rate) {
        bail!("a rate of {} Hz is not read; {} to {} Hz are", spec.sample_rate, RATES_HZ.start(), RATES_HZ.end());
    }
    if spec.channels == 0 || spec.channels > MAX_CHANNELS {
        bail!("{} channels are not read; save it as mono or stereo", spec.channels);
    }
    Ok(())
}

fn decode(reader: &mut WavReader<impl Read>, spec: &WavSpec) -> Result<Vec<f32>, hound::Error> {
    let interleaved: Vec<f32> = match spec.sample_format {
        SampleFormat::Float => reader.samples::<f32>().collect::<Result<_, _>>()?,
        SampleFormat::Int => {
            let scale = 1.0 / (1u64 << (spec.bits_per_sample - 1)) as f32;
            reader.samples::<i32>().map(|s| s.map(|s| s as f32 * scale)).collect::<Result<_, _>>()?
        }
    };
    let channels = usize::from(spec.channels);
    Ok(interleaved.chunks_exact(channels).map(|frame| sane(frame.iter().sum::<f32>() / channels as f32)).collect())
}

/// A finite value from -1 to 1.
pub fn sane(sample: f32) -> f32 {
    if sample.is_finite() { sample.clamp(-1.0, 1.0) } else { 0.0 }
}

fn header_trouble(error: &hound::Error, path: &Path) -> String {
    let begins_as_wav = File::open(path)
        .and_then(|mut file| {
            let mut head = [0; 4];
            file.read_exact(&mut head).map(|()| &head == b"RIFF" || &head == b"RIFX" || &head == b"RF64")
        })
        .unwrap_or(false);
    match error {
        hound::Error::IoError(_) if begins_as_wav => "truncated: the file ends inside its header".into(),
        hound::Error::Unsupported => {
            "a kind of WAV that is not read (8-bit, 64-bit or compressed); save it as 16, 24 or 32-bit PCM".into()
        }
        _ if begins_as_wav => format!("not a WAV file that can be read: {error}"),
        _ => "not a WAV file".into(),
    }
}

fn sample_trouble(error: &hound::Error, frames: u32, rate: u32) -> String {
    let claimed = f64::from(frames) / f64::from(rate);
    match error {
        hound::Error::IoError(_) | hound::Error::FormatError(_) | hound::Error::UnfinishedSample => {
            format!("truncated: the file ends before the {claimed:.1} seconds that its header claims")
        }
        _ => format!("its samples cannot be read: {error}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use hound::WavWriter;
    use std::path::PathBuf;

    const SPEC: WavSpec =
        WavSpec { channels: 1, sample_rate: 16_000, bits_per_sample: 16, sample_format: SampleFormat::Int };

    /// One second of a 440 Hz tone at half of full scale.
    fn tone(dir: &Path, name: &str, spec: WavSpec) -> PathBuf {
        let path = dir.join(name);
        let mut out = WavWriter::create(&path, spec).unwrap();
        for i in 0..spec.sample_rate {
            let value = 0.5 * (f64::from(i) * 440.0 * std::f64::consts::TAU / f64::from(spec.sample_rate)).sin();
            for _ in 0..spec.channels {
                match spec.sample_format {
                    SampleFormat::Float => out.write_sample(value as f32).unwrap(),
                    SampleFormat::Int => {
                        let full = 2f64.powi(i32::from(spec.bits_per_sample) - 1);
                        out.write_sample((value * full) as i32).unwrap();
                    }
                }
            }
        }
        out.finalize().unwrap();
        path
    }

    #[test]
    fn every_width_rate_and_channel_count_gives_the_same_tone() {
        let dir = tempfile::tempdir().unwrap();
        let int = |bits_per_sample| WavSpec { bits_per_sample, ..SPEC };
        let float = WavSpec { bits_per_sample: 32, sample_format: SampleFormat::Float, ..SPEC };
        let mut specs = vec![int(16), int(24), int(32), float, WavSpec { channels: 2, ..int(24) }];
        for sample_rate in [8_000, 11_025, 22_050, 44_100, 48_000, 96_000] {
            specs.push(WavSpec { sample_rate, channels: 2, ..float });
        }
        for (i, spec) in specs.into_iter().enumerate() {
            let wav = read(&tone(dir.path(), &format!("{i}.wav"), spec)).unwrap();
            assert_eq!(wav.duration_ms, 1000, "{spec:?}");
            assert!((wav.samples.len() as i64 - 16_000).abs() <= 2, "{spec:?}: {}", wav.samples.len());
            let middle = &wav.samples[4_000..12_000];
            let power = middle.iter().map(|s| s * s).sum::<f32>() / middle.len() as f32;
            assert!((power.sqrt() - 0.5 / 2f32.sqrt()).abs() < 0.01, "{spec:?}: {}", power.sqrt());
            let crossings = middle.windows(2).filter(|w| w[0] < 0.0 && w[1] >= 0.0).count();
            assert!((219..=221).contains(&crossings), "{spec:?}: {crossings}");
        }
    }

    #[test]
    fn each_bad_file_gets_its_own_line() {
        let dir = tempfile::tempdir().unwrap();
        let path = |name: &str| dir.path().join(name);
        let says = |name: &str, what: &str| {
            let error = format!("{:#}", read(&path(name)).unwrap_err());
            assert!(error.contains(what) && error.contains(name) && !error.contains('\n'), "{name}: {error}");
        };
        says("absent.wav", "no such file");
        std::fs::write(path("empty.wav"), "").unwrap();
        says("empty.wav", "empty");
        std::fs::write(path("text.wav"), "MM:SS this is a script").unwrap();
        says("text.wav", "not a WAV");
        tone(dir.path(), "8bit.wav", WavSpec { bits_per_sample: 8, ..SPEC });
        says("8bit.wav", "8-bit");
        WavWriter::create(path("zero.wav"), SPEC).unwrap().finalize().unwrap();
        says("zero.wav", "0 seconds");
        let whole = std::fs::read(tone(dir.path(), "whole.wav", SPEC)).unwrap();
        for (name, length) in [("cut.wav", 20_001), ("head.wav", 30), ("riff.wav", 6)] {
            std::fs::write(path(name), &whole[..length]).unwrap();
            says(name, "truncated");
        }
        std::fs::create_dir(path("folder.wav")).unwrap();
        says("folder.wav", "folder");
    }

    #[test]
    fn what_is_not_a_number_becomes_silence() {
        assert_eq!(sane(f32::NAN), 0.0);
        assert_eq!(sane(f32::INFINITY), 0.0);
        assert_eq!(sane(-3.0), -1.0);
    }
}
