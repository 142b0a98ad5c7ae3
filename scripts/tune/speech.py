#!/usr/bin/env python3
"""Speaks sentences for training, in free voices that `make eval` does not measure with.

usage: speech.py SENTENCES.tsv COUNT SPEAKERS OUT.pickle      (lines `said<TAB>written`, from examples/crew_talk.rs)

SPEAKERS is the folder that scripts/kokoro-speakers.sh prints. OUT holds (samples at 16 kHz, written) pairs. piper, awb, kal,
the British espeak, the HTS voice and six of kokoro's speakers are left for measuring.
"""
import os
import pickle
import random
import re
import subprocess
import sys
import tempfile
import wave
from concurrent.futures import ThreadPoolExecutor

import numpy as np

sys.path.append(os.path.join(os.path.dirname(os.path.abspath(__file__)), ".."))
import kokoro  # noqa: E402

SMALL = ("zero one two three four five six seven eight nine ten eleven twelve thirteen fourteen fifteen sixteen seventeen "
         "eighteen nineteen").split()
TENS = "- - twenty thirty forty fifty sixty seventy eighty ninety".split()
# Letters that are said one by one.
LETTERS = {w: " ".join(w) for w in "bp gcs hr iv im psi als cpr aed copd bgl cbg jvd bvm chf pmh mvc bls cad mi dka uti dnr "
           "opa npa ekg ecg emt lpm rr cc ob".split()}
LETTERS |= {"spo2": "s p o two", "o2": "o two", "etco2": "e t c o two", "co2": "c o two", "mg": "milligrams",
            "ml": "milliliters", "kg": "kilos"}
QUESTIONS = set("is are do does did have has can could what where when who how any which will would why".split())
ESPEAK = ["en-us"] + ["en-us+" + v for v in (
    "m1 m2 m3 m4 m5 m6 m7 f1 f2 f3 f4 f5 klatt2 steph adam michael linda max john Andy belinda travis").split()]
# How many of a hundred sentences each speaks. A sentence of kokoro's takes a second and a half of processor time, the others'
# next to none.
VOICES = {"kokoro": 40, "flite slt": 15, "flite rms": 15, "festival ked": 8, "espeak": 22}
# Common practice, no source: crews talk fast.
SPEEDS = (0.95, 1.5)
SHORTEST, LONGEST = 3_000, 9 * 16_000


def below_hundred(n):
    return SMALL[n] if n < 20 else TENS[n // 10] + (" " + SMALL[n % 10] if n % 10 else "")


def number(n, dice):
    """Common practice, no source: crews mostly say "one eighteen"."""
    if n < 100:
        return below_hundred(n)
    if n < 1000:
        hundreds, rest = divmod(n, 100)
        if rest == 0:
            return SMALL[hundreds] + " hundred"
        way = dice.random()
        if way < 0.62:
            return SMALL[hundreds] + " " + ("oh " + SMALL[rest] if rest < 10 else below_hundred(rest))
        return SMALL[hundreds] + (" hundred " if way < 0.85 else " hundred and ") + below_hundred(rest)
    thousands, rest = divmod(n, 1000)
    if n % 100 == 0 and n < 10_000 and rest and dice.random() < 0.6:
        return below_hundred(n // 100) + " hundred"
    if 1900 < n < 2100 and dice.random() < 0.8:
        return below_hundred(n // 100) + " " + below_hundred(n % 100)
    return number(thousands, dice) + " thousand" + (" " + number(rest, dice) if rest else "")


def figures(text, dice):
    whole, _, fraction = text.partition(".")
    if not fraction:
        return number(int(whole), dice)
    before = number(int(whole), dice) if whole not in ("", "0") else dice.choice(["zero", "", ""])
    return f"{before} point {' '.join(SMALL[int(d)] for d in fraction)}".strip()


def aloud(said, dice):
    """`said` in words that every voice reads alike."""
    def clock(m):
        return below_hundred(int(m[1])) + (" oh " if int(m[2]) < 10 else " ") + below_hundred(int(m[2]))
    said = re.sub(r"(\d+):(\d\d)", clock, said)
    said = re.sub(r"(\d+)/(\d+)", r"\1 over \2", said)
    said = re.sub(r"\d*\.?\d+", lambda m: figures(m[0], dice), said)
    words = ((w, w.rstrip(",.?")) for w in said.split())
    return " ".join(LETTERS.get(bare.lower(), bare) + w[len(bare):] for w, bare in words)


def target(said, written):
    first = said.split()[0].lower()
    if first in QUESTIONS and len(said.split()) > 2:
        return written.rstrip(".") + "?"
    return re.sub(r"\bi\b", "I", written if written.endswith((".", "?")) else written + ".")


def samples(path):
    """None long where the voice said nothing (a lone letter, a sign)."""
    raw = subprocess.run(["sox", path, "-r", "16000", "-c", "1", "-b", "16", "-e", "signed", "-t", "raw", "-"],
                         capture_output=True).stdout
    if os.path.exists(path):
        os.remove(path)
    return np.frombuffer(raw, np.int16)


def speak(job, path, natural):
    voice, text, dice = job["voice"], job["aloud"], job["dice"]
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    if voice == "kokoro":
        mark = "?" if job["written"].endswith("?") else "."
        sound = natural.say(text + mark * dice.randint(0, 1), *natural.blend(dice), dice.uniform(*SPEEDS))
        with wave.open(path, "wb") as out:
            out.setparams((1, 2, kokoro.RATE, 0, "NONE", ""))
            out.writeframes((sound / max(np.abs(sound).max(initial=0), 1e-9) * 0.7 * 32767).astype(np.int16).tobytes())
    elif voice.startswith("flite"):
        subprocess.run(["flite", "-voice", voice.split()[1], "--setf", f"duration_stretch={dice.uniform(0.85, 1.25):.2f}",
                        "-t", text, "-o", path], **quiet)
    else:
        subprocess.run(["espeak-ng", "-v", dice.choice(ESPEAK), "-s", str(dice.randint(130, 190)), "-p",
                        str(dice.randint(30, 75)), "-w", path, text], **quiet)


def festival(jobs, folder, name):
    """Many sentences by one process, which is slow to start."""
    script = ["(voice_ked_diphone)"]
    paths = [os.path.join(folder, f"{name}-{i}.wav") for i in range(len(jobs))]
    for job, path in zip(jobs, paths):
        script.append(f"(Parameter.set 'Duration_Stretch {job['dice'].uniform(0.85, 1.25):.2f})")
        script.append(f'(utt.save.wave (utt.synth (Utterance Text "{job["aloud"]}")) "{path}")')
    with open(os.path.join(folder, name + ".scm"), "w") as out:
        out.write("\n".join(script))
    subprocess.run(["festival", "-b", out.name], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    return [(samples(path), job["written"]) for job, path in zip(jobs, paths) if os.path.exists(path)]


def main():
    sentences, count, speakers, out = sys.argv[1], int(sys.argv[2]), sys.argv[3], sys.argv[4]
    natural = kokoro.Kokoro(speakers)
    dice = random.Random(7)
    lines = [line.rstrip("\n").split("\t") for line in open(sentences, encoding="utf-8")]
    jobs = []
    for said, written in dice.choices(lines, k=count):
        own = random.Random(dice.random())
        jobs.append({"voice": dice.choices(list(VOICES), VOICES.values())[0], "aloud": aloud(said, own),
                     "written": target(said, written), "dice": own})
    with tempfile.TemporaryDirectory() as folder, ThreadPoolExecutor() as pool:
        def one(at):
            path = os.path.join(folder, f"{at}.wav")
            speak(jobs[at], path, natural)
            return samples(path), jobs[at]["written"]
        ked = [job for job in jobs if job["voice"] == "festival ked"]
        parts = [pool.submit(festival, ked[i::8], folder, f"ked{i}") for i in range(8)]
        spoken = list(pool.map(one, [i for i, job in enumerate(jobs) if job["voice"] != "festival ked"]))
        for part in parts:
            spoken += part.result()
    spoken = [pair for pair in spoken if SHORTEST < len(pair[0]) < LONGEST]
    dice.shuffle(spoken)
    with open(out, "wb") as file:
        pickle.dump(spoken, file)
    print(f"tune: {len(spoken)} sentences spoken, {sum(len(s) for s, _ in spoken) / 16_000 / 60:.0f} minutes")


if __name__ == "__main__":
    main()
