//! A sound world of one's own: a private PulseAudio with a virtual microphone and a virtual loudspeaker, and a private
//! speech-dispatcher that speaks into it. Nothing of the user's session is touched; everything dies with the rig.
//!
//! Needs `pulseaudio`, `pulseaudio-utils`, `speech-dispatcher` with its espeak-ng module and audio plug-ins. Where one
//! is missing [`Rig::start`] says which, and the test is skipped by name.

use std::io::Read;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::MutexGuard;
use std::time::Duration;

use thirdhand::shell::clock::instant;

pub const MICROPHONE: &str = "microphone";
pub const LOUDSPEAKER: &str = "loudspeaker";

pub struct Rig {
    dir: tempfile::TempDir,
    pulse: Option<Child>,
    speech: Option<Child>,
}

/// What a spoken call needs: a world with a speech server, its loudspeaker listened to, the model, and voices for the crew.
pub struct Scene {
    /// Last to go.
    pub _turn: MutexGuard<'static, ()>,
    pub rig: Rig,
    pub model: PathBuf,
    pub ear: Ear,
}

/// `None` where something is missing, which is said.
pub fn scene(test: &str) -> Option<Scene> {
    let (mut rig, turn) = crate::world(test)?;
    let model = crate::listening::model(test)?;
    crate::listening::has_flite(test).then_some(())?;
    rig.start_speech().expect("speech-dispatcher starts");
    let ear = rig.ear();
    Some(Scene { _turn: turn, rig, model, ear })
}

impl Rig {
    /// The sound server's process.
    pub fn sound_server(&self) -> u32 {
        self.pulse.as_ref().expect("it runs").id()
    }

    /// Starts the sound server.
    ///
    /// # Errors
    /// Names what is missing on this machine.
    pub fn start() -> Result<Rig, String> {
        for program in ["pulseaudio", "pactl", "paplay", "parec", "speech-dispatcher", "espeak-ng"] {
            if !on_path(program) {
                return Err(format!("`{program}` is not installed"));
            }
        }
        let dir = tempfile::Builder::new().prefix("rig").tempdir().map_err(|e| e.to_string())?;
        private(dir.path());
        for sub in ["run", "home", "config", "speech", "speech/modules", "speech/log"] {
            std::fs::create_dir_all(dir.path().join(sub)).map_err(|e| e.to_string())?;
            private(&dir.path().join(sub));
        }
        let mut rig = Rig { dir, pulse: None, speech: None };
        rig.start_pulse()?;
        Ok(rig)
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    /// What a program under test needs in its environment to live in this world.
    pub fn environment(&self) -> Vec<(String, String)> {
        let at = |name: &str| self.path(name).display().to_string();
        [
            ("XDG_RUNTIME_DIR", at("run")),
            ("XDG_CONFIG_HOME", at("config")),
            ("HOME", at("home")),
            ("PULSE_SERVER", format!("unix:{}", at("run/pulse.sock"))),
            ("PULSE_SINK", LOUDSPEAKER.into()),
            ("PULSE_COOKIE", at("home/cookie")),
            ("SPEECHD_ADDRESS", format!("unix_socket:{}", at("run/speech.sock"))),
        ]
        .map(|(key, value)| (key.to_string(), value))
        .to_vec()
    }

    pub fn command(&self, program: impl AsRef<std::ffi::OsStr>) -> Command {
        let mut command = Command::new(program);
        command.envs(self.environment()).env_remove("DISPLAY").env_remove("DBUS_SESSION_BUS_ADDRESS");
        command
    }

    pub fn start_pulse(&mut self) -> Result<(), String> {
        let socket = self.path("run/pulse.sock");
        let _ = std::fs::remove_file(&socket);
        let sink = |name: &str, rate: u32| {
            format!("--load=module-null-sink sink_name={name} rate={rate} channels=1 format=s16le")
        };
        let child = self
            .command("pulseaudio")
            .args(["-n", "--daemonize=no", "--exit-idle-time=-1", "--disable-shm=yes", "--use-pid-file=no"])
            .arg(format!("--load=module-native-protocol-unix auth-anonymous=1 socket={}", socket.display()))
            .arg(sink(MICROPHONE, 16_000))
            .arg(sink(LOUDSPEAKER, 22_050))
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .map_err(|e| format!("pulseaudio: {e}"))?;
        self.pulse = Some(child);
        self.until(10_000, || self.pactl(&["info"])).map_err(|_| "pulseaudio does not answer".to_string())?;
        self.pactl(&["set-default-source", &format!("{MICROPHONE}.monitor")]);
        self.pactl(&["set-default-sink", LOUDSPEAKER]);
        Ok(())
    }

    pub fn kill_pulse(&mut self) {
        kill(&mut self.pulse);
    }

    pub fn start_speech(&mut self) -> Result<(), String> {
        let conf = self.path("speech");
        let module = Path::new("/etc/speech-dispatcher/modules/espeak-ng.conf");
        std::fs::copy(module, conf.join("modules/espeak-ng.conf"))
            .map_err(|e| format!("{}: {e}; speech-dispatcher-espeak-ng is missing", module.display()))?;
        let text = format!(
            "LogLevel 3\nLogDir \"{}\"\nAudioOutputMethod \"pulse\"\nAudioPulseDevice \"{LOUDSPEAKER}\"\n\
             AddModule \"espeak-ng\" \"sd_espeak-ng\" \"espeak-ng.conf\"\nDefaultModule espeak-ng\n\
             DefaultLanguage \"en\"\n",
            conf.join("log").display()
        );
        std::fs::write(conf.join("speechd.conf"), text).map_err(|e| e.to_string())?;
        let socket = self.path("run/speech.sock");
        let _ = std::fs::remove_file(&socket);
        let child = self
            .command("speech-dispatcher")
            .args(["-s", "-t", "0", "-C"])
            .arg(&conf)
            .arg("-S")
            .arg(&socket)
            .arg("-P")
            .arg(self.path("run/speech.pid"))
            .arg("-L")
            .arg(conf.join("log"))
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .map_err(|e| format!("speech-dispatcher: {e}"))?;
        self.speech = Some(child);
        self.until(10_000, || socket.exists()).map_err(|_| "speech-dispatcher does not answer".to_string())
    }

    /// SIGKILL, as a crash would be; its module dies with its pipe.
    pub fn kill_speech(&mut self) {
        kill(&mut self.speech);
    }

    /// SIGSTOP: it takes orders, and nothing ever comes of them.
    pub fn hang_speech(&self) {
        let pid = self.speech.as_ref().expect("it runs").id().to_string();
        assert!(self.command("kill").args(["-STOP", &pid]).status().is_ok_and(|s| s.success()));
    }

    pub fn pactl(&self, args: &[&str]) -> bool {
        let status = self.command("pactl").args(args).stdout(Stdio::null()).stderr(Stdio::null()).status();
        status.is_ok_and(|status| status.success())
    }

    /// Plays a WAV file into the microphone, to its end.
    pub fn play(&self, wav: &Path) -> bool {
        self.command("paplay").arg("-d").arg(MICROPHONE).arg(wav).status().is_ok_and(|s| s.success())
    }

    /// The same, while the test goes on; it ends with what is returned.
    pub fn play_in_background(&self, wav: &Path) -> Playing {
        Playing(self.command("paplay").arg("-d").arg(MICROPHONE).arg(wav).spawn().expect("paplay starts").into())
    }

    /// Loads a module; its number.
    pub fn load(&self, module: &str, args: &[&str]) -> String {
        let output = self.command("pactl").arg("load-module").arg(module).args(args).output().expect("pactl starts");
        assert!(output.status.success(), "{module}: {}", String::from_utf8_lossy(&output.stderr));
        String::from_utf8_lossy(&output.stdout).trim().to_string()
    }

    /// Sets how loud the loopback is, `-6dB`.
    pub fn set_loopback_volume(&self, volume: &str) {
        let output = self.command("pactl").args(["list", "short", "sink-inputs"]).output().expect("pactl starts");
        for line in String::from_utf8_lossy(&output.stdout).lines() {
            let number = line.split_whitespace().next().unwrap_or_default();
            assert!(self.pactl(&["set-sink-input-volume", number, volume]), "no volume for {line}");
        }
    }

    /// Records what the loudspeaker plays, 16 kHz mono, from now until the ear is closed.
    pub fn ear(&self) -> Ear {
        let child = self
            .command("parec")
            .args(["-d", &format!("{LOUDSPEAKER}.monitor"), "--rate=16000", "--channels=1", "--format=s16le", "--raw"])
            .args(["--latency-msec=20"])
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("parec starts");
        Ear::new(child)
    }

    /// Waits until `ready` holds, asking again each time `pactl` has had its say (about every 10 ms).
    pub fn until(&self, ms: u64, mut ready: impl FnMut() -> bool) -> Result<(), ()> {
        let start = instant();
        let (_keep, never) = crossbeam_channel::bounded::<()>(0);
        while !ready() {
            if start.elapsed() > Duration::from_millis(ms) {
                return Err(());
            }
            let _ = never.recv_timeout(Duration::from_millis(10));
        }
        Ok(())
    }
}

impl Drop for Rig {
    fn drop(&mut self) {
        kill(&mut self.speech);
        kill(&mut self.pulse);
    }
}

pub struct Playing(std::cell::RefCell<Child>);

impl Playing {
    pub fn ended(&self) -> bool {
        self.0.borrow_mut().try_wait().is_ok_and(|status| status.is_some())
    }
}

impl Drop for Playing {
    fn drop(&mut self) {
        let child = self.0.get_mut();
        let _ = child.kill();
        let _ = child.wait();
    }
}

fn loud(chunk: &[i16]) -> bool {
    let power = chunk.iter().map(|s| f64::from(*s).powi(2)).sum::<f64>() / chunk.len() as f64;
    power.sqrt() > 328.0
}

/// The program under test. `make test` names the release build (THIRDHAND_BIN): without optimisation the sound path
/// needs more than one core and falls behind real time, which is no fault of what is tested here.
pub fn program() -> PathBuf {
    std::env::var_os("THIRDHAND_BIN").map_or_else(|| env!("CARGO_BIN_EXE_thirdhand").into(), PathBuf::from)
}

/// A recording of the loudspeaker in progress.
pub struct Ear {
    child: Child,
    reader: Option<std::thread::JoinHandle<()>>,
    heard: std::sync::Arc<std::sync::Mutex<Vec<i16>>>,
}

impl Ear {
    fn new(mut child: Child) -> Ear {
        let heard = std::sync::Arc::new(std::sync::Mutex::new(Vec::new()));
        let (mut out, sink) = (child.stdout.take().expect("parec has an output"), heard.clone());
        let reader = std::thread::spawn(move || {
            let mut bytes = [0u8; 640];
            while out.read_exact(&mut bytes).is_ok() {
                let samples = bytes.chunks_exact(2).map(|b| i16::from_le_bytes([b[0], b[1]]));
                sink.lock().expect("no reader died").extend(samples);
            }
        });
        Ear { child, reader: Some(reader), heard }
    }

    /// Samples so far.
    pub fn heard(&self) -> Vec<i16> {
        self.heard.lock().expect("no reader died").clone()
    }

    /// Milliseconds of sound louder than -40 dBFS so far, in 10 ms steps.
    pub fn loud_ms(&self) -> u64 {
        10 * self.heard().chunks(160).filter(|chunk| loud(chunk)).count() as u64
    }

    /// Milliseconds since the last such sound.
    pub fn quiet_ms(&self) -> u64 {
        10 * self.heard().chunks(160).rev().take_while(|chunk| !loud(chunk)).count() as u64
    }

    pub fn close(mut self) -> Vec<i16> {
        let _ = self.child.kill();
        let _ = self.child.wait();
        if let Some(reader) = self.reader.take() {
            let _ = reader.join();
        }
        self.heard()
    }
}

impl Drop for Ear {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// The program under test with its output as it comes.
pub struct Program {
    child: Child,
    pub lines: crossbeam_channel::Receiver<serde_json::Value>,
    /// Everything seen so far, in order.
    pub seen: Vec<serde_json::Value>,
    stdin: Option<std::process::ChildStdin>,
}

impl Program {
    /// Starts `thirdhand` with `args` in the rig's world; stdout is JSON Lines.
    pub fn start(rig: &Rig, args: &[&str]) -> Program {
        Program::spawn(rig.command(program()).args(args))
    }

    /// The same from a command of the rig's that is ready but for its pipes.
    pub fn spawn(command: &mut Command) -> Program {
        let mut child = command
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(if std::env::var_os("RIG_LOUD").is_some() { Stdio::inherit() } else { Stdio::null() })
            .spawn()
            .expect("the program starts");
        let (stdin, stdout) = (child.stdin.take(), child.stdout.take().expect("it has an output"));
        let (send, lines) = crossbeam_channel::unbounded();
        std::thread::spawn(move || {
            for line in std::io::BufRead::lines(std::io::BufReader::new(stdout)).map_while(Result::ok) {
                let json = serde_json::from_str(&line).unwrap_or_else(|_| panic!("no JSON: {line}"));
                if send.send(json).is_err() {
                    return;
                }
            }
        });
        Program { child, lines, seen: Vec::new(), stdin }
    }

    pub fn type_line(&mut self, line: &str) {
        use std::io::Write;
        let stdin = self.stdin.as_mut().expect("stdin is open");
        writeln!(stdin, "{line}").and_then(|()| stdin.flush()).expect("the program reads");
    }

    pub fn close_stdin(&mut self) {
        self.stdin = None;
    }

    /// Its stdin, for sound; the program sees the end when this is dropped.
    pub fn take_stdin(&mut self) -> std::process::ChildStdin {
        self.stdin.take().expect("stdin is open")
    }

    pub fn pid(&self) -> u32 {
        self.child.id()
    }

    /// Waits for a line for which `wanted` holds; `Err` with everything seen after `seconds`.
    pub fn wait(&mut self, seconds: u64, what: &str, wanted: impl Fn(&serde_json::Value) -> bool) -> serde_json::Value {
        let end = instant() + Duration::from_secs(seconds);
        loop {
            match self.lines.recv_deadline(end) {
                Ok(line) => {
                    self.seen.push(line.clone());
                    if wanted(&line) {
                        return line;
                    }
                }
                Err(_) => panic!("{what}: never came; seen: {:#?}", self.seen),
            }
        }
    }

    /// Takes what has come so far.
    pub fn drain(&mut self) {
        self.seen.extend(self.lines.try_iter());
    }

    pub fn signal(&self, name: &str) {
        let status = Command::new("kill").arg(format!("-{name}")).arg(self.child.id().to_string()).status();
        assert!(status.is_ok_and(|s| s.success()), "kill -{name}");
    }

    /// Waits for the end; the exit status.
    pub fn end(mut self, seconds: u64) -> (Option<i32>, Vec<serde_json::Value>) {
        self.stdin = None;
        let end = instant() + Duration::from_secs(seconds);
        while let Ok(line) = self.lines.recv_deadline(end) {
            self.seen.push(line);
        }
        let _ = match self.child.try_wait() {
            Ok(Some(_)) => Ok(()),
            _ if instant() >= end => self.child.kill(),
            _ => Ok(()),
        };
        let status = self.child.wait().expect("it can be waited for");
        (status.code(), std::mem::take(&mut self.seen))
    }
}

impl Drop for Program {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn kill(child: &mut Option<Child>) {
    if let Some(mut child) = child.take() {
        let _ = child.kill();
        let _ = child.wait();
    }
}

fn on_path(program: &str) -> bool {
    std::env::var_os("PATH").is_some_and(|path| std::env::split_paths(&path).any(|dir| dir.join(program).is_file()))
}

fn private(dir: &Path) {
    use std::os::unix::fs::PermissionsExt;
    let _ = std::fs::set_permissions(dir, std::fs::Permissions::from_mode(0o700));
}

/// A WAV file of 16 kHz, one channel, 16 bits.
pub fn write_wav(path: &Path, samples: impl Iterator<Item = i16>) {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: 16_000,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut wav = hound::WavWriter::create(path, spec).expect("a file can be made");
    samples.for_each(|sample| wav.write_sample(sample).expect("a sample can be written"));
    wav.finalize().expect("the file can be closed");
}
