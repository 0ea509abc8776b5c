"""What ``--bands`` prints: figures as low, middle and high, what explains them, and what to measure first."""

from __future__ import annotations

from simbank.cli.output import say, show_table
from simbank.digits import cells, percent

__all__ = ["show_bands", "show_paired"]

_ENDS = ("low", "mid", "high", "file")
_COLUMNS = {"figure": "figure", "low": "5 %", "mid": "middle", "high": "95 %", "file": "by the file"}
_HAPPENS = {"happens": "in so many draws"}
_IF_ANY = ("unmet_wh", "ac_unmet_wh", "curtailed_wh")  # figures that are shown if they are ever above zero
_OF_PACKS = {
    "soc_end": "SOC at end [%]", "share_ratio_discharge": "share ratio discharge", "share_ratio_charge": "share ratio charge",
    "c_rate_peak": "peak C-rate", "first_full_h": "first full", "first_empty_h": "first empty",
}  # fmt: skip
_MORE_OF_PACKS = {"throughput_ah": "throughput [Ah]", "current_peak_a": "peak [A]", "temperature_max_c": "warmest [°C]"}
MOST_EXPLAINED, MOST_VALUES, MOST_READINGS = 2, 8, 5  # figures, values and readings that are shown unasked
MOST_LINES = 3  # for the file, of one reading
SOME_WH = 0.5  # less is the tail of one step


def show_bands(found, wide):
    """Tables and sentences of bands (:class:`simbank.studies.bands_result.Bands`)."""
    if not len(found.uncertain):
        say(found.words[0], gap=True)
        return
    _show_figures(found, wide)
    say(
        f"{found.done} draws: in each all that is not known has other values. In nine draws of ten a figure lies between 5 % and 95 %, in half of "
        "them below the middle. By the file: with its values and, where it says nothing, middle ones (joints and "
        "pack wiring that it leaves out: zero); simbank values FILE lists what was drawn."
    )
    _show_packs(found, wide)
    for k, text in enumerate(found.words):
        say(text, gap=k == 0)
    say(
        f"{found.done} draws, seed {found.made_by['seed']}. Integrator: "
        f"{found.made_by['integrator']}, tolerance {found.made_by['tolerance']:.0e}."
    )
    _show_drivers(found, wide)
    _show_readings(found, wide)


def _show_drivers(found, wide):
    """What explains the main figures, largest share first."""
    import pandas as pd

    from simbank.studies.band_figures import WORDS

    if found.drivers is None:
        return
    names = found.uncertain["words"]
    for figure in found.drivers.explained.index[: None if wide else MOST_EXPLAINED]:
        called = WORDS[figure].partition(" [")[0]
        table = found.drivers.table
        table = table[(table["figure"] == figure) & table["told"]]
        about = found.drivers.explained.loc[figure]
        if len(table):
            rows = [
                {
                    "value": names[row.key], "share": f"{100 * row.share:.0f}", "range": f"{100 * row.low:.0f} to {100 * row.high:.0f}",
                    "sign": "grows with it" if row.sign > 0 else "falls with it",
                }
                for row in table.itertuples()
            ]  # fmt: skip
            columns = {"value": "value", "share": "share [%]", "range": "95 %", "sign": "the figure"}
            shown = rows if wide else rows[:MOST_VALUES]
            title = f"What explains the {called}: shares of its variance, all values together {100 * about['r2_adjusted']:.0f} %"
            show_table(title, pd.DataFrame(shown), columns)
            if not about["ranked"]:
                say(
                    "That is too little for an order of importance: the rest comes from values that act both ways or together, which "
                    "this method cannot see, and one that is not named may matter more."
                )
            if len(shown) < len(rows):
                say(f"{len(rows) - len(shown)} more values matter: --wide shows them.")
        else:
            for k, text in enumerate(found.drivers.words(figure, names.to_dict(), f"the {called}")):
                say(text[:1].upper() + text[1:], gap=k == 0)


def _show_readings(found, wide):
    """What to measure first, figure by figure."""
    import pandas as pd

    from simbank.studies.band_figures import WORDS

    if found.measure_first is None:
        return
    for figure in found.drivers.explained.index[: None if wide else MOST_EXPLAINED]:
        table = found.measure_first.table
        of_figure = table[table["figure"] == figure]
        told = of_figure[of_figure["told"]]
        if not len(of_figure):
            continue
        called = WORDS[figure].partition(" [")[0]
        if not len(told):
            say(f"Of the {called}: {found.measure_first.words(figure)[0]}", gap=True)
            continue
        rows = [
            {
                "reading": f"{row.what} {row.where}", "from": _from_to(figure, row.from_low, row.from_high),
                "to": _from_to(figure, row.to_low, row.to_high), "accuracy": row.accuracy, "how": row.how,
                "write": "; ".join(row.lines),
            }
            for row in (told if wide else told.head(MOST_READINGS)).itertuples()
        ]  # fmt: skip
        columns = {"reading": "reading", "from": "from", "to": "to about"}
        show_table(
            f"Measure first, to narrow the {WORDS[figure]}",
            pd.DataFrame(rows),
            columns,
            {"accuracy": "accuracy", "how": "how", "write": "write it as"},
            wide,
        )
        seconds = found.measure_first.seconds
        second = seconds[(seconds["figure"] == figure) & seconds["told"].astype(bool)]
        for row in [*told.head(1).itertuples(), *second.itertuples()]:
            _show_how(row, wide)
        for text in found.measure_first.words(figure, 0):
            say(text)


def _show_how(row, wide):
    """How a reading is taken, and the line for the file."""
    say(f"How to read {row.what} {row.where} ({row.accuracy}): {row.how}.")
    shown = row.lines if wide else row.lines[:MOST_LINES]
    if shown:
        say("Write it as" + ("" if len(row.lines) == 1 else f", {len(row.lines)} lines") + ":")
    for line in shown:
        say(line, indent=2)
    if len(shown) < len(row.lines):
        say(f"and {len(row.lines) - len(shown)} more: --wide shows all.", indent=2)


def _from_to(figure, low, high):
    low, high = (
        text.strip() if value == value else "never" for value, text in zip((low, high), cells(figure, [low, high]), strict=True)
    )
    return f"{low} to {high}"


def show_paired(found, wide):
    """Tables and sentences of bands of layouts (:class:`simbank.studies.paired.LayoutBands`)."""
    import pandas as pd

    from simbank.studies.band_figures import WORDS

    first = next(iter(found.layouts.values()))
    if not len(first.uncertain):
        say(first.words[0], gap=True)
        return
    shown = ("spread_max_points", "share_ratio_max", "c_rate_max")
    rows = [
        {"layout": name}
        | {
            figure: _reach(figure, bands.table.loc[figure])
            for figure in (WORDS if wide else shown)
            if figure in bands.table.index
        }
        for name, bands in found.layouts.items()
    ]
    columns = {"layout": "layout"} | {figure: WORDS[figure] for figure in rows[0] if figure != "layout"}
    show_table(f"{found.title}: from 5 % to 95 % of {first.done} draws", pd.DataFrame(rows), columns, wide=wide)
    for k, text in enumerate(found.words):
        say(text, gap=k == 0)
    say(
        f"The same {first.done} draws under every layout, seed {first.made_by['seed']}. Integrator: {first.made_by['integrator']}, "
        f"tolerance {first.made_by['tolerance']:.0e}."
    )


def _show_figures(found, wide):
    import pandas as pd

    from simbank.studies.band_figures import USUAL, WORDS

    rows, of_a_run = [], "spread_max_points" in found.table.index
    for figure, row in found.table.iterrows():
        usual = not of_a_run or (figure in USUAL and row["happens"] > 0) or (figure in _IF_ANY and row["high"] > SOME_WH)
        if usual or (wide and row["happens"] > 0):
            texts = dict(zip(_ENDS, cells(figure, [row[end] for end in _ENDS]), strict=True))
            rows.append({"figure": WORDS.get(figure, figure)} | texts | {"happens": percent(row["happens"])})
    columns = _COLUMNS | (_HAPPENS if any(row["happens"] != "100 %" for row in rows) else {})
    show_table(found.title, pd.DataFrame(rows), columns, _HAPPENS, wide)


def _show_packs(found, wide):
    """A row for each pack, each figure from its low to its high."""
    import pandas as pd

    if not len(found.packs):
        return
    rows = []
    for pack, table in found.packs.groupby(level="pack", sort=False):
        rows.append({"pack": pack} | {figure: _reach(figure, row) for (_, figure), row in table.iterrows()})
    frame = pd.DataFrame(rows)
    columns = {
        key: heading for key, heading in _OF_PACKS.items() if key in frame and (wide or not frame[key].isin(["never", ""]).all())
    }
    more = {key: heading for key, heading in _MORE_OF_PACKS.items() if key in frame}
    if columns:
        show_table("Packs: from 5 % to 95 % of the draws", frame, {"pack": "pack"} | columns, more, wide)


def _reach(figure, row):
    """From low to high, as text; one value where both read the same."""
    low, high = (text.strip() for text in cells(figure, [row["low"], row["high"]]))
    return low if low == high else f"{low} to {high}"
