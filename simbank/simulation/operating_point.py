"""The bank at one instant: every current and voltage for given packs, switches and commands, by the equations of a run."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from simbank.bank.bank import Bank
from simbank.network import Network
from simbank.simulation import arrays as ar
from simbank.simulation.bank_solver import solve_bank, working_arrays
from simbank.simulation.setup import KINDS, pack_arrays, start_state

__all__ = ["BankAtStart", "OperatingPoint"]


@dataclass(frozen=True, eq=False)
class OperatingPoint:
    """Currents and voltages at one instant; currents are positive out of a pack and out of the bank.

    Attributes
    ----------
    pack_a : ndarray, shape (n,)
        Current of each pack [A].
    port_a, port_v : ndarray, shape (p,)
        Current [A] and voltage [V] of each port.
    branch_a : ndarray, shape (b,)
        Current of each branch, positive from its ``from_node`` to its ``to_node`` [A].
    terminal_v, open_v : ndarray, shape (n,)
        Voltage across each pack's poles [V], as it is, and with the pack open.
    """

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

    Examples
    --------
    50 A out of one pack of 16 cells at 3.3 V, with 10 mΩ in all:

    >>> from simbank.bank import Bank, Graph, Pack
    >>> from simbank.cells import Chemistry, Curve
    >>> cell = Chemistry("flat", Curve([0, 1], [3.3, 3.3], "linear"), Curve([0], [0.0]), 40.0, (), 3.6, 2.5, 3.5, 2.8)
    >>> pack = Pack("A", cell, 100.0, 0.01 / 16, cells_in_series=16, rc_pairs=((0.0, 1.0), (0.0, 1.0)))
    >>> bank = Bank("one", (pack,), Graph.build([], {"A": ("+", "-")}, {"load": ("+", "-")}))
    >>> point = BankAtStart(bank).solve_operating_point({"load": ("current", 50.0)})
    >>> point.port_v.round(6).tolist()
    [52.3]
    """

    def __init__(self, bank: Bank):
        self.bank, packs = bank, bank.packs
        self.cells, self.curves_of, self.curves = pack_arrays(packs, bank.ambient_k)
        self.network = Network(bank.graph, self.cells[ar.R_REF])
        self.y = start_state(packs, bank.ambient_k)

    def solve_operating_point(
        self,
        commands: dict[str, tuple[str, float]],
        pack_closed: ArrayLike | None = None,
        branch_closed: ArrayLike | None = None,
    ) -> OperatingPoint:
        """The bank under commands.

        Parameters
        ----------
        commands : dict of str to (str, float)
            Port → kind ("current", "power", "resistance") and value [A, W, ohm]; positive discharge.
        pack_closed : array_like of bool, shape (n,), optional
            Which packs are connected; by default all.
        branch_closed : array_like of bool, shape (b,), optional
            Which branches conduct; by default all.

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
