"""Round bars, cylinders and holes with SciPy: the series over angular orders, written from the
displacement potentials (u = grad phi + curl psi z; time factor exp(-i w t))."""

import mpmath as mp
import numpy as np
from scipy import special


def radial(function, n, x):
    """Value, first and second derivative of a cylinder function."""
    value = {"j": special.jv, "h": special.hankel1}[function]
    up, here, down = value(n + 1, x), value(n, x), value(n - 1, x)
    first = (down - up) / 2
    # Bessel's equation.
    return here, first, -first / x + (n * n / (x * x) - 1) * here


def stresses(n, x, mu_ratio, z, mode):
    """u_r, s_rr / mu, s_rt / mu at r = 1 of phi or psi = Z_n(k r) exp(i n t), x = k.

    mu_ratio = lambda / mu."""
    v, d1, d2 = z[0], x * z[1], x * x * z[2]
    i = 1j
    if mode == "L":
        return d1, -mu_ratio * x * x * v + 2 * d2, 2 * i * n * (d1 - v)
    # u_r = i n psi / r, u_t = -psi'
    return i * n * v, 2 * i * n * (d1 - v), -d2 + d1 - n * n * v


class Bar:
    """A bar in water at one complex frequency."""

    def __init__(self, case, omega, loss=(0.0, 0.0)):
        self.a = case["radius"]
        self.cf, self.rf = case["fluid"]
        cl, cs, self.rs = case["solid"]
        self.omega = omega
        self.k = omega / self.cf
        self.kl, self.ks = omega / cl + 1j * loss[0], omega / cs + 1j * loss[1]
        self.first = case.get("passage") == "first"

    def solve(self, count):
        """For orders n = 0 .. count-1: b, and the amplitudes of rho w^2 phi and rho w^2 psi for an
        incident J_n(k r)."""
        x, xl, xs = self.k * self.a, self.kl * self.a, self.ks * self.a
        # Moduli over rho w^2 a^2: mu = 1 / xs^2, lambda + 2 mu = 1 / xl^2.
        ratio = (xs / xl) ** 2 - 2
        out, lost = np.zeros((3, count), complex), np.zeros(count, bool)
        for n in range(count):
            j, h = radial("j", n, x), radial("h", n, x)

            def inside(x, mode):
                z = radial("j", n, x)
                if abs(z[0]) < 1e-250:
                    # Too small for a float: only its logarithmic derivatives matter for b.
                    lost[n] = True
                    slope = complex(mp.besselj(n - 1, x) / mp.besselj(n, x)) - n / x
                    return np.array(stresses(n, x, ratio, (1, slope, -slope / x + (n / x) ** 2 - 1), mode))
                if self.first and n <= x.real:
                    # What meets the surface from inside belongs to the next passage: only the half
                    # that travels inwards (Hankel's second function) is left of J.
                    z = [a - b / 2 for a, b in zip(z, radial("h", n, x))]
                return np.array(stresses(n, x, ratio, z, mode))

            l, s = inside(xl, "L"), inside(xs, "S")
            # Unknown: b of the water, P_L and P_S. Everything times rho_s w^2 a^2 where it helps.
            heavy = self.rs / self.rf
            m = np.array([
                [-heavy * x * h[1], l[0], s[0]],  # u_r
                [h[0], l[1] / xs**2, s[1] / xs**2],  # s_rr = -p
                [0, l[2], s[2]],  # s_rt = 0
            ])
            right = np.array([heavy * x * j[1], -j[0], 0])
            size = abs(m).max(axis=0)
            m = m / size
            rows = abs(m).max(axis=1)
            out[:, n] = np.linalg.solve(m / rows[:, None], right / rows) / size
        out[1:, lost] = np.nan  # their amplitude is not on the scale of J any more
        return out


def orders(k, a):
    x = abs(k * a)
    return int(x + 12 * x ** (1 / 3) + 15)


def field(case, omega):
    """P_L or P_S at the case's points."""
    bar = Bar(case, omega)
    count = orders(bar.k, bar.a)
    _, l, s = bar.solve(count)
    inner, k = (l, bar.kl) if case["mode"] == "L" else (s, bar.ks)
    n = np.arange(-count + 1, count)
    # Graf: A_n of all line sources together.
    incident = np.zeros(len(n), complex)
    for sources, delay in zip(case["elements"], case["delays"]):
        for x, y, weight in sources:
            r, t = np.hypot(x, y), np.arctan2(y, x)
            turn = 0.25j * special.hankel1(n, bar.k * r) * np.exp(-1j * n * t)
            incident += weight * np.exp(1j * omega * delay) * turn
    m = abs(n)
    parity = np.where(n < 0, 1.0 if case["mode"] == "L" else -1.0, 1.0)
    coefficient = parity * inner[m]
    values = []
    for x, y in case["points"]:
        r, t = np.hypot(x, y), np.arctan2(y, x)
        # l and s belong to J_|n| with incident J_|n|: both signs (-1)^n cancel. Orders too high for
        # a float hold nothing inside.
        wave = special.jv(n, k * r) * np.exp(1j * n * t)
        with np.errstate(invalid="ignore"):
            terms = incident * coefficient * wave
        values.append(terms[np.isfinite(terms)].sum())
    return np.array(values)


def pulse_peaks(case):
    f = np.array(case["frequencies"])
    f0 = case["centre"]
    sigma = case["bandwidth"] * f0 / (2 * np.sqrt(2 * np.log(2)))
    spectra = np.array([field(case, 2 * np.pi * one) for one in f])
    spectra = spectra * np.exp(-0.5 * ((f - f0) / sigma) ** 2)[:, None]
    step = f[1] - f[0]
    # Zeros appended: sixteen times finer in time than the spectrum needs.
    padded = np.zeros((16 * 256, spectra.shape[1]), complex)
    padded[: len(f)] = spectra
    return abs(np.fft.fft(padded, axis=0)).max(axis=0) * step


def form_function(ka, body, fluid, solid):
    count = orders(ka, 1.0)
    if body == "rigid":
        b = [-special.jvp(n, ka) / special.h1vp(n, ka) for n in range(count)]
    elif body == "soft":
        b = [-special.jv(n, ka) / special.hankel1(n, ka) for n in range(count)]
    else:
        case = {"radius": 1.0, "fluid": fluid, "solid": solid}
        b = Bar(case, ka * fluid[0] + 0j).solve(count)[0]
    total = sum((1 if n == 0 else 2) * (-1) ** n * one for n, one in enumerate(b))
    return 2 / np.sqrt(np.pi * ka) * abs(total)


def fluid_cylinder(n, ka, fluid, body):
    x, xi = ka, ka * fluid[0] / body[0]
    # Pressure and normal velocity continue.
    ratio = fluid[1] * fluid[0] / (body[1] * body[0])
    j, jp = special.jv(n, xi), special.jvp(n, xi)
    up = ratio * jp * special.jv(n, x) - j * special.jvp(n, x)
    down = j * special.h1vp(n, x) - ratio * jp * special.hankel1(n, x)
    return up / down


def hole(case, incident):
    """Far-field amplitudes (L, S) of a cylindrical void, incident L (0) or S (1)."""
    omega = 2 * np.pi * case["frequency"]
    cl, cs = case["solid"]
    a, ks = case["radius"], (omega / cl, omega / cs)
    ratio = (cl / cs) ** 2 - 2
    count = orders(ks[1], a)
    total = np.zeros(2, complex)
    for n in range(-count, count + 1):
        def wave(function, mode):
            x = ks[mode] * a
            return np.array(stresses(n, x, ratio, radial(function, n, x), "LS"[mode]))[1:]

        m = np.array([wave("h", 0), wave("h", 1)]).T
        size = abs(m).max(axis=0)
        if not np.isfinite(m).all():
            continue
        solved = np.linalg.solve(m / size, -wave("j", incident) * 1j**n) / size
        total += solved * (-1j) ** n * np.exp(1j * n * case["theta"])
    return total * np.sqrt(2 / (np.pi * np.array(ks))) * np.exp(-0.25j * np.pi)
