#!/usr/bin/env python3
"""Holds documents against their JSON Schemas with an independent validator.

usage: schemas.py FOLDER NAME=DOCUMENT...

FOLDER holds NAME.schema.json, as `barwright export schemas` writes them. A document is TOML or JSON, by its
ending. Prints JSON: for each document null, or where it first fails and why. Exit code: 0 all are valid, 1 some
are not, 2 wrong use, 3 the validator is missing.
"""

import json
import os
import sys

try:
    import jsonschema
    import tomllib
except ImportError as e:
    print(f"SKIPPED: {e}", file=sys.stderr)
    sys.exit(3)


def read(path):
    if path.endswith(".toml"):
        with open(path, "rb") as file:
            return tomllib.load(file)
    with open(path, encoding="utf-8") as file:
        return json.load(file)


def main():
    if len(sys.argv) < 3 or not all("=" in a for a in sys.argv[2:]):
        print(__doc__, file=sys.stderr)
        return 2
    validators, out = {}, {}
    for name, path in (a.split("=", 1) for a in sys.argv[2:]):
        if name not in validators:
            schema = read(os.path.join(sys.argv[1], name + ".schema.json"))
            jsonschema.Draft202012Validator.check_schema(schema)
            validators[name] = jsonschema.Draft202012Validator(schema)
        errors = sorted(validators[name].iter_errors(read(path)), key=lambda e: len(e.path))
        out[path] = f"{errors[0].json_path}: {errors[0].message[:200]}" if errors else None
    print(json.dumps(out))
    return 0 if all(v is None for v in out.values()) else 1


if __name__ == "__main__":
    sys.exit(main())
