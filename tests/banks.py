"""Banks that tests build from simbank's own objects, without a file."""

from dataclasses import dataclass

from simbank.bank import Bank, Conductor, Graph, Pack, Parts, join
from simbank.cells import Chemistry, Curve
from simbank.duty import Command, Duty, Step


@dataclass
class Case:
    """What ``simulate`` wants of a scenario."""

    bank: Bank
    duty: Duty
    name: str = "test"


def affine_chemistry(slope=0.1, at_half=3.3, half_width=0.0, decay=40.0):
    """OCV a straight line over SOC; no limits that a test would meet."""
    ocv = Curve([0, 1], [at_half - slope / 2, at_half + slope / 2], "linear")
    return Chemistry("affine", ocv, Curve([0], [half_width]), decay, (), 10.0, 0.1, 9.0, 0.2)


def table_chemistry(soc, volt, half_width=0.0, decay=40.0, interpolation="linear"):
    return Chemistry("table", Curve(soc, volt, interpolation), Curve([0], [half_width]), decay, (), 10.0, 0.1, 9.0, 0.2)


def ohms(value):
    """A conductor of fixed resistance, without joints."""
    return Conductor(fixed_resistance_ohm=value, joints=0)


def pack(name, chemistry, capacity_ah, ohm, soc=0.5, rc=((0.0, 1.0), (0.0, 1.0)), cells=1):
    """A pack whose whole ohmic resistance is ``ohm``; ``rc`` seen at the pack."""
    return Pack(
        name,
        chemistry,
        capacity_ah,
        ohm / cells,
        cells_in_series=cells,
        soc=soc,
        rc_pairs=tuple((r / cells, tau) for r, tau in rc),
    )


def wired(packs, layout="chain", link=None, lead=None, ports=("port",), bar=None):
    """Bank of ``packs`` in a layout, all ports at its take-off."""
    parts = Parts(link=link and ohms(link), lead=lead and ohms(lead), **({"bar": bar} if bar else {}))
    units = [(p.name, f"{p.name}+", f"{p.name}-") for p in packs]
    branches, take_off = join(layout, units, parts)
    graph = Graph.build(branches, {p.name: (f"{p.name}+", f"{p.name}-") for p in packs}, dict.fromkeys(ports, take_off))
    return Bank("test", tuple(packs), graph)


def constant(hours, amperes, port="port", **limits):
    """A step of constant current."""
    return Step(hours * 3600.0, {port: Command("current", amperes, **limits)} if amperes else {})


# The five-pack circuit of the reference: 16-cell packs on a one-ended chain, 7 days of 8 h discharge, 2 h rest,
# 8 h charge, 6 h rest at 40 A; no hysteresis, constant resistances, OCV straight between points.
REFERENCE_SOC = [0, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.98, 1.0]
REFERENCE_OCV = [2.5, 3.02, 3.18, 3.232, 3.262, 3.283, 3.292, 3.298, 3.322, 3.332, 3.338, 3.352, 3.40, 3.55]
REFERENCE_END = [0.902217, 0.902181, 0.902107, 0.902056, 0.890257]  # scipy Radau, rtol 1e-10, steps of 20 s and 60 s agreeing


def reference_case(days=7):
    chemistry = table_chemistry(REFERENCE_SOC, REFERENCE_OCV)
    rows = zip(
        [100, 100, 105, 105, 90],
        [20e-3, 20e-3, 18e-3, 18e-3, 30e-3],
        [8e-3, 8e-3, 7e-3, 7e-3, 12e-3],
        [10e-3, 10e-3, 9e-3, 9e-3, 15e-3],
        strict=True,
    )
    packs = [
        pack(f"P{k}", chemistry, ah, r0, 0.9, ((r1, 30.0), (r2, 1200.0)), cells=16) for k, (ah, r0, r1, r2) in enumerate(rows)
    ]
    steps = (constant(8, 40.0), constant(2, 0.0), constant(8, -40.0, volt_limit=1e3), constant(6, 0.0))
    return Case(wired(packs, "chain", link=0.35e-3), Duty(steps, days))
