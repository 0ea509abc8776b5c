"""simbank at home in Python: what an object shows of itself, examples from a wheel, results read back, one instant, own objects."""

import functools
import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from banks import Case, affine_chemistry, constant, pack, wired
from pandas.testing import assert_frame_equal

import simbank as sb
from simbank.bank import LAYOUTS
from simbank.duty import Duty
from simbank.notebook import MOST_BYTES, as_html
from simbank.warning import BankWarning

SHORT = {"duty": {"kind": "constant", "discharge": "10 A", "hours": 0.5}}


@pytest.fixture(scope="module")
def chain():
    return sb.example("classroom_chain", SHORT)


@pytest.fixture(scope="module")
def run(chain):
    return sb.simulate(chain, integrator="fast")


# ---- what it shows of itself ----


def test_version_is_that_of_the_installed_package():
    from importlib.metadata import version

    assert sb.__version__ == version("simbank")
    assert "__version__" in dir(sb)


def test_objects_say_what_they_are(chain, run):
    assert repr(chain) == "<Scenario 'Classroom chain': 5 packs, 500 Ah, chain, duty of 0.5 h>"
    spread = run.summary["bank"]["spread_end_points"]
    assert (
        repr(run)
        == f"<Result 'Classroom chain': 5 packs, 0.5 h, spread {spread:.1f} points at most, {spread:.1f} at the end, 1 warning>"
    )
    table = sb.usable(chain, 1.0)
    assert repr(sb.Usable(table)) == "<Usable 'Classroom chain: from full to cut-off at 1 C': 7 rows, 1 warning>"


def studies(chain):
    yield sb.compare(chain, ["chain", "busbar"], integrator="fast")
    yield sb.Sweep(sb.sweep(chain, {"wiring.layout": ["chain", "busbar"]}))
    yield sb.Usable(sb.usable(chain, 1.0))
    yield sb.drift(chain, ["lfp"])
    yield sb.sensitivity(chain, {"packs.P1.soc": "uniform 0.2 0.4", "packs.P2.soc": "uniform 0.2 0.4"}, runs=4)
    yield sb.protect(chain)
    yield sb.bill(chain)


def test_a_notebook_shows_title_warnings_table_and_a_small_picture(chain, run):
    for shown in (chain, run, *studies(chain)):
        html = shown._repr_html_()
        assert html.startswith("<h4>")
        assert "<table" in html, shown
        for warning in getattr(shown, "warnings", ()):
            assert warning.text.replace("<", "&lt;").replace(">", "&gt;")[:60] in html
        for image in re.findall(r"base64,([^\"]+)", html):
            assert 2000 < len(image) < MOST_BYTES
        assert len(html) < 2 * MOST_BYTES
        assert shown is chain or "licensed person" in html  # the caution
    assert "<svg" in chain._repr_html_()


def test_a_notebook_shows_no_markup_of_a_name():
    frame = pd.DataFrame({"<i>": ["<b>"]})
    html = as_html("<u>", warnings=[BankWarning("code", "<s>", "<q>")], words=["<a>"], table=frame, caution="<p1>")
    assert not any(f"<{tag}>" in html for tag in ("u", "s", "q", "a", "i", "p1"))
    assert "&lt;b&gt;" in html


def test_figures_appear_in_a_notebook_without_pyplot(tmp_path):
    """A notebook executed by nbclient: the last expression of a cell gives a PNG, as it is defined (ISO/IEC 15948: its signature)."""
    import base64

    import nbclient
    import nbformat

    cells = [
        "import simbank as sb\nscenario = sb.example('classroom_chain', {'duty': {'kind': 'constant', 'discharge': '10 A', 'hours': 0.5}})\n"
        "result = sb.simulate(scenario, integrator='fast')\nresult",
        "result.plot_soc()", "result.plot_current()", "scenario",
        "import sys\nassert 'matplotlib.pyplot' not in sys.modules",
    ]  # fmt: skip
    book = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell(source) for source in cells])
    nbclient.NotebookClient(book, timeout=300, resources={"metadata": {"path": str(tmp_path)}}).execute()
    shown = [cell.outputs[0].data if cell.outputs else {} for cell in book.cells]
    assert "Classroom chain" in shown[0]["text/html"]
    for figure in shown[1:3]:
        png = base64.b64decode(figure["image/png"])
        assert png[:8] == b"\x89PNG\r\n\x1a\n"
        assert len(png) > 5000
    assert "<svg" in shown[3]["text/html"]


# ---- examples ----


def test_examples_are_the_shipped_scenarios(root):
    told = sb.examples()
    assert list(told) == sorted(path.stem for path in (root / "scenarios").glob("*.toml"))
    assert all(len(question) > 40 and "Answer" not in question for question in told.values())
    for name in ("classroom", "../scenarios/classroom_chain", ""):
        with pytest.raises(sb.InputError, match="no such example"):
            sb.example(name)


def test_a_wheel_holds_the_examples(root, tmp_path):
    """Built from the clone, unpacked elsewhere and used from there in a process that does not see the clone."""
    build = pytest.importorskip("hatchling.builders.wheel", reason="hatchling builds the wheel")
    import zipfile

    (made,) = list(build.WheelBuilder(str(root)).build(directory=str(tmp_path), versions=["standard"]))
    with zipfile.ZipFile(made) as wheel:
        names = wheel.namelist()
        wheel.extractall(tmp_path / "site")
    files = [path.relative_to(root / "scenarios").as_posix() for path in (root / "scenarios").rglob("*") if path.is_file()]
    assert {f"simbank/example_scenarios/{file}" for file in files} <= set(names)
    lessons = [path.name for path in (root / "notebooks" / "pages").glob("*.toml")]
    assert {f"simbank/example_lessons/{name}" for name in lessons} == {name for name in names if "example_lessons" in name}
    code = (
        "import simbank as sb, pathlib; from simbank.provenance import code_hash; s = sb.example('two_inverters'); "
        "print(pathlib.Path(s.source).parent.name, len(s.bank.packs), len(sb.examples()), code_hash(), sep='|')"
    )
    ran = subprocess.run(
        [sys.executable, "-c", code], cwd=tmp_path / "site", capture_output=True, text=True, check=True,
        env={"PATH": "/usr/bin", "PYTHONPATH": str(tmp_path / "site"), "NUMBA_CACHE_DIR": str(tmp_path / "cache")},
    )  # fmt: skip
    from simbank.provenance import code_hash

    assert ran.stdout.strip().split("|") == ["example_scenarios", "4", str(len(sb.examples())), code_hash()]


# ---- read back ----


@pytest.mark.parametrize("name", ["classroom_chain", "two_inverters", "winter_hut"])
def test_a_run_is_read_back_to_the_last_digit(tmp_path, name):
    made = sb.simulate(sb.example(name), integrator="fast")
    again = sb.read(made.write(tmp_path / "run"))
    for table in ("packs", "ports", "branches", "events"):
        assert_frame_equal(getattr(made, table), getattr(again, table), check_exact=True)
    assert_frame_equal(made.soc_at_rest(), again.soc_at_rest(), check_exact=True)
    assert again.summary == made.summary
    assert again.warnings == made.warnings
    assert again.made_by == made.made_by
    assert repr(again) == repr(made)
    assert again.scenario.data == made.scenario.data
    assert len(again.pictures()) == len(made.pictures())
    assert_frame_equal(again.branch_current_a, made.branch_current_a, rtol=0, atol=1e-9)
    assert [verdict.text for verdict in sb.verdicts(again)] == [verdict.text for verdict in sb.verdicts(made)]
    assert_frame_equal(sb.read(again.write(tmp_path / "again")).packs, made.packs, check_exact=True)


def test_currents_of_conductors_are_not_guessed_where_a_device_opened(tmp_path):
    scenario = sb.example("valley_workshop", {"duty": {"kind": "constant", "discharge": "900 A", "hours": 0.2}})
    made = sb.simulate(scenario, integrator="fast")
    assert made.events["where"].isin([device.name for device in scenario.bank.devices]).any()
    with pytest.raises(sb.InputError, match="not written, and a device opened or closed"):
        _ = sb.read(made.write(tmp_path)).branch_current_a


def test_a_run_that_stopped_is_read_back(tmp_path):
    def stop(done):
        if done > 0.5:
            raise KeyboardInterrupt

    with pytest.raises(sb.SimulationError) as caught:
        sb.simulate(sb.example("classroom_chain"), progress=stop)
    again = sb.read(caught.value.partial.write(tmp_path))
    assert not again.complete
    assert "stopped before its end" in repr(again)


def test_studies_are_read_back_as_far_as_their_files_go(tmp_path, chain):
    for k, made in enumerate(studies(chain)):
        again = sb.read(made.write(tmp_path / str(k)))
        want, got = (
            table.drop(columns=["numbers", "wants"], errors="ignore").replace("", np.nan).fillna(np.nan).infer_objects()
            for table in (made.table, again.table)
        )  # a table holds those of a check in words; JSON has them as data
        assert_frame_equal(want, got, check_dtype=False, check_exact=True, check_names=made.INDEXED)
        assert again.title == made.title
        assert list(again.warnings) == list(made.warnings)
        assert list(again.words) == list(made.words)
        if type(again) is type(made):
            assert again.summary == made.summary
            assert len(again.pictures()) == len(made.pictures())
        else:
            with pytest.raises(sb.InputError, match="make them again"):
                again.plot()
            assert again._repr_html_()
    assert isinstance(sb.read(tmp_path / "0").results["busbar"], sb.Result)


def test_what_cannot_be_read_is_one_clear_error(tmp_path, run, chain):
    with pytest.raises(sb.InputError, match="no such file; give a folder that a result was written into"):
        sb.read(tmp_path)
    run.write(tmp_path)
    sb.Usable(sb.usable(chain, 1.0)).write(tmp_path)
    with pytest.raises(sb.InputError, match="give each a folder of its own"):
        sb.read(tmp_path)
    broken = run.write(tmp_path / "broken")
    (broken / "packs.parquet").write_bytes(b"no table")
    with pytest.raises(sb.InputError, match=r"packs.parquet: not a Parquet table"):
        _ = sb.read(broken).packs
    (broken / "summary.json").write_text("{}")
    with pytest.raises(sb.InputError, match="it lacks 'complete'"):
        sb.read(broken)


def test_a_file_that_changed_since_is_told(tmp_path):
    """A run of a table, read back after the table was changed: its figures stand, its scenario does not."""
    source = Path(sb.example("two_inverters").source).parent
    for name in ("two_inverters.toml", "two_inverters_load.csv"):
        (tmp_path / name).write_text((source / name).read_text())
    made = sb.simulate(sb.load(tmp_path / "two_inverters.toml"), integrator="fast")
    folder = made.write(tmp_path / "run")
    table = tmp_path / "two_inverters_load.csv"
    table.write_text(table.read_text() + "\n")
    again = sb.read(folder)
    assert_frame_equal(again.packs, made.packs)
    with pytest.raises(sb.InputError, match=r"changed since the run was made: two_inverters_load\.csv"):
        _ = again.scenario


def test_xarray_has_the_same_numbers_and_units(run):
    pytest.importorskip("xarray")
    data = run.to_xarray()
    assert data["soc"].dims == ("time_s", "pack")
    assert np.array_equal(data["current_a"].sel(pack="P3"), run.packs["current_a"]["P3"])
    assert np.array_equal(data["port_voltage_v"].sel(port="charger"), run.ports["voltage_v"]["charger"])
    units = {name: data[name].attrs["units"] for name in data.variables if "units" in data[name].attrs}
    assert units == {
        "time_s": "s", "soc": "1", "current_a": "A", "terminal_v": "V", "hysteresis": "1", "temperature_c": "degC",
        "port_current_a": "A", "port_voltage_v": "V", "port_power_w": "W",
    }  # fmt: skip
    assert all(data[name].attrs["long_name"] for name in data.data_vars)


# ---- the first instant ----


def test_currents_of_the_first_instant_by_hand():
    """Two equal packs of E = 3.3 V and R = 10 mΩ, links of r = 1 mΩ a polarity, 30 A at the first: the far pack stands behind R + 2 r,
    so the near one carries 30 (R + 2 r) / (2 R + 2 r) = 180 / 11 A (Kirchhoff)."""
    packs = [pack(name, affine_chemistry(), 100, 10e-3, 0.5) for name in "AB"]
    point = sb.operating_point(Case(wired(packs, link=1e-3), Duty((constant(1, 5.0),))), {"port": 30.0})
    near = 30.0 * 12 / 22
    assert point.packs["current_a"].to_dict() == pytest.approx({"A": near, "B": 30.0 - near})
    assert point.packs["share_ratio"].to_dict() == pytest.approx({"A": near / 15, "B": 2 - near / 15})
    assert point.branches["current_a"].abs().to_numpy() == pytest.approx([30 - near] * 2)
    assert point.branches["drop_v"].abs().to_numpy() == pytest.approx([(30 - near) * 1e-3] * 2)
    assert point.ports.loc["port"].to_dict() == pytest.approx(
        {"current_a": 30.0, "voltage_v": 3.3 - near * 10e-3, "power_w": 30.0 * (3.3 - near * 10e-3)}
    )


def test_the_first_instant_is_the_first_sample_of_a_run(run, chain):
    point = sb.operating_point(chain, {"charger": 10.0})
    assert point.packs["current_a"].to_numpy() == pytest.approx(run.packs["current_a"].iloc[0].to_numpy(), abs=1e-9)
    assert point.ports["voltage_v"].to_numpy() == pytest.approx(run.ports["voltage_v"].iloc[0].to_numpy(), abs=1e-9)
    power = sb.operating_point(chain, {"charger": ("power", -500.0)})
    assert power.ports.loc["charger", "power_w"] == pytest.approx(-500.0)
    assert (power.packs["current_a"] < 0).all()
    rest = sb.operating_point(chain, {})
    assert rest.ports.loc["charger", "current_a"] == 0.0
    assert rest.packs["share_ratio"].isna().all()


@pytest.mark.parametrize(
    ("commands", "problem"),
    [
        ({"chrger": 1.0}, 'no such port; did you mean "charger"'),
        ({"charger": ("amps", 1.0)}, "unknown kind"),
        ({"charger": float("nan")}, "must be a finite number"),
        ({"charger": "10 A"}, "must be a finite number"),
        ({"charger": ("resistance", 0.0)}, "above zero"),
    ],
)
def test_what_a_first_instant_cannot_be_asked(chain, commands, problem):
    with pytest.raises(sb.InputError, match=problem):
        sb.operating_point(chain, commands)


# ---- own objects ----


@pytest.fixture
def ring():
    """The chain closed by one more link of each polarity from the last pack back to the first."""

    @sb.layout("ring", part="link", order=9, summary="chain closed to a ring, take-off at the first")
    def ring(units, parts):
        branches = []
        for one, other in zip(units, [*units[1:], units[0]], strict=True):
            for pole, sign in ((1, "+"), (2, "-")):
                name = f"link {one[0]}-{other[0]} {sign}"
                branches.append(sb.Branch(name, "link", one[pole], other[pole], parts.link.resistance_ohm, parts.link, pole=sign))
        return branches, (units[0][1], units[0][2])

    yield ring
    LAYOUTS.pop("ring")


def own_curve(**more):
    return replace(sb.load_chemistry("lfp"), ocv=sb.Curve([0.0, 0.1, 0.5, 0.9, 1.0], [2.6, 3.20, 3.29, 3.33, 3.45]), **more)


def own(duty=None, **chemistry):
    """The classroom chain with an open-circuit curve and a duty of a program's own."""
    duty = duty or sb.Duty((sb.Step(1800.0, {"charger": sb.Command("current", 20.0)}),))
    changes = {"chemistries.mine": own_curve(**chemistry), "pack_types.equal.chemistry": "mine", "duty": duty}
    return sb.example("classroom_chain", changes)


def test_every_study_takes_own_objects(tmp_path, ring):
    scenario = own()
    assert scenario.bank.packs[0].chemistry.name == "mine"
    run = sb.simulate(scenario, integrator="fast")
    assert run.summary["bank"]["charge_out_ah"] == pytest.approx(10.0)  # 20 A for half an hour
    assert run.ports["voltage_v"]["charger"].iloc[0] < 16 * 3.29
    compared = sb.compare(scenario, integrator="fast")
    assert "ring" in compared.table.index
    assert compared.table.loc["ring", "share_ratio_max"] < compared.table.loc["chain", "share_ratio_max"]
    assert sb.bill(sb.with_changes(scenario, {"wiring.layout": "ring"})).mass_kg > sb.bill(scenario).mass_kg
    sized = sb.size(scenario, sb.Limits(share_ratio=1.5), layouts=["ring"], gauges=["2 AWG"])
    assert set(sized.table["layout"]) == {"ring"}
    assert list(sb.drift(scenario, ["mine"]).table.index) == ["mine"]
    assert sb.usable(scenario, 1.0).loc["bank", "charge_ah"] > 300
    found = sb.sensitivity(scenario, {"packs.P1.soc": "uniform 0.2 0.4", "packs.P2.soc": "uniform 0.2 0.4"}, runs=4)
    assert len(found.table) == 2
    assert len(sb.protect(scenario).checks)
    page = tmp_path / "page.html"
    sb.write_report(scenario, page, result=run)
    assert "Duty" in page.read_text(encoding="utf-8")


def test_a_sweep_takes_own_objects_and_its_processes_get_them(tmp_path, ring):
    """A grid of two duties and two layouts, one of them own: the rows are the same from two processes as from this one."""
    duties = [sb.Duty((sb.Step(1800.0, {"charger": sb.Command("current", amperes)}),)) for amperes in (10.0, 20.0)]
    grid = {"duty": duties, "wiring.layout": ["ring", "chain"], "packs.P1.soc": [0.3, 0.31, 0.32]}
    here = sb.sweep(own(), grid)
    assert here["failure"].isna().all()
    assert here["charge_out_ah"].round(6).tolist() == [5.0] * 6 + [10.0] * 6
    assert here["duty"].nunique() == 2
    assert_frame_equal(sb.sweep(own(), grid, jobs=2, keep=tmp_path), here, check_exact=True)
    rows = []
    sb.sweep(own(), grid, keep=tmp_path, on_row=rows.append)  # all are there
    assert rows == []
    sb.sweep(own(charge_volt=3.5), grid, keep=tmp_path, on_row=rows.append)  # another chemistry: all are made anew
    assert len(rows) == len(here)
    assert isinstance(sb.read(sb.Sweep(here).write(tmp_path / "out")), sb.Sweep)


def test_what_made_a_result_tells_own_objects_apart(tmp_path, ring):
    hashes = [
        sb.simulate(scenario, integrator="fast").made_by["scenario_sha256"]
        for scenario in (own(), own(), own(charge_volt=3.5), own(sb.Duty((sb.Step(60.0),))))
    ]
    assert hashes[0] == hashes[1]
    assert len(set(hashes)) == 3
    result = sb.simulate(sb.with_changes(own(), {"wiring.layout": "ring"}), integrator="fast")
    assert list(result.made_by["own_layouts_sha256"]) == ["ring"]
    again = sb.read(result.write(tmp_path))
    assert_frame_equal(again.packs, result.packs, check_exact=True)
    with pytest.raises(sb.InputError, match="made of objects that no file holds"):
        _ = again.scenario


def test_a_duty_of_a_table_is_that_of_a_file(tmp_path):
    """The shipped table of two inverters by pandas, with the port limits that the file's form has, against the file's own duty."""
    scenario = sb.example("classroom_chain")
    table = pd.DataFrame({"time_min": [0, 30, 40, 90], "charger_current_a": [20.0, 0.0, -15.0, 0.0]})
    table.to_csv(tmp_path / "load.csv", index=False)
    from_file = sb.with_changes(scenario, {"duty": {"kind": "table", "file": str(tmp_path / "load.csv")}})
    command = from_file.duty.steps[0].commands["charger"]
    limits = {"volt_limit": command.volt_limit, "cutoff_volt": command.cutoff_volt}
    assert sb.Duty.from_table(table, **limits) == from_file.duty
    linear = sb.Duty.from_table(table, interpolation="linear")
    assert [step.commands["charger"].slope for step in linear.steps] == pytest.approx([-20 / 1800, -15 / 600, 15 / 3000])


@pytest.mark.parametrize(
    ("changes", "problem"),
    [
        ({"duty": sb.Duty(())}, "needs a step or more"),
        ({"duty": sb.Duty((sb.Step(60.0, {"chrger": sb.Command("current", 1.0)}),))}, "no such port"),
        ({"duty": sb.Duty((sb.Step(-1.0),))}, "a millisecond or more"),
        ({"duty": sb.Duty((sb.Step(60.0, {"charger": sb.Command("amps", 1.0)}),))}, "use one of current, power, resistance"),
        ({"duty": sb.Duty((sb.Step(60.0, {"charger": sb.Command("current", np.nan)}),))}, "must be finite"),
        ({"chemistries.mine": own_curve(), "chemistries.mine.title": "x"}, "leads into a plain value"),
        ({"chemistries.mine": replace(own_curve(), ocv=sb.Curve([0, 0.5, 1], [3.0, 3.3, 3.2]))}, "nowhere falling"),
        ({"chemistries.mine": replace(own_curve(), ocv=sb.Curve([0.1, 1], [3.0, 3.3]))}, "from 0 to 1"),
        ({"chemistries.mine": replace(own_curve(), charge_volt=2.0)}, "must rise from above 0 V"),
        ({"chemistries.mine": replace(own_curve(), ocv=sb.Curve([0, 1], [3.0, 1e9]))}, "a full cell would rest at 1e.09 V"),
        ({"chemistries.mine": replace(own_curve(), ocv=sb.Curve([0, 1], [1.0, 3.4]))}, "an empty cell would rest at 1 V"),
        ({"chemistries.mine": replace(own_curve(), ocv=None)}, "ocv: must be a Curve"),
        ({"chemistries.mine": replace(own_curve(), ocv="x")}, "ocv: 'x': must be a Curve"),
        ({"chemistries.mine": replace(own_curve(), half_width=np.nan)}, "half_width: nan: must be a Curve"),
        ({"chemistries.mine": replace(own_curve(), volt_max=np.nan)}, "volt_max: nan: must be a finite number"),
        ({"chemistries.mine": replace(own_curve(), decay_per_soc=0.0)}, "decay_per_soc: 0.0: must be above zero"),
        ({"chemistries.mine": replace(own_curve(), arrhenius_k=-1.0)}, "arrhenius_k: -1.0: must not be below zero"),
        ({"chemistries.mine": replace(own_curve(), r_factor=sb.Curve([0.0], [0.0]))}, "r_factor: must be above zero"),
        ({"chemistries.mine": replace(own_curve(), rc=())}, "needs two RCPairs"),
        ({"chemistries.lfp": own_curve()}, "a shipped chemistry has this name"),
    ],
)
def test_own_objects_that_cannot_be_are_refused(changes, problem):
    with pytest.raises(sb.InputError, match=problem):
        sb.example("classroom_chain", changes)


@pytest.mark.parametrize(
    ("call", "problem"),
    [
        (lambda s: sb.operating_point(s, None), "commands: must be a dict of ports"),
        (lambda s: sb.operating_point(s, 5), "commands: 5: must be a dict of ports"),
        (lambda s: sb.operating_point(s, [1]), "must be a dict of ports"),
        (lambda s: sb.operating_point(s, {"charger": None}), "charger: must be a finite number"),
        (lambda s: sb.operating_point(s, {"charger": 10**400}), "must be a finite number"),
        (lambda s: sb.operating_point(s, {"charger": ("current", 1.0, 2.0)}), "must be a finite number"),
        (lambda s: sb.operating_point(s, {"charger": ([], 1.0)}), "unknown kind"),
        (lambda s: sb.load(s.source, {1: 2}), "changes: 1: a dotted key must be text"),
        (lambda s: sb.load(s.source, [1]), "changes: .*must be a dict of dotted keys"),
        (lambda s: sb.load(None), "path: must be a path"),
        (lambda s: sb.load(5), "path: 5: must be a path"),
        (lambda s: sb.load({}), "path: .*must be a path"),
        (lambda s: sb.from_dict(None), "must be a dict of a scenario file's form"),
        (lambda s: sb.read(None), "folder: must be a path"),
        (lambda s: sb.read(5), "folder: 5: must be a path"),
        (lambda s: sb.example(None), "name: must be a name"),
        (lambda s: sb.Duty("abc"), "steps: 'abc': must be a tuple of Steps"),
        (lambda s: sb.Duty(None), "steps: must be a tuple of Steps"),
        (lambda s: sb.Duty((5,)), "must be a tuple of Steps"),
        (lambda s: sb.Duty.from_table(None), "table: must be a DataFrame"),
        (lambda s: sb.sweep(s, {1: [2]}), "a dotted key must be text"),
    ],
)
def test_what_a_call_cannot_take_is_one_error(call, problem):
    with pytest.raises(sb.InputError, match=problem):
        call(sb.example("classroom_chain"))


@pytest.mark.parametrize(
    ("step", "problem"),
    [
        (sb.Step(None), "a millisecond or more"),
        (sb.Step(60.0, None), "commands: must be a dict of ports"),
        (sb.Step(60.0, {"charger": 5.0}), "must be a Command"),
        (sb.Step(60.0, {"charger": sb.Command("current", None)}), "must be finite"),
        (sb.Step(60.0, {"charger": sb.Command("current", 5.0, cutoff_volt=np.nan)}), "cutoff_volt: nan"),
        (sb.Step(60.0, {"charger": sb.Command("current", 5.0, tail_a=-1.0)}), "tail_a: -1.0"),
        (sb.Step(60.0, {"charger": sb.Command("current", 5.0, volt_limit=np.nan)}), "volt_limit: nan"),
    ],
)
def test_a_step_that_cannot_be_is_one_error(step, problem):
    with pytest.raises(sb.InputError, match=problem):
        sb.example("classroom_chain", {"duty": sb.Duty((step,))})


@pytest.mark.parametrize("made", [None, ("a", "b"), ([], ("x", None)), 5, ([1], ("x", "y"))])
def test_a_layout_that_returns_something_else_is_one_error(made):
    sb.layout("odd", part="link", order=9, summary="none")(lambda units, parts: made)
    try:
        with pytest.raises(sb.InputError, match=r"wiring.layout: .*the function of layout odd must return a list of Branch"):
            sb.example("classroom_chain", {"wiring.layout": "odd"})
    finally:
        LAYOUTS.pop("odd")


@pytest.mark.parametrize("text", ["null", "1", '"x"', "[]", "NaN", "{}", '{"complete": 1}'])
def test_a_damaged_summary_is_one_error_that_names_the_file(tmp_path, text):
    for name in ("summary.json", "made_by.json"):
        folder = made_run().write(tmp_path / name)
        (folder / name).write_text(text, encoding="utf-8")
        with pytest.raises(sb.InputError, match=name):
            sb.read(folder)


@functools.cache
def made_run():
    return sb.simulate(own(), integrator="fast")


@pytest.mark.parametrize(
    ("points", "problem"),
    [
        (([0, 1], [np.nan, 3.0]), "value: .*finite"),
        (([1, 0], [2.0, 3.0]), "soc: .*must rise"),
        (([0, 0], [2.0, 3.0]), "soc: .*must rise"),
        (([], []), "soc: .*one finite number or more"),
        (([0, 1], [3.0]), "2 and 1 were given"),
        (("ab", "cd"), "soc: 'ab': must be numbers"),
        ((None, None), "soc"),
        (([[0, 1]], [[1, 2]]), "soc: .*list"),
        (([0, 1], [2.0, 3.0], "spline"), "interpolation: 'spline'"),
    ],
)
def test_a_curve_needs_finite_points_that_rise(points, problem):
    with pytest.raises(sb.InputError, match=problem):
        sb.Curve(*points)


@pytest.mark.parametrize(
    ("name", "options", "problem"),
    [
        ("chain", {"part": "link", "order": 9}, "a shipped layout has this name"),
        ("graph", {"part": "link", "order": 9}, "a shipped layout has this name"),
        ("star", {"part": "link", "order": 4}, "layout busbar has this order"),
        ("star", {"part": "cable", "order": 9}, '"link" or "lead"'),
    ],
)
def test_a_layout_that_cannot_be_registered(name, options, problem):
    with pytest.raises(sb.InputError, match=problem):
        sb.layout(name, summary="", **options)


def test_the_page_on_scenarios_builds_what_it_shows(root):
    """The blocks of Python of scenarios/README.md run as they stand, one after the other."""
    text = (root / "scenarios" / "README.md").read_text(encoding="utf-8")
    blocks = re.findall(r"```python\n(.*?)```", text, re.DOTALL)
    assert blocks
    space = {}
    try:
        for block in blocks:
            exec(compile(block, "scenarios/README.md", "exec"), space)
        assert space["mine"].duty.duration_s == 3 * 3600.0
        assert space["table"].index.tolist() == ["chain", "ring"]
    finally:
        LAYOUTS.pop("ring", None)
