"""What compiled functions a run is going to call, and with what, so that those not yet compiled are before it begins."""

from __future__ import annotations

import numpy as np

from simbank.jit import compiling_set
from simbank.jit_ahead import compile_ahead
from simbank.simulation import arrays as ar
from simbank.simulation import bank_solver, events, fast, integrals, ode, port_states
from simbank.simulation.fast_step import levelling_modes
from simbank.simulation.many_packs import DIRECT_PACKS

__all__ = ["get_ready"]

_ready: set[tuple] = set()  # integrators and kinds of banks of which this process has had all compiled


def get_ready(state, recorder, name, merging=None):
    """Have all that the first steps of a run call compiled, or loaded; once for banks alike in what there is none, one or more of.

    What another bank has otherwise is compiled where it is called.

    Parameters
    ----------
    state : BankState
        At the start.
    recorder : Recorder
        Of the run, in which nothing is kept yet.
    name : {"reference", "fast"}
        The integrator.
    merging : Merging or None
        What rows are merged in, of a run that merges any.
    """
    sizes = state.n, state.p, state.d, recorder.sums.displays.shape[1], state.neighbours.shape[0]
    kind = name, state.n > DIRECT_PACKS, *(min(size, 2) for size in sizes)
    if kind in _ready:
        return
    reduced = state.network.reduce(state.pack_closed(), state.branch_closed)
    bank, states, ports = state.arrays(reduced), state.state_arrays(), state.ports.arrays
    table, work, n, p = ports.table, bank_solver.working_arrays(state.n, state.p), state.n, state.p
    sums, extremes = recorder.sum_arrays(recorder.moment()), recorder.sums.extremes
    shown = np.empty((1, recorder.sums.displays.shape[1]))
    samples = ar.Samples(np.empty((1, ar.N_STATES * n)), np.empty((2, 1, n)), np.empty((2, 1, p)), shown)
    once, rows = np.zeros(1), state.y[None]
    commands = np.zeros((1, p, ar.N_COMMAND))
    calls = [
        (port_states.update_timers, (0.0, ports)),
        (port_states.limit_chargers, (state.y, bank, states, ports)),
        (bank_solver.solve_bank, (0.0, state.y, bank, table, work)),
        (integrals._observe, (once, rows, bank, table, samples, work)),
    ]
    if name == "fast":
        schedule, levelling = (once, commands, np.zeros(1, bool)), levelling_modes(bank.cells, bank.neighbours)
        calls.append((fast.advance, (
            0.0, 0.0, 0, True, 60.0, np.inf, 1, 1e-8, 60.0, state.y, bank, levelling, states, state.packs.stays_open, ports, sums,
            extremes, reduced.flows, schedule, (once, once, samples), fast.scratch_arrays(n, p, state.d), merging,
        )))  # fmt: skip
    else:
        size, whole, works = state.y.size, np.zeros(1, int), (work, work, work)
        histories, square = np.empty((1, size, integrals.MAX_ORDER + 1)), np.zeros((size, size))
        calls += [
            (port_states.apply_commands, (0.0, commands[0], ports)),
            (events._watch, (0.0, state.y, bank, states, ports.phase, table, work, once)),
            (events.may_conduct, (0, 0.0, states.pack_state, bank.pack_live, ports.phase, table, state.packs.stays_open)),
            (ode._rates, (0.0, state.y, bank, table, work, once)),
            (integrals._states, (once, whole, once, once, histories, whole, rows)),
            (ode._jacobian, (0.0, state.y, bank, table, work, np.empty((n, n + p)), np.zeros((p, p)), np.zeros((p, n)), square)),
            (integrals._accumulate, (0.0, once, once, 1, rows, bank, table, reduced.flows, sums, extremes, shown, works)),
        ]
    with compiling_set(f"the equations of the {name} integrator{' for real days' if merging is not None else ''}"):
        compile_ahead(calls)
    _ready.add(kind)
