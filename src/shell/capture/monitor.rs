//! What the loudspeaker plays, in PulseAudio's own protocol.
//!
//! Not through cpal: while speech-dispatcher holds its output open the server hands this on in 400 pieces a second, and
//! for each cpal asks it how late it is and its client clears two megabytes. Measured idle: 5.8 % of a core where this
//! takes 0.8.

use std::ffi::CString;
use std::io::{BufReader, Read};
use std::os::unix::net::UnixStream;
use std::time::Duration;

use anyhow::{Context, Result, bail};
use crossbeam_channel::{Receiver, RecvTimeoutError, Sender, TryRecvError};
use pulseaudio::protocol::stream::{BufferAttr, StreamFlags};
use pulseaudio::protocol::{
    AuthParams, AuthReply, ChannelMap, ChannelPosition, Command, CommandReply, CreateRecordStreamReply, MAX_VERSION,
    Prop, Props, RecordStreamParams, SampleFormat, SampleSpec, SetClientNameReply, read_descriptor, read_reply_message,
    write_command_message,
};

use super::{Block, CaptureEvent, MicState, RATE_HZ, SampleClock};
use crate::shell::clock::boot_ms;

/// A server that has told nothing for so long hangs, or the loudspeaker is suspended.
const PATIENCE: Duration = Duration::from_secs(2);
const RETRY: Duration = Duration::from_secs(2);
const BYTES: u32 = size_of::<f32>() as u32;
/// A block, samples: 20 ms, as the microphone's.
const BLOCK: usize = RATE_HZ as usize / 50;
/// The server keeps no more than 0.2 s for us: what came before is of no use.
const SERVER_KEEPS: u32 = RATE_HZ / 5 * BYTES;
/// Ids as `devices` has them begin with this.
const PREFIX: &str = "pulseaudio:";
/// What comes on this channel is a command, no sound.
const COMMANDS: u32 = u32::MAX;

/// Listens to the source of this id until `stopped` is dropped.
///
/// # Errors
/// The server does not give it.
pub fn start(id: &str, events: Sender<CaptureEvent>, stopped: Receiver<()>) -> Result<()> {
    let source = CString::new(id.strip_prefix(PREFIX).unwrap_or(id))?;
    let first = Stream::open(&source)?;
    let mut monitor = Monitor { source, events, stopped, clock: SampleClock::default(), missed: false };
    std::thread::Builder::new().name("loudspeaker".into()).spawn(move || monitor.run(first))?;
    Ok(())
}

struct Monitor {
    source: CString,
    events: Sender<CaptureEvent>,
    stopped: Receiver<()>,
    clock: SampleClock,
    /// The listener had no room for the last block.
    missed: bool,
}

impl Monitor {
    fn run(&mut self, first: Stream) {
        let mut stream = Some(first);
        loop {
            if let Some(open) = stream.take() {
                let why = match self.listen(open) {
                    Ok(()) => return,
                    Err(why) => format!("{why:#}"),
                };
                let _ = self.events.try_send(CaptureEvent::State(MicState::Lost, why));
            }
            match self.stopped.recv_timeout(RETRY) {
                Err(RecvTimeoutError::Timeout) => stream = Stream::open(&self.source).ok(),
                _ => return,
            }
        }
    }

    /// Passes on what is played until nobody wants it any more.
    fn listen(&mut self, mut stream: Stream) -> Result<()> {
        let mut samples = Vec::with_capacity(2 * BLOCK);
        while self.stopped.try_recv() == Err(TryRecvError::Empty) {
            stream.read(&mut samples)?;
            if samples.len() >= BLOCK {
                self.pass_on(std::mem::replace(&mut samples, Vec::with_capacity(2 * BLOCK)));
            }
        }
        Ok(())
    }

    fn pass_on(&mut self, samples: Vec<f32>) {
        let (at_ms, follows) = self.clock.stamp(samples.len(), boot_ms());
        let block = Block { at_ms, follows: follows && !self.missed, samples };
        self.missed = self.events.try_send(CaptureEvent::Sound(block)).is_err();
    }
}

/// A connection with one stream of sound on it.
struct Stream {
    socket: BufReader<UnixStream>,
    version: u16,
    bytes: Vec<u8>,
}

impl Stream {
    fn open(source: &CString) -> Result<Stream> {
        let path = pulseaudio::socket_path_from_env().context("there is no sound server")?;
        let socket = UnixStream::connect(path).context("the sound server does not answer")?;
        socket.set_read_timeout(Some(PATIENCE))?;
        let mut stream = Stream { socket: BufReader::new(socket), version: MAX_VERSION, bytes: Vec::new() };
        stream.introduce()?;
        let _: CreateRecordStreamReply = stream.ask(&Command::CreateRecordStream(wanted(source)))?;
        Ok(stream)
    }

    fn introduce(&mut self) -> Result<()> {
        let cookie = pulseaudio::cookie_path_from_env().and_then(|path| std::fs::read(path).ok()).unwrap_or_default();
        let auth = AuthParams { version: MAX_VERSION, supports_shm: false, supports_memfd: false, cookie };
        let reply: AuthReply = self.ask(&Command::Auth(auth))?;
        self.version = reply.version.min(MAX_VERSION);
        let mut props = Props::new();
        props.set(Prop::ApplicationName, c"thirdhand");
        let _: SetClientNameReply = self.ask(&Command::SetClientName(props))?;
        Ok(())
    }

    fn ask<T: CommandReply>(&mut self, command: &Command) -> Result<T> {
        write_command_message(self.socket.get_mut(), 0, command, self.version)?;
        Ok(read_reply_message(&mut self.socket, self.version)?.1)
    }

    /// Waits for the next piece of sound, or for another word of the server's.
    fn read(&mut self, samples: &mut Vec<f32>) -> Result<()> {
        let head = read_descriptor(&mut self.socket)?;
        self.bytes.resize(head.length as usize, 0);
        self.socket.read_exact(&mut self.bytes)?;
        if head.channel != COMMANDS {
            samples.extend(
                self.bytes.chunks_exact(BYTES as usize).filter_map(|b| Some(f32::from_le_bytes(b.try_into().ok()?))),
            );
            return Ok(());
        }
        match Command::read_tag_prefixed(&mut self.bytes.as_slice(), self.version) {
            Ok((_, Command::RecordStreamKilled(_))) => bail!("the loudspeaker is gone"),
            _ => Ok(()),
        }
    }
}

/// 16 kHz mono of this source and of no other.
fn wanted(source: &CString) -> RecordStreamParams {
    RecordStreamParams {
        sample_spec: SampleSpec { format: SampleFormat::Float32Le, channels: 1, sample_rate: RATE_HZ },
        channel_map: ChannelMap::new([ChannelPosition::Mono]),
        source_name: Some(source.clone()),
        buffer_attr: BufferAttr {
            max_length: SERVER_KEEPS,
            fragment_size: BLOCK as u32 * BYTES,
            ..BufferAttr::default()
        },
        flags: StreamFlags { adjust_latency: true, no_move: true, ..StreamFlags::default() },
        ..RecordStreamParams::default()
    }
}
