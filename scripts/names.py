"""The names that the grammar knows, of drugs, allergens and conditions, as they are said."""
import os
import re
import tomllib

ROOT = os.path.dirname(os.path.dirname(os.path.abspath(__file__)))
# A sentence for the names of each list of grammars/en/names.toml.
SENTENCES = {"drug": "he takes {}", "home_drug": "he takes {}", "allergen": "allergic to {}", "condition": "history of {}"}


def names():
    """What is said for the entries of each list, without those that are templates."""
    with open(os.path.join(ROOT, "grammars/en/names.toml"), "rb") as file:
        lists = tomllib.load(file)["list"]
    plain = lambda said: not re.search(r"[(|)]", said)
    return {kind: [said for item in lists[kind]["items"] for said in item["say"] if plain(said)] for kind in SENTENCES}


def in_sentences():
    """Each of them in a sentence, once."""
    said = (SENTENCES[kind].format(name) for kind, all_of in names().items() for name in all_of)
    return list(dict.fromkeys(said))
