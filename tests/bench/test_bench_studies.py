"""Timings of commands by which a person waits for work of their own: protection, sizes, many packs. Asserts figures, never wall time.

Run with: pytest -m bench -s tests/bench/test_bench_studies.py
"""

import copy
import time

import numpy as np
import pytest
from speed_table import wall

import simbank
from simbank.simulation.run import linear_algebra_threads
from simbank.studies.protection import Assumptions
from simbank.studies.protection.faults import greatest_faults

pytestmark = pytest.mark.bench


def workshop(count):
    """The bus bar of a shipped scenario with ``count`` packs, each with a device that breaks what may flow."""
    data = copy.deepcopy(simbank.example("valley_workshop").data)
    device = data["packs"][0]["device"] | {"interrupting_rating": "200 kA"}
    data["packs"] = [{"name": "P", "count": count, "type": "box", "soc": 0.7, "device": device}]
    return simbank.from_dict(data)


def told(speed, what, scenario, work):
    """A row: what a study takes the second time, and one run of the same duty by the reference integrator; ``work`` gives its result."""
    work()
    begin = time.perf_counter()
    found = work()
    took, run = time.perf_counter() - begin, wall(lambda: simbank.simulate(scenario, integrator="reference"), 3)
    speed(what, f"{took:.2f} s", f"{took / run:.1f} × one run of the duty by the reference integrator ({run * 1e3:.0f} ms)")
    return found


def test_protection_of_ten_packs(speed, tmp_path):
    """A fault at a pack's posts takes at least what the pack alone gives: E over its own resistance, at the case's charge."""
    scenario, page = workshop(10), tmp_path / "page.html"
    found = told(speed, "protection of ten packs on a bus bar", scenario, lambda: simbank.protect(scenario))
    drawn = told(speed, "its bands, 60 draws", scenario, lambda: found.in_draws(60))
    told(speed, "a page of both", scenario, lambda: simbank.write_report(scenario, page, protection=drawn))
    emf, ohm, _, _ = found.greatest.sources
    alone = {pack: volt / own for pack, volt, own in zip(found.greatest.pack_names, emf, ohm, strict=True)}
    inside = found.faults[found.faults["kind"] == "inside"].set_index("owner")["initial_a"]
    assert set(inside.index) == set(alone)
    assert all(inside[name] > alone[name] for name in alone)
    assert found.in_draws(60).bands.table.equals(drawn.bands.table)


def test_sizes(speed):
    """Copper goes with the area: mass over area is one figure for all gauges of a layout."""
    scenario = simbank.example("hilltop_clinic")
    table = told(speed, "sizes of four layouts", scenario, lambda: simbank.size(scenario)).table
    per_mm2 = (table["copper_kg"] / table["area_mm2"]).groupby(table["layout"])
    assert np.allclose(per_mm2.max(), per_mm2.min(), rtol=1e-9)


def test_sixty_four_packs(speed):
    """What the packs gave adds up to the bank's, since nothing leaks; a fault at the bar goes on until every pack's fuse is open."""
    scenario = workshop(64)
    names = [pack.name for pack in scenario.bank.packs]

    def follow():
        with linear_algebra_threads().limit(limits=1):  # as in a protection
            faults = greatest_faults(scenario.bank, Assumptions())
            place = next(place for place in faults.places if place.name.startswith("bus bar at"))
            return faults.follow(place, "latest")

    told(speed, "layouts of 64 packs on a bus bar", scenario, lambda: simbank.compare(scenario))
    told(speed, "sizes of 64 packs on a bus bar", scenario, lambda: simbank.size(scenario))
    found = told(speed, "protection of 64 packs on a bus bar", scenario, lambda: simbank.protect(scenario))
    sequence = told(
        speed, "a fault at the bus bar of 64 packs, followed through their fuses (one place of 199)", scenario, follow
    )
    assert {opening.device for opening in sequence.openings} == {f"device {name}" for name in names}
    times = [opening.time_s for opening in sequence.openings]
    assert times == sorted(times)
    assert sequence.cleared_s == times[-1]
    bars = found.clearing[found.faults["kind"] == "bar"]
    assert all(len(opened) == len(names) for opened in bars["opened"])
    summary = simbank.simulate(scenario).summary
    gave = sum((p["soc_start"] - p["soc_end"]) * p["capacity_ah"] for p in summary["packs"])
    bank = summary["bank"]
    assert gave == pytest.approx(bank["charge_out_ah"] - bank["charge_in_ah"], abs=1e-6 * bank["charge_out_ah"])
