"""Result, broken-off runs, plots."""

import numpy as np
import pytest
from banks import Case, affine_chemistry, constant, pack, wired
from matplotlib.text import Text

import simbank
from simbank.bank import Bank
from simbank.bank.equipment import Inverter
from simbank.cells import Curve
from simbank.duty import Command, Duty, Step
from simbank.plotting import plots


def test_frames_slice_without_learning_classes(clinic):
    result = simbank.simulate(clinic, tolerance=1e-7)
    assert list(result.packs["soc"].columns) == ["A", "B", "C", "D", "E"]
    assert result.packs.index.name == "time_s"
    assert result.branch_current_a["link A-B +"].to_numpy() == pytest.approx(
        result.packs["current_a"][["B", "C", "D", "E"]].sum(axis=1).to_numpy() * -1, abs=1e-7
    )
    assert result.complete


def test_a_run_that_stops_keeps_what_it_computed(clinic):
    calls = []

    def stop(done):
        calls.append(done)
        if len(calls) == 4:
            raise KeyboardInterrupt

    with pytest.raises(simbank.SimulationError) as caught:
        simbank.simulate(clinic, progress=stop)
    partial = caught.value.partial
    assert not partial.complete
    assert 0 < len(partial.packs) < len(simbank.simulate(clinic).packs)
    assert partial.summary["closure"]["charge_relative"] < 1e-7


def test_a_bank_that_never_settles_is_reported(integrator):
    """An inverter that waits no time before it is on again, at rest above its recovery voltage and under load below its cut-off. (No
    file can say so: its recovery_delay must be above zero.)"""
    inverter = Inverter(3000.0, Curve(0.0, 0.94), recovery_volt=52.0, recovery_delay_s=0.0)
    bank = wired([pack("P", affine_chemistry(slope=0.2, at_half=3.3), 100, 10e-3, 0.3, cells=16)])
    duty = Duty((Step(3600.0, {"port": Command("power", 3000.0, cutoff_volt=51.5)}),))
    case = Case(Bank("never", bank.packs, bank.graph, port_equipment={"port": (inverter, None)}), duty)
    with pytest.raises(simbank.SimulationError, match=r"the bank does not settle: port keeps changing") as caught:
        simbank.simulate(case, integrator=integrator)
    assert 100 < len(caught.value.partial.events) < 1000


def test_progress_rises_to_one(clinic):
    seen = []
    simbank.simulate(clinic, tolerance=1e-7, progress=seen.append)
    assert seen == sorted(seen)
    assert seen[-1] == pytest.approx(1.0)


def test_plots_draw_what_the_frames_hold(clinic):
    result = simbank.simulate(clinic, tolerance=1e-7)
    axis = result.plot_soc().axes[0]
    drawn = {tuple(np.round(line.get_ydata()[::500], 9)) for line in axis.get_lines()}
    assert drawn == {tuple(np.round(result.packs["soc"][name].to_numpy()[::500] * 100, 9)) for name in "ABE"}
    assert {text.get_text() for text in axis.texts} == {"A, C", "B, D", "E"}  # A and C, B and D stay together all through
    apart = (result.packs["soc"][["A", "B"]].to_numpy() - result.packs["soc"][["C", "D"]].to_numpy()) * 100
    assert np.abs(apart).max() < plots.SAME_POINTS
    bars = result.plot_throughput().axes[0].patches
    assert [bar.get_height() for bar in bars] == pytest.approx([p["throughput_ah"] for p in result.summary["packs"]])
    *panels, night = result.plot_current().axes
    assert len(panels) == 5
    assert {panel.get_ylim() for panel in panels} == {panels[0].get_ylim()}  # one scale for all packs
    assert night.get_yscale() == "symlog"
    assert result.plot_spread().axes[0].get_lines()[0].get_ydata().max() == pytest.approx(result.spread_points.max())


def test_end_labels_do_not_cover_each_other(clinic):
    figure = simbank.simulate(clinic, tolerance=1e-7).plot_soc()
    figure.draw_without_rendering()
    boxes = [Text.get_window_extent(text) for text in figure.axes[0].texts]  # of the words, without the line to them
    for k, box in enumerate(boxes):
        assert not any(box.overlaps(other) for other in boxes[k + 1 :])


def test_palette_stays_apart_in_grey():
    """CIE lightness L* of any two colours differs by seven or more (sRGB by IEC 61966-2-1, CIE 1976; from memory)."""
    from matplotlib.colors import to_rgb

    def lightness(colour):
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in to_rgb(colour)]
        return 116 * np.dot(linear, [0.2126, 0.7152, 0.0722]) ** (1 / 3) - 16

    assert np.diff(sorted(lightness(c) for c in plots.PALETTE)).min() > 7


def test_every_column_that_is_written_is_described(root, tmp_path):
    """Names and order of the columns in the files, against what ``columns`` says of them; and a unit where the name ends in one."""
    import json

    import pandas as pd

    from simbank.simulation import columns

    folder = simbank.simulate(simbank.load(root / "scenarios" / "two_inverters.toml"), integrator="fast").write(tmp_path)
    summary = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
    seen = set()
    for table in columns():
        for place in table.name.split(", "):
            file, _, part = place.partition(": ")
            seen.add(place)
            if part:
                rows = summary[part] if isinstance(summary[part], list) else [summary[part]]
                assert rows
                assert all(list(row) == table.names for row in rows), place
            else:
                frame = pd.read_csv(folder / file) if file.endswith("csv") else pd.read_parquet(folder / file)
                assert list(frame.columns) == table.names, place
        endings = {
            "_wh": "Wh",
            "_ah": "Ah",
            "_h": "h",
            "_s": "s",
            "_a": "A",
            "_v": "V",
            "_w": "W",
            "_c": "°C",
            "_m": "m",
            "_ohm": "Ω",
        }
        for column in table.columns:
            assert column.meaning
            assert column.unit == endings.get("_" + column.name.rpartition("_")[2], column.unit), column
    written = {
        f"{name}.{ending}" for name in ("packs", "ports", "branches", "events", "soc_at_rest") for ending in ("csv", "parquet")
    }
    parts = {f"summary.json: {key}" for key in ("bank", "packs", "ports", "pairs", "losses_wh", "events", "closure")}
    assert seen == written | parts


def at_rest(layout="chain", steps=None, repeat=1, **options):
    """A run of three packs of which the middle one is small; 100 + 50 + 100 Ah."""
    packs = [pack(name, affine_chemistry(), ah, 10e-3, 0.3, cells=16) for name, ah in zip("ABC", (100, 50, 100), strict=True)]
    duty = Duty(steps or (constant(2, -50.0), constant(4, 0.0), constant(1, 50.0), constant(2, 0.0)), repeat)
    return simbank.simulate(Case(wired(packs, layout, link=1e-3, lead=0.5e-3), duty), **options)


def test_instants_of_a_hand_made_duty(integrator):
    """Charge for 2 h, rest to 6 h, discharge to 7 h, rest to 9 h, and that twice: before the first charge, the rest at 6 h, the rest at
    9 h with the second charge after it, and so on; the end comes after a rest. What the packs held follows from ∫ I dt."""
    result = at_rest(repeat=2, integrator=integrator)
    frame = result.soc_at_rest()
    assert list(frame.index) == [
        (0.0, "before charge"), (6 * 3600.0, "after 4 h at rest"), (9 * 3600.0, "before charge, after 2 h at rest"),
        (15 * 3600.0, "after 4 h at rest"), (18 * 3600.0, "end of run, after 2 h at rest"),
    ]  # fmt: skip
    bank = frame[["A", "B", "C"]].to_numpy() @ [100, 50, 100] / 250
    assert bank == pytest.approx([0.3, 0.7, 0.5, 0.9, 0.7], abs=1e-9)
    assert frame.to_numpy() == pytest.approx(result.packs["soc"].loc[frame.index.get_level_values(0)].to_numpy())
    assert frame.attrs["note"] == ""


def test_a_flicker_is_no_charge_and_a_trickle_is_rest():
    """2 Ah in and out again, a hundredth of the bank, between two discharges; then eight hours at C/250 after it."""
    flicker = (constant(1, 25.0), constant(0.1, -25.0), constant(1, 25.0), constant(8, 1.0), constant(1, -50.0))
    assert [word for _, word in at_rest(steps=flicker).soc_at_rest().index] == ["before charge, after 8 h at rest", "end of run"]


def test_coarse_samples_say_so():
    fine, coarse = at_rest(), at_rest(output_step_s=1800.0)
    assert coarse.soc_at_rest().attrs["note"] == (
        "samples are up to 30 min apart: each instant may lie that much before what it is named after"
    )
    assert coarse.soc_at_rest().to_numpy() == pytest.approx(fine.soc_at_rest().to_numpy(), abs=1e-8)


def test_near_and_far_go_by_the_resistance_there_and_back():
    """A chain of links of 1 mΩ and leads of 0.5 mΩ by hand: two links further out there and back for each pack. From its middle the
    outer two are equally far; so are all under opposite corners, where what the one polarity is longer the other is shorter."""
    chain = at_rest(steps=(constant(1, 10.0),)).wiring_ohm()
    assert list(chain.index) == ["A", "B", "C"]
    assert chain.diff().to_numpy()[1:] == pytest.approx([2e-3, 2e-3], abs=1e-12)
    assert list(at_rest("chain-middle", (constant(1, 10.0),)).wiring_ohm().index) == ["B", "A", "C"]
    opposite = at_rest("chain-opposite", (constant(1, 10.0),))
    assert list(opposite.wiring_ohm().index) == ["A", "B", "C"]
    assert np.ptp(opposite.wiring_ohm()) == pytest.approx(0.0, abs=1e-12)
    with pytest.raises(simbank.InputError, match="no such port"):
        opposite.wiring_ohm("prt")


def test_soc_at_rest_is_kept_of_a_run_that_stops(clinic):
    def stop(done):
        if done > 0.5:
            raise KeyboardInterrupt

    with pytest.raises(simbank.SimulationError) as caught:
        simbank.simulate(clinic, progress=stop)
    assert caught.value.partial.soc_at_rest().index[-1][1].startswith("where the run stopped")


def test_the_figure_at_rest_draws_what_the_table_holds():
    result = at_rest(repeat=2)
    axis = result.plot_soc_at_rest().axes[0]
    frame = result.soc_at_rest() * 100
    assert axis.get_xticklabels()[0].get_text().startswith("A\n100 Ah\n")
    drawn = [line.get_ydata() for line in axis.get_lines() if len(line.get_ydata()) == 3]
    # 6 and 18 h into the run the bank stands alike: one line
    assert np.array(drawn) == pytest.approx(frame.iloc[:4].to_numpy())
    assert sum("6, 18 h" in text.get_text() for text in axis.texts) == 1


def test_shares_are_drawn_near_to_far():
    result = at_rest("chain-middle")
    discharge, charge = (line.get_ydata() for line in result.plot_share().axes[0].get_lines() if len(line.get_ydata()) == 3)
    packs = {pack["name"]: pack for pack in result.summary["packs"]}
    assert discharge == pytest.approx([packs[name]["share_ratio_discharge"] for name in "BAC"])
    assert charge == pytest.approx([packs[name]["share_ratio_charge"] for name in "BAC"])


def test_the_night_shows_what_flows_between_packs_and_no_load():
    """After an hour's charge the bank feeds C/250 for four hours: what each pack carries beyond its share of that."""
    result = at_rest(steps=(constant(1, -50.0), constant(4, 1.0)))
    *_, night = result.plot_current().axes
    lines = {line.get_linestyle(): line.get_ydata() for line in night.get_lines() if len(line.get_ydata()) > 2}
    beyond = result.packs["current_a"].to_numpy() - np.outer(np.full(len(result.packs), 1.0), [0.4, 0.2, 0.4])
    for drawn in lines.values():
        seen = np.isfinite(drawn)
        assert not seen[:61].any()
        assert np.min([np.abs(drawn - pack)[seen].max() for pack in beyond.T]) < 1e-9


def test_figures_are_written_at_150_dots_an_inch(tmp_path):
    """Width in pixels over width in inches, from the file's own header (PNG, ISO/IEC 15948: IHDR, pHYs)."""
    from PIL import Image

    result = at_rest()
    result.write(tmp_path, figures=True)
    names = {path.name for path in tmp_path.glob("*.png")}
    assert names == {"soc.png", "soc_at_rest.png", "share.png", "spread.png", "current.png", "throughput.png"}
    for path in tmp_path.glob("*.png"):
        assert Image.open(path).info["dpi"] == pytest.approx((150, 150), abs=0.02)
    result.plot_soc().savefig(tmp_path / "mine.png")
    assert Image.open(tmp_path / "mine.png").width == pytest.approx(8.6 * 150, abs=1)


@pytest.mark.parametrize(
    ("name", "packs"),
    [
        ("classroom_chain", 5),
        ("classroom_chain", 12),
        ("hilltop_clinic", None),
        ("hilltop_clinic_days", None),
        ("valley_workshop_mistakes", None),
    ],
)
def test_words_of_a_figure_neither_meet_nor_leave_it(name, packs):
    """Titles, names at lines and small print, with a bank's name of ninety letters."""
    changes = {"name": "A bank whose name is so very long that it fits on no line of any figure in this world of ours"}
    result = simbank.simulate(simbank.example(name, changes | ({"packs.P.count": packs} if packs else {})), integrator="fast")
    for picture in result.pictures():
        figure = picture.figure
        figure.draw_without_rendering()
        words = [text for axis in figure.axes for text in (*axis.texts, axis._left_title, axis.xaxis.label, axis.yaxis.label)]
        if figure._supxlabel is not None:
            words.append(figure._supxlabel)
        boxes = [(text.get_text(), Text.get_window_extent(text).padded(-1)) for text in words if text.get_text()]
        for k, (text, box) in enumerate(boxes):
            inside = box.x0 >= 0 and box.y0 >= 0 and box.x1 <= figure.bbox.width and box.y1 <= figure.bbox.height
            assert inside, (picture.file, text)
            for other, beside in boxes[k + 1 :]:
                assert not box.overlaps(beside), (picture.file, text, other)
