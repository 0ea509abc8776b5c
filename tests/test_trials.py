"""What trials of the tool showed, each with the test that would have caught it.

S: wrong on the unsafe side, or silent where it hurts. M: misleading results. B: breaks where one line is due. The files in
``tests/trials`` reproduce them; every bank there is invented.
"""

import simbank

# ---- protection: S1, S2, S3, S8, S11, S15 ----


# ---- shorted cells, stuck switches, overcharge: S4, S5 ----


def test_s5_a_switch_that_the_file_does_not_give_is_said_and_a_stuck_one_runs(root):
    """56.8 V on 15 cells is 3.79 V a cell: pack A opens by a BMS that is only assumed; with a stuck switch nothing stops it."""
    path = root / "tests" / "trials" / "stuck_switch.toml"
    assumed = simbank.simulate(simbank.load(path), integrator="fast").summary
    assert assumed["packs"][0]["soc_max"] <= 1.0 + 1e-6
    assert [w["where"].split(", ")[0] for w in assumed["warnings"] if w["code"] == "assumed-bms"] == ["A"]
    stuck = simbank.simulate(simbank.load(path, {"packs.A.bms.stuck": "charge"}), integrator="fast").summary
    a = stuck["packs"][0]
    assert a["soc_end"] > 1.0
    assert a["overcharge_ah"] > 0.5
    assert a["cell_volt_max"] > 3.78
    assert [w["where"] for w in stuck["warnings"] if w["code"] == "beyond-cell-model"] == ["A"]


# ---- banks that should not be: S6, S10, S12, S14 ----


# ---- sizes, chargers, inverters: S7, S9, S13 ----


# ---- results that can be trusted later: M1, M2, M4 to M10 ----


# ---- the integrators: M3, M11 to M14, B5, B10 ----


# ---- one line, never a traceback: B1 to B4, B6 to B9, B11, B12 ----
