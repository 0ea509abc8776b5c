"""A slow full cycle of one cell, from full to empty and back: both branches as a tester would log them, and what the loop costs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simbank.cells.chemistry import Chemistry
from simbank.cells.chemistry_schema import KELVIN

__all__ = ["LOOP_SOC", "SLOW_C_RATE", "SlowCycle", "slow_cycle", "slow_cycle_records"]

SLOW_C_RATE = 1.0 / 30.0  # customary for curves that shall be near open circuit; common practice, no source
LOOP_SOC = (0.02, 0.98)  # between which the loop is measured: at the ends both axes of charge would have to agree exactly
TOLD_SOC = (0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95)
POINTS = 1921  # on that stretch, at the same distances


@dataclass(frozen=True, eq=False)
class SlowCycle:
    """What :func:`slow_cycle` finds.

    Attributes
    ----------
    temperature_k : float
        Of the cell throughout [K].
    c_rate : float
        Of the typical cell's capacity [1/h].
    loop_share : float
        Energy that goes in less what comes out, over what comes out, between the states of charge ``LOOP_SOC``.
    mean_gap_v : float
        Mean of charge less discharge voltage from 10 to 90 % [V].
    """

    chemistry: Chemistry
    temperature_k: float
    c_rate: float
    loop_share: float
    mean_gap_v: float

    def branches(self, soc: float | np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Voltage on charge and on discharge at states of charge, shapes of ``soc`` [V]."""
        return _branches(self.chemistry, self.temperature_k, self.c_rate, np.asarray(soc, float))


def slow_cycle(chemistry: Chemistry, temperature_k: float | None = None, c_rate: float = SLOW_C_RATE) -> SlowCycle:
    """The typical cell of a chemistry at constant current from full to empty and back to full.

    V = U(z) + (T − T0) s(z) + H(z, T) h ∓ I (R0 + R1 + R2), each resistance at z and T: relaxation is taken to keep up, as it does where a
    cycle lasts for days. The state of hysteresis h turns round at the ends, from ±1: 2 e^(−γ (1 − z)) − 1 on discharge, 1 − 2 e^(−γ z)
    on charge (the solution of dh/dz = γ (±1 − h)).

    Parameters
    ----------
    chemistry : Chemistry
        With a typical cell.
    temperature_k : float, optional
        Of the cell throughout [K]; by default the chemistry's reference temperature.
    c_rate : float
        Current over the typical cell's capacity [1/h].

    Raises
    ------
    InputError
        If the chemistry has no typical cell.

    Examples
    --------
    Without a current, what is left is hysteresis:

    >>> from simbank.cells import load_chemistry
    >>> cycle = slow_cycle(load_chemistry("lfp"), c_rate=0.0)
    >>> round(1e3 * cycle.mean_gap_v, 1), round(100 * cycle.loop_share, 2)
    (20.3, 0.62)
    """
    from scipy.integrate import trapezoid

    kelvin = chemistry.reference_k if temperature_k is None else temperature_k
    soc = np.linspace(*LOOP_SOC, POINTS)
    charge, discharge = _branches(chemistry, kelvin, c_rate, soc)
    out = trapezoid(discharge, soc)
    inner = (soc >= 0.1 - 1e-9) & (soc <= 0.9 + 1e-9)
    gap = float(np.mean((charge - discharge)[inner]))
    return SlowCycle(chemistry, kelvin, c_rate, float((trapezoid(charge, soc) - out) / out), gap)


def slow_cycle_records(chemistry: Chemistry) -> list[dict]:
    """Slow cycles at the temperatures at which the file has a half-width, or at the reference temperature, for readers and JSON.

    Returns
    -------
    list of dict
        ``celsius``, ``c_rate``, ``loop_share``, ``mean_gap_mv`` (of :class:`SlowCycle`) and ``rows``: ``soc``, ``half_width_v``, voltage on
        charge and on discharge (``charge_v``, ``discharge_v`` [V]) and ``gap_mv`` between them.
    """
    reference = chemistry.reference_k - KELVIN
    known = [] if chemistry.width_factors is None else chemistry.width_factors.at.tolist()
    records = []
    for celsius in sorted({*known, round(reference, 6)}):
        cycle, soc = slow_cycle(chemistry, celsius + KELVIN), np.array(TOLD_SOC)
        charge, discharge = cycle.branches(soc)
        rows = np.column_stack(
            [soc, chemistry.half_width_at(soc, celsius + KELVIN), charge, discharge, 1e3 * (charge - discharge)]
        )
        keys = ("soc", "half_width_v", "charge_v", "discharge_v", "gap_mv")
        records.append({
            "celsius": celsius, "c_rate": cycle.c_rate, "loop_share": cycle.loop_share, "mean_gap_mv": 1e3 * cycle.mean_gap_v,
            "rows": [dict(zip(keys, row, strict=True)) for row in rows.tolist()],
        })  # fmt: skip
    return records


def _branches(chemistry, kelvin, c_rate, soc):
    """Voltage on charge and on discharge [V]."""
    ohm = chemistry.typical_resistance_ohm(soc, kelvin)
    ratio = sum(pair.resistance_ratio for pair in chemistry.rc)
    ohm = ohm + ratio * chemistry.typical["resistance_ohm"] * chemistry.relaxation_scale(soc, kelvin)
    drop = c_rate * chemistry.typical["capacity_ah"] * ohm
    entropic = (kelvin - chemistry.reference_k) * chemistry.entropy(soc)
    lag = sum(pair.lag_s for pair in chemistry.rc) / 3600.0 * c_rate * chemistry.relaxation_scale(soc, kelvin)
    half, gamma = chemistry.half_width_at(soc, kelvin), chemistry.decay_per_soc
    on_charge, on_discharge = 1.0 - 2.0 * np.exp(-gamma * soc), 2.0 * np.exp(-gamma * (1.0 - soc)) - 1.0
    charge, discharge = chemistry.ocv(soc + lag) + entropic, chemistry.ocv(soc - lag) + entropic
    return charge + half * on_charge + drop, discharge + half * on_discharge - drop
