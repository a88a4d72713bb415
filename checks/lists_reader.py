#!/usr/bin/env python3
"""Reads the tables that `barwright export tables` writes, in both forms, and compares them value by value.

usage: lists_reader.py FOLDER

FOLDER holds dictionary.csv and for each of its tables NAME.csv and NAME.parquet. CSV is read by Python's own
reader, Parquet by pyarrow and by DuckDB. Kinds, units and meanings are those of the dictionary. Prints JSON:
rows of each table. Exit code: 0 all agree, 1 they differ, 2 wrong use, 3 a reader is missing.
"""

import csv
import datetime
import json
import os
import sys

try:
    import duckdb
    import pyarrow
    import pyarrow.parquet as pq
except ImportError as e:
    print(f"SKIPPED: {e}", file=sys.stderr)
    sys.exit(3)

TYPES = {
    "whole number": pyarrow.int64(),
    "number": pyarrow.float64(),
    "text": pyarrow.string(),
    "true or false": pyarrow.bool_(),
    "time": pyarrow.timestamp("us", tz="UTC"),
    "date": pyarrow.date32(),
}
UTC = datetime.timezone.utc


def value(text, kind):
    if text == "":
        return None
    if kind == "whole number":
        return int(text)
    if kind == "number":
        return float(text)
    if kind == "true or false":
        return {"true": True, "false": False}[text]
    if kind == "time":
        return datetime.datetime.fromisoformat(text.replace("Z", "+00:00"))
    if kind == "date":
        return datetime.date.fromisoformat(text)
    return text[1:] if text.startswith("'") else text


def rows_of_csv(path):
    with open(path, newline="", encoding="utf-8") as file:
        rows = list(csv.reader(file, strict=True))
    return rows[0], rows[1:]


def in_utc(v):
    return v.astimezone(UTC) if isinstance(v, datetime.datetime) else v


def main():
    if len(sys.argv) != 2:
        print(__doc__, file=sys.stderr)
        return 2
    folder, wrong, out = sys.argv[1], [], {}
    head, rows = rows_of_csv(os.path.join(folder, "dictionary.csv"))
    tables = {}
    for row in rows:
        entry = dict(zip(head, row))
        tables.setdefault(entry["table"], []).append(entry)
    for name, columns in tables.items():
        keys = [c["column"] for c in columns]
        kinds = [c["kind"] for c in columns]
        found, texts = rows_of_csv(os.path.join(folder, name + ".csv"))
        if found != keys:
            wrong.append(f"{name}: the columns of CSV are not those of the dictionary")
        told = [[value(t, k) for t, k in zip(row, kinds)] for row in texts]
        path = os.path.join(folder, name + ".parquet")
        table = pq.read_table(path)
        for field, c in zip(table.schema, columns):
            meta = {k.decode(): v.decode() for k, v in (field.metadata or {}).items()}
            if field.name != c["column"] or field.type != TYPES[c["kind"]] or not field.nullable:
                wrong.append(f"{name}: {field} is not {c}")
            if meta.get("unit") != c["unit"] or meta.get("meaning") != c["meaning"]:
                wrong.append(f"{name}: {field.name} says {meta}")
        lists = [table[k].to_pylist() for k in keys]
        by_arrow = [list(row) for row in zip(*lists)]
        connection = duckdb.connect()
        connection.execute("set timezone = 'UTC'")
        asked = connection.execute("select * from read_parquet(?)", [path]).fetchall()
        by_duckdb = [[in_utc(v) for v in row] for row in asked]
        for reader, got in [("pyarrow", by_arrow), ("DuckDB", by_duckdb)]:
            if got != told:
                pairs = enumerate(zip(got, told))
                first = next((p for p in pairs if p[1][0] != p[1][1]), f"{len(got)} and {len(told)} rows")
                wrong.append(f"{name}: {reader} and CSV differ: {first}")
        out[name] = len(told)
    print(json.dumps(out))
    for line in wrong:
        print(line, file=sys.stderr)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
