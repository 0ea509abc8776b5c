"""The verdicts of one run."""

from __future__ import annotations

from collections.abc import Iterator

from simbank.judging.rules import verdict
from simbank.judging.run_displays import display_verdicts
from simbank.judging.run_load import port_verdicts
from simbank.judging.run_packs import pack_verdicts
from simbank.judging.warned import SAID_BY_RULES, warning_verdicts
from simbank.judging.wiring import wiring_verdicts
from simbank.judging.words import hours, short
from simbank.simulation import Result
from simbank.verdict import Verdict

__all__ = ["run_verdicts"]


def run_verdicts(result: Result) -> Iterator[Verdict]:
    """Verdicts on a run: what happened in it, then what its bank is warned of."""
    if not result.complete:
        stopped_h = result.summary["bank"]["duration_h"]
        text = (
            f"The run stopped after {hours(stopped_h)}, before the end of its duty ({hours(result.scenario.duty.duration_s / 3600.0)}): its "
            "figures are of that time only. What stopped it stands with the error."
        )
        yield verdict("run-not-complete", "bank", text, stopped_h=stopped_h)
    if len(result.pack_samples.time_s):
        yield from pack_verdicts(result)
        yield from port_verdicts(result)
        yield from wiring_verdicts(result)
        yield from display_verdicts(result)
    yield from warning_verdicts(result.warnings, SAID_BY_RULES)
    yield from _bare_ports(result.scenario.bank)


def _bare_ports(bank):
    """Ports whose leads have no fuse or breaker at the take-off."""
    owners = {device.owner for device in bank.devices}
    bare = [f"port {name}" for name in bank.graph.ports if name not in owners]
    if bare:
        text = (
            f"{short(bare, 4)} {'has' if len(bare) == 1 else 'have'} no fuse or breaker at the take-off: a fault in the leads has all the bank "
            "behind it. Fit one at the take-off; simbank protect says what it must be able to break."
        )
        yield verdict("port-without-device", ", ".join(bare), text, places=len(bare))
