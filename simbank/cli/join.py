"""The command on packs that are added to a bank."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from simbank.caution import PROTECTION_CAUTION
from simbank.cli.options import File, Json, Out, ReportFile, Set, Wide, number_option
from simbank.cli.output import Command, integrator_words, say, show_table
from simbank.digits import MISSING, number

__all__ = ["join"]


_JOINING = {
    "pack": "pack", "open_v": "at rest [V]", "current_a": "at once [A]", "c_rate": "C-rate", "limit_a": "limit [A]",
    "above_limit_s": "above it for",
}  # fmt: skip
_MORE_OF_JOINING = {
    "soc": "charge [%]", "bank_v": "bank there [V]", "before_a": "before [A]", "over_ratio": "÷ limit", "limit": "limited by",
}  # fmt: skip
_POSITIONS = {
    "position": "place", "share": "largest share", "hardest_pack": "of", "spread_max_points": "largest spread [points]",
    "c_rate_max": "peak C-rate", "first_full_h": "first full",
}  # fmt: skip
_MORE_OF_POSITIONS = {
    "new": "largest share of a new pack", "spread_end_points": "spread at end [points]", "first_full_pack": "which",
    "energy_out_wh": "energy out [Wh]", "conductor_loss_wh": "lost in cables [Wh]",
}  # fmt: skip
_SHARING = {
    "pack": "pack", "discharge_before": "share out, before", "discharge_after": "after", "charge_before": "share in, before",
    "charge_after": "after ",
}  # fmt: skip


def join(
    file: File,
    add: Annotated[Path, typer.Option(help="File of the new packs: [pack_types.NAME], [[packs]], [wiring.leads].")],
    at: Annotated[
        str, typer.Option(help='Place in the row, 1 at the take-off; "end", "after NAME", "before NAME"; "all" tries every one.')
    ] = "all",
    c_rate: Annotated[float, number_option(help="That no pack should exceed at the moment of joining.", min=0.001, max=10)] = 0.1,
    no_protection: Annotated[
        bool, typer.Option("--no-protection", help="Leave out the checks of protect before and after.")
    ] = False,
    set_: Set = [],  # noqa: B006
    out: Out = None,
    json_: Json = False,
    report: ReportFile = None,
    wide: Wide = False,
):
    """Add packs to a bank on paper: currents at joining, to which voltage to charge first, the best place, what no longer does."""
    from simbank.studies import join as study

    command = Command(file, set_, out, json_, report, wide)
    with command.progress("Joining packs to") as progress:
        found = study(command.scenario, add, at, c_rate=c_rate, protection=not no_protection, progress=progress)
    command.finish(found, _show_join, caution=PROTECTION_CAUTION)


def _show_join(found, wide):
    from simbank.studies.join_result import NOT_COMPUTED

    table = found.table.reset_index()
    table["pack"] = [f"{name} (new)" if new else name for name, new in zip(table["pack"], table["new"], strict=True)]
    table["above_limit_s"] = table["above_limit_s"].where(table["above_limit_s"] != 0.0)
    show_table(f"{found.title}: at the moment of joining, as they stand", table, _JOINING, _MORE_OF_JOINING, wide)
    if len(over := found.branches[found.branches["over_ratio"] > 1.0]):
        columns = {key: heading for key, heading in _JOINING.items() if key in ("current_a", "limit_a", "above_limit_s")}
        show_table(
            "Devices and conductors over their rating or ampacity then", over.reset_index(), {"where": "where", **columns},
            {"limit": "limited by"}, wide,
        )  # fmt: skip
    if found.windows:
        rows = found.windows_table
        rows["soc_low"], rows["soc_high"] = ([number(100.0 * v, "%") for v in rows[key]] for key in ("soc_low", "soc_high"))
        columns = {
            "rule": "no current above", "low_v": "at rest from [V]", "high_v": "to [V]", "soc_low": "may hold from [%]", "soc_high": "to [%]",
        }  # fmt: skip
        show_table(
            "Voltage to which to bring the new packs first",
            rows,
            columns,
            {"best_v": "best [V]", "least_share": "÷ limit there"},
            wide,
        )
    if found.positions is not None:
        rows = found.positions.reset_index()
        rows["share"], rows["new"] = _ratios(rows["share_ratio_max"]), _ratios(rows["share_ratio_new"])
        show_table("Sharing by place, the new packs at the bank's mean charge", rows, _POSITIONS, _MORE_OF_POSITIONS, wide)
        rows = found.sharing.reset_index()
        for key in _SHARING:
            if key != "pack":
                rows[key] = _ratios(rows[f"share_ratio_{key}"])
        show_table(f"Shares before and after, at place {found.place.words}", rows, _SHARING, wide=wide)
    if found.protection is not None:
        _show_protection(found, wide)
    for k, text in enumerate(found.words):
        say(text, gap=k == 0)
    say(f"Not computed: {'; '.join(NOT_COMPUTED)}.")
    if found.runs:
        say(integrator_words(found.runs[0][1].summary))


def _ratios(values):
    return [MISSING if value is None or value != value else f"{value:.2f}" for value in values]


def _show_protection(found, wide):
    columns = {"where": "fault at, or through", "before_a": "before [A]", "after_a": "after [A]", "breaks_a": "it breaks [A]"}
    show_table("Greatest fault currents before and after", found.fault_currents, columns, {"what": "what"}, wide)
    if len(changes := found.changes):
        columns = {"where": "where", "rule": "check", "before": "before", "after": "after"}
        show_table("Checks that are worse with the new packs", changes, columns, {"text": "what it says"}, wide)
