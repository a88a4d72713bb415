"""Least-time paths by a compiled Newton loop (numba), one thread; the cases of benches/fermat.rs.

Prints one JSON object a line: {"case", "seconds"}, and {"case": "..., check", "seconds"} with the
sum of all travel times. The solver iterates on the entry as a unit vector, so that no trigonometric
call is in the loop, and ends below 1e-12 s.
"""

import json
import time

import numpy as np
from numba import njit

WATER, L, S, RADIUS = 1480.0, 5900.0, 3230.0, 0.03
GOLDEN = 2.399963229728653
RUNS = 5
BUFFER = 4096


@njit(fastmath=True, inline="always")
def entry(ex, ey, x, y, a, cf, c2):
    """Newton from the paraxial guess: cosine and sine of the entry, and both ways."""
    e = np.sqrt(ex * ex + ey * ey)
    u = (x * ex + y * ey) / e
    across = (y * ex - x * ey) / e
    v = abs(across)
    chord = np.sqrt((u - a) * (u - a) + v * v)
    near, far = e / (cf * (e - a)), 1.0 / (c2 * chord + 1e-30)
    guess = min(v * far / (near + u * far), 1.0)
    per = 1.0 / np.sqrt(1.0 + guess * guess)
    c, s = per, guess * per
    d1 = d2 = 0.0
    for _ in range(60):
        d1 = np.sqrt((e - a * c) * (e - a * c) + a * a * s * s)
        dx, dy = u - a * c, v - a * s
        d2 = np.sqrt(dx * dx + dy * dy)
        w, q = v * c - u * s, u * c + v * s
        one, two = a * e * s / d1, a * w / d2
        slope = one / cf - two / c2
        bend = (a * e * c - one * one) / (cf * d1) + (a * q - two * two) / (c2 * d2)
        step = slope / bend if bend > 0.0 else np.copysign(0.02, slope)
        step = min(max(step, -0.2), 0.2)
        # Keeps the entry between the feet of source and target.
        if s - step * c < 0.0:
            step = 0.5 * s
        elif step < 0.0 and w + step * q < 0.0:
            step = -0.5 * w / np.sqrt(u * u + v * v)
        c, s = c + step * s, s - step * c
        norm = 1.0 / np.sqrt(c * c + s * s)
        c, s = c * norm, s * norm
        # What is left is of the order of the square of the step over the shorter way: angles to
        # 1e-9, times far below 1e-12 s, as in the solver compared.
        if a * abs(step) < 3e-5 * min(d1, d2):
            break
    d1 = np.sqrt((e - a * c) * (e - a * c) + a * a * s * s)
    dx, dy = u - a * c, v - a * s
    d2 = np.sqrt(dx * dx + dy * dy)
    return c, s, d1, d2, e, u, v, across


@njit(fastmath=True)
def times(ex, ey, x, y, a, cf, c2, out):
    for i in range(x.size):
        _, _, d1, d2, _, _, _, _ = entry(ex, ey, x[i], y[i], a, cf, c2)
        out[i] = d1 / cf + d2 / c2


@njit(fastmath=True)
def rays(ex, ey, x, y, a, cf, c2, out):
    for i in range(x.size):
        c, s, d1, d2, e, u, v, across = entry(ex, ey, x[i], y[i], a, cf, c2)
        side = 1.0 if across >= 0.0 else -1.0
        out[0, i] = d1 / cf + d2 / c2
        out[1, i] = d1
        out[2, i] = d2
        out[3, i] = side * e * s / d1
        out[4, i] = (e * c - a) / d1
        out[5, i] = side * (v * c - u * s) / d2
        out[6, i] = (a - u * c - v * s) / d2
        out[7, i] = a * (c * ex - side * s * ey) / e
        out[8, i] = a * (c * ey + side * s * ex) / e


@njit(fastmath=True)
def aperture(fx, fy, x, y, a, cf, c2, out):
    for k in range(fx.size):
        times(fx[k], fy[k], x, y, a, cf, c2, out[k])


@njit(fastmath=True)
def buffered(ex, ey, x, y, c):
    out = np.zeros((9, BUFFER))
    total = 0.0
    for start in range(0, x.size, BUFFER):
        end = min(start + BUFFER, x.size)
        rays(ex, ey, x[start:end], y[start:end], RADIUS, WATER, c, out)
        total += out[0, : end - start].sum()
    return total


def report(case, call, value):
    call()
    spent = []
    for _ in range(RUNS):
        clock = time.perf_counter()
        call()
        spent.append(time.perf_counter() - clock)
    print(json.dumps({"case": case, "seconds": min(spent)}))
    print(json.dumps({"case": case + ", check", "seconds": float(value())}), flush=True)


def main():
    n = 1_000_000
    i = np.arange(n)
    r = 0.9999 * RADIUS * np.sqrt((i + 0.5) / n)
    angle = np.mod(i * GOLDEN, 2.0 * np.pi)
    x, y = r * np.cos(angle), r * np.sin(angle)
    ex, ey = 0.055 * np.cos(1.9), 0.055 * np.sin(1.9)
    for mode, c in (("L", L), ("S", S)):
        out = np.zeros(n)
        case = f"1e6 targets, 1 element, {mode}, times"
        report(case, lambda: times(ex, ey, x, y, RADIUS, WATER, c, out), out.sum)
        case = f"1e6 targets, 1 element, {mode}, full rays"
        report(case, lambda: buffered(ex, ey, x, y, c), lambda: buffered(ex, ey, x, y, c))
    at = np.pi / 2 + (np.arange(64) - 31.5) * 6e-4 / 0.055
    fx, fy = 0.055 * np.cos(at), 0.055 * np.sin(at)
    line = RADIUS * 1.4 * (np.arange(300) / 299.0 - 0.5)
    gx, gy = np.tile(line, 300), np.repeat(line, 300)
    for mode, c in (("L", L), ("S", S)):
        out = np.zeros((64, gx.size))
        case = f"64 elements, 300 x 300 grid, {mode}"
        report(case, lambda: aperture(fx, fy, gx, gy, RADIUS, WATER, c, out), out.sum)


main()
