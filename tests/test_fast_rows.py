"""Many rows of a duty in one step, against the same rows one by one at a thousandth of the tolerance."""

import numpy as np
import pytest
from banks import random_scenario

import simbank
from simbank.duty import Command, Duty, Step
from simbank.simulation import fast_rows, run

TOLERANCE = 1e-5


@pytest.fixture
def in_blocks(monkeypatch):
    """A function that says how many runs so far have made blocks of rows, which from now on those of short duties do, too."""
    make, made = fast_rows.merging_arrays, []

    def merging_arrays(n, p, d):
        made.append(make(n, p, d))
        return made[-1]

    monkeypatch.setattr(run, "MANY_ROWS", 1)
    monkeypatch.setattr(fast_rows, "merging_arrays", merging_arrays)
    return lambda: sum(merging.memory[fast_rows.LAST_END] > 0.0 for merging in made)


def closes(result):
    """Charge and energy close as those of the row-by-row loop do."""
    assert result.summary["closure"]["energy_relative"] < 3e-5
    assert result.summary["closure"]["charge_relative"] < 1e-3


def differ(quick, slow, seconds):
    """What of the events differs, or None; where nothing does the state of charge must agree to 1.5e-4, as row by row at this tolerance."""
    mine, theirs = quick.events, slow.events
    if list(zip(mine["where"], mine["code"], strict=True)) != list(zip(theirs["where"], theirs["code"], strict=True)):
        return f"{len(mine)} events, {len(theirs)} row by row"
    late = np.abs(mine["time_s"].to_numpy() - theirs["time_s"].to_numpy())
    if late.size and late.max() > seconds:
        return f"an event {late.max():.1f} s apart"
    apart = np.abs(quick.packs["soc"].to_numpy() - slow.packs["soc"].to_numpy()).max()
    assert apart < 1.5e-4, apart
    return None


def test_four_weeks_of_real_days(root, in_blocks):
    """The clinic by the minute: same events, as close as the row-by-row loop is at this tolerance (8 s, 4e-5)."""
    case = simbank.load(root / "scenarios" / "hilltop_clinic_days.toml", {"duty.days": 28})
    quick = simbank.simulate(case, integrator="fast", tolerance=TOLERANCE, output_step_s=900.0)
    assert in_blocks() == 1
    slow = simbank.simulate(case, integrator="fast", output_step_s=900.0)
    assert in_blocks() == 1  # at its usual tolerance it goes row by row
    assert differ(quick, slow, 15.0) is None
    closes(quick)
    bank, exact = quick.summary["bank"], slow.summary["bank"]
    for key in ("energy_out_wh", "energy_in_wh"):
        assert bank[key] == pytest.approx(exact[key], rel=2e-5)
    for key in ("conductor_loss_wh", "pack_loss_wh"):
        assert bank[key] == pytest.approx(exact[key], rel=5e-4)


def flickering(seed, hours):
    """Sun and load that change by the minute: invented, of the size of the bank's capacity."""
    r = np.random.default_rng(1000 + seed)
    case = simbank.from_dict(random_scenario(seed))
    watts = 51.0 * case.bank.capacity_ah
    level, rows = 0.0, []
    for minute in range(60 * hours):
        level = 0.95 * level + 0.3 * r.standard_normal()
        light = max(0.0, np.sin(2 * np.pi * (minute / 60.0 - 2.0) / 16.0))
        sun = 0.35 * watts * light * float(np.clip(0.6 + 0.4 * level, 0.05, 1.0))
        load = 0.12 * watts * (1.0 + 0.5 * np.sin(minute / 100.0) + 0.3 * r.random())
        limits = {"volt_limit": 56.0, "cutoff_volt": 46.0}
        rows.append(Step(60.0, {"load": Command("power", load, **limits), "sun": Command("power", -sun, **limits)}))
    return simbank.with_changes(case, {"duty": Duty(tuple(rows))})


def compared(seed, hours):
    """What differs in events on a random bank, or None."""
    case = flickering(seed, hours)
    quick = simbank.simulate(case, integrator="fast", tolerance=TOLERANCE, output_step_s=300.0)
    slow = simbank.simulate(case, integrator="fast", tolerance=1e-8, output_step_s=300.0)
    closes(quick)
    found = differ(quick, slow, 5.0)
    return found and f"seed {seed}: {found}"


def test_random_banks(in_blocks):
    """Thirty random banks with everything in them: ports of every kind, monitors, devices, heat, strings.

    Of those that differ in an event, most differ at this tolerance row by row, too: they chatter at a limit, hundreds of times.
    """
    found = [what for seed in range(30) if (what := compared(seed, 12)) is not None]
    print("\n".join(found))
    assert in_blocks() >= 20
    assert len(found) <= 6


def test_short_duties_go_row_by_row(root, monkeypatch):
    """A week by the minute never comes to it: its numbers are those of the row-by-row loop."""
    monkeypatch.setattr(fast_rows, "advance_rows", None)
    case = simbank.load(root / "scenarios" / "hilltop_clinic_days.toml", {"duty.days": 1})
    assert simbank.simulate(case, integrator="fast", tolerance=TOLERANCE).complete
