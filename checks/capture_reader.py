#!/usr/bin/env python3
"""Reads a capture with pyarrow and numpy alone and compares it with its samples in the clear.

usage: capture_reader.py CAPTURE SAMPLES
  SAMPLES: raw little-endian 16-bit samples, shot after shot, as the capture's maker held them

Exit code: 0 the samples agree, 1 they differ, 2 wrong use, 3 pyarrow or numpy is missing.
`cargo test --release -p barwright-capture outside` makes the two files and runs this.
"""

import json
import sys

try:
    import numpy as np
    import pyarrow.parquet as pq
except ImportError as e:
    print(f"SKIPPED: {e}", file=sys.stderr)
    sys.exit(3)


def samples(ascan: bytes) -> "np.ndarray":
    planes = np.frombuffer(ascan, np.uint8).astype(np.uint16).reshape(2, -1)
    folded = planes[0] | planes[1] << 8
    differences = (folded >> 1) ^ (0 - (folded & 1)).astype(np.uint16)
    return np.cumsum(differences, dtype=np.uint16).view(np.int16)


def main() -> int:
    if len(sys.argv) != 3:
        print(__doc__, file=sys.stderr)
        return 2
    table = pq.read_table(sys.argv[1])
    meta = {k.decode(): v.decode() for k, v in pq.read_metadata(sys.argv[1]).metadata.items()}
    header = json.loads(meta["barwright.header"])
    wrong = []
    if meta["barwright.kind"] != "capture" or meta["barwright.format"] != "1":
        wrong.append(f"kind {meta['barwright.kind']}, format {meta['barwright.format']}")
    if meta["barwright.filter"] != "delta-zigzag-byteplanes":
        wrong.append(f"filter {meta['barwright.filter']}")
    for field in table.schema:
        if not field.metadata or b"unit" not in field.metadata:
            wrong.append(f"column {field.name} has no unit")
    got = np.array([samples(a.as_py()) for a in table["ascan"]])
    want = np.fromfile(sys.argv[2], "<i2").reshape(-1, header["record"]["samples"])
    if got.shape != want.shape or not np.array_equal(got, want):
        wrong.append("samples differ")
    if not np.all(np.diff(table["time_s"].to_numpy()) >= 0):
        wrong.append("shots are not in order of time")
    for line in wrong:
        print(line)
    print(f"{len(got)} shots of {got.shape[-1]} samples, {'differ' if wrong else 'agree'}")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
