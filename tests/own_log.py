"""Logs of banks on a one-ended chain, worked out without simbank's run, network or integrator: explicit steps and a small linear system.

Of simbank only the curves of a chemistry are read (open-circuit voltage, half-width, factors of resistance over charge). The equations are
written anew from their sources: one-state hysteresis (Plett, J. Power Sources 134 (2004) 262), two relaxation pairs, Ohm and Kirchhoff.
"""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

CELLS = 16


@dataclass
class OwnBank:
    """True values of a chain; packs from the take-off on. Resistances in mΩ, of links both poles together."""

    names: list
    capacity_ah: list
    cells_mohm: list
    wiring_mohm: list
    link_mohm: list
    soc: list
    hysteresis: list
    relaxation: tuple = ((0.4, 30.0), (0.6, 900.0))  # resistance over that of the cells, time constant [s]
    loop: float = 1.0  # half-width over the curve's
    follows: float = 40.0  # decay of hysteresis per state of charge
    grows: dict = field(default_factory=dict)  # link → (from which day on, mΩ more)


def asked(rng, days, step_s, capacity_ah):
    """Current of the bank in each step [A], out of it positive: sun, clouds, breakfast, evening, a kettle; held within its charge."""
    many = int(days * 86400 / step_s)
    hour = (np.arange(many) + 0.5) * step_s / 3600.0
    day, clock = (hour // 24).astype(int), hour % 24
    sun, use = rng.uniform(0.35, 1.0, days + 1)[day], rng.uniform(0.7, 1.2, days + 1)[day]
    cloud, keep = np.empty(many), np.exp(-step_s / 900.0)
    state = 0.0
    for k, kick in enumerate(rng.standard_normal(many) * np.sqrt(1 - keep**2)):
        state = keep * state + kick
        cloud[k] = state
    panel = (
        np.clip(np.sin((clock - 7.0) / 11.0 * np.pi), 0.0, None) * (clock < 18) * 0.2 * sun * np.clip(1 + 0.3 * cloud, 0.1, 1.3)
    )
    home = (0.02 + 0.05 * np.exp(-((clock - 7.5) ** 2)) + 0.09 * np.exp(-(((clock - 20.0) / 2.0) ** 2))) * use
    kettle = np.convolve(rng.random(many) < step_s / 86400.0 * 10, np.ones(max(1, int(240 / step_s))))[:many] * 0.1
    return (home + kettle - panel) * capacity_ah


def own_log(bank, chemistry, rng, days=7, step_s=20.0, row_s=60.0):
    """(true mean current of each pack in each row, voltage at the take-off), rows of ``row_s``."""
    n = len(bank.names)
    capacity = np.array(bank.capacity_ah) * 3600.0
    r_cell, r_wire = np.array(bank.cells_mohm) * 1e-3, np.array(bank.wiring_mohm) * 1e-3
    (ratio_1, tau_1), (ratio_2, tau_2) = bank.relaxation
    grid = np.linspace(-0.2, 1.2, 2801)
    curves = [np.asarray(curve(grid)) for curve in (chemistry.ocv, chemistry.half_width, chemistry.r_factor, chemistry.rc_factor)]
    demand = asked(rng, days, step_s, sum(bank.capacity_ah))
    z, h = np.array(bank.soc, float), np.array(bank.hysteresis, float)
    v1, v2 = np.zeros(n), np.zeros(n)
    many = len(demand)
    current, volt = np.empty((many, n)), np.empty(many)
    fade_1, fade_2 = np.exp(-step_s / tau_1), np.exp(-step_s / tau_2)
    for k in range(many):
        u, half, f, g = (np.interp(z, grid, curve) for curve in curves)
        e = CELLS * (u + bank.loop * half * h) - v1 - v2
        r = r_cell * f + r_wire
        link = np.array(bank.link_mohm) * 1e-3
        for number, (day, more) in bank.grows.items():
            if k * step_s >= (day - 1) * 86400.0:
                link[number] += more * 1e-3
        # v[j+1] - v[j] = link[j] (I[j+1] + I[j+2] + ...), v = e - r I; the currents sum to what is asked
        matrix, right = np.zeros((n, n)), np.zeros(n)
        for j in range(n - 1):
            matrix[j, j], matrix[j, j + 1] = r[j], -r[j + 1]
            matrix[j, j + 1 :] -= link[j]
            right[j] = e[j] - e[j + 1]
        total = demand[k]
        mean = z @ capacity / capacity.sum()
        total *= 0.05 if (mean < 0.12 and total > 0) or (mean > 0.95 and total < 0) else 1.0
        matrix[-1], right[-1] = 1.0, total
        i = np.linalg.solve(matrix, right)
        current[k], volt[k] = i, e[0] - r[0] * i[0]
        dz = -i * step_s / capacity
        # exact for a steady current: h runs to the sign of dz
        way = np.sign(dz)
        h = way + (h - way) * np.exp(-bank.follows * np.abs(dz))
        z = z + dz
        v1 = v1 * fade_1 + ratio_1 * r_cell * g * i * (1.0 - fade_1)
        v2 = v2 * fade_2 + ratio_2 * r_cell * g * i * (1.0 - fade_2)
    per = int(row_s / step_s)
    rows = many // per
    return current[: rows * per].reshape(rows, per, n).mean(axis=1), volt[: rows * per].reshape(rows, per).mean(axis=1)


def as_read(true_a, rng, gain=0.01, offset_a=0.1, noise_a=0.15, step_a=0.1):
    """(currents as meters show them, error of each gain, offset of each [A]): gain and offset last, noise half for minutes; in steps."""
    many, n = true_a.shape
    slow, state = np.empty_like(true_a), np.zeros(n)
    for k in range(many):
        state = 0.8 * state + 0.6 * rng.standard_normal(n)
        slow[k] = state
    noise = noise_a * (rng.standard_normal(true_a.shape) + slow) / np.sqrt(2.0)
    gains = gain * rng.standard_normal(n)
    offsets = offset_a * rng.standard_normal(n)
    return np.round((true_a * (1.0 + gains) + offsets + noise) / step_a) * step_a, gains, offsets


def frame(names, read_a, row_s, **more):
    """A table as a log is."""
    table = pd.DataFrame(read_a, columns=[f"{name}_current_a" for name in names])
    table.insert(0, "time_s", np.arange(len(table)) * row_s)
    return table.assign(**more)


EXAMPLE = OwnBank(
    ["H1", "H2", "H3", "H4"], [268.0, 272.0, 171.0, 176.0], [5.0, 4.8, 8.4, 8.0], [6.2, 5.8, 7.4, 6.9], [0.52, 0.49, 0.55], [0.46, 0.49, 0.44, 0.47],
    [-0.4, -0.4, -0.2, -0.3], grows={1: (4, 1.2)},
)  # fmt: skip
HEAD = """# A week at the hill barn, means of ten minutes. Invented: worked out by explicit steps of 20 s and a small linear system written for
# it (tests/own_log.py), not by simbank. Each meter has a gain and an offset of its own, and noise that lasts for minutes; rounded to 0.1 A.
# From 5 March on the joints of the link H2-H3 have 1.2 milliohm more.
"""


def write_example(path):
    """Write the log of scenarios/hill_barn.toml."""
    from simbank import load_chemistry

    rng = np.random.default_rng(7)
    true_a, volt = own_log(EXAMPLE, load_chemistry("lfp"), rng, row_s=600.0)
    table = frame(
        EXAMPLE.names,
        as_read(true_a, rng)[0].round(1),
        600.0,
        bank_voltage_v=(volt + 0.05 + 0.02 * rng.standard_normal(len(volt))).round(2),
    )
    stamps = np.datetime64("2026-03-02T00:00") + (table.pop("time_s").to_numpy() / 60).astype(int).astype("timedelta64[m]")
    table.insert(0, "time", [str(stamp) for stamp in stamps])
    with open(path, "w", encoding="utf-8") as file:
        file.write(HEAD + table.to_csv(index=False, lineterminator="\n"))


if __name__ == "__main__":
    import sys

    write_example(sys.argv[1])
