#!/usr/bin/env python3
"""Peaks of gates, vectorised over shots with NumPy: an independent form of the same definitions.

usage: screen_numpy.py SAMPLES JOB
  SAMPLES: little-endian 16-bit samples, shot after shot
  JOB: JSON with record, pulse, beams of a technique, and the beam of every shot

Prints JSON: seconds of the work itself, bytes of samples, and height and time after the surface of
every gate of every shot. `barwright bench screen --python PROGRAM` runs this and compares.
"""

import json
import sys
import time

import numpy as np

SOUND = 32765


def taps(per_cycle):
    """Odd taps of a Hilbert transformer over three cycles, Hamming window."""
    reach = round(3 * per_cycle)
    k = np.arange(1, reach + 1, 2)
    return k, (2 / (np.pi * k) * (0.54 + 0.46 * np.cos(np.pi * k / (reach + 1)))).astype(np.float32)


class Gates:
    def __init__(self, record, pulse):
        self.record = record
        per_cycle = min(1000.0, max(2.0, record["sample_rate_hz"] / pulse["centre_hz"]))
        self.cycle = int(np.ceil(per_cycle))
        self.k, self.c = taps(per_cycle)
        self.pad = int(self.k[-1]) + 2

    def power(self, padded, rows, at):
        """Square of the envelope at one sample of each row."""
        right = padded[rows[:, None], at[:, None] + self.pad + self.k]
        left = padded[rows[:, None], at[:, None] + self.pad - self.k]
        q = ((right - left) * self.c).sum(1, dtype=np.float32).astype(np.float64)
        x = padded[rows, at + self.pad].astype(np.float64)
        return x * x + q * q

    def peak(self, x, padded, from_s, to_s):
        """Height and time of the largest echo of each row between two times."""
        r = self.record
        last = x.shape[1] - 1
        position = lambda t: (t - r["first_sample_s"]) * r["sample_rate_hz"]
        low = np.ceil(np.clip(position(from_s), 0, None)).astype(int)
        high = np.floor(np.clip(position(to_s), None, last)).astype(int)
        magnitude = np.where(x < 0, -1 - x.astype(np.int32), x)
        columns = np.arange(x.shape[1])
        inside = (columns >= low[:, None]) & (columns <= high[:, None])
        at = np.where(inside, magnitude, -1).argmax(1)
        rows = np.arange(len(x))
        clipped = magnitude[rows, at] > SOUND
        start = at.copy()
        def value(i):
            ok = (i >= low) & (i <= high)
            return np.where(ok, self.power(padded, rows, np.clip(i, 0, last)), -np.inf)
        here = self.power(padded, rows, at)
        going = np.ones(len(x), bool)
        for _ in range(self.cycle):
            before, after = value(at - 1), value(at + 1)
            up = going & (after > here) & ((before == -np.inf) | (after >= before))
            down = going & ~up & (before > here)
            going = up | down
            if not going.any():
                break
            at = at + up - down
            here = np.where(up, after, np.where(down, before, here))
        before, after = value(at - 1), value(at + 1)
        fits = (before > 0) & (after > 0) & (here >= before) & (here >= after)
        with np.errstate(all="ignore"):
            b, m, a = np.log(before), np.log(here), np.log(after)
            bend = b - 2 * m + a
            fits &= bend < 0
            offset = np.where(fits, 0.5 * (b - a) / np.where(fits, bend, -1), 0.0)
            gain = np.where(fits, -0.25 * (b - a) * offset, 0.0)
            height = np.exp(0.5 * (m + gain)) * r["full_scale_fsh"] / 32767
        when = (at + offset) / r["sample_rate_hz"] + r["first_sample_s"]
        for row in np.flatnonzero(clipped):
            end = start[row]
            for i in range(start[row], high[row] + 1):
                if i - end > self.cycle:
                    break
                if magnitude[row, i] > SOUND:
                    end = i
            when[row] = 0.5 * (start[row] + end) / r["sample_rate_hz"] + r["first_sample_s"]
            height[row] = r["full_scale_fsh"]
        return height, when


def main():
    samples, job = sys.argv[1:]
    job = json.load(open(job))
    record, beams = job["record"], job["beams"]
    x = np.fromfile(samples, "<i2").reshape(-1, record["samples"])
    beam = np.array(job["beam"])
    began = time.perf_counter()
    gates = Gates(record, job["pulse"])
    padded = np.zeros((len(x), x.shape[1] + 2 * gates.pad), np.float32)
    padded[:, gates.pad:-gates.pad] = x
    shift = np.zeros(len(x))
    most = max(len(b["gates"]) for b in beams)
    peaks = np.full((len(x), most, 2), np.nan)
    found = {}
    for b in beams:
        own = np.flatnonzero(beam == b["id"])
        for g, gate in enumerate(b["gates"]):
            if gate["kind"] == "surface" and len(own):
                whole = np.full(len(own), 1.0)
                height, when = gates.peak(x[own], padded[own], gate["start_s"] * whole, gate["end_s"] * whole)
                found[b["id"], g] = height, when
                sound = height >= gate["threshold_fsh"]
                moved = when - b["surface_time_s"]
                # A lost surface keeps the shift before it.
                last = np.maximum.accumulate(np.where(sound, np.arange(len(own)), -1))
                shift[own] = np.where(last < 0, 0.0, moved[np.maximum(last, 0)])
    for b in beams:
        own = np.flatnonzero(beam == b["id"])
        # A beam with a surface gate follows itself.
        own_surface = any(g["kind"] == "surface" for g in b["gates"])
        leader = None if own_surface else b.get("surface_beam")
        if leader is not None and len(own):
            lead = np.flatnonzero(beam == leader)
            place = np.searchsorted(lead, own) - 1
            shift[own] = np.where(place < 0, 0.0, shift[lead[np.maximum(place, 0)]]) if len(lead) else 0.0
        for g, gate in enumerate(b["gates"]):
            if not len(own):
                continue
            if gate["kind"] == "surface":
                height, after = found[b["id"], g]
            else:
                origin = b["surface_time_s"] + shift[own]
                height, when = gates.peak(x[own], padded[own], origin + gate["start_s"], origin + gate["end_s"])
                after = when - origin
            peaks[own, g] = np.stack([height, after], 1)
    seconds = time.perf_counter() - began
    flat = peaks.reshape(-1, 2)
    flat = flat[~np.isnan(flat[:, 0])]
    json.dump({"seconds": seconds, "bytes": x.nbytes, "peaks": flat.tolist()}, sys.stdout)


if __name__ == "__main__":
    main()
