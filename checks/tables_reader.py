#!/usr/bin/env python3
"""Reads the tables of a screened bar with pyarrow, DuckDB and polars and compares what they say.

usage: tables_reader.py ECHOES ASCANS INSPECTED CAPTURE

Prints JSON: rows of each table, highest echo, millimetres inspected. Exit code: 0 the readers agree,
1 they differ, 2 wrong use, 3 a reader is missing.
"""

import json
import sys

try:
    import duckdb
    import polars
    import pyarrow.parquet as pq
except ImportError as e:
    print(f"SKIPPED: {e}", file=sys.stderr)
    sys.exit(3)

ASKED = {
    "echoes": "select count(*), max(height_fsh), sum(beam) from '{}'",
    "ascans": "select count(*), coalesce(max(octet_length(ascan)), 0), coalesce(sum(beam), 0) from '{}'",
    "inspected": "select count(*), sum(case when lost = 0 then to_mm - from_mm else 0 end), sum(beam) from '{}'",
    "capture": "select count(*), max(octet_length(ascan)), sum(beam) from '{}'",
}


def with_pyarrow(name, path):
    table = pq.read_table(path)
    return figures(name, {c: table[c].to_pylist() for c in table.column_names})


def with_polars(name, path):
    return figures(name, polars.read_parquet(path).to_dict(as_series=False))


def figures(name, t):
    if name == "echoes":
        most = max(t["height_fsh"])
    elif name == "inspected":
        most = sum(b - a for a, b, lost in zip(t["from_mm"], t["to_mm"], t["lost"]) if lost == 0)
    else:
        # Where all are kept in a capture, none is kept beside it.
        most = max(map(len, t["ascan"]), default=0)
    return [len(t["beam"]), most, sum(t["beam"])]


def main():
    if len(sys.argv) != 5:
        print(__doc__, file=sys.stderr)
        return 2
    out, good = {}, True
    for (name, sql), path in zip(ASKED.items(), sys.argv[1:]):
        answers = [with_pyarrow(name, path), list(duckdb.sql(sql.format(path)).fetchall()[0]), with_polars(name, path)]
        good &= all(float(a) == float(b) == float(c) for a, b, c in zip(*answers))
        for field in pq.read_schema(path):
            good &= b"meaning" in (field.metadata or {})
        out[name] = [float(x) for x in answers[0]]
    print(json.dumps(out))
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
