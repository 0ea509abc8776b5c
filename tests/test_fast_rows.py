"""Rows of real days that the fast integrator goes over many at a time, against the same integrator row by row.

Row by row it is held to the reference in test_fast.py. Weather and loads here are invented.
"""

import threading

import numpy as np
import pytest
from banks import Case, random_scenario

import simbank
from simbank.duty import SampledDuty, Samples, Window
from simbank.errors import InputError
from simbank.simulation import rows_off_step, run

ROWS = 1440  # a day of minutes


def flickering(seed):
    """A random bank through an invented day: a load that changes every quarter of an hour, sun by the minute."""
    case = simbank.from_dict(random_scenario(seed))
    r = np.random.default_rng(seed)
    watts = 51.0 * sum(pack.capacity_ah for pack in case.bank.packs)
    hours = np.arange(ROWS) / 60.0
    clouds = np.clip(r.uniform(0.3, 1.0) + 0.25 * r.standard_normal(ROWS), 0.05, 1.0)
    sun = -watts * r.uniform(0.05, 0.35) * clouds * np.clip(np.sin(np.pi * (hours - 6.0) / 12.0), 0.0, None)
    load = np.repeat(watts * r.uniform(0.01, 0.08) * r.uniform(0.2, 1.8, ROWS // 15), 15)
    none = np.zeros(ROWS)
    every = np.arange(ROWS)
    samples = {
        "load": Samples(every[::15], load[::15], none[::15], none[::15], {"cutoff_volt": 45.0}),
        "sun": Samples(every, sun, none, none, {"volt_limit": 56.5}),
    }
    return Case(case.bank, SampledDuty(60.0, ROWS, lambda: iter([Window(samples, ROWS)])))


def both(case, monkeypatch, **options):
    """Row by row at a tight tolerance, and many rows at a time; and how many rows that took."""
    monkeypatch.setattr(run, "MANY_ROWS", 10**9)
    one_by_one = simbank.simulate(case, integrator="fast", tolerance=1e-8, output_step_s=600.0)
    monkeypatch.setattr(run, "MANY_ROWS", 1)
    return one_by_one, simbank.simulate(case, integrator="fast", output_step_s=600.0, **options)


def happened(result):
    return list(zip(result.events["where"], result.events["code"], strict=True))


def apart(one, other):
    return np.abs(one.packs["soc"].to_numpy() - other.packs["soc"].to_numpy()).max()


@pytest.mark.parametrize(("tolerance", "soc"), [(1e-5, 1e-4), (1e-6, 3e-5)])
def test_real_days(root, monkeypatch, tolerance, soc):
    """Thirty days: every event in order, charge and energy as the tolerance has them row by row, and a finer one comes closer."""
    case = simbank.load(root / "scenarios" / "hilltop_clinic_days.toml", {"duty.days": 30})
    one_by_one, merged = both(case, monkeypatch, tolerance=tolerance)
    assert happened(merged) == happened(one_by_one)
    assert apart(merged, one_by_one) < soc
    for key, rel in (("energy_out_wh", 1e-5), ("energy_in_wh", 1e-5), ("conductor_loss_wh", 1e-3), ("pack_loss_wh", 1e-3)):
        assert merged.summary["bank"][key] == pytest.approx(one_by_one.summary["bank"][key], rel=rel)
    for mine, theirs in zip(merged.summary["packs"], one_by_one.summary["packs"], strict=True):
        for key in ("throughput_ah", "i2t_a2s", "discharge_peak_a", "charge_peak_a", "cell_volt_max", "cell_volt_min"):
            assert mine[key] == pytest.approx(theirs[key], rel=5e-3), key
    assert merged.summary["closure"]["energy_relative"] < 1e-5
    assert merged.summary["closure"]["charge_relative"] < 5.0 * tolerance


def compare_random(seed, monkeypatch):
    """None if merged rows come as near to a tight run, in events and state of charge, as rows one by one at the same tolerance, else
    what differs. A bank that stops, since it does not settle, stops either way."""
    case = flickering(seed)
    try:
        tight, merged = both(case, monkeypatch, tolerance=1e-6)
    except simbank.SimulationError:
        monkeypatch.setattr(run, "MANY_ROWS", 10**9)
        with pytest.raises(simbank.SimulationError):
            simbank.simulate(case, integrator="fast", tolerance=1e-8, output_step_s=600.0)
        return None
    assert merged.summary["closure"]["energy_relative"] < 1e-4, seed
    assert merged.summary["closure"]["charge_relative"] < 1e-4, seed
    if happened(merged) == happened(tight) and apart(merged, tight) < 1e-4:
        return None
    monkeypatch.setattr(run, "MANY_ROWS", 10**9)
    alike = simbank.simulate(case, integrator="fast", tolerance=1e-6, output_step_s=600.0)
    if happened(alike) != happened(tight) or apart(alike, tight) >= 1e-4:
        return None  # nor do rows one by one
    return f"seed {seed}: {len(merged.events)} events, {len(tight.events)} at 1e-8; apart {apart(merged, tight):.1e}"


def test_random_banks_agree(monkeypatch):
    differ = [found for seed in range(30) if (found := compare_random(seed, monkeypatch)) is not None]
    print("\n".join(differ))
    assert not differ


@pytest.mark.slow
def test_two_hundred_random_banks_agree(monkeypatch):
    differ = [found for seed in range(200) if (found := compare_random(seed, monkeypatch)) is not None]
    print(f"\n{200 - len(differ)} of 200 do as well as row by row", *differ, sep="\n")
    assert len(differ) <= 2


def test_rows_are_merged_where_they_are_many_and_a_step_may_err(root):
    """Short duties, and all at a fine tolerance, go row by row."""
    week = simbank.load(root / "scenarios" / "hilltop_clinic_days.toml")
    two = simbank.load(root / "scenarios" / "hilltop_clinic_days.toml", {"duty.days": 2})
    assert run.merges_rows(week.duty, 1e-5)
    assert not run.merges_rows(week.duty, 1e-8)
    assert not run.merges_rows(two.duty, 1e-5)
    assert not run.merges_rows(simbank.load(root / "scenarios" / "hilltop_clinic.toml").duty, 1e-5)


def test_rows_that_a_thread_makes_ahead_are_the_same(root, monkeypatch):
    """To the last digit; what is wrong with a later window is said as without the thread, and none is left."""
    days = simbank.load(root / "scenarios" / "hilltop_clinic_days.toml", {"duty.days": 90, "duty.step": "30 min"})
    threads, found = threading.active_count(), []
    for long_rows in (10**9, 1):
        monkeypatch.setattr(run, "LONG_ROWS", long_rows)
        found.append(simbank.simulate(days, integrator="fast", tolerance=1e-5, output_step_s=86400.0))
    assert found[0].packs.equals(found[1].packs)
    assert found[0].events.equals(found[1].events)

    def broken():
        yield next(days.duty.windows())
        raise InputError("is broken", key="duty")

    with pytest.raises(InputError, match="is broken"):
        simbank.simulate(Case(days.bank, SampledDuty(1800.0, days.duty.length, broken)), integrator="fast", tolerance=1e-5)
    assert threading.active_count() == threads


def test_the_line_has_mean_and_first_moment_of_its_rows():
    """By numpy: ∫ P dt and ∫ P t dt of the line are those of the rows."""
    from simbank.simulation import arrays as ar

    rows, dt = 7, 60.0
    watts = -1000.0 * np.random.default_rng(4).uniform(0.1, 1.0, rows)
    commands = np.zeros((rows, 1, ar.N_COMMAND))
    commands[:, 0, ar.COMMAND_VALUE], commands[:, 0, ar.COMMAND_KIND] = watts, ar.MODE_POWER
    ports = ar.PortArrays(
        np.zeros(1, int), np.zeros((1, ar.N_PORT_COLUMNS)), np.zeros((1, ar.N_TIMER)), np.zeros(1, int), np.zeros((1, ar.N_EQUIP)),
        np.zeros((1, 4)), np.zeros(1, int),
    )  # fmt: skip
    merging = rows_off_step.Merging(*rows_off_step.merging_arrays(2, 1))
    asked = rows_off_step.asked_of.py_func
    try:
        rows_off_step.asked_of, kept = asked, rows_off_step.asked_of
        rows_off_step.set_lines.py_func(0, rows, dt, commands, ports, merging)
    finally:
        rows_off_step.asked_of = kept
    start, slope = merging.port[rows_off_step.LINE_START, 0], merging.port[rows_off_step.LINE_SLOPE, 0]
    span, edges = rows * dt, dt * np.arange(rows + 1)
    assert start * span + slope * span**2 / 2 == pytest.approx(watts.sum() * dt)
    assert start * span**2 / 2 + slope * span**3 / 3 == pytest.approx((watts * (edges[1:] ** 2 - edges[:-1] ** 2) / 2).sum())
    assert merging.port[rows_off_step.WEAKEST, 0] == watts.max()
