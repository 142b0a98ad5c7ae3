"""Validates FHIR R4 JSON files with two libraries that check structure and cardinality.

usage: python check.py FILE...   One line a problem; status 1 if any.
fhirkit is R4; fhir.resources has R4B, which these resources are also valid in.
"""
import json
import sys

import fhirkit
from fhir.resources.R4B import get_fhir_model_class

problems = 0
for path in sys.argv[1:]:
    with open(path, encoding="utf-8") as file:
        text = file.read()
    for issue in fhirkit.validate(text):
        problems += 1
        print(f"{path}: fhirkit: {issue}")
    document = json.loads(text)
    try:
        get_fhir_model_class(document["resourceType"]).model_validate_json(text)
    except Exception as error:  # noqa: BLE001 - any refusal is a finding
        problems += 1
        print(f"{path}: fhir.resources: {error}")
print(f"{len(sys.argv) - 1} files, {problems} problems (fhirkit, fhir.resources R4B)")
sys.exit(1 if problems else 0)
