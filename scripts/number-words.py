#!/usr/bin/env python3
"""Writes tests/text/num2words.txt: numbers as the Python package num2words spells them, the outside check of our reader.

    python3 -m venv venv && venv/bin/pip install num2words==0.5.14 && venv/bin/python scripts/number-words.py

Source: num2words 0.5.14 (PyPI, LGPL-2.1), language "en". Every whole number from 0 to 9999 and every decimal in the
ranges that are said at a patient's side (doses, temperatures in both scales, glucose in mmol/L).
"""

import pathlib
from decimal import Decimal

from num2words import num2words

target = pathlib.Path(__file__).parent.parent / "tests" / "text" / "num2words.txt"


def decimals():
    for hundredths in range(1, 100):
        yield Decimal(hundredths) / 100
    for tenths in [*range(10, 350), *range(250, 450), *range(770, 1150)]:
        yield Decimal(tenths) / 10


def plain(value):
    return format(value.normalize(), "f")


with target.open("w", encoding="utf-8") as out:
    out.write("# num2words 0.5.14 (PyPI), lang=en; written by scripts/number-words.py\n")
    for number in range(10_000):
        out.write(f"{number}\t{num2words(number)}\n")
    for value in dict.fromkeys(decimals()):
        if value != value.to_integral_value():
            out.write(f"{plain(value)}\t{num2words(value)}\n")
