#!/usr/bin/env python3
"""Makes the WAV of each `.call` script from flite voices: 16 kHz, mono, every line at its own time.

usage: make-samples.py FILE.call...     (needs flite; Debian: apt-get install flite)

A line ends in `# partner` when the second crew member speaks. Lines that would overlap their successor are an error,
so that a script always fits its sound.
"""
import os
import re
import subprocess
import sys
import tempfile
import wave

RATE = 16_000
VOICES = {"": "rms", "partner": "slt"}
LINE = re.compile(r"^(\d+):(\d\d)(?:\s+([^#]*?))?\s*(?:#\s*(\w+)?.*)?$")


def spoken(text, voice, folder):
    """The samples of `text` in a flite voice."""
    path = os.path.join(folder, "line.wav")
    subprocess.run(["flite", "-voice", voice, "-t", text, "-o", path], check=True)
    with wave.open(path) as wav:
        assert wav.getframerate() == RATE and wav.getnchannels() == 1 and wav.getsampwidth() == 2, text
        return wav.readframes(wav.getnframes())


def sound(call, folder):
    """All of a script as one stretch of samples."""
    out = bytearray()
    for number, line in enumerate(open(call, encoding="utf-8"), 1):
        line = line.strip()
        if not line or line.startswith(("#", "!")):
            continue
        match = LINE.match(line)
        if not match:
            sys.exit(f"{call}:{number}: not a script line: {line}")
        minutes, seconds, text, who = match.groups()
        start = (int(minutes) * 60 + int(seconds)) * RATE * 2
        if len(out) > start:
            sys.exit(f"{call}:{number}: the line before is still being spoken at {minutes}:{seconds}")
        out += bytes(start - len(out))
        if text:
            out += spoken(text, VOICES.get(who or "", VOICES[""]), folder)
    return bytes(out)


def main():
    calls = sys.argv[1:]
    if not calls:
        sys.exit(__doc__)
    with tempfile.TemporaryDirectory() as folder:
        for call in calls:
            path = os.path.splitext(call)[0] + ".wav"
            data = sound(call, folder)
            with wave.open(path, "wb") as wav:
                wav.setnchannels(1)
                wav.setsampwidth(2)
                wav.setframerate(RATE)
                wav.writeframes(data)
            print(f"{path}: {len(data) / 2 / RATE:.1f} s")


if __name__ == "__main__":
    main()
