"""What has to be bought: cable and bars with length and mass, cable ends, fuses and breakers, counted from the bank's own branches."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any, ClassVar

import numpy as np
import pandas as pd

from simbank.bank import Bank
from simbank.bank.conductors import MATERIALS
from simbank.bank.device_classes import load_class
from simbank.bank.graph import Branch
from simbank.columns import Table
from simbank.network import components
from simbank.provenance import made_by
from simbank.results import StudyResult
from simbank.scenario import Scenario
from simbank.studies.described import bank_warnings
from simbank.warning import listed

__all__ = ["Bill", "bill"]

KINDS = {"link": "link", "lead": "lead", "conductor": "conductor", "bar": "bus bar"}
# Mass of metal: by the density that belongs to the resistivity (IEC 60028 for copper); see ``MATERIALS``.
MASS_SOURCE = (
    f"kg is the metal alone, section × length × {MATERIALS['copper'].density_kg_m3:.0f} kg/m³ (copper, IEC 60028; aluminium "
    f"{MATERIALS['aluminium'].density_kg_m3:.0f}), the nominal section for metric cable: without insulation, the lay of strands, cable "
    "ends and waste"
)


class Bill(StudyResult):
    """Bill of materials of :func:`bill`.

    Attributes
    ----------
    table : DataFrame
        A row for what is alike, with its count and the names of the places.
    left_out : tuple of str
        What the file does not give and the bill therefore lacks, as sentences.
    """

    INDEXED: ClassVar = False
    TABLES: ClassVar = (
        Table.of(
            "bill.csv", "pieces that are alike",
            [
                ("kind", "", "link, lead, conductor (of an explicit graph), bus bar, cable end, fuse, breaker, or switch or shunt"),
                ("what", "", "size and metal, or class and ratings; what is not given says so"),
                ("count", "", "how many of them"),
                ("length_m", "m", "length of each; a bar from its first tap to its last; empty where there is none"),
                ("total_m", "m", "length of all of them together"),
                ("mass_kg", "kg", "mass of the metal of all of them together"),
                ("where", "", "names of the branches, devices or bars, with commas"),
            ],
        ),
    )  # fmt: skip

    def __init__(self, scenario: Scenario, table: pd.DataFrame, left_out: Sequence[str]) -> None:
        self.scenario, self.table, self.left_out = scenario, table, tuple(left_out)
        self.warnings = bank_warnings(scenario)
        self.made_by = made_by(scenario, "simbank.bill")

    @property
    def title(self) -> str:
        return f"{self.scenario.name}: what has to be bought"

    @property
    def mass_kg(self) -> float:
        """Mass of all metal whose size and length are given [kg]."""
        return float(self.table["mass_kg"].sum())

    @property
    def by_size(self) -> pd.DataFrame:
        """Cable to buy, a row for each size: ``what``, ``total_m`` [m], ``mass_kg`` [kg]."""
        cable = self.table[self.table["kind"].isin(["link", "lead", "conductor"]) & self.table["total_m"].notna()]
        return cable.groupby("what", sort=False)[["total_m", "mass_kg"]].sum().reset_index()

    @property
    def words(self) -> list[str]:
        """Totals, what the masses are, and what is left out, as sentences."""
        cable = "; ".join(f"{row.what} {row.total_m:.2f} m, {row.mass_kg:.2f} kg" for row in self.by_size.itertuples())
        total = f"{self.mass_kg:.2f} kg of metal in all." + (f" Cable: {cable}." if cable else "")
        return [
            total, f"{MASS_SOURCE}. Lengths are as in the file: add what bends, cable ends and cutting take.",
            *self.left_out,
        ]  # fmt: skip


def bill(scenario: Scenario) -> Bill:
    """Count what the bank of a scenario is made of besides its packs and what stands at its ports.

    Parameters
    ----------
    scenario : Scenario
        Its bank; nothing is run.

    Returns
    -------
    Bill

    Examples
    --------
    Five links a polarity of 30 cm of 2 AWG, 33.63 mm² of metal each: 10 × 0.3 m × 33.63 mm² × 8890 kg/m³.

    >>> import simbank
    >>> found = simbank.bill(simbank.from_dict({
    ...     "name": "six", "pack_types": {"box": {"capacity": "100 Ah", "cell_resistance": "0.5 milliohm"}},
    ...     "packs": [{"name": "P", "type": "box", "count": 6}],
    ...     "wiring": {"layout": "chain", "link": {"gauge": "2 AWG", "length": "30 cm", "joint": "0.1 milliohm"}},
    ...     "ports": [{"name": "load"}], "duty": {"kind": "constant", "discharge": "10 A", "hours": 1}}))
    >>> found.table[["kind", "what", "count", "total_m"]].values.tolist()
    [['link', '2 AWG copper', 10, 3.0], ['cable end', 'for 2 AWG copper', 20, nan]]
    >>> round(found.mass_kg, 3)
    0.897
    """
    bank = scenario.bank
    rows = [*_cables(bank), *_bars(bank), *_ends(bank), *_devices(bank)]
    table = pd.DataFrame(rows, columns=Bill.TABLES[0].names)
    for name in ("length_m", "total_m", "mass_kg"):
        table[name] = table[name].astype(float)
    return Bill(scenario, table, _left_out(scenario))


def _grouped(pairs: Iterable[tuple[Any, Any]]) -> dict[Any, list[Any]]:
    groups = {}
    for key, value in pairs:
        groups.setdefault(key, []).append(value)
    return groups


def _made_of(branch: Branch) -> str:
    """Size, metal and insulation of a conductor in words."""
    part = branch.conductor
    if part is None or part.gauge is None:
        return "size not given"
    insulation = f", {part.insulation}" if part.insulation else ""
    construction = f", {part.construction}" if part.construction else ""
    return f"{part.gauge.label} {part.material}{construction}{insulation}"


def _cables(bank: Bank) -> list[tuple[Any, ...]]:
    """A row for conductors of one kind, size and length."""
    cables = [b for b in bank.graph.branches if b.kind not in ("device", "bar")]
    groups = _grouped(((b.kind, _made_of(b), _length(b)), b) for b in cables)
    rows = []
    for (kind, what, length), branches in groups.items():
        total = None if length is None else length * len(branches)
        mass = None if length is None else sum(b.conductor.mass_kg for b in branches)
        rows.append((KINDS[kind], what, len(branches), length, total, mass, _names(b.name for b in branches)))
    return rows


def _length(branch: Branch) -> float | None:
    part = branch.conductor
    return None if part is None or part.gauge is None else part.length_m


def _bars(bank: Bank) -> list[tuple[Any, ...]]:
    """Bars are counted as whole pieces: segments that hang together are one."""
    segments = [b for b in bank.graph.branches if b.kind == "bar"]
    nodes = {node: k for k, node in enumerate(dict.fromkeys(n for b in segments for n in (b.from_node, b.to_node)))}
    ends = np.array([[nodes[b.from_node], nodes[b.to_node]] for b in segments], int).reshape(-1, 2)
    component = components(len(nodes), ends)
    bars = _grouped((int(component[a]), b) for (a, _), b in zip(ends, segments, strict=True))
    described = []
    for pieces in bars.values():
        lengths = [_length(b) for b in pieces]
        length = None if None in lengths else round(sum(lengths), 9)
        described.append(((_made_of(pieces[0]), length), pieces))
    rows = []
    for (what, length), same in _grouped(described).items():
        total = None if length is None else length * len(same)
        mass = None if length is None else sum(b.conductor.mass_kg for pieces in same for b in pieces)
        names = _names(b.name for pieces in same for b in pieces)
        rows.append((KINDS["bar"], what, len(same), length, total, mass, names))
    return rows


def _ends(bank: Bank) -> list[tuple[Any, ...]]:
    """Cable ends: a crimped lug that is bolted, two a cable; a bar's taps are where lugs of leads are bolted."""
    cables = [b for b in bank.graph.branches if b.kind not in ("device", "bar") and b.conductor is not None]
    rows = []
    for what, branches in _grouped((_made_of(b), b) for b in cables if b.conductor.joints).items():
        count = sum(b.conductor.joints for b in branches)
        rows.append(("cable end", f"for {what}", count, None, None, None, _names(b.name for b in branches)))
    return rows


def _devices(bank: Bank) -> list[tuple[Any, ...]]:
    """Fuses and breakers by class and ratings, and what else stands in line."""
    rows = []
    groups = _grouped(((_device_kind(d), _device_words(d)), d) for d in bank.devices)
    for (kind, what), devices in groups.items():
        rows.append((kind, what, len(devices), None, None, None, _names(d.name for d in devices)))
    counted = {d.branch for d in bank.devices}
    others = [b.name for b in bank.graph.branches if b.kind == "device" and b.name not in counted]
    if others:
        rows.append(("switch or shunt", "no rating given", len(others), None, None, None, _names(others)))
    return rows


def _device_kind(device):
    return load_class(device.class_name).kind if device.class_name else "fuse or breaker"


def _device_words(device):
    name = load_class(device.class_name).title if device.class_name else "own curve" if device.band else "class not given"
    breaks = f"breaks {device.interrupting_a / 1e3:g} kA DC" if device.interrupting_a is not None else "DC breaking not given"
    volts = f"{device.voltage_v:g} V DC" if device.voltage_v is not None else "DC volts not given"
    return f"{device.rating_a:g} A, {name}; {volts}, {breaks}"


def _left_out(scenario: Scenario) -> list[str]:
    """What has to be bought too and is not in the file."""
    bank, said = scenario.bank, []
    leads = {b.owner for b in bank.graph.branches if b.role == "port" and b.kind == "lead"}
    bare = [name for name in bank.graph.ports if name not in leads]
    if bare and any(b.kind != "conductor" for b in bank.graph.branches):
        said.append(f"Not in the file, so not counted: the leads of {listed(bare)}.")
    wiring = scenario.data.get("wiring", {})
    joined = [wiring, wiring.get("distribution") or {}, *(wiring.get("strings") or [])]
    if any(part.get("layout") == "busbar" and not part.get("bar", wiring.get("bar")) for part in joined):
        said.append("Not in the file, so not counted: a bus bar whose section and pitch are not given.")
    bars = any(b.kind == "bar" for b in bank.graph.branches)
    if bars:
        said.append("A bar is counted from its first tap to its last: add its ends, supports and covers.")
    poles = _grouped((d.owner, d.pole) for d in bank.devices)
    if any(len(set(found)) > 1 for found in poles.values()):
        said.append("A device of two poles counts as two: one on each polarity.")
    own = {d.owner for d in bank.devices}
    without = [p.name for p in bank.packs if p.name not in own] if len(bank.packs) > 1 else []
    without += [f"port {name}" for name in bank.graph.ports if name not in own]
    if without:
        said.append(f"No fuse or breaker is given for {listed(without)}, so none is counted there.")
    return said


def _names(names: Iterable[str]) -> str:
    return ", ".join(names)
