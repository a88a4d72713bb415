#!/usr/bin/env python3
"""Values of this project computed again with SciPy, mpmath and NumPy, side by side.

usage: physics.py VALUES
  VALUES: JSON that `cargo test --release -p barwright-wave libraries` writes

Prints a table; exit code: 0 all inside, 1 some beyond its tolerance, 2 wrong use, 3 a library is
missing. The formulas are written again here and in physics_bars.py, from the boundary conditions in
displacement potentials, not from the project's own code.
"""

import json
import sys

try:
    import mpmath as mp
    import numpy as np
    from scipy import optimize, special

    import physics_bars as bars
except ImportError as e:
    print(f"SKIPPED: {e}", file=sys.stderr)
    sys.exit(3)

mp.mp.dps = 40
ROWS: dict[str, list] = {}


def row(quantity, ours, theirs, difference, tolerance, reason):
    """Adds one value; a quantity's worst value is what the table shows."""
    entry = ROWS.setdefault(quantity, [0, ours, theirs, -1.0, tolerance, reason])
    entry[0] += 1
    difference = float(difference)
    if not difference <= entry[3]:  # a difference that is no number counts as the worst
        entry[1:4] = [ours, theirs, difference]


def complexes(pairs):
    return np.array(pairs, float) @ [1, 1j]


# The polynomial as printed (Marczak 1997); k0 to k5.
MARCZAK = [1.402385e3, 5.038813, -5.799136e-2, 3.287156e-4, -1.398845e-6, 2.787860e-9]


def water(case):
    for t, ours in zip(case["celsius"], case["ours"]):
        theirs = np.polynomial.polynomial.polyval(t, MARCZAK)
        row("water, sound velocity, m/s", ours, theirs, abs(ours - theirs), 1e-9, "rounding")
        if t == 20:
            row("water at 20 °C, printed value, m/s", ours, 1482.38, abs(ours - 1482.38), 5e-3,
                "digits printed")


def fresnel(case):
    s, c = special.fresnel(case["x"])
    for ours, theirs in zip(complexes(case["ours"]), c + 1j * s):
        row("Fresnel integral C + iS (SciPy)", ours, theirs, abs(ours - theirs), 2e-14,
            "stated accuracy of both, 1e-14")


def ladder(case):
    x = mp.mpc(*case["x"])
    real = case["x"][1] == 0
    hankel = case["function"] == "h"
    name = f"{'Hankel H' if hankel else 'Bessel J'}, {'real' if real else 'complex'} argument"
    for n, m, e in zip(case["orders"], case["mantissas"], case["exponents"]):
        # J + iY cancels to exp(-Im x) of terms of exp(Im x): 40 digits more.
        with mp.workdps(80):
            theirs = mp.besselj(n, x) + (1j * mp.bessely(n, x) if hankel else 0)
        ours = mp.mpc(*m) * mp.mpf(2) ** (256 * e)
        # Among its zeros J is measured by the size it swings to.
        size = abs(theirs)
        if real and n < abs(x) and not hankel:
            size = abs(mp.hankel1(n, x))
        beyond = ", orders far beyond it" if n > 2 * abs(x) + 30 else ""
        row(name + beyond, mp.nstr(ours, 10), mp.nstr(theirs, 10), abs(ours - theirs) / size,
            2e-12, "phase of x in units of the last place, 1e3 · 2e-16, and the recurrence")


def plane(case):
    (cf, rf), (cl, cs, rs) = case["media"]
    th = case["angle"]
    q, ci = np.sin(th) / cf, np.cos(th) / cf
    up = lambda c: np.sqrt(1 / c**2 - q * q + 0j)
    kl, ks = up(cl), up(cs)
    mu, lam = rs * cs**2, rs * (cl**2 - 2 * cs**2)

    # Displacement (ux, uy) and stress (syy, sxy) of potentials exp(i(q x + k y)), unit frequency.
    def phi(k):
        ux, uy = 1j * q, 1j * k
        return uy, lam * -(q * q + k * k) + 2 * mu * 1j * k * uy, mu * (1j * k * ux + 1j * q * uy)

    def psi(k):
        ux, uy = 1j * k, -1j * q
        return uy, 2 * mu * 1j * k * uy, mu * (1j * k * ux + 1j * q * uy)

    def fluid(k):
        return 1j * k / rf, -1.0, 0.0

    def solve(unknown, incident):
        """Unknown amplitudes with the steel on one side (y > 0) and water on the other."""
        columns = np.array(unknown, complex).T * [[1e9], [1], [1]]  # displacement, stresses
        return np.linalg.solve(columns, np.array(incident) * [1e9, 1, 1])

    minus = lambda v: [-a for a in v]
    # Water to steel: reflected p, phi, psi. P = rho phi, rho psi at unit frequency.
    r, a, b = solve([minus(fluid(-ci)), phi(kl), psi(ks)], fluid(ci))
    theirs = np.array([r, rs * a, rs * b])
    ours = complexes(case["in"])
    for name, one, two in zip(("R", "T_L", "T_S"), ours, theirs):
        row(f"water to steel, {name} (NumPy, 3 x 3)", one, two, abs(one - two), 1e-11,
            "rounding times the condition of the 3 x 3 system at grazing angles")
    energy = [abs(r)**2] + [rf / rs * k.real / ci * abs(t)**2 for k, t in ((kl, theirs[1]), (ks, theirs[2]))]
    for one, two in zip(case["energy"], energy):
        row("energy leaving the surface, R, L, S", one, two, abs(one - two), 1e-11, "as above")
    row("sum of the three energies", sum(case["energy"]), 1.0, abs(sum(case["energy"]) - 1), 1e-12,
        "closed form; rounding")
    # Steel to water: a wave coming up; unknown: phi, psi going down, p going up.
    for k, wave, one, name in ((kl, phi, case["out"][0], "L"), (ks, psi, case["out"][1], "S")):
        if k.imag:
            continue
        down = [phi(kl), psi(ks), minus(fluid(-ci))]
        p = solve(down, minus(wave(-k)))[2] / rs
        one = complex(*one)
        row(f"steel to water, {name}, modulus", abs(one), abs(p), abs(abs(one) - abs(p)), 1e-11,
            "the sign of P_S turns with the axes, so moduli")
    # Shear wave at a free surface of the steel, incidence counted in the steel.
    q = np.sin(th) / cs
    kl, ks = np.sqrt(1 / cl**2 - q * q + 0j), np.cos(th) / cs
    m = np.array([phi(kl)[1:], psi(ks)[1:]], complex).T
    reflected = np.linalg.solve(m, -np.array(psi(-ks)[1:]))[1] if th else -1.0
    one = complex(*case["free"])
    row("shear wave at a free surface (NumPy, 2 x 2)", one, reflected, abs(one - reflected), 1e-11,
        "rounding times the condition of the system at grazing angles")


def fermat(case):
    ours, cf, c, a = case["ours"], case["cf"], case["c"], case["radius"]
    (ex, ey), (fx, fy) = case["from"], case["to"]

    def time(s, m=mp):
        x, y = (a * m.cos(s), a * m.sin(s)) if a else (s, 0 * s)
        return m.sqrt((x - ex)**2 + (y - ey)**2) / cf + m.sqrt((x - fx)**2 + (y - fy)**2) / c

    if a:
        e, visible = np.arctan2(ey, ex), np.arccos(a / np.hypot(ex, ey))
        # The way goes along the arc between the two; on the visible side there is one minimum.
        turn = np.angle(np.exp(1j * (np.arctan2(fy, fx) - e)))
        reach = np.clip(turn, -visible, visible)
        low, high = sorted((e, e + reach)) if reach else (e - 1e-9, e + 1e-9)
    else:
        low, high = min(ex, fx) - 1e-9, max(ex, fx) + 1e-9
    # SciPy's minimum: its place is good to 1e-8, its value to that squared.
    found = optimize.minimize_scalar(lambda s: time(s, np), bounds=(low, high), method="bounded",
                                     options={"xatol": 1e-12})
    row("least time (SciPy minimum), s", ours, found.fun, abs(ours - found.fun), 1e-15,
        "width of SciPy's bracket squared")
    # mpmath: root of the derivative at 40 digits, from there.
    s = mp.findroot(lambda s: mp.diff(time, s), mp.mpf(found.x), tol=1e-30)
    theirs = time(s)
    row("least time (mpmath, 40 digits), s", ours, mp.nstr(theirs, 17), abs(ours - theirs), 2e-19,
        "rounding of a time of up to 1e-4 s")


TABLE_KA = [.5, 1, 2, 3, 4, 5, 6, 8, 10, 15, 20]
# |f inf| of cylinders in water of 20 °C, five decimals, from another program.
TABLE = {
    "steel": [.66339, .89192, 1.10153, 1.05200, .99413, .77614, .97901, .24875, 1.17626, .74040, .77285],
    "aluminium": [.47572, .64987, 1.18981, 1.16121, 1.04375, .15604, .75641, .57239, .67362, .64886, .76479],
    "tungsten carbide": [.72430, .96214, 1.07457, 1.01479, .95991, .95528, .97652, 1.04431, .87411, 1.04475, .99699],
    "stainless 347": [.66427, .89279, 1.10501, 1.05776, 1.00140, .55731, 1.07422, .76716, .49587, .99763, 1.23627],
    "rigid": [.80071, 1.04384, 1.0582, None, None, .94316, None, None, .98732, None, 1.00275],
    "soft": [1.22546, 1.10884, 1.04277, None, None, 1.00978, None, None, 1.00279, None, 1.00073],
}


def form(case):
    ka, body, ours = case["ka"], case["body"], case["ours"]
    limit = body in ("rigid", "soft")
    theirs = bars.form_function(ka, body, case["fluid"], case["solid"])
    if limit:
        row("form function, rigid and soft limits (SciPy, closed form)", ours, theirs,
            abs(ours - theirs), 1e-6, "the body is 1e11 times denser or lighter, not infinitely")
    else:
        row("form function of elastic cylinders (SciPy)", ours, theirs, abs(ours - theirs), 1e-9,
            "rounding of the 3 x 3 system near narrow resonances")
    table = TABLE[body][TABLE_KA.index(ka)]
    if table is not None:
        row("form function, table of five decimals", ours, table, abs(ours - table), 6e-6,
            "half of the last digit")
    row("|1 + 2 b| of lossless cylinders", 1 + case["unitary"], 1.0, case["unitary"], 1e-12,
        "closed form; rounding")


def fluid_body(case):
    for n, ours in enumerate(complexes(case["ours"])):
        theirs = bars.fluid_cylinder(n, case["ka"], case["fluid"], case["body"])
        row("fluid cylinder, coefficients (SciPy)", ours, theirs, abs(ours - theirs), 1e-4,
            "shear modulus 3e-6 of the bulk modulus, not zero")


# Printed in an open data set: cylinder of 40 mm by 10 mm diameter, broadside.
STRENGTHS = [-58.658416, -50.653594, -43.358125, -42.671589, -42.395063, -40.405365]


def target_strength(case):
    for ours, theirs in zip(case["ours"], STRENGTHS):
        row("target strength of a cylinder, published, dB", ours, theirs, abs(ours - theirs), 2e-6,
            "six decimals are printed")


def hole(case):
    for incident in (0, 1):
        theirs = bars.hole(case, incident)
        for scattered in (0, 1):
            ours = complex(*case["ours"][2 * incident + scattered])
            size = np.sqrt(case["radius"])
            name = f"side-drilled hole, {'LS'[incident]} to {'LS'[scattered]} (SciPy), over √a"
            row(name, ours, theirs[scattered], abs(ours - theirs[scattered]) / size, 1e-9,
                "library functions of either side are good to 1e-12; hundred orders")


def modal(case):
    theirs = bars.Bar(case, complex(*case["omega"]), case["loss"]).solve(len(case["ours"]))[0]
    for n, ours in enumerate(complexes(case["ours"])):
        row(f"scattering coefficients b, {case['passage']} (SciPy)", ours, theirs[n],
            abs(ours - theirs[n]), 1e-9, "Bessel functions of either side; narrow resonances")


def field(case):
    theirs = bars.field(case, complex(*case["omega"]))
    size = abs(theirs).max()
    for ours, one in zip(complexes(case["ours"]), theirs):
        row(f"field of four elements in a bar, {case['passage']}, {case['mode']} (SciPy), over largest",
            ours, one, abs(ours - one) / size, 1e-9, "as the coefficients")


def pulse(case):
    for ours, theirs in zip(case["ours"], bars.pulse_peaks(case)):
        row(f"peak envelope of a pulse, {case['mode']} (SciPy), dB", ours, theirs,
            abs(20 * np.log10(ours / theirs)), 0.02, "our peak is read between samples by a parabola")


KINDS = {"water": water, "fresnel": fresnel, "ladder": ladder, "plane": plane, "fermat": fermat,
         "form": form, "fluid body": fluid_body, "target strength": target_strength, "hole": hole,
         "modal": modal, "field": field, "pulse": pulse}


def shown(value):
    if isinstance(value, str):
        return value
    if isinstance(value, (complex, np.complexfloating)):
        return f"{value.real:.9g}{value.imag:+.9g}i"
    return f"{value:.10g}"


def main() -> int:
    if len(sys.argv) != 2:
        print(__doc__, file=sys.stderr)
        return 2
    for case in json.load(open(sys.argv[1]))["cases"]:
        KINDS[case["kind"]](case)
    print("| quantity | values | ours (worst) | theirs | difference | tolerance | reason |")
    print("|---|---|---|---|---|---|---|")
    beyond = 0
    for quantity, (count, ours, theirs, difference, tolerance, reason) in ROWS.items():
        inside = difference <= tolerance
        beyond += not inside
        quantity = quantity.replace("|", "\\|")
        mark = "" if inside else " BEYOND"
        print(f"| {quantity} | {count} | {shown(ours)} | {shown(theirs)} | {difference:.1e}{mark} "
              f"| {tolerance:g} | {reason} |")
    print(f"\n{sum(r[0] for r in ROWS.values())} values in {len(ROWS)} quantities, {beyond} beyond")
    return 1 if beyond else 0


if __name__ == "__main__":
    sys.exit(main())
