"""Image of a full matrix through a round surface, vectorised NumPy in as many processes as the machine has cores; the case of
benches/look.rs.

Prints one JSON object a line: {"case", "seconds"}, and {"case": "..., height k", "seconds"} with the height at some
places, so that both programs can be seen to compute the same.

As in the program compared: each pair once with both directions added (reciprocity), analytic records of twice the rate, straight
lines between samples, single precision, least-time paths by Newton's steps. Not timed: the records themselves.
"""

import json
import os
import time
from multiprocessing import get_context

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[name] = "1"

import numpy as np
import scipy.fft

ELEMENTS, SAMPLES, RATE, FIRST = 64, 3000, 50e6, 20e-6
WATER, STEEL, RADIUS, STAND_OFF = 1480.0, 5920.0, 30e-3, 30e-3
SIDE, STEP = 601, 1e-4
CHUNK = 4096
RUNS = 3
CORES = os.cpu_count() or 1


def matrix():
    """Numbers that look like noise and are the same everywhere."""
    count = ELEMENTS * ELEMENTS * SAMPLES
    mixed = (np.arange(count, dtype=np.uint64) * np.uint64(2654435761)) & np.uint64(0xFFFFFFFF)
    mixed ^= mixed >> np.uint64(15)
    mixed = (mixed * np.uint64(2246822519)) & np.uint64(0xFFFFFFFF)
    values = (mixed >> np.uint64(8)).astype(np.float32) / np.float32(1 << 24) - np.float32(0.5)
    return values.reshape(ELEMENTS, ELEMENTS, SAMPLES)


def analytic(values):
    """Both directions of each pair added, one-sided spectrum, twice the rate; two samples of silence at both ends."""
    padded = 4096
    records = []
    for k in range(ELEMENTS):
        both = values[k, k:] + values[k:, k]
        both[0] *= 0.5
        spectrum = scipy.fft.fft(both, padded, axis=1)
        fine = np.zeros((len(both), 2 * padded), np.complex64)
        half = padded // 2
        fine[:, 0] = spectrum[:, 0]
        fine[:, 1:half] = 2 * spectrum[:, 1:half]
        fine[:, half] = spectrum[:, half]
        signal = scipy.fft.ifft(fine, axis=1)[:, : 2 * SAMPLES] * 2
        records.append(np.pad(signal, ((0, 0), (2, 2))).astype(np.complex64))
    return records


def travel(ex, x, y):
    """Least times from an element at (ex, 0) into a circle about (0, STAND_OFF + RADIUS): Newton on the entry's angle."""
    cy = STAND_OFF + RADIUS
    inside = x * x + (y - cy) ** 2 < RADIUS * RADIUS
    angle = np.arctan2(0.5 * (ex / 2 + x), RADIUS) * 0.5
    for _ in range(12):
        s, c = np.sin(angle), np.cos(angle)
        px, py = RADIUS * s, cy - RADIUS * c
        ax, ay = px - ex, py
        bx, by = px - x, py - y
        d1, d2 = np.sqrt(ax * ax + ay * ay), np.sqrt(bx * bx + by * by)
        tx, ty = RADIUS * c, RADIUS * s
        one, two = (ax * tx + ay * ty) / d1, (bx * tx + by * ty) / d2
        slope = one / WATER + two / STEEL
        nx, ny = -RADIUS * s, RADIUS * c
        bend = (tx * tx + ty * ty + ax * nx + ay * ny - one * one) / (d1 * WATER)
        bend += (tx * tx + ty * ty + bx * nx + by * ny - two * two) / (d2 * STEEL)
        angle = angle - np.clip(slope / np.maximum(bend, 1e-12), -0.2, 0.2)
    return np.where(inside, d1 / WATER + d2 / STEEL, 1.0)


RECORDS = []


def chunk_heights(start):
    columns, rows = np.meshgrid(np.arange(SIDE), np.arange(SIDE))
    x = columns.ravel()[start : start + CHUNK] * STEP - 30e-3
    y = rows.ravel()[start : start + CHUNK] * STEP + STAND_OFF
    elements = (np.arange(ELEMENTS) - (ELEMENTS - 1) / 2) * 0.6e-3
    times = np.stack([(travel(e, x, y) * RATE * 2) for e in elements])
    out = (times - FIRST * RATE * 2 + 2).astype(np.float32)
    back = times.astype(np.float32)
    total = np.zeros(len(x), np.complex64)
    for k in range(ELEMENTS):
        rows, length = RECORDS[k].shape
        at = np.clip(out[k] + back[k:], 0, length - 2)
        place = at.astype(np.int32)
        share = at - place
        place += (np.arange(rows, dtype=np.int32) * length)[:, None]
        flat = RECORDS[k].ravel()
        low = np.take(flat, place)
        high = np.take(flat, place + 1)
        high -= low
        high *= share
        high += low
        total += high.sum(axis=0)
    return np.abs(total) / ELEMENTS**2


def main():
    RECORDS.extend(analytic(matrix()))
    best = float("inf")
    # Processes that share the records as they were before the fork: NumPy's threads wait for one another here.
    with get_context("fork").Pool(CORES) as pool:
        for _ in range(RUNS):
            clock = time.perf_counter()
            parts = pool.map(chunk_heights, range(0, SIDE * SIDE, CHUNK), chunksize=1)
            best = min(best, time.perf_counter() - clock)
    heights = np.concatenate(parts).reshape(SIDE, SIDE)
    print(json.dumps({"case": "image", "seconds": best}))
    for column, row in [(300, 300), (300, 150), (150, 300), (420, 200)]:
        height = float(heights[row, column])
        print(json.dumps({"case": f"height {column} {row}", "seconds": height}))


main()
