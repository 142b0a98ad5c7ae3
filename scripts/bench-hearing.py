"""Recognition beside faster-whisper (int8, greedy, one thread) and beside ourselves unguided, file by file in turn.

usage: bench-hearing.py PROGRAM MODEL-FOLDER      (started by bench-hearing.sh)
"""
import json
import re
import subprocess
import sys
import tempfile
import time

from faster_whisper import WhisperModel

SAID = [
    ("pulse one eighteen irregular and weak", ["118"]),
    ("blood pressure ninety four over sixty two", ["94", "62"]),
    ("oxygen saturation ninety one percent on room air", ["91"]),
    ("respirations twenty four and shallow", ["24"]),
    ("blood sugar three eighty five", ["385"]),
    ("fifty eight year old male with chest pain", ["58"]),
    ("pressure is one fifteen over seventy", ["115", "70"]),
    ("pulse is one eighty four and regular", ["184"]),
    ("about to give aspirin three hundred twenty four milligrams", ["324"]),
    ("pain is eight out of ten", ["8", "10"]),
    ("oxygen at fifteen liters", ["15"]),
    ("temperature ninety eight point six", ["98.6"]),
]
SMALL = dict(zip("zero one two three four five six seven eight nine ten".split(), map(str, range(11))))


def numbers(text):
    words = re.sub(r"(\d)[,](\d{3})", r"\1\2", text.lower())
    return re.findall(r"\d+(?:\.\d+)?", " ".join(SMALL.get(w.strip(".,"), w) for w in words.split()))


def median(values):
    return sorted(values)[len(values) // 2]


def main():
    program, folder = sys.argv[1:]
    other = WhisperModel(folder, device="cpu", compute_type="int8", cpu_threads=1)
    with tempfile.TemporaryDirectory() as place:
        files = []
        for voice in ("slt", "rms"):
            for i, (text, _) in enumerate(SAID):
                files.append(f"{place}/{voice}-{i}.wav")
                subprocess.run(["flite", "-voice", voice, "-t", text, "-o", files[-1]], check=True)
        ours = {"thirdhand": [], "thirdhand, published weights": ["--untuned"], "thirdhand, unguided, no small window": ["--plain"]}
        results = {name: [] for name in (*ours, "faster-whisper int8")}
        for name, extra in ours.items():
            run = subprocess.run([program, "transcribe", "--json", *extra, *files], capture_output=True, text=True, check=True)
            results[name] = [(r["took_ms"], r["text"], r["audio_ms"]) for r in map(json.loads, run.stdout.splitlines())]
        for file, (_, _, audio) in zip(files, results["thirdhand"]):
            begun = time.monotonic()
            parts, _ = other.transcribe(file, language="en", beam_size=1, without_timestamps=True, condition_on_previous_text=False)
            text = " ".join(part.text for part in parts)
            results["faster-whisper int8"].append(((time.monotonic() - begun) * 1000, text, audio))
    print(f"recognition of {len(files)} utterances (flite voices, quiet), tiny.en, one thread; voice activity and reading included")
    base = median([ms for ms, _, _ in results["faster-whisper int8"]])
    for name, rows in results.items():
        times = sorted(ms for ms, _, _ in rows)
        right = sum(numbers(text) == SAID[i % len(SAID)][1] for i, (_, text, _) in enumerate(rows))
        factor = sum(times) / sum(audio for _, _, audio in rows)
        print(f"  {name:38} median {median(times):6.0f} ms ({median(times) / base:4.2f} of faster-whisper), "
              f"95 % {times[int(len(times) * 0.95)]:6.0f} ms, real-time factor {factor:.2f}, numbers right {right}/{len(rows)}")


if __name__ == "__main__":
    main()
