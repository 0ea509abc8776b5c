"""Cells from measurements: what a known chemistry would show on instruments, written to CSV, imported, and found again.

All data are invented: made by simbank's own equations, or by the closed forms written here, from a chemistry that the import is not
told of.
"""

import importlib
import json
import tomllib

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import curve_fit
from typer.testing import CliRunner

import simbank
from simbank.cells.cell_import import import_cell
from simbank.cells.measured_ocv import state_along
from simbank.cells.measured_table import read_measured_table
from simbank.cli.program import app
from simbank.errors import InputError

CHANGES = {
    "hysteresis.scale": 0.8, "hysteresis.decay_per_soc": 60.0, "ocv.offset": "3 mV", "relaxation.time_scale": 0.7, "relaxation.scale": 1.2,
}  # fmt: skip
R0, PAIRS, AH, START = 0.6e-3, ((0.48, 21.0), (0.72, 630.0)), 100.0, 0.97  # of lfp.toml with these changes, in the bank below


@pytest.fixture(scope="module")
def truth():
    return simbank.derived_chemistry("lfp", CHANGES)


def bank(chemistries, chemistry, steps, soc, **more):
    return {
        "name": "One cell on a bench (invented)", "chemistries": chemistries,
        "pack_types": {"cell": {"chemistry": chemistry, "cells_in_series": 1, "capacity": f"{AH} Ah", "cell_resistance": "0.6 milliohm"}},
        "packs": [{"name": "A", "type": "cell", "soc": soc, "hysteresis": 1.0}], "wiring": {"layout": "chain"},
        "ports": [{"name": "bench"}], "duty": {"kind": "cycles", "steps": steps}, **more,
    }  # fmt: skip


def nested(changes):
    out = {"base": "lfp"}
    for key, value in changes.items():
        section, _, last = key.partition(".")
        out.setdefault(section, {})[last] = value
    return out


def bench_log(steps, soc, step_s):
    """Time, current, voltage of the cell on a test bench."""
    run = simbank.simulate(simbank.from_dict(bank({"true": nested(CHANGES)}, "true", steps, soc)), output_step_s=step_s)
    return pd.DataFrame(
        {"time_s": run.ports.index, "current_a": run.ports["current_a"]["bench"], "voltage_v": run.ports["voltage_v"]["bench"]}
    ).reset_index(drop=True)


@pytest.fixture(scope="module")
def pulses():
    """A rest of an hour and 5 points of charge at 0.5 C, eighteen times."""
    step = [{"rest": True, "hours": 1}, {"discharge": "0.5 C", "hours": 0.1}]
    return bench_log([*step * 18, {"rest": True, "hours": 1}], START, 10.0)


@pytest.fixture(scope="module")
def branches(truth):
    z = np.linspace(0, 1, 41)
    return pd.DataFrame(
        {"SOC [%]": 100 * z, "charge_v": truth.ocv(z) + truth.half_width(z), "discharge_v": truth.ocv(z) - truth.half_width(z)}
    )


@pytest.fixture(scope="module")
def files(tmp_path_factory, branches, pulses):
    folder = tmp_path_factory.mktemp("bench")
    branches.to_csv(folder / "ocv.csv", index=False)
    pulses.to_csv(folder / "pulses.csv", index=False)
    return folder


def written(folder, name, text):
    (folder / name).write_text(text, encoding="utf-8")
    return folder / name


# ---- the known cell is found again ----


def test_parameters_of_a_known_cell_are_found_again(files, truth, tmp_path):
    """R0 and pairs within 1 and 3 % from 20 to 90 % of charge, time constants within 3 %, branches at the measured points within 0.01 mV."""
    cell = import_cell([files / "ocv.csv", files / "pulses.csv"], "mine", capacity_ah=AH, start_soc=START)
    cell.write(tmp_path / "mine.toml")
    made = simbank.load_chemistry(tmp_path / "mine.toml")
    assert (made.rc, made.name, made.notes) == (cell.chemistry.rc, "mine", cell.chemistry.notes)
    z = np.linspace(0, 1, 41)
    assert made.ocv(z) == pytest.approx(truth.ocv(z), abs=1e-5)
    assert made.half_width(z) == pytest.approx(truth.half_width(z), abs=1e-5)
    assert made.typical["resistance_ohm"] == pytest.approx(R0, rel=0.01)
    for (ratio, tau), pair in zip(PAIRS, made.rc, strict=True):
        assert pair.resistance_ratio == pytest.approx(ratio, rel=0.03)
        assert pair.time_constant_s == pytest.approx(tau, rel=0.03)
    z = np.linspace(0.2, 0.9, 29)
    assert made.r_factor(z) == pytest.approx(truth.r_factor(z), rel=0.01)
    assert made.rc_factor(z) == pytest.approx(truth.rc_factor(z), rel=0.03)
    assert made.decay_per_soc == 40.0
    assert made.notes["hysteresis"].startswith("assumed; Decay: kept from simbank's chemistry lfp, not measured")
    assert made.typical["capacity_ah"] == AH


def test_the_imported_cell_on_a_profile_it_was_not_made_from(files, tmp_path):
    """Charge and discharge at other rates: within 1 mV (root mean square) of the cell that was measured."""
    cell = import_cell([files / "ocv.csv", files / "pulses.csv"], "mine", capacity_ah=AH, start_soc=START)
    written(tmp_path, "mine.toml", cell.text())
    steps = [
        {"discharge": "0.3 C", "hours": 1.2},
        {"rest": True, "hours": 0.5},
        {"charge": "0.2 C", "hours": 0.7},
        {"discharge": "0.8 C", "hours": 0.2},
    ]
    volts = []
    for source, chemistry in ((None, "true"), (str(tmp_path / "bank.toml"), "mine.toml")):
        data = bank({"true": nested(CHANGES)}, chemistry, steps, 0.85)
        run = simbank.simulate(simbank.from_dict(data, source=source), output_step_s=30.0)
        volts.append(run.ports["voltage_v"]["bench"].to_numpy())
    left = volts[1] - volts[0]
    assert np.sqrt(np.mean(left**2)) < 1e-3
    assert np.sqrt(np.mean(left**2)) > 1e-6  # the decay is not known to it


def test_one_pulse_against_an_independent_fit(files, pulses):
    """The pulse at 74 % by hand: R0 from its first sample; the pairs by scipy's curve_fit on the closed form of the hour of rest after
    it, V = U − Σ I R (1 − exp(−T/τ)) exp(−t/τ), where neither curve nor hysteresis move."""
    cell = import_cell([files / "pulses.csv"], "mine", capacity_ah=AH, start_soc=START)
    number = int(np.argmin(np.abs(cell.pulses.soc - 0.745)))
    begin, amperes, length = 3600.0 * (number + 1) + 360.0 * number, 50.0, 360.0
    time_s, volt = pulses["time_s"].to_numpy(), pulses["voltage_v"].to_numpy()
    step = int(np.searchsorted(time_s, begin))
    assert cell.pulses.r0_ohm[number] == pytest.approx((volt[step - 1] - volt[step]) / amperes, rel=0.01)
    rest = (time_s >= begin + length) & (time_s < begin + length + 3600.0)

    def recovery(t, rested, first, tau1, second, tau2):
        return 1e3 * rested - first * np.exp(-t / tau1) - second * np.exp(-t / tau2)

    found, _ = curve_fit(recovery, time_s[rest] - begin - length, 1e3 * volt[rest], p0=[volt[rest][-1], 10.0, 15.0, 10.0, 400.0])
    ohm = [1e-3 * size / (amperes * (1 - np.exp(-length / tau))) for size, tau in (found[1:3], found[3:5])]
    assert cell.pulses.rc[0][1] == pytest.approx(found[2], rel=0.03)
    assert cell.pulses.rc[1][1] == pytest.approx(found[4], rel=0.03)
    assert cell.pulses.pairs_ohm[number] == pytest.approx(sum(ohm), rel=0.03)


def sequence(truth, noise=0.0):
    """Rest voltages up, down, and with turns half way, by the closed form of the one-state model."""
    way = [
        np.linspace(0, 1, 51),
        np.linspace(0.98, 0, 50),
        np.linspace(0.02, 0.6, 30),
        np.linspace(0.59, 0.4, 20),
        np.linspace(0.41, 0.7, 30),
    ]
    z = np.concatenate(way)
    h = [-1.0]
    for step in np.diff(z):
        side = np.sign(step)
        h.append(side - (side - h[-1]) * np.exp(-60.0 * abs(step)))
    volt = truth.ocv(z) + np.array(h) * truth.half_width(z)
    return z, volt + noise * np.random.default_rng(1).standard_normal(len(z))


def test_turning_round_half_way_tells_the_decay(truth, tmp_path):
    for noise, tolerance in ((0.0, 0.03), (0.2e-3, 0.15)):
        z, volt = sequence(truth, noise)
        text = pd.DataFrame({"soc": z, "voltage_v": volt}).to_csv(index=False)
        cell = import_cell([written(tmp_path, f"up_and_down_{noise}.csv", text)], "mine")
        assert cell.ocv.decay_per_soc == pytest.approx(60.0, rel=tolerance)
        assert abs(cell.ocv.decay_per_soc - 60.0) < 5 * cell.ocv.decay_error + 2.0
        inside = (cell.ocv.soc > 0.1) & (cell.ocv.soc < 0.9)
        assert cell.ocv.half_width_v[inside] == pytest.approx(truth.half_width(cell.ocv.soc[inside]), abs=5e-5 + 2 * noise)
        assert cell.data["hysteresis"]["assumed"] is False
        assert cell.data["hysteresis"]["decay_per_soc"] == pytest.approx(60.0, rel=tolerance)


def test_without_a_turn_half_way_the_decay_is_assumed(truth, tmp_path):
    z, volt = sequence(truth)
    text = pd.DataFrame({"soc": z[:101], "voltage_v": volt[:101]}).to_csv(index=False)
    cell = import_cell([written(tmp_path, "up_and_down.csv", text)], "mine")
    assert cell.ocv.decay_per_soc is None
    assert cell.data["hysteresis"]["assumed"] is True
    assert any("nothing tells how fast" in text for text in cell.told)


def test_state_along_a_sequence_against_its_equation():
    """dh/dz = γ (s − h) integrated by small steps."""
    soc = np.concatenate([np.linspace(0, 0.5, 20001), np.linspace(0.5, 0.45, 2001)])
    h = -1.0
    for step in np.diff(soc):
        h += 40.0 * abs(step) * (np.sign(step) - h)
    assert state_along(soc[[0, 20000, -1]], 40.0)[-1] == pytest.approx(h, abs=2e-3)


# ---- as instruments write ----


def same(cell, other):
    assert cell.ocv.volt == pytest.approx(other.ocv.volt, abs=2e-6)
    assert cell.ocv.half_width_v == pytest.approx(other.ocv.half_width_v, abs=2e-6)


def test_a_messy_table_of_branches(files, branches, tmp_path):
    """Semicolons, decimal commas, comments, a line of units, mV, percent, NaN, rows that stand twice or are cut off."""
    clean = import_cell([files / "ocv.csv"], "mine")
    lines = ["# exported by nobody's tester", "State of charge;U after charge;U after discharge;Temperature", "%;mV;mV;°C"]
    for k, row in branches.iterrows():
        z, charge, discharge = row
        line = f"{z:.3f};{charge * 1e3:.4f};{discharge * 1e3:.4f};25,0".replace(".", ",")
        lines += [
            line,
            *([line] if k % 7 == 0 else []),
            *(["50,0;NaN;;25,0"] if k == 3 else []),
            *(["12,0;3200"] if k == 5 else []),
            "",
        ]
    cell = import_cell([written(tmp_path, "messy.csv", "\n".join(lines))], "mine")
    same(cell, clean)
    told = " ".join(cell.told)
    assert "6 rows that stand twice" in told
    assert "1 rows that hold something that is no number" in told
    assert "1 rows with more or fewer values" in told


def test_branches_one_below_the_other_and_in_two_files_by_ampere_hours(files, branches, tmp_path):
    clean = import_cell([files / "ocv.csv"], "mine")
    z, charge, discharge = (branches[key].to_numpy() for key in branches)
    text = "soc,branch,voltage_v\n" + "".join(
        [f"{a},charging,{v}\n" for a, v in zip(z, charge, strict=True)]
        + [f"{a},discharging,{v}\n" for a, v in zip(z[::-1], discharge[::-1], strict=True)]
    )
    below = import_cell([written(tmp_path, "ocv.csv", text)], "mine")
    same(below, clean)
    assert any("percent" in text for text in below.told)
    up = "Capacity (mAh)\tVoltage (mV)\n" + "".join(f"{a * 1040}\t{v * 1e3}\n" for a, v in zip(z, charge, strict=True))
    down = "Capacity (mAh)\tVoltage (mV)\n" + "".join(
        f"{(100 - a) * 1040}\t{v * 1e3}\n" for a, v in zip(z[::-1], discharge[::-1], strict=True)
    )
    two = import_cell([written(tmp_path, "slow charge.csv", up), written(tmp_path, "slow discharge.csv", down)], "mine")
    same(two, clean)
    assert two.data["typical"]["capacity"] == "104 Ah"


def test_a_log_with_the_other_sign_in_milliamperes_and_minutes(files, pulses, tmp_path):
    clean = import_cell([files / "pulses.csv"], "mine", capacity_ah=AH, start_soc=START)
    other = pd.DataFrame(
        {"t (min)": pulses["time_s"] / 60, "I [mA]": -1e3 * pulses["current_a"], "Cell voltage [mV]": 1e3 * pulses["voltage_v"]}
    )
    other = pd.concat([other, other.iloc[100:120]]).sort_values("t (min)")  # rows that stand twice
    text = other.to_csv(index=False, sep=";", decimal=",")
    cell = import_cell([written(tmp_path, "log.csv", text)], "mine", capacity_ah=AH, start_soc=START)
    assert cell.pulses.r0_ohm == pytest.approx(clean.pulses.r0_ohm, rel=1e-6)
    assert cell.pulses.rc[1][1] == pytest.approx(clean.pulses.rc[1][1], rel=1e-4)
    assert any("positive for charge there" in text for text in cell.told)
    assert any("20 rows that stand twice" in text for text in cell.told)


def test_a_log_of_a_pack_of_16_cells_with_its_own_state_of_charge(files, pulses, tmp_path):
    clean = import_cell([files / "pulses.csv"], "mine", capacity_ah=AH, start_soc=START)
    drawn = np.concatenate([[0], np.cumsum(np.diff(pulses["time_s"]) * pulses["current_a"][:-1])]) / 3600
    other = pulses.assign(voltage_v=16 * pulses["voltage_v"], soc=START - drawn / AH)
    path = written(tmp_path, "pack.csv", other.to_csv(index=False))
    cell = import_cell([path], "mine", cells_in_series=16)
    assert cell.pulses.r0_half_ohm == pytest.approx(clean.pulses.r0_half_ohm, rel=1e-3)
    with pytest.raises(InputError, match=r"no cell's voltage.*--cells-in-series"):
        import_cell([path], "mine")


def test_a_branch_that_is_not_monotone(branches, tmp_path):
    noisy = branches.copy()
    noisy.loc[20, "charge_v"] -= 5e-3
    cell = import_cell([written(tmp_path, "a.csv", noisy.to_csv(index=False))], "mine")
    assert np.all(np.diff(cell.data["ocv"]["volt"]) > 0)
    (told,) = [text for text in cell.told if "falls by up to" in text]
    assert "charge branch falls by up to" in told
    assert "50 %" in told
    noisy.loc[20, "charge_v"] -= 40e-3
    with pytest.raises(InputError, match=r"the charge branch falls by 4[0-9.]+ mV at 50 % of charge"):
        import_cell([written(tmp_path, "b.csv", noisy.to_csv(index=False))], "mine")


def test_noise_on_dense_branches(truth, tmp_path):
    """A thousand points each with 0.3 mV of noise: the branches within 0.3 mV on the plateaus."""
    z = np.linspace(0, 1, 1001)
    noise = np.random.default_rng(2).normal(0, 0.3e-3, (2, z.size))
    frame = pd.DataFrame(
        {
            "soc": z,
            "charge_v": truth.ocv(z) + truth.half_width(z) + noise[0],
            "discharge_v": truth.ocv(z) - truth.half_width(z) + noise[1],
        }
    )
    cell = import_cell([written(tmp_path, "dense.csv", frame.to_csv(index=False))], "mine")
    made = simbank.load_chemistry(written(tmp_path, "mine.toml", cell.text()))
    at = np.linspace(0.12, 0.95, 84)
    assert made.ocv(at) == pytest.approx(truth.ocv(at), abs=0.5e-3)
    assert made.half_width(at) == pytest.approx(truth.half_width(at), abs=0.3e-3)
    for side, (soc, _) in cell.ocv.branches.items():  # steeper ends follow the points less closely
        inside = (soc > 0.12) & (soc < 0.95)
        assert np.std(cell.ocv.residual_v[side][inside]) == pytest.approx(0.3e-3, rel=0.15)


def test_one_branch_alone_leans_on_the_base_and_says_so(branches, truth, tmp_path):
    part = branches[(branches["SOC [%]"] > 8) & (branches["SOC [%]"] < 96)]
    text = part[["SOC [%]", "discharge_v"]].to_csv(index=False)
    cell = import_cell([written(tmp_path, "down.csv", text)], "mine")
    lfp = simbank.load_chemistry("lfp")
    z = np.linspace(0.1, 0.95, 18)
    made = simbank.load_chemistry(written(tmp_path, "mine.toml", cell.text()))
    assert made.ocv(z) == pytest.approx(truth.ocv(z) - truth.half_width(z) + lfp.half_width(z), abs=2e-4)
    assert made.ocv(0.02) - made.ocv(0.1) == pytest.approx(lfp.ocv(0.02) - lfp.ocv(0.1), abs=2e-3)
    told = " ".join(cell.told)
    assert "only the discharge branch was measured" in told
    assert "measured from 10 to 95 % of charge; beyond, the shape of lfp goes on, which is assumed" in told
    assert cell.data["hysteresis"]["assumed"] is True


def test_resistance_that_was_not_measured_goes_by_capacity_and_temperature(files):
    """lfp: 0.25 mΩ of a 280 Ah cell at 25 °C, twice that at 0 °C (lfp.toml: 18.8 kJ/mol doubles it)."""
    cell = import_cell([files / "ocv.csv"], "mine", capacity_ah=100.0)
    assert cell.chemistry.typical["resistance_ohm"] == pytest.approx(0.25e-3 * 280 / 100, rel=1e-3)
    assert any("R0 was not measured" in text for text in cell.told)
    cold = import_cell([files / "ocv.csv"], "mine", capacity_ah=100.0, celsius=0.0)
    assert cold.chemistry.typical["resistance_ohm"] == pytest.approx(0.5e-3 * 280 / 100, rel=0.01)
    assert cold.chemistry.typical_resistance_ohm(0.5, 298.15) == pytest.approx(0.25e-3 * 280 / 100, rel=1e-3)


@pytest.mark.parametrize("step_s", [0.5, 1.0])
def test_a_step_between_samples_is_held_by_the_error_of_r0(tmp_path, step_s):
    """Steps just after a sample: by the closed form V = U − I (R0 + Σ R (1 − exp(−t/τ))) R0 comes out too large by about
    Σ R (1 − exp(−T/τ)), T between samples; the error told holds that, the fit's alone does not."""
    r0, pairs, amperes, begin, end = 0.7e-3, ((0.34e-3, 20.0), (0.5e-3, 600.0)), 50.0, 60.0, 360.0
    time_s = np.arange(0.0, 2400.0, step_s)

    def answer(since):
        t = np.maximum(since, 0.0)
        return (since > 0) * amperes * (r0 + sum(ohm * (1 - np.exp(-t / tau)) for ohm, tau in pairs))

    noise = np.random.default_rng(5).normal(0.0, 2e-5, len(time_s))
    volt = 3.3 - answer(time_s - begin - 1e-6) + answer(time_s - end - 1e-6) + noise
    log = pd.DataFrame({"time_s": time_s, "current_a": amperes * ((time_s > begin) & (time_s <= end)), "voltage_v": volt})
    log.to_csv(tmp_path / "log.csv", index=False)
    cell = import_cell([tmp_path / "log.csv"], "mine", capacity_ah=AH, start_soc=0.6)
    row = cell.summary["pulses"]["rows"][0]
    off = row["r0_ohm"] - r0
    assert off > 3 * row["r0_fit_error_ohm"]
    assert off < 1.1 * row["r0_error_ohm"]
    assert row["r0_error_ohm"] < 1.5 * off
    assert any("R0 is too large by up to" in text for text in cell.told)
    cell.write(tmp_path / "mine.toml")
    starter = importlib.import_module("simbank.scenario.starter").starter_scenario
    assert "as measured by pulses" in starter(chemistry="mine.toml", folder=tmp_path)
    assert "typical of the chemistry: MEASURE yours" in starter()


def test_faults_of_a_curve_name_its_file(tmp_path):
    rising = "SOC [%],charge_v,discharge_v\n0,3.0,2.9\n40,3.3,3.2\n60,1.3,3.25\n100,3.5,3.4\n"
    with pytest.raises(InputError, match="falls by") as caught:
        import_cell([written(tmp_path, "dips.csv", rising)], "mine", capacity_ah=100.0)
    assert "dips.csv" in str(caught.value)


def test_the_key_of_the_one_table_of_a_list_has_no_number():
    duty = {"kind": "days", "start": "2024-06-01", "days": 1, "sun": {"port": "bench", "peak_power": "-1 W"}}
    data = bank({}, "lfp", [], 0.5) | {"duty": duty}
    with pytest.raises(InputError) as caught:
        simbank.from_dict(data)
    assert "duty.sun.peak_power" in str(caught.value)
    assert "duty.sun.0" not in str(caught.value)


def test_points_too_far_apart_are_told(truth, tmp_path):
    """lfp between 95 and 100 % bends by more than 10 mV from the curve through its points there; between 40 and 60 % it does not."""
    z = np.array([0, 0.01, 0.02, 0.05, 0.1, 0.15, 0.2, 0.3, 0.4, 0.6, 0.7, 0.8, 0.9, 0.95, 1.0])
    text = pd.DataFrame({"soc": z, "ocv_v": truth.ocv(z)}).to_csv(index=False)
    told = [text for text in import_cell([written(tmp_path, "few.csv", text)], "mine").told if "no point between" in text]
    assert len(told) == 1
    assert "no point between 95 and 100 % of charge" in told[0]


# ---- what is missing ----


def test_all_that_is_missing_is_told_at_once(files, tmp_path):
    names = [
        files / "pulses.csv", tmp_path / "absent.csv", written(tmp_path, "odd.csv", "time_s,temperature_c\n0,25\n1,25\n"),
        written(tmp_path, "prose.csv", "this is no table\nat all\n"),
    ]  # fmt: skip
    with pytest.raises(InputError) as caught:
        import_cell(names, "mine")
    text = str(caught.value)
    assert text.startswith("5 things are missing or wrong: (1) ")
    for part in (
        "--capacity",
        "--start-soc",
        "absent.csv: no such file",
        "odd.csv: columns: found time; needs either",
        "prose.csv: holds no table",
    ):
        assert part in text
    assert "\n" not in text


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("soc,voltage_v\n", "holds no table"),
        ("soc,voltage_v\nx,y\n", "holds no row of numbers"),
        ("soc,voltage_v\n0,2.6\n0.3,3.2\n", "only 0 to 30 % of charge in common"),
        (
            "soc,charge_v,discharge_v\n0,2.6,2.62\n0.5,3.3,3.32\n1,3.5,3.52\n",
            "charge branch lies 20.0 mV below the discharge branch",
        ),
        ("soc,voltage_v\n0,3.4\n0.5,3.7\n1,4.2\n", "name another --base"),
        ("soc,voltage_v\n0,3.0\n0.5,3.3\n1.4,3.4\n", "between 0 and 100 %"),
        ("soc,u_v,voltage_v\n0,2,3\n1,3,4\n", "two columns may be the voltage"),
        ("soc,voltage_v\n0,41\n0.5,52\n1,54\n", "--cells-in-series"),
        ("time_s,current_a\n0,1\n1,0\n", "has no column of voltage"),
        ("time_s,current_a,voltage_v\n" + "".join(f"{k},5,3.3\n" for k in range(30)), "a step of current"),
        ("time_s,current_a,voltage_v\n" + "".join(f"{k % 20},{k % 3},3.3\n" for k in range(40)), "time goes back"),
    ],
)
def test_each_fault_of_a_table_is_one_line(tmp_path, text, says):
    with pytest.raises(InputError) as caught:
        import_cell([written(tmp_path, "t.csv", text)], "mine", capacity_ah=100.0, start_soc=0.9)
    assert says in str(caught.value)
    assert "\n" not in str(caught.value)


HEADINGS = [
    "soc",
    "SOC [%]",
    "charge_v",
    "discharge_v",
    "voltage_v",
    "u [mV]",
    "Capacity (mAh)",
    "branch",
    "time_s",
    "I [mA]",
    "current_a",
    "x",
    "",
]
CELLS = ["0", "1", "3.3", "3300", "nan", "-1", "", "abc", "0,5", "1e308", "inf", "charge", "discharge", "0:01:00", "50"]
WAYS = {
    "soc": 1.0,
    "SOC [%]": 100.0,
    "time_s": 1e3,
    "charge_v": 3.3,
    "discharge_v": 3.3,
    "voltage_v": 3.3,
    "u [mV]": 3300.0,
    "Capacity (mAh)": 1e5,
}


@pytest.mark.filterwarnings("error")
def test_whatever_stands_in_a_table_it_is_a_cell_or_one_clear_line(tmp_path):
    random, said = np.random.default_rng(7), []
    for _ in range(400):
        headings = random.choice(HEADINGS, random.integers(1, 6), replace=False)
        count = int(random.choice([0, 1, 2, 5, 30]))
        if random.random() < 0.6:
            rows = [[f"{WAYS.get(h, 50.0) * k / max(1, count - 1)}" for h in headings] for k in range(count)]
        else:
            rows = [list(random.choice(CELLS, len(headings))) for _ in range(count)]
        text = "\n".join(str(random.choice(list(";\t,"))).join(row) for row in [list(headings), *rows])
        path = written(tmp_path, str(random.choice(["a.csv", "slow charge.csv"])), text)
        try:
            cell = import_cell([path], "mine", capacity_ah=random.choice([None, 100.0]), start_soc=random.choice([None, 0.9]))
        except InputError as error:
            said.append(str(error))
        else:
            assert cell.chemistry.ocv(1.0) > cell.chemistry.ocv(0.0)
    assert len(said) > 300
    assert not any("\n" in text for text in said)


def test_a_start_that_cannot_be(files):
    with pytest.raises(InputError, match="check --capacity and --start-soc"):
        import_cell([files / "pulses.csv"], "mine", capacity_ah=AH, start_soc=0.5)


@pytest.mark.parametrize(
    ("heading", "key", "value"),
    [
        ("U / mV", "voltage", 3.3), ("Current(mA)", "current", 3.3), ("T [°C]", None, None), ("Charge [Ah]", "moved", 3300.0),
        ("discharge_capacity_mah", "moved", 3.3), ("SOC%", "soc", 33.0), ("OCV charge (V)", "charge", 3300.0),
        ("Test Time (h)", "time", 3300 * 3600.0),
        ("V", "voltage", 3300.0), ("i_a", "current", 3300.0),
    ],
)  # fmt: skip
def test_headings(tmp_path, heading, key, value):
    table = read_measured_table(written(tmp_path, "h.csv", f"{heading};other\n3300;x\n3301;x\n"))
    assert list(table.columns) == ([key] if key else [])
    if key:
        assert table[key][0] == pytest.approx(value)


# ---- the command ----


def test_the_command_writes_file_figure_and_residuals_and_the_cell_runs(files, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    words = ["cell", "import", str(files / "ocv.csv"), str(files / "pulses.csv"), "--out", "mine.toml"]
    missing = CliRunner().invoke(app, words)
    assert isinstance(missing.exception, InputError)
    assert not list(tmp_path.iterdir())
    done = CliRunner().invoke(app, [*words, "--capacity", "100 Ah", "--start-soc", "0.97", "--json"])
    assert done.exit_code == 0, done.output
    found = json.loads(done.stdout)
    assert len(found["pulses"]["rows"]) == 18
    assert max(row["rms_v"] for row in found["pulses"]["rows"]) < 0.5e-3
    assert (tmp_path / "mine.png").stat().st_size > 10_000
    made = json.loads((tmp_path / "made_by.json").read_text())
    assert {entry["file"] for entry in made[0]["measured"]} == set(words[2:4])
    data = tomllib.loads((tmp_path / "mine.toml").read_text(encoding="utf-8"))
    assert "yours" in data["licence"]
    assert data["limits"]["assumed"] is True
    assert "not measured on this cell" in data["limits"]["source"]
    result = simbank.simulate(
        simbank.from_dict(bank({}, "mine.toml", [{"discharge": "0.2 C", "hours": 1}], 0.8), source="bank.toml")
    )
    assert result.summary["closure"]["energy_relative"] < 1e-5
    shown = CliRunner().invoke(app, ["cell", "show", "mine.toml"])
    assert shown.exit_code == 0, shown.output


def test_a_file_in_utf_16_is_said_to_be_one(tmp_path):
    """It was taken for a table whose headings nobody knows."""
    path = tmp_path / "log.csv"
    path.write_bytes("time_s,current_a,voltage_v\n0,0,3.3\n1,10,3.2\n".encode("utf-16"))
    with pytest.raises(InputError, match="not a text file in UTF-8"):
        read_measured_table(path)


def test_measured_values_have_no_assumed_range_and_a_fitted_decay_has_its_scatter(files, truth, tmp_path):
    """Nine of ten of a normal distribution lie within 1.645 standard errors (table of the normal distribution)."""
    kept = import_cell([files / "ocv.csv", files / "pulses.csv"], "mine", capacity_ah=AH, start_soc=START).data
    assert "range" not in kept["ocv"]
    assert list(kept["hysteresis"]["range"]) == ["decay_per_soc"]
    assert list(kept["relaxation"]["range"]) == ["activation_energy"]
    assert list(kept["typical"]["range"]) == ["specific_heat"]
    z, volt = sequence(truth, 0.2e-3)
    text = pd.DataFrame({"soc": z, "voltage_v": volt}).to_csv(index=False)
    cell = import_cell([written(tmp_path, "up_and_down.csv", text)], "mine")
    low, high = cell.data["hysteresis"]["range"]["decay_per_soc"]
    assert (low + high) / 2 == pytest.approx(cell.ocv.decay_per_soc, abs=1e-3)
    assert (high - low) / 2 == pytest.approx(1.645 * cell.ocv.decay_error, abs=1e-3)
