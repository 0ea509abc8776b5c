"""The bank at one instant: every current and voltage for given packs, switches and commands, by the equations of a run."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from simbank.bank.bank import Bank
from simbank.errors import InputError
from simbank.filemodel import nearest
from simbank.network import network_of
from simbank.notebook import as_html
from simbank.simulation import arrays as ar
from simbank.simulation.bank_solver import solve_bank, working_arrays
from simbank.simulation.setup import KINDS, pack_arrays, start_state

if TYPE_CHECKING:
    import pandas as pd

    from simbank.scenario import Scenario

__all__ = ["BankAtStart", "OperatingPoint", "operating_point"]


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
    bank : Bank
        Whose names the tables have.
    """

    pack_a: np.ndarray
    port_a: np.ndarray
    port_v: np.ndarray
    branch_a: np.ndarray
    terminal_v: np.ndarray
    open_v: np.ndarray
    bank: Bank = field(repr=False)

    @property
    def packs(self) -> pd.DataFrame:
        """A row a pack: ``current_a`` (positive: it discharges), ``terminal_v``, ``open_v``, and ``share_ratio``.

        The share ratio is the pack's part of the bank's current over its part of the capacity, NaN where the bank carries none.
        """
        import pandas as pd

        packs = self.bank.packs
        capacity = np.array([pack.capacity_ah for pack in packs])
        total = self.port_a.sum()
        share = self.pack_a / total / (capacity / capacity.sum()) if abs(total) > LEAST_A else np.full(len(packs), np.nan)
        columns = {"current_a": self.pack_a, "terminal_v": self.terminal_v, "open_v": self.open_v, "share_ratio": share}
        return pd.DataFrame(columns, index=pd.Index([pack.name for pack in packs], name="pack"))

    @property
    def ports(self) -> pd.DataFrame:
        """A row a port: ``current_a`` and ``power_w`` (positive: out of the bank), ``voltage_v``."""
        import pandas as pd

        columns = {"current_a": self.port_a, "voltage_v": self.port_v, "power_w": self.port_a * self.port_v}
        return pd.DataFrame(columns, index=pd.Index(list(self.bank.graph.ports), name="port"))

    @property
    def branches(self) -> pd.DataFrame:
        """A row a conductor: ``from``, ``to``, ``resistance_ohm``, ``current_a`` (positive from ``from`` to ``to``), ``drop_v``, ``loss_w``."""
        import pandas as pd

        branches = self.bank.graph.branches
        ohm = np.array([branch.resistance_ohm for branch in branches])
        columns = {
            "from": [branch.from_node for branch in branches], "to": [branch.to_node for branch in branches], "resistance_ohm": ohm,
            "current_a": self.branch_a, "drop_v": self.branch_a * ohm, "loss_w": self.branch_a**2 * ohm,
        }  # fmt: skip
        return pd.DataFrame(columns, index=pd.Index([branch.name for branch in branches], name="branch"))

    def __repr__(self) -> str:
        return (
            f"<OperatingPoint of {self.bank.name!r}: {self.port_a.sum():g} A out of the bank, packs {self.pack_a.min():.4g} to "
            f"{self.pack_a.max():.4g} A>"
        )

    def _repr_html_(self) -> str:
        """What a notebook shows."""
        words = ["Currents are positive out of a pack and out of the bank."]
        tables = "".join(table.to_html(border=0, float_format="{:.4g}".format, na_rep="–") for table in (self.packs, self.ports))
        return as_html(repr(self)[1:-1], words=words) + tables


LEAST_A = 1e-9  # of the bank, below which it carries none


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
        self.network = network_of(bank.graph, self.cells[ar.R_REF])
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
            reduced.terminal @ drive, pack[ar.EMF].copy(), self.bank,
        )  # fmt: skip


def operating_point(scenario: Scenario, commands: Mapping[str, float | tuple[str, float]]) -> OperatingPoint:
    """Every current and voltage of a bank at its first instant, for what its ports are asked; its duty is not used.

    Packs stand as the scenario has them, before any relaxation: what a clamp meter shows as the load comes on. Every pack is
    connected and every device closed; no BMS, inverter or charger acts, and none of them limits what is asked.

    Parameters
    ----------
    scenario : Scenario
        Anything with ``bank``.
    commands : dict of str to float or (str, float)
        Port → current [A], or kind and value: ("current", A), ("power", W), ("resistance", ohm). Positive discharges the bank,
        negative charges it. A port that is not named draws nothing.

    Returns
    -------
    OperatingPoint
        With tables by name: ``packs``, ``ports``, ``branches``.

    Raises
    ------
    InputError
        For a port or a kind that there is not, or a value that is no finite number.

    Examples
    --------
    100 A into five equal packs on a chain of thin links; the pack next to the charger takes the most:

    >>> from simbank.scenario import example
    >>> point = operating_point(example("classroom_chain"), {"charger": -100.0})
    >>> point.packs["current_a"].round(1).to_dict()
    {'P1': -28.4, 'P2': -22.5, 'P3': -18.5, 'P4': -15.9, 'P5': -14.7}
    >>> point.ports["voltage_v"].round(2).to_dict()
    {'charger': 52.99}
    """
    names, asked = list(scenario.bank.graph.ports), {}
    if not isinstance(commands, Mapping):
        raise InputError(f'must be a dict of ports, such as {{"{names[0]}": 50.0}}', key="commands", value=commands)
    for port, command in commands.items():
        if port not in names:
            raise InputError(f"no such port; {nearest(port, names)}", key="commands", value=port)
        kind, value = command if isinstance(command, tuple) and len(command) == 2 else ("current", command)
        if not isinstance(kind, str) or kind not in KINDS:
            raise InputError(f"unknown kind; {nearest(kind, KINDS)}", key=f"commands.{port}", value=kind)
        number = _number(value)
        if not np.isfinite(number) or (kind == "resistance" and not number > 0):
            raise InputError(
                "must be a finite number of A, W or ohm (a resistance above zero)", key=f"commands.{port}", value=value
            )
        asked[port] = (kind, number)
    return BankAtStart(scenario.bank).solve_operating_point(asked)


def _number(value):
    """A value as a float, NaN if it is no number or too large for one."""
    try:
        return math.nan if isinstance(value, str) else float(value)
    except (TypeError, ValueError, OverflowError):
        return math.nan
