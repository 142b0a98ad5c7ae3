//! Kept audio, only when it was asked for: one WAV file an utterance in the record's folder.
//!
//! A file has its name only once it is whole and synced, so every `.wav` there can be played after a crash; the
//! utterance being spoken at that moment is lost with its `.part`. The event names its file (`heard.audio`).

use std::fs::{self, DirBuilder};
use std::io::{self, Write};
use std::os::unix::fs::DirBuilderExt;
use std::path::Path;

use super::storage::private_file;

/// The folder within a record's folder.
pub const AUDIO: &str = "audio";

/// The name for `heard.audio` of an utterance that began at `begun_ms` on the record's stopwatch.
pub fn name(begun_ms: u64) -> String {
    format!("{AUDIO}/{begun_ms:09}.wav")
}

/// Writes an utterance's samples (mono, 16 bit, `rate` per second) under its [`name`]. An utterance begins where no
/// other did, so the name is free.
///
/// # Errors
/// The medium's. The caller says so and goes on: the record does not depend on it.
pub fn keep(record: &Path, begun_ms: u64, samples: &[i16], rate: u32) -> io::Result<()> {
    let folder = record.join(AUDIO);
    match DirBuilder::new().mode(0o700).create(&folder) {
        Err(e) if e.kind() != io::ErrorKind::AlreadyExists => return Err(e),
        _ => {}
    }
    let file = record.join(name(begun_ms));
    let part = file.with_extension("wav.part");
    let mut writing = private_file().write(true).create(true).truncate(true).open(&part)?;
    writing.write_all(&wav(samples, rate))?;
    writing.sync_data()?;
    fs::rename(&part, &file)?;
    fs::File::open(&folder)?.sync_all()
}

/// A RIFF/WAVE file, format 1 (PCM), one channel, 16 bit.
fn wav(samples: &[i16], rate: u32) -> Vec<u8> {
    let data = u32::try_from(samples.len() * 2).unwrap_or(u32::MAX);
    let mut bytes = Vec::with_capacity(44 + samples.len() * 2);
    bytes.extend_from_slice(b"RIFF");
    bytes.extend_from_slice(&data.saturating_add(36).to_le_bytes());
    bytes.extend_from_slice(b"WAVEfmt ");
    for field in [16, 0x0001_0001, rate, rate.saturating_mul(2), 0x0010_0002] {
        // fmt length; format 1 and one channel; rate; bytes a second; two bytes a frame and 16 bits.
        bytes.extend_from_slice(&u32::to_le_bytes(field));
    }
    bytes.extend_from_slice(b"data");
    bytes.extend_from_slice(&data.to_le_bytes());
    samples.iter().for_each(|sample| bytes.extend_from_slice(&sample.to_le_bytes()));
    bytes
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::fs::PermissionsExt;

    #[test]
    fn kept_audio_can_be_read_and_is_private() {
        let place = tempfile::tempdir().unwrap();
        let samples: Vec<i16> = (0..1600).map(|n| n * 20).collect();
        keep(place.path(), 35_200, &samples, 16_000).unwrap();
        let name = name(35_200);
        assert_eq!(name, "audio/000035200.wav");
        let mut reader = hound::WavReader::open(place.path().join(&name)).unwrap();
        assert_eq!((reader.spec().sample_rate, reader.spec().channels), (16_000, 1));
        assert_eq!(reader.samples::<i16>().map(Result::unwrap).collect::<Vec<_>>(), samples);
        let mode = |path: &Path| fs::metadata(path).unwrap().permissions().mode() & 0o777;
        assert_eq!((mode(&place.path().join(&name)), mode(&place.path().join(AUDIO))), (0o600, 0o700));
        assert_eq!(fs::read_dir(place.path().join(AUDIO)).unwrap().count(), 1, "nothing half-written is left");
    }
}
