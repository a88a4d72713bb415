"""Exact broadband maps of a round bar with SciPy and numba, one thread; cases of benches/exact_map.rs.

Prints one JSON object a line: {"case", "seconds"}, and {"case": "..., point k", "seconds"} with the
peak at some points, so that both programs can be seen to compute the same.

Kept and not timed, as in the program compared: the modal solution (scipy.special) and what one element
sends. Timed: the sum over the aperture, the radial functions (Miller's recurrence in numba; jv would
take seconds), the rings and the times (scipy.fft in complex64) and the peaks (numba).
"""

import json
import math
import os
import time

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS"):
    os.environ[name] = "1"

import numpy as np
import scipy.fft
from numba import njit
from scipy.special import hankel1, jv

CF, CL, CS, DENSITY = 1480.0, 5900.0, 3230.0, 7.8
ELEMENTS, STRIPS = 16, 4
RUNS = 5


class Case:
    """One size of bar: the numbers of `Size` in the benchmark."""

    def __init__(self, name, radius, rings, angles, period, times):
        self.name, self.radius, self.angles, self.times = name, radius, angles, times
        self.step = 1.0 / period
        low, high = math.ceil(0.92e6 * period), int(9.08e6 * period)
        self.f = np.arange(low, high + 1) * self.step
        self.pulse = np.exp(-0.5 * ((self.f - 5e6) / 1.274e6) ** 2)
        self.radii = radius * np.arange(rings) / rings
        self.arc = radius + 0.03
        pitch = 0.8e-3
        self.theta = math.pi / 2 + (np.arange(ELEMENTS) - (ELEMENTS - 1) / 2) * pitch / self.arc
        self.half = (np.arange(STRIPS) + 0.5) / STRIPS - 0.5
        self.half *= 0.7e-3 / self.arc


def inward(n, x):
    """J_n and J_n' in the boundary rows: the inward half for orders that travel."""
    up = np.append(n, n[-1] + 1)
    z = jv(up, x).astype(complex)
    travel = n <= math.floor(x)
    h = hankel1(up, x)
    here = np.where(travel, z[:-1] - h[:-1] / 2, z[:-1])
    above = np.where(travel, z[1:] - h[1:] / 2, z[1:])
    return here, n / x * here - above


def modal(case, f):
    """l_n and s_n as far as a double holds J_n of the longitudinal wave at the surface."""
    w = 2 * math.pi * f
    x, xl, xs = (w / c * case.radius for c in (CF, CL, CS))
    n = np.arange(int(math.ceil(x + 15 * x ** (1 / 3) + 25)) + 1)
    j, jl, js = jv(n, x), jv(n, xl), jv(n, xs)
    good = (np.abs(jl) > 1e-280) | (n < xl)
    n = n[: len(n) if good.all() else np.argmin(good)]
    j, js, jl = j[: len(n)], js[: len(n)], jl[: len(n)]
    h = hankel1(np.append(n, n[-1] + 1), x)
    dj = n / x * j - jv(n + 1, x)
    dh = n / x * h[:-1] - h[1:]
    l, dl = inward(n, xl)
    s, ds = inward(n, xs)
    ddl = (n**2 / xl**2 - 1) * l - dl / xl
    dds = (n**2 / xs**2 - 1) * s - ds / xs
    k2 = (CL / CS) ** 2
    a = np.zeros((len(n), 3, 3), complex)
    a[:, 0, 0] = h[:-1]
    a[:, 2, 0] = -DENSITY * dh
    a[:, 0, 1] = -(1 - 2 / k2) * l + 2 / k2 * ddl
    a[:, 1, 1] = 2j * n / xs**2 * (xl * dl - l)
    a[:, 2, 1] = xl * dl / x
    a[:, 0, 2] = 2j * n / xs**2 * (xs * ds - s)
    a[:, 1, 2] = (-(n**2) * s - xs**2 * dds + xs * ds) / xs**2
    a[:, 2, 2] = 1j * n * s / x
    right = np.stack([-j, np.zeros(len(n)), DENSITY * dj], axis=1).astype(complex)
    columns = np.abs(a).max(axis=1)
    a /= columns[:, None, :]
    rows = np.abs(a).max(axis=2)
    a /= rows[:, :, None]
    right /= rows
    solved = np.linalg.solve(a, right[:, :, None])[:, :, 0] / columns
    return solved[:, 1], solved[:, 2]


def sent_by_one(case, f, count):
    """Orders of one element at angle zero."""
    k = 2 * math.pi * f / CF
    n = np.arange(count)
    strips = np.cos(n[:, None] * case.half[None, :]).mean(axis=1)
    return 0.25j * hankel1(n, k * case.arc) * strips


@njit(fastmath=True)
def ladder(x, top, out):
    """J_n(x), n = 0..top, by Miller's recurrence in doubles; what underflows is nothing."""
    first = max(float(top), x)
    start = int(first + 6.0 * first ** (1.0 / 3.0) + 12.0)
    above, here, total = 0.0, 1e-250, 0.0
    for n in range(start, 0, -1):
        below = 2.0 * n / x * here - above
        above, here = here, below
        if abs(here) > 1e200:
            for m in range(n, min(top, start) + 1):
                out[m] *= 1e-200
            here *= 1e-200
            above *= 1e-200
            total *= 1e-200
        if n - 1 <= top:
            out[n - 1] = here
        if (n - 1) % 2 == 0:
            total += here
    factor = 1.0 / (2.0 * total - here)
    for n in range(top + 1):
        out[n] *= factor


@njit(fastmath=True)
def ring(plus, minus, counts, k, r, a, rows, j):
    """Fourier coefficients of one ring, one row per frequency."""
    angles = rows.shape[1]
    rows[:] = 0.0
    for f in range(k.size):
        x, xa = k[f] * r, k[f] * a
        top = 0
        if x > 0.0:
            # What falls by 1e-10 from the surface to here does not count.
            top = counts[f] - 1
            low = int(x)
            while low < top:
                n = (low + top) // 2
                d = n * math.acosh(n / x) - math.sqrt(n * n - x * x) if n > x else 0.0
                if n > xa:
                    d -= n * math.acosh(n / xa) - math.sqrt(n * n - xa * xa)
                if d > 23.0:
                    top = n
                else:
                    low = n + 1
            ladder(x, top, j)
        else:
            j[0] = 1.0
        rows[f, 0] = plus[f, 0] * j[0]
        for n in range(1, top + 1):
            rows[f, n % angles] += plus[f, n] * j[n]
            rows[f, -(n % angles)] += minus[f, n] * j[n]


@njit(fastmath=True)
def peaks(z, out):
    """Largest magnitude of each column, a parabola through the logarithms."""
    times, angles = z.shape
    best = np.zeros(angles, np.float32)
    at = np.zeros(angles, np.int64)
    for t in range(times):
        for m in range(angles):
            v = z[t, m].real * z[t, m].real + z[t, m].imag * z[t, m].imag
            if v > best[m]:
                best[m] = v
                at[m] = t
    for m in range(angles):
        if best[m] <= 0.0:
            out[m] = 0.0
            continue
        b, a = z[at[m] - 1, m], z[(at[m] + 1) % times, m]
        left = math.log((b.real * b.real + b.imag * b.imag) / best[m])
        right = math.log((a.real * a.real + a.imag * a.imag) / best[m])
        bend = left + right
        lift = -0.125 * (left - right) * 0.5 * (left - right) / bend if bend < 0.0 else 0.0
        out[m] = math.sqrt(best[m]) * math.exp(lift)


def fields(case, k, coefficients, one, parity, delays):
    """The timed part: one law, one mode."""
    counts = np.array([len(c) for c in coefficients])
    most = counts.max()
    turns = np.exp(-1j * np.arange(most)[:, None] * case.theta[None, :])
    weights = np.exp(2j * np.pi * case.f[None, :] * delays[:, None]) * (case.pulse * case.step)
    forth, back = (turns @ weights).T, (turns.conj() @ weights).T
    plus = np.zeros((len(case.f), most), complex)
    minus = np.zeros_like(plus)
    for i, c in enumerate(coefficients):
        n = counts[i]
        both = c * one[i]
        plus[i, :n] = both * forth[i, :n]
        # J_{-n} = (-1)^n J_n and H_{-n} = (-1)^n H_n: the signs cancel.
        minus[i, :n] = parity * both * back[i, :n]
    rows = np.zeros((len(case.f), case.angles), np.complex64)
    j = np.zeros(most + 1)
    out = np.zeros((len(case.radii), case.angles))
    for i, r in enumerate(case.radii):
        ring(plus, minus, counts, k, r, case.radius, rows, j)
        p = scipy.fft.ifft(rows, axis=1, norm="forward", workers=1)
        z = scipy.fft.fft(p, n=case.times, axis=0, overwrite_x=True, workers=1)
        peaks(z, out[i])
    return out


def run(case):
    clock = time.perf_counter()
    solved = [modal(case, f) for f in case.f]
    print(json.dumps({"case": f"{case.name}, band", "seconds": time.perf_counter() - clock}))
    one = [sent_by_one(case, f, len(l)) for f, (l, _) in zip(case.f, solved)]
    for mode, index, c, slope in (("L", 0, CL, 0.0), ("S", 1, CS, 1.4e-7)):
        k = 2 * np.pi * case.f / c
        delays = slope * np.arange(ELEMENTS)
        coefficients = [s[index] for s in solved]
        parity = 1.0 if mode == "L" else -1.0
        call = lambda: fields(case, k, coefficients, one, parity, delays)
        out = call()
        spent = []
        for _ in range(RUNS if len(case.radii) < 200 else 3):
            clock = time.perf_counter()
            call()
            spent.append(time.perf_counter() - clock)
        print(json.dumps({"case": f"{case.name}, {mode}", "seconds": min(spent)}))
        for point in range(8):
            i = (2 * point + 1) * len(case.radii) // 18
            m = int(np.argmax(out[i]))
            print(json.dumps({"case": f"{case.name}, {mode}, angle {point}", "seconds": m}))
            print(json.dumps({"case": f"{case.name}, {mode}, point {point}", "seconds": out[i, m]}), flush=True)


run(Case("60 mm", 0.030, 150, 1024, 20.48e-6, 256))
run(Case("120 mm", 0.060, 200, 2048, 40.96e-6, 512))
