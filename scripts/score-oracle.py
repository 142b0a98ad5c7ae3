#!/usr/bin/env python3
"""Prints random clinical inputs with the scores an independent package gives them; tests/score_oracle.rs compares.

usage: score-oracle.py [COUNT]     (run by scripts/cross-check-scores.sh in its own environment)

One line a case: score, inputs, `=>`, result. COUNT cases of each of NEWS2 (both scales), GCS, qSOFA, APGAR and START,
drawn with a fixed seed so that a failure can be looked at again.
"""

import random
import sys

from vitalscore.scores import score_apgar, score_gcs, score_news2, score_qsofa, score_start

draw = random.Random(20171201)
count = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000

for _ in range(count):
    rate, percent, systolic, pulse = draw.randint(1, 60), draw.randint(70, 100), draw.randint(40, 260), draw.randint(20, 220)
    oxygen, level, tenths, two = draw.random() < 0.5, draw.choice("ACVPU"), draw.randint(320, 420), draw.random() < 0.5
    r = score_news2(rate, percent, oxygen, systolic, pulse, level, tenths / 10, use_spo2_scale2=two)
    parts = (r.rr_score, r.spo2_score, r.o2_score, r.sbp_score, r.hr_score, r.consciousness_score, r.temp_score)
    air = "o2" if oxygen else "air"
    print("news2", rate, percent, air, systolic, pulse, level, tenths / 10, 2 if two else 1, "=>", *parts, r.total)

    eye, verbal, motor = draw.randint(1, 4), draw.randint(1, 5), draw.randint(1, 6)
    print("gcs", eye, verbal, motor, "=>", score_gcs(eye, verbal, motor).total)

    coma = draw.randint(3, 15)
    q = score_qsofa(gcs=coma, respiratory_rate=rate, systolic_bp=systolic)
    print("qsofa", rate, systolic, coma, "=>", q.total)

    five = [draw.randint(0, 2) for _ in range(5)]
    print("apgar", *five, "=>", score_apgar(*five).total)

    walks, breaths = draw.random() < 0.2, draw.choice([None, *range(5, 61)])
    radial, obeys = draw.random() < 0.7, draw.random() < 0.7
    s = score_start(walks, breaths, has_radial_pulse=radial, follows_commands=obeys)
    print("start", walks, breaths, radial, obeys, "=>", s.priority.value.lower())
