#!/usr/bin/env python3
"""What the recogniser writes for names that the grammar knows: every form of its lists, spoken in a sentence.

Prints, for each form that does not come back as the same finding, what was written instead. A person looks through them:
what can be nothing else becomes a `say` of the list (grammars/en/names.toml); what is another word too does not.
"""
import argparse
import json
import os
import re
import tomllib

ROOT = os.path.dirname(os.path.dirname(os.path.abspath(__file__)))
# A sentence for the forms of each list. The speakers are of those that train, not of those that `make eval` measures.
SENTENCES = {"drug": "he takes {}", "home_drug": "he takes {}", "allergen": "allergic to {}", "condition": "history of {}"}
VOICES = ["kokoro:af_heart:1.1", "kokoro:am_onyx:1.15"]


def names():
    """What is said for the entries of each list of names, without those that are templates."""
    with open(os.path.join(ROOT, "grammars/en/names.toml"), "rb") as file:
        lists = tomllib.load(file)["list"]
    plain_text = lambda said: not re.search(r"[(|)]", said)
    return {kind: [said for item in lists[kind]["items"] for said in item["say"] if plain_text(said)] for kind in SENTENCES}


def forms():
    """Each of them in a sentence."""
    return [SENTENCES[kind].format(said) for kind, all_of in names().items() for said in all_of]


def main():
    from eval import Sounds, lines, plain
    ask = argparse.ArgumentParser()
    ask.add_argument("program")
    ask.add_argument("--cache", required=True)
    ask.add_argument("--speakers", help="folder of the kokoro speakers")
    ask.add_argument("--voices", nargs="+", default=VOICES)
    ask.add_argument("--part", type=int, nargs=2, default=(0, 1), metavar=("I", "N"), help="the I-th of N parts alone")
    args = ask.parse_args()
    sounds = Sounds(args.cache, args.speakers)
    first, step = args.part
    said = list(dict.fromkeys(forms()))[first::step]
    wanted = lines(args.program, "parse", "--json", "--fresh", text="".join(text + "\n" for text in said))
    for voice in args.voices:
        paths = [sounds.mixed(voice, text, "quiet", 99) for text in said]
        heard = lines(args.program, "transcribe", "--json", *paths)
        for text, want, got in zip(said, wanted, heard):
            told = [finding for finding in got["findings"] if not finding.get("unconfirmed")]
            if plain(want["findings"]) != plain(got["findings"]):
                verdict = "OTHER" if told else "asked" if got["findings"] else "lost"
                print(verdict, voice, text, got.get("text"), json.dumps(got["findings"]), sep="\t", flush=True)


if __name__ == "__main__":
    main()
