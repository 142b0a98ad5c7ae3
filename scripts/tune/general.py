#!/usr/bin/env python3
"""Prints talk about anything but patients, `said<TAB>written`: a recogniser trained on crew talk alone hears crew talk in
everything. From the PyPI package chatterbot-corpus (BSD), whole lines and pieces of them.

usage: general.py COUNT
"""
import os
import random
import re
import sys

import chatterbot_corpus

MOST_WORDS = 14
PIECES = 0.35


def lines():
    folder = os.path.join(os.path.dirname(chatterbot_corpus.__file__), "data", "english")
    for name in sorted(os.listdir(folder)):
        for line in open(os.path.join(folder, name), encoding="utf-8"):
            found = re.match(r"\s*-\s+(?:-\s+)?['\"]?([A-Za-z0-9 ,.'?!-]+?)['\"]?\s*$", line)
            if found and re.search("[A-Za-z]{3}", found[1]) and not re.search(r"[A-Z]{2}|\d{5}|\.\S", found[1]):
                yield from (part.strip() for part in re.split(r"(?<=[.?!])\s+", found[1]) if part.strip())


def main():
    dice = random.Random(11)
    whole = [line for line in dict.fromkeys(lines()) if len(line.split()) <= MOST_WORDS]
    for _ in range(int(sys.argv[1])):
        words = dice.choice(whole).split()
        if dice.random() < PIECES:
            length = dice.randint(1, min(4, len(words)))
            start = dice.randint(0, len(words) - length)
            words = [word.strip(",") for word in words[start: start + length]]
        text = " ".join(words)
        text = text[0].upper() + text[1:].rstrip(",.!")
        print(f"{text}\t{text if text.endswith('?') else text + '.'}")


if __name__ == "__main__":
    main()
