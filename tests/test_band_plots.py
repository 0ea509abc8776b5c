"""Plots of bands draw what their tables hold."""

import itertools
import math

import numpy as np
import pandas as pd
import pytest
from matplotlib.colors import to_hex

import simbank
from simbank.errors import InputError
from simbank.plotting import band_plots
from simbank.scenario import example
from simbank.studies.paired import SURE

WORDS = {
    "spread_max_points": "largest spread [points]",
    "share_ratio_max": "largest share ratio",
    "first_full_h": "first pack full at",
}
ENDS = ("low", "mid", "high")


def soc_of(packs, hours=24):
    """State of charge of packs that end 5 points apart, each ±3 points."""
    times = np.linspace(0.0, hours * 3600.0, 60)
    columns = pd.MultiIndex.from_product([packs, ENDS], names=["pack", "quantile"])
    values = [
        0.3 + 0.2 * times / times[-1] + 0.05 * k * times / times[-1] + d for k in range(len(packs)) for d in (-0.03, 0.0, 0.03)
    ]
    return pd.DataFrame(np.array(values).T, index=pd.Index(times, name="time_s"), columns=columns)


def shade(axis):
    """Lowest and highest of what is shaded, at the right end of the axis."""
    points = axis.collections[0].get_paths()[0].vertices
    right = points[np.isclose(points[:, 0], points[:, 0].max())]
    return right[:, 1].min(), right[:, 1].max()


def test_soc_is_shaded_from_5_to_95_percent():
    found = soc_of(["A", "B"])
    axes = band_plots.plot_soc_bands(found).axes
    assert [axis.get_title() or axis.get_title("left") for axis in axes] == ["A", "B"]
    for axis, pack in zip(axes, "AB", strict=True):
        assert shade(axis) == pytest.approx((100 * found[pack]["low"].iloc[-1], 100 * found[pack]["high"].iloc[-1]))
        assert axis.lines[-1].get_ydata()[-1] == pytest.approx(100 * found[pack]["mid"].iloc[-1])


def test_of_many_packs_both_ends_of_the_row_stay():
    packs = [f"P{k}" for k in range(1, 11)]
    figure = band_plots.plot_soc_bands(soc_of(packs))
    shown = [axis.get_title("left") for axis in figure.axes if axis.get_visible()]
    assert len(shown) == band_plots.MOST_PANELS
    assert shown[0] == "P1"
    assert shown[-1] == "P10"
    assert "6 of 10 packs" in figure._supxlabel.get_text()
    assert len(figure.axes[0].lines) == len(packs)  # the middle of every other pack in grey


def test_a_long_run_shows_the_day_of_the_largest_spread():
    figure = band_plots.plot_soc_bands(soc_of(["A", "B"], hours=72))
    assert figure.axes[0].get_xlim() == (48.0, 72.0)  # they part until the end
    assert "of 72" in figure._supxlabel.get_text()


def test_spread_tells_its_largest():
    times = pd.Index(np.arange(4) * 3600.0, name="time_s")
    found = pd.DataFrame({"low": [0, 3, 7.0, 1], "mid": [0, 5, 11.0, 2], "high": [0, 8, 18.0, 3]}, index=times)
    axis = band_plots.plot_spread_band(found).axes[0]
    assert axis.texts[0].get_text() == "11 points (7 to 18)"
    assert axis.lines[0].get_ydata().tolist() == found["mid"].tolist()


def table_of(**rows):
    return pd.DataFrame(rows, index=["low", "mid", "high", "file"]).T


def test_figures_have_bar_stroke_and_diamond():
    table = table_of(spread_max_points=[7.0, 11.0, 18.0, 11.3], share_ratio_max=[1.05, 1.09, 1.12, 1.07])
    axes = band_plots.plot_figure_bands(table, WORDS).axes
    assert len(axes) == 2
    bar, diamond = axes[0].patches[0], axes[0].lines[0]
    assert (bar.get_x(), bar.get_x() + bar.get_width()) == pytest.approx((7.0, 18.0))
    assert diamond.get_xdata()[0] == 11.3
    assert diamond.get_marker() == "D"
    assert [text.get_text() for text in axes[0].texts] == ["7.0", "18.0"]


def test_a_time_that_may_never_come_says_never():
    axis = band_plots.plot_figure_bands(table_of(first_full_h=[2.0, 5.0, math.inf, math.inf]), WORDS).axes[0]
    assert [text.get_text() for text in axis.texts] == ["2:00:00", "never"]
    assert axis.patches[0].get_hatch()  # its end is none
    with pytest.raises(InputError):
        band_plots.plot_figure_bands(table_of(first_full_h=[math.inf] * 4), WORDS)


def test_paired_turns_rows_to_the_best_layout():
    columns = ["layout", "other", "figure", "better", "worse", "low", "mid", "high"]
    rows = [
        ("busbar", "chain", "spread_max_points", 0.99, 0.01, 4.0, 6.0, 9.0),
        ("chain", "chain-middle", "spread_max_points", 0.5, 0.4, -3.0, 0.5, 2.0),
    ]
    paired = pd.DataFrame(rows, columns=columns)
    axis = band_plots.plot_paired(paired, {"spread_max_points": "chain"}, WORDS, SURE).axes[0]
    bars = [(bar.get_x(), bar.get_x() + bar.get_width()) for bar in axis.patches]
    assert bars == [(-9.0, -4.0), (-3.0, 2.0)]  # the bus bar is better: from the chain's side by less than nothing
    labels = [label.get_text() for label in axis.get_yticklabels()]
    assert labels == ["than busbar\nin 1 % of draws", "than chain-middle\nin 50 % of draws"]
    low, high = axis.get_xlim()
    assert low < -9.0
    assert high > 2.0
    axis = band_plots.plot_paired(paired, {"spread_max_points": "busbar"}, WORDS, SURE).axes[0]
    assert [bool(bar.get_hatch()) for bar in axis.patches] == [False]


def test_numbers_along_the_axis_do_not_overlap():
    columns = ["layout", "other", "figure", "better", "worse", "low", "mid", "high"]
    rows = [("a", "b", figure, 0.6, 0.3, low, mid, high) for figure, low, mid, high in (
        ("spread_max_points", -0.0549, 0.02, 0.0975), ("share_ratio_max", -0.0549, 0.02, 0.0975))]  # fmt: skip
    figure = band_plots.plot_paired(
        pd.DataFrame(rows, columns=columns), dict.fromkeys(["spread_max_points", "share_ratio_max"], "a"), WORDS, SURE
    )
    figure.canvas.draw()
    for axis in figure.axes:
        boxes = [
            label.get_window_extent()
            for label in axis.get_xticklabels()
            if axis.get_xlim()[0] <= label.get_position()[0] <= axis.get_xlim()[1]
        ]
        assert len(boxes) >= 3
        assert all(one.x1 < other.x0 for one, other in itertools.pairwise(boxes))


def test_drivers_and_measure_first():
    columns = ["key", "figure", "share", "low", "high", "sign", "told"]
    table = pd.DataFrame(
        [("a", "spread_max_points", 0.5, 0.4, 0.6, 1, True), ("b", "spread_max_points", 0.2, 0.1, 0.3, -1, True),
         ("c", "spread_max_points", 0.01, 0.0, 0.1, 0, False)],
        columns=columns,
    )  # fmt: skip
    axis = band_plots.plot_drivers(
        table, ["spread_max_points"], WORDS, {"a": "joints of the link"}, {"spread_max_points": 0.8}
    ).axes[0]
    assert [label.get_text() for label in axis.get_yticklabels()] == ["joints of the link", "b"]
    assert [text.get_text() for text in axis.texts] == ["grows with it", "falls with it"]
    assert [bar.get_width() for bar in axis.patches] == pytest.approx([50.0, 20.0])
    with pytest.raises(InputError):
        band_plots.plot_drivers(table[~table["told"]], ["spread_max_points"], WORDS, {}, {})
    columns = ["what", "where", "figure", "from_low", "from_high", "to_low", "to_high", "told"]
    first = pd.DataFrame([("milliohms across", "link A-B +", "spread_max_points", 6.0, 19.0, 9.0, 12.0, True)], columns=columns)
    axis = band_plots.plot_measure_first(first, "spread_max_points", WORDS["spread_max_points"]).axes[0]
    bars = [bar for bar in axis.patches if bar.get_height() < 0.9]
    assert [(bar.get_x(), bar.get_x() + bar.get_width()) for bar in bars] == [(6.0, 19.0), (9.0, 12.0)]
    assert bars[0].get_hatch()
    assert to_hex(bars[0].get_facecolor()) == "#ffffff"


def test_bands_of_a_run_write_their_pictures(tmp_path):
    bank = example("classroom_chain")
    found = simbank.bands(bank, 100, jobs=1)
    found.write(tmp_path)
    names = {path.name for path in tmp_path.glob("*.png")}
    assert {"bands.png", "bands_soc.png", "bands_spread.png", "drivers.png"} <= names
    assert names == {picture.file for picture in found.pictures()}
    table = found.table.loc["spread_max_points"]
    assert found.plot().axes[0].patches[0].get_width() == pytest.approx(table["high"] - table["low"])


def test_bands_of_layouts_write_their_pictures(tmp_path):
    found = simbank.compare(example("classroom_chain"), ["chain", "chain-opposite"], bands=20, integrator="fast")
    found.write(tmp_path)
    assert {path.name for path in (tmp_path / "bands").glob("*.png")} == {"bands.png", "paired.png"}
