"""The bank at one instant: every current and voltage for given packs, switches and commands, by the equations of a run."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simbank.network import Network
from simbank.simulation import arrays as ar
from simbank.simulation.bank_solver import solve_bank, working_arrays
from simbank.simulation.setup import KINDS, pack_arrays, start_state

__all__ = ["BankAtStart", "OperatingPoint"]


@dataclass(frozen=True, eq=False)
class OperatingPoint:
    """Currents and voltages at one instant: packs [A], ports [A], [V], branches [A], and voltage across each pack's poles
    [V], as it is and with the pack open."""

    pack_a: np.ndarray
    port_a: np.ndarray
    port_v: np.ndarray
    branch_a: np.ndarray
    terminal_v: np.ndarray
    open_v: np.ndarray


class BankAtStart:
    """A bank whose packs stand at their starting state, before any relaxation.

    Parameters
    ----------
    bank : Bank
    """

    def __init__(self, bank):
        self.bank, packs = bank, bank.packs
        self.cells, self.curves_of, self.curves = pack_arrays(packs, bank.ambient_k)
        self.network = Network(bank.graph, self.cells[ar.R_REF])
        self.y = start_state(packs, bank.ambient_k)

    def solve_operating_point(self, commands, pack_closed=None, branch_closed=None):
        """The bank under commands.

        Parameters
        ----------
        commands : dict of str to (str, float)
            Port → kind ("current", "power", "resistance") and value [A, W, ohm]; positive discharge.
        pack_closed, branch_closed : array_like of bool, optional

        Returns
        -------
        OperatingPoint
        """
        names = list(self.bank.graph.ports)
        n, p = len(self.bank.packs), len(names)
        reduced = self.network.reduce(pack_closed, branch_closed)
        ports = np.zeros((p, ar.N_PORT_COLUMNS))
        ports[:, ar.LIVE] = reduced.port_live
        for name, (kind, value) in commands.items():
            a = names.index(name)
            ports[a, ar.MODE] = ports[a, ar.KIND] = KINDS[kind]
            ports[a, ar.COMMANDED] = value
        bank = ar.BankArrays(
            self.cells, self.curves_of, self.curves, reduced.hybrid, reduced.terminal, reduced.pack_live, np.zeros((0, 0)),
            np.zeros((0, ar.N_DEVICE_COLUMNS)), np.zeros((0, n + p)),
        )  # fmt: skip
        work = working_arrays(n, p)
        solve_bank(0.0, self.y, bank, ports, work)
        pack, port = work.pack, work.port
        current = np.concatenate([pack[ar.PACK_CURRENT], port[ar.PORT_CURRENT]])
        drive = np.concatenate([pack[ar.EMF_LINEAR], port[ar.PORT_CURRENT]])
        return OperatingPoint(
            pack[ar.PACK_CURRENT].copy(), port[ar.PORT_CURRENT].copy(), port[ar.PORT_VOLTAGE].copy(), reduced.flows @ current,
            reduced.terminal @ drive, pack[ar.EMF].copy(),
        )  # fmt: skip
