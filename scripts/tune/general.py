#!/usr/bin/env python3
"""Prints talk about anything but patients, `said<TAB>written`: a recogniser trained on crew talk alone hears crew talk in
everything. Examples of use from WordNet (Debian's wordnet-base) and lines of the PyPI package chatterbot-corpus (BSD), whole
ones and pieces of them.

usage: general.py COUNT
"""
import os
import random
import re
import sys

import chatterbot_corpus

WORDNET = "/usr/share/wordnet/data."
# Every tenth example of WordNet is left for measuring.
MEASURED = 10
MOST_WORDS = 14
PIECES = 0.35
CHAT = 0.3
PLAIN = re.compile(r"[A-Za-z][A-Za-z0-9 ,'?!-]*")


def chat():
    folder = os.path.join(os.path.dirname(chatterbot_corpus.__file__), "data", "english")
    for name in sorted(os.listdir(folder)):
        for line in open(os.path.join(folder, name), encoding="utf-8"):
            found = re.match(r"\s*-\s+(?:-\s+)?['\"]?([A-Za-z0-9 ,.'?!-]+?)['\"]?\s*$", line)
            if found:
                yield from re.split(r"(?<=[.?!])\s+", found[1])


def examples():
    """What WordNet quotes to show a word in use."""
    for part in ("noun", "verb", "adj", "adv"):
        for line in open(WORDNET + part, encoding="utf-8"):
            yield from re.findall('"([^"]+)"', line.partition("|")[2])


def whole(lines):
    plain = (line.strip().rstrip(".,!") for line in lines)
    fit = (line for line in plain if PLAIN.fullmatch(line) and len(line.split()) <= MOST_WORDS)
    return list(dict.fromkeys(line for line in fit if not re.search(r"[A-Z]{2}|\d{5}", line)))


def main():
    dice = random.Random(11)
    lines, quoted = whole(chat()), whole(examples())
    quoted = [line for at, line in enumerate(quoted) if at % MEASURED]
    for _ in range(int(sys.argv[1])):
        words = dice.choice(lines if dice.random() < CHAT else quoted).split()
        if dice.random() < PIECES:
            length = dice.randint(1, min(4, len(words)))
            start = dice.randint(0, len(words) - length)
            words = [word.strip(",!") for word in words[start: start + length]]
        text = " ".join(words)
        text = text[0].upper() + text[1:]
        print(f"{text}\t{text if text.endswith('?') else text + '.'}")


if __name__ == "__main__":
    main()
