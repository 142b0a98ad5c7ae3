#!/usr/bin/env python3
"""Sentences with the names that the grammar knows: drugs, allergens, conditions (grammars/en/names.toml).

usage: named.py ROUNDS      (prints `said<TAB>written`; every name is in each round once, alone or beside another)

Without them the tuned recogniser writes the few drugs that crews talk about all day for all the others (docs/hearing.md).
"""
import os
import random
import sys

sys.path.append(os.path.join(os.path.dirname(os.path.abspath(__file__)), ".."))
from names import names  # noqa: E402

TAKES = ["{he} takes {}", "{he} is on {}", "takes {}", "on {} at home", "home meds are {}", "{he} takes {} every day", "taking {}",
         "{he} ran out of {}", "{he} had {} this morning", "meds are {}", "do you take {}", "any {} today", "prescribed {}",
         "bottle of {} on the counter", "{he} took {} last night", "no {}", "is {he} on {}"]
SENTENCES = {
    "drug": TAKES, "home_drug": TAKES,
    "allergen": ["allergic to {}", "{he} is allergic to {}", "allergies are {}", "allergy to {}", "are you allergic to {}"],
    "condition": ["history of {}", "{he} has a history of {}", "past history {}", "{he} has {}", "no history of {}", "any {}",
                  "denies {}", "do you have {}"],
}
PAIRS = ["{} and {}", "{}, {}", "{} or {}"]


def sentence(kind, said, dice):
    whole = dice.choice(SENTENCES[kind]).replace("{he}", dice.choice(["he", "she"]))
    return whole.replace("{}", said)


def main():
    dice = random.Random(19)
    for _ in range(int(sys.argv[1])):
        for kind, all_of in names().items():
            left = dice.sample(all_of, len(all_of))
            while left:
                two = len(left) > 1 and dice.random() < 0.45
                said = dice.choice(PAIRS).replace("{}", left.pop(), 1).replace("{}", left.pop(), 1) if two else left.pop()
                text = sentence(kind, said, dice)
                print(f"{text}\t{text[0].upper() + text[1:]}.")


if __name__ == "__main__":
    main()
