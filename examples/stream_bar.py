#!/usr/bin/env python3
"""Streams a bar's shots to `barwright receive`, as an acquisition system would.

    python3 examples/stream_bar.py CAPTURE --line "line 4" --bar 0001 --at-speed

CAPTURE is a capture file of this program (docs/capture-format.md). The schema and the questions are
those of docs/receiving.md; nothing but pyarrow and numpy is needed to write another client.
"""

import argparse
import json
import sys
import time

import numpy as np
import pyarrow as pa
import pyarrow.flight as flight
import pyarrow.parquet as pq


def samples(column, count):
    """A-scans of a capture as an array of (shots, samples), int16: undoes the filter."""
    packed = np.frombuffer(b"".join(v.as_py() for v in column), np.uint8).reshape(-1, 2, count)
    zigzag = packed[:, 0].astype(np.uint16) | (packed[:, 1].astype(np.uint16) << 8)
    steps = (zigzag >> 1) ^ (-(zigzag & 1).astype(np.int32)).astype(np.uint16)
    return np.cumsum(steps, axis=1, dtype=np.uint16).astype(np.int16)


class Station:
    """The service as a client sees it."""

    def __init__(self, address, line, token=None, roots=None):
        self.client = flight.connect(address, tls_root_certs=roots) if roots else flight.connect(address)
        headers = [(b"authorization", f"Bearer {token}".encode())] if token else []
        self.options = flight.FlightCallOptions(headers=headers)
        self.line = line

    def ask(self, action, **question):
        body = json.dumps({"line": self.line, **question}).encode()
        (answer,) = self.client.do_action(flight.Action(action, body), self.options)
        return json.loads(answer.body.to_pybytes())

    def stream(self, announcement, schema):
        descriptor = flight.FlightDescriptor.for_command(json.dumps(announcement).encode())
        return self.client.do_put(descriptor, schema, self.options)


def header_of(path):
    return json.loads(pq.read_metadata(path).metadata[b"barwright.header"])


def batches(path, first, shots):
    """Record batches of a capture from shot number `first` on, about `shots` each."""
    file = pq.ParquetFile(path)
    count = header_of(path)["record"]["samples"]
    schema = pa.schema([
        ("shot", pa.uint64()), ("beam", pa.uint32()), ("time_s", pa.float64()), ("z_m", pa.float64()),
        ("turn_rad", pa.float32()), ("ascan", pa.list_(pa.int16(), count)),
    ])
    number = 0
    for part in file.iter_batches(shots, columns=["beam", "time_s", "z_m", "turn_rad", "ascan"]):
        rows = len(part)
        if number + rows > first:
            flat = samples(part["ascan"], count).reshape(-1)
            whole = pa.record_batch([
                pa.array(np.arange(number, number + rows, dtype=np.uint64)),
                part["beam"], part["time_s"], part["z_m"], part["turn_rad"],
                pa.FixedSizeListArray.from_arrays(pa.array(flat), count),
            ], schema=schema)
            yield schema, whole.slice(max(0, first - number))
        number += rows


def main():
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("capture")
    ask.add_argument("--address", default="grpc://127.0.0.1:8815")
    ask.add_argument("--line", required=True)
    ask.add_argument("--bar", required=True)
    ask.add_argument("--heat", help="the order's own if not given")
    ask.add_argument("--token")
    ask.add_argument("--at-speed", action="store_true", help="no faster than the bar ran")
    ask.add_argument("--shots", type=int, default=2000, help="shots of one batch")
    args = ask.parse_args()

    station = Station(args.address, args.line, args.token)
    header = header_of(args.capture)
    announcement = station.ask("loaded")["announcement"]
    announcement["header"].update(bar=args.bar, length_m=header["length_m"])
    if args.heat:
        announcement["header"]["heat"] = args.heat
    position = station.ask("position", bar=args.bar)
    if position["state"] not in ("unknown", "open"):
        sys.exit(f"bar {args.bar} is {position['state']}")
    first = position["next_shot"]
    writer = reader = None
    began, sent, durable = time.monotonic(), 0, first
    for schema, batch in batches(args.capture, first, args.shots):
        if writer is None:
            writer, reader = station.stream(announcement, schema)
            reader.read()
        if args.at_speed:
            due = began + batch["time_s"][0].as_py()
            time.sleep(max(0.0, due - time.monotonic()))
        writer.write_batch(batch)
        sent += len(batch)
    if writer is not None:
        writer.done_writing()
        while (answer := reader.read()) is not None:
            durable = json.loads(answer.to_pybytes())["next_shot"]
        writer.close()
    took = time.monotonic() - began
    station.ask("end_bar", bar=args.bar, length_m=header["length_m"])
    print(json.dumps({"bar": args.bar, "sent": sent, "durable": durable, "seconds": round(took, 3)}))


if __name__ == "__main__":
    main()
