"""What meters should read for any fault of a bank, and how far what is not known of a sound bank lets each reading move."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from simbank.bank import Bank
from simbank.studies.diagnosis.bank_at import At
from simbank.studies.diagnosis.hypotheses import CHARGE_HIGH, CHARGE_LOW, size_of
from simbank.studies.diagnosis.knowledge import USUAL, Knowledge, Setting
from simbank.studies.diagnosis.meter_readings import Reading

__all__ = ["Expected"]

# What the port's current may differ by from the sum of what was read, in deviations of this size: readings decide. Chosen here.
TOTAL_SHARE, TOTAL_A = 0.3, 1.0
REST_A = 0.05  # where no current was read, the bank is taken to rest, within that


class Expected:
    """What a set of readings should be, by fault: predictions and what unknowns of a sound bank do to them.

    Parameters
    ----------
    bank : Bank
    readings : sequence of (At, sequence of Reading)
        The bank at each instant and what is read then.
    knowledge : Knowledge
        How well the bank is known.
    """

    def __init__(self, bank: Bank, readings: Sequence[tuple[At, Sequence[Reading]]], knowledge: Knowledge):
        self.bank, self.knowledge = bank, knowledge
        self.parts = [(at, list(read)) for at, read in readings if len(read)]
        self.n, self.m = len(bank.packs), len(bank.packs) + len(bank.graph.branches)
        place = {pack.name: k for k, pack in enumerate(bank.packs)}
        place_of_branch = {branch.name: self.n + k for k, branch in enumerate(bank.graph.branches)}
        self.rows = [
            [(r.kind, (place_of_branch if r.kind == "drop" else place).get(r.name, 0)) for r in read] for _, read in self.parts
        ]
        ats = [at for at, _ in self.parts]
        self.instant = [
            next(k for k, other in enumerate(ats) if other is at) for at in ats
        ]  # parts of one instant share its current
        every = [r for _, read in self.parts for r in read]
        self.value = np.array([r.value for r in every])
        self.deviation = np.array([r.deviation for r in every])
        self.count = len(every)

    def predicted(self, kind: np.ndarray, element: np.ndarray, share: np.ndarray) -> np.ndarray:
        """What is read, shape (h, u, count), for faults of ``kind`` and ``element`` (h, s) and shares (h, u, s) of their sizes."""
        kind, element = (np.broadcast_to(a[:, None, :], share.shape) for a in (kind, element))
        out = []
        for (at, _), rows in zip(self.parts, self.rows, strict=True):
            ohm, volt = at.faults(kind, element, share)
            current = at.response.with_faults(element, ohm, volt)
            for what, k in rows:
                here = element == k
                mine_ohm = at.response.ohm[k] + np.where(here, ohm, 0.0).sum(-1)
                if what == "current":
                    out.append(current[..., k])
                elif what == "drop":
                    out.append(np.abs(current[..., k]) * mine_ohm)
                elif what == "voltage":
                    out.append(at.response.emf_v[k] + np.where(here, volt, 0.0).sum(-1) - mine_ohm * current[..., k])
                elif what == "open":
                    out.append(at.response.emf_v[k] + np.where(here, volt, 0.0).sum(-1))
                elif what == "display":
                    charge = here & ((kind == CHARGE_LOW) | (kind == CHARGE_HIGH))
                    out.append(at.response.soc[k] + np.where(charge, size_of(kind, share), 0.0).sum(-1))
                else:
                    out.append(np.broadcast_to(at.port_a[at.port], current.shape[:-1]))
        return np.stack(out, axis=-1)

    def moves(self, kind: np.ndarray, element: np.ndarray, share: np.ndarray, setting: Setting = USUAL) -> np.ndarray:
        """What one standard deviation of each unknown does to each reading, shape (h, count, unknowns), for faults of shape (h, s).

        Unknowns are the resistance of every element, the charge of every pack, what packs have in common, the bank's current at each
        instant, and what is common to all readings of one meter; how far they vary is by ``setting``.
        """
        parts, totals = [], []
        for number, ((at, _), rows) in enumerate(zip(self.parts, self.rows, strict=True)):
            ohm, volt = at.faults(kind, element, share)
            current = at.response.with_faults(element, ohm, volt)
            from_emf, from_port = at.response.changed(element, ohm, np.array([k for _, k in rows], int))
            scatter = self.knowledge.ohm(at.response.ohm, setting.scale)
            charge = self.knowledge.emf_v(at.response, setting)
            by_ohm = -from_emf * (scatter * current)[:, None, :]  # (h, readings, m): of the current there by every resistance
            by_charge = from_emf[..., : self.n] * charge
            by_total = from_port[..., at.port] * _total_deviation(at)
            common = np.stack([self._common(number, k, setting) for k in range(len(rows))])
            for r, (what, k) in enumerate(rows):
                row = np.concatenate([by_ohm[:, r], by_charge[:, r], by_total[:, r, None]], axis=-1)
                mine = at.response.ohm[k] + np.where(element == k, ohm, 0.0).sum(-1)
                if what == "drop":
                    row = row * mine[:, None]
                    row[:, k] += scatter[k] * current[:, k]
                    row *= np.sign(current[:, k])[:, None]
                elif what == "voltage":
                    row = -row * mine[:, None]
                    row[:, k] -= scatter[k] * current[:, k]
                    row[:, self.m + k] += charge[k]
                elif what in ("display", "open"):
                    row = np.zeros_like(row)
                    row[:, self.m + k] = self.knowledge.soc[k] if what == "display" else charge[k]
                elif what == "port":
                    row = np.zeros_like(row)
                    row[:, -1] = _total_deviation(at)
                parts.append(np.concatenate([row[:, :-1], np.broadcast_to(common[r], (len(row), common.shape[1]))], axis=-1))
                totals.append((self.instant[number], row[:, -1]))
        total = np.zeros((len(kind), self.count, len(self.parts)))
        for r, (number, column) in enumerate(totals):
            total[:, r, number] = column
        return np.concatenate([np.stack(parts, axis=1), total], axis=-1)

    def _common(self, number, r, setting):
        """What shifts of a whole kind of readings, and of what all packs have in common, do to one reading."""
        what, _ = self.rows[number][r]
        at, _ = self.parts[number]
        own = [
            self.knowledge.voltmeter_share * at.response.emf_v[0] if what in ("voltage", "open") else 0.0,
            self.knowledge.level_v if what in ("voltage", "open") else 0.0,
            self.knowledge.level_soc if what == "display" else 0.0,
        ]
        return np.array([*own, *self.knowledge.shared(at, what, self.rows[number][r][1], setting)])


def _total_deviation(at):
    total = at.port_a[at.port]
    return TOTAL_SHARE * abs(total) + TOTAL_A if total else REST_A
