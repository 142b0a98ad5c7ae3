"""Made-up records in bulk, and questions to their export in DuckDB.

usage: bulk.py make FOLDER CALLS     CALLS records below FOLDER, and made.json with what is in them
       bulk.py query BULK [FOLDER]   BULK: a folder of NDJSON files; with FOLDER the counts must agree with made.json
"""
import hashlib
import json
import os
import random
import sys
import time
from datetime import datetime, timedelta, timezone

EAST = timezone(timedelta(hours=-5))


def record(folder, number, dice):
    """One call of a dozen findings; what was put in."""
    begun = datetime(2027, 1, 1, tzinfo=EAST) + timedelta(minutes=31 * number)
    lines, head = [], "0" * 64

    def event(seconds, kind, payload):
        nonlocal head
        at = (begun + timedelta(seconds=seconds)).isoformat(timespec="milliseconds")
        line = {"seq": len(lines) + 1, "at": at, "mono_ms": seconds * 1000, "kind": kind, kind: payload}
        body = json.dumps(line, separators=(",", ":"))[:-1]
        head = hashlib.sha256((head + body).encode()).hexdigest()
        lines.append(f'{body},"hash":"{head}"}}\n')

    aspirin, systolic = dice.random() < 0.6, dice.randint(70, 220)
    event(0, "opened", {"format": "thirdhand-record-1", "version": "0.1.0", "data": "built-in", "data_digest": "",
                        "model": "text", "purpose": "care"})
    first = dice.randint(20, 400)
    for seconds, finding in [
        (5, {"finding": "milestone", "name": "on_scene"}),
        (15, {"finding": "patient", "age_years": dice.randint(18, 95), "sex": dice.choice(["male", "female"])}),
        (18, {"finding": "symptom", "name": "chest_pain", "present": True}),
        (first, {"finding": "blood_pressure", "systolic_mmhg": systolic, "diastolic_mmhg": systolic // 2}),
        (first + 10, {"finding": "pulse", "rate_per_min": dice.randint(40, 160)}),
        (first + 30, {"finding": "oxygen_saturation", "percent": dice.randint(80, 100), "on": "room_air"}),
    ]:
        event(seconds, "finding", finding)
    if aspirin:
        event(first + 90, "finding", {"finding": "medication_given", "name": "aspirin", "dose": 324, "unit": "mg",
                                      "route": "oral"})
    event(first + 600, "closed", {"reason": "end_of_input"})
    os.makedirs(f"{folder}/{number:06}")
    with open(f"{folder}/{number:06}/events.jsonl", "w", encoding="utf-8") as out:
        out.writelines(lines)
    return aspirin, systolic


def make(folder, calls):
    dice = random.Random(2027)
    made = [record(folder, number, dice) for number in range(calls)]
    counts = {"calls": calls, "aspirin": sum(a for a, _ in made), "low": sum(s < 90 for _, s in made)}
    with open(os.path.join(os.path.dirname(os.path.abspath(folder)), "made.json"), "w", encoding="utf-8") as out:
        json.dump(counts, out)


QUESTIONS = {
    "calls": "SELECT count(*) FROM read_json('{bulk}/Encounter.ndjson')",
    "aspirin": """SELECT count(DISTINCT encounter.id) FROM read_json('{bulk}/MedicationAdministration.ndjson') AS given
                  JOIN read_json('{bulk}/Encounter.ndjson') AS encounter
                  ON given.context.reference = 'Encounter/' || encounter.id
                  WHERE given.status = 'completed' AND given.medicationCodeableConcept.text = 'aspirin'""",
    "low": """SELECT count(*) FROM (SELECT unnest(component) AS part FROM read_json('{bulk}/Observation.ndjson'))
              WHERE part.code.coding[1].code = '8480-6' AND part.valueQuantity.value < 90""",
}


def query(bulk, folder):
    import duckdb

    made = {}
    if folder:
        with open(os.path.join(os.path.dirname(os.path.abspath(folder)), "made.json"), encoding="utf-8") as text:
            made = json.load(text)
    wrong = 0
    for name, question in QUESTIONS.items():
        begun = time.monotonic()
        count = duckdb.sql(question.format(bulk=bulk)).fetchone()[0]
        agrees = count == made.get(name, count)
        wrong += not agrees
        said = "" if agrees else f", BUT {made[name]} were made"
        print(f"  {name}: {count}{said} ({(time.monotonic() - begun) * 1000:.0f} ms)")
    return 1 if wrong else 0


if __name__ == "__main__":
    if sys.argv[1:2] == ["make"] and len(sys.argv) == 4:
        make(sys.argv[2], int(sys.argv[3]))
    elif sys.argv[1:2] == ["query"] and len(sys.argv) in (3, 4):
        sys.exit(query(sys.argv[2], sys.argv[3] if len(sys.argv) == 4 else None))
    else:
        sys.exit(__doc__)
