"""What is kept of a run: samples, time integrals and extremes, and what a result is made of in the end."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from simbank.bank.bank import Bank
from simbank.duty import Duty, SampledDuty
from simbank.simulation import arrays as ar
from simbank.simulation.bank_state import BankState
from simbank.simulation.choice import Choice
from simbank.simulation.event_codes import EventRow
from simbank.simulation.integrals import NODES, StepStore, accumulate, integrals, observe
from simbank.simulation.pack_model import EMPTY_SOC, FULL_SOC, stored_energy_j
from simbank.simulation.run_warnings import Opening
from simbank.simulation.setup import display_array
from simbank.warning import BankWarning

__all__ = ["Case", "Recorder", "RunRecord", "Sums", "Trace", "sample_times"]


class Case(Protocol):
    """What can be simulated: a scenario, or anything with a name, a bank and a duty."""

    name: str
    bank: Bank
    duty: Duty | SampledDuty


class Trace:
    """Samples of a run, in pieces between changes of the network."""

    def __init__(self, bank: Bank):
        self.bank = bank
        self.pieces: list[tuple[np.ndarray, ...]] = []

    def add(self, times, samples, flows):
        """Add samples: times (m,), :class:`~simbank.simulation.arrays.Samples`, and the flows of the network (b, n + p)."""
        self.pieces.append((times, *samples, flows))

    def frozen(self):
        """What there is so far, for a result that is looked at while the run goes on."""
        out = Trace(self.bank)
        out.pieces = list(self.pieces)
        return out

    def joined(self):
        """Times [s] (m,), states (m, N_STATES, n), packs (2, m, n), ports (2, m, p): currents [A], then voltages [V]; displays (m, n or 0)."""
        n, p = len(self.bank.packs), len(self.bank.graph.ports)
        if not self.pieces:
            shown = 0 if all(pack.display is None for pack in self.bank.packs) else n
            return np.empty(0), np.empty((0, ar.N_STATES, n)), np.empty((2, 0, n)), np.empty((2, 0, p)), np.empty((0, shown))
        times, states, packs, ports, shown, _ = zip(*self.pieces, strict=True)
        return (
            np.concatenate(times),
            np.concatenate(states).reshape(-1, ar.N_STATES, n),
            np.concatenate(packs, axis=1),
            np.concatenate(ports, axis=1),
            np.concatenate(shown),
        )

    def branch_currents(self):
        """Current of every branch at every sample [A], shape (m, b)."""
        rows = [np.hstack([packs[0], ports[0]]) @ flows.T for _, _, packs, ports, _, flows in self.pieces]
        return np.vstack(rows) if rows else np.empty((0, len(self.bank.graph.branches)))


@dataclass(eq=False)
class Sums:
    """Time integrals and extremes of a run so far.

    Attributes
    ----------
    packs : ndarray, shape (N_ACC, n)
    ports : ndarray, shape (N_PORT_ACC, p)
    extremes : Extremes
    branch_j : ndarray, shape (b,)
        Energy lost in each branch [J].
    pack_i2t : ndarray, shape (n,)
        [A²s].
    blocked_s : ndarray, shape (2, n)
        Time for which each pack was blocked for charge and for discharge [s].
    displays : ndarray, shape (N_DISPLAY_ROWS, n or 0)
        What the packs' displays show and have counted.
    """

    packs: np.ndarray
    ports: np.ndarray
    extremes: ar.Extremes
    branch_j: np.ndarray
    pack_i2t: np.ndarray
    blocked_s: np.ndarray
    displays: np.ndarray

    @classmethod
    def of(cls, state):
        """Nothing yet, for the bank as it stands."""
        n, p, b = state.n, state.p, len(state.bank.graph.branches)
        packs, ports = integrals(n, p)
        z = state.y[:n]
        packs[ar.ACC_LAST_SOC] = z
        extremes = ar.Extremes(
            np.array([z, z]), np.array([np.ptp(z)]), np.where([z >= FULL_SOC, z <= EMPTY_SOC], 0.0, np.inf), np.zeros((p, p)),
            np.zeros(b),
        )  # fmt: skip
        displays = display_array(state.bank.packs)
        return cls(packs, ports, extremes, np.zeros(b), np.zeros(n), np.zeros((2, n)), displays)


@dataclass(frozen=True, eq=False)
class RunRecord:
    """What a :class:`simbank.simulation.Result` is made of.

    Attributes
    ----------
    scenario : Case
    state : BankState
        At the end, or where the run has come to.
    y_start : ndarray
        State at the start.
    stored_change_j : ndarray, shape (n,)
        By how much the energy stored in each pack has risen [J].
    sums : Sums
    trace : Trace
    warnings : list of BankWarning
        Of the bank as it is described, and of the integrator.
    choice : Choice
        The integrator, and why it was chosen.
    tolerance : float
    method : str
        scipy's solver.
    handed_over : int
        How often the reference integrator had to go on where the fast one could not.
    """

    scenario: Case
    state: BankState
    y_start: np.ndarray
    stored_change_j: np.ndarray
    sums: Sums
    trace: Trace
    warnings: list[BankWarning]
    choice: Choice
    tolerance: float
    method: str
    handed_over: int

    @property
    def openings(self) -> list[Opening]:
        """Openings on over-current, in order of time."""
        return self.state.openings

    @property
    def events(self) -> list[EventRow]:
        """In order of time."""
        return self.state.events


def sample_times(duration_s: float, step_s: float | None = None) -> np.ndarray:
    """Times at which a run is sampled [s]: every ``step_s``, and its end; by default 60 s, wider where that would give more than 20 000.

    >>> sample_times(150.0)
    array([  0.,  60., 120., 150.])
    """
    step_s = step_s or max(60.0, np.ceil(duration_s / 20000.0 / 60.0) * 60.0)
    return np.append(np.arange(0.0, duration_s - 1e-9 * step_s, step_s), duration_s)


class Recorder:
    """Keeps what a run leaves behind.

    Parameters
    ----------
    state : BankState
        At the start.
    duration_s : float
        Length of the duty [s].
    output_step_s : float or ndarray, optional
        Spacing of the samples [s]; by default 60 s, wider where that would give more than 20 000. Or their times [s], from 0 to the end.
    """

    def __init__(self, state: BankState, duration_s: float, output_step_s: float | np.ndarray | None):
        self.state = state
        self.sums, self.trace = Sums.of(state), Trace(state.bank)
        self.y_start = state.y.copy()
        self.grid = np.asarray(output_step_s, float) if np.ndim(output_step_s) else sample_times(duration_s, output_step_s)

    def moment(self):
        """An empty ∫ x xᵀ dt of the currents x of packs and ports [A²s], shape (n + p, n + p)."""
        size = self.state.n + self.state.p
        return np.zeros((size, size))

    def add_stretch(self, moment, seconds):
        """Add what came about while the network stood as it stands.

        Energy lost in each branch is R ∫ f² dt, its current f being linear in the currents x of packs and ports.

        Parameters
        ----------
        moment : ndarray, shape (n + p, n + p)
            ∫ x xᵀ dt [A²s].
        seconds : float
            How long it stood [s], for the time for which packs were blocked.
        """
        flows, sums, blocked = self.state.reduced.flows, self.sums, self.state.packs.state
        sums.pack_i2t += np.diag(moment)[: self.state.n]
        sums.branch_j += self.state.network.branch_ohm * np.einsum("bi,bi->b", flows @ moment, flows)
        sums.blocked_s[0] += seconds * ar.NO_CHARGE[blocked]
        sums.blocked_s[1] += seconds * ar.NO_DISCHARGE[blocked]

    def drain(self, store: StepStore, moment):
        """Integrate and sample the steps that a store has collected."""
        state, sums = self.state, self.sums
        times, weights, states, samples, sample_states = store.drain()
        shown = np.empty((len(times), sums.displays.shape[1]))
        accumulate(
            state.step_start, times, weights, len(NODES), states, state.arrays(), state.ports.table, state.reduced.flows,
            self.sum_arrays(moment), sums.extremes, shown,
        )  # fmt: skip
        if len(times) and len(samples) and shown.shape[1]:
            shown = np.column_stack([np.interp(samples, times, column) for column in shown.T])
        self.sample(samples, sample_states, samples + state.step_start, shown)

    def sum_arrays(self, moment):
        """What compiled code adds to, with an empty or begun ∫ x xᵀ dt."""
        return ar.SumArrays(self.sums.packs, self.sums.ports, moment, self.sums.displays)

    def sample(self, t_step, states, times, shown):
        """Keep samples: times since the step began (m,), states (m, N_STATES n + d), times of the run (m,) [s], displays (m, n or 0)."""
        if not len(t_step):
            return
        m, state = len(t_step), self.state
        out = ar.Samples(np.empty((m, ar.N_STATES * state.n)), np.empty((2, m, state.n)), np.empty((2, m, state.p)), shown)
        observe(t_step, states, state.arrays(), state.ports.table, out)
        self.trace.add(times, out, state.reduced.flows)

    def sample_now(self):
        """Keep the present instant as the last sample."""
        shown = self.sums.displays[ar.SHOWN][None].copy()
        self.sample(np.array([self.state.t_step]), self.state.y[None], np.array([self.state.t]), shown)

    def heat_left_j(self):
        """Heat made so far less what warms each pack [J], shape (n,): over a stretch of the run, its change has left the pack."""
        n, sums = self.state.n, self.sums.packs
        made = sums[ar.ACC_OHMIC_J] + sums[ar.ACC_RELAXATION_J] + sums[ar.ACC_HYSTERESIS_J] + sums[ar.ACC_REVERSIBLE_J]
        made += sums[ar.ACC_OWN_DRAW_J]
        return made - self.state.packs.cells[ar.HEAT_CAPACITY] * self.state.y[4 * n : 5 * n]

    def stored_change_j(self):
        """By how much the energy stored in each pack has risen since the start [J], shape (n,)."""
        curves = [
            (pack.ocv_curves[0], pack.chemistry.half_width, pack.chemistry.entropy, pack.chemistry.rc_factor)
            for pack in self.state.bank.packs
        ]
        n, cells = self.state.n, self.state.packs.cells
        both = np.hstack([y[: ar.N_STATES * n].reshape(-1, n) for y in (self.y_start, self.state.y)])  # as twice as many packs
        stored = stored_energy_j(both.ravel(), np.hstack([cells, cells]), curves * 2)
        return stored[n:] - stored[:n]
