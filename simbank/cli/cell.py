"""Commands on cells: the library, and parameters from physics and from measurements."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Annotated

import typer

from simbank.cli.options import Json, Out, Wide, make_folder, number_option
from simbank.cli.output import print_json, say, show_table, show_written
from simbank.cli.progress import progress_bar
from simbank.digits import duration, value_with_error
from simbank.errors import InputError
from simbank.files import file_name, write_whole
from simbank.provenance import file_hash, made_by, write_figure

__all__ = ["cell_app"]


_CARD_COLUMNS = {
    "soc": "SOC [%]", "charge_v": "after charge [V]", "mid_v": "mid [V]", "discharge_v": "after discharge [V]",
    "slope_v_per_soc": "slope [V/unit SOC]", "resistance_0c_milliohm": "R0 at 0 °C [mΩ]",
    "resistance_25c_milliohm": "R0 at 25 °C [mΩ]",
}  # fmt: skip

_SLOW_COLUMNS = {
    "soc": "SOC [%]", "charge_v": "on charge [V]", "discharge_v": "on discharge [V]", "gap_mv": "gap [mV]",
}  # fmt: skip

cell_app = typer.Typer(
    no_args_is_help=True, rich_markup_mode=None, help="Cells: the library, and parameters from physics and from measurements."
)


@cell_app.command("list")
def cell_list(wide: Wide = False):
    """Name the chemistries that ship with simbank."""
    import pandas as pd

    from simbank.cells import library, load_chemistry
    from simbank.cells.chemistry import MIDDLE_SOC

    rows = []
    for name in library():
        cell = load_chemistry(name)
        slope, half = f"{cell.middle_slope_v_per_soc:.3f}", f"{cell.half_width(0.5) * 1e3:.0f}"
        rows.append({"name": name, "title": cell.title, "slope": slope, "half": half})
    low, high = MIDDLE_SOC
    columns = {
        "name": "name",
        "title": "cell",
        "slope": f"slope, {low * 100:.0f} to {high * 100:.0f} % [V/unit SOC]",
        "half": "hysteresis [±mV]",
    }
    show_table("Chemistries", pd.DataFrame(rows), columns, wide=wide)


@cell_app.command("show")
def cell_show(
    name: Annotated[str, typer.Argument(help="Name in the library, or path of a chemistry file.")],
    out: Out = None,
    json_: Json = False,
    wide: Wide = False,
):
    """Print the card of a chemistry; with --out, plot it."""
    import pandas as pd

    from simbank.cells import load_chemistry
    from simbank.cells.slow_cycle import slow_cycle_records
    from simbank.distributions import HIGH_SHARE, LOW_SHARE

    chemistry = load_chemistry(name)
    out = make_folder(out)
    rows, slow = chemistry.card(), slow_cycle_records(chemistry)
    ranges = {key: [draw.value(LOW_SHARE), draw.value(HIGH_SHARE)] for key, draw in chemistry.ranges.items()}
    if out is not None:
        from simbank.plotting import plots

        made = made_by(function="simbank cell show", chemistry=name, chemistry_source=chemistry.source)
        write_figure(
            out / f"{file_name(chemistry.name)}.png", plots.plot_cell(chemistry), made, chemistry.title or chemistry.name
        )
    if json_:
        card = {"name": chemistry.name, "title": chemistry.title, "source": chemistry.source, "licence": chemistry.licence}
        print_json(card | {"rows": rows, "slow_cycle": slow, "notes": chemistry.notes, "ranges": ranges, "warnings": []})
        return
    shown = pd.DataFrame([{key: _card_text(key, value) for key, value in row.items()} for row in rows])
    show_table(f"{chemistry.title}: one cell of {chemistry.typical['capacity_ah']:g} Ah", shown, _CARD_COLUMNS, wide=wide)
    _show_hysteresis(chemistry, slow, wide)
    pairs = ", ".join(
        f"charge lags by {duration(p.lag_s)} at {duration(p.time_constant_s)}"
        if p.lag_s
        else f"{p.resistance_ratio:.2f} R0 at {duration(p.time_constant_s)}"
        for p in chemistry.rc
    )
    say(
        f"Relaxation: {pairs}. Charge to {chemistry.charge_volt:g} V, cut off at {chemistry.cutoff_volt:g} V, pack opens at "
        f"{chemistry.volt_max:g} and {chemistry.volt_min:g} V.",
        gap=True,
    )
    say(f"Source: {chemistry.source}")
    say(f"Licence: {chemistry.licence}")
    for section, note in chemistry.notes.items():
        say(f"{section}: {note}", hang=2)
        told = [
            f"{key.partition('.')[2]} {_ends(draw)}" for key, draw in chemistry.ranges.items() if key.startswith(f"{section}.")
        ]
        if told:
            say(f"Drawn for bands, 5 to 95 %: {', '.join(told)}.", hang=2, indent=2)
    show_written(out, json_)


def _ends(draw):
    """Ends of a range as a person reads them."""
    return f"{draw.low:.4g} to {draw.high:.4g} {draw.unit}".strip()


def _show_hysteresis(chemistry, slow, wide):
    """Half-width over charge and temperature, where it changes with temperature, and what a slow cycle shows of it."""
    import pandas as pd

    if chemistry.width_factors is not None:
        names = [f"{record['celsius']:g}".replace("-", "−") for record in slow]
        columns = [[f"{1e3 * row['half_width_v']:.1f}" for row in record["rows"]] for record in slow]
        table = {"soc": [f"{100 * row['soc']:.0f}" for row in slow[0]["rows"]]} | dict(zip(names, columns, strict=True))
        show_table(
            "Hysteresis: half-width [mV] by temperature [°C]",
            pd.DataFrame(table),
            {"soc": "SOC [%]"} | {name: name for name in names},
            wide=wide,
        )
    at = next(record for record in slow if abs(record["celsius"] - (chemistry.reference_k - 273.15)) < 1e-6)
    branches = [{key: _card_text(key, row[key]) for key in _SLOW_COLUMNS} for row in at["rows"]]
    show_table(f"Slow cycle, C/30, at {at['celsius']:g} °C: both branches", pd.DataFrame(branches), _SLOW_COLUMNS, wide=wide)
    loops = ", ".join(f"{100 * record['loop_share']:.2f} % at {record['celsius']:g} °C" for record in slow)
    say(f"Its loop, from 2 to 98 % of a cycle from empty to full, costs, of the energy that comes out: {loops}.", gap=True)


def _card_text(key, value):
    """A value of the card: volts to the millivolt, resistances to the microohm."""
    digits = {"soc": 0, "slope_v_per_soc": 2, "gap_mv": 1}.get(key, 3)
    return f"{value * (100.0 if key == 'soc' else 1.0):z,.{digits}f}"


@cell_app.command("new")
def cell_new(
    file: Annotated[Path, typer.Argument(help="Chemistry file to write (.toml).", show_default=False)],
    base: Annotated[str, typer.Option(help="Chemistry whose values it begins with: a name, or the path of a file.")] = "lfp",
):
    """Write a commented chemistry file that works as it stands, every key with unit, range and meaning."""
    from simbank.cells.chemistry_text import starter_chemistry

    write_chemistry_file(file, starter_chemistry(file.stem, base))
    say(f"Written to {file}. Replace what is marked MEASURE with your own numbers, then:")
    say(f"simbank cell show {file} --out {file.stem}", indent=2)
    say(f"simbank new my_bank.toml --chemistry {file}", indent=2)


def _check_new_file(path):
    if path.suffix != ".toml":
        raise InputError('must end in ".toml", by which a scenario knows a chemistry file', key="file", value=str(path))
    if path.exists():
        raise InputError("is there already; name a new file", key="file", value=str(path))


def write_chemistry_file(path, text):
    """Write a new chemistry file, once it has been read again."""
    from simbank.cells import load_chemistry

    _check_new_file(path)
    made = made_by(function="simbank cell")
    text += f"\n# Written by simbank {made['simbank']}, {made['time_utc']}.\n"
    make_folder(path.parent)

    def write(aside):
        aside.write_text(text, encoding="utf-8")
        load_chemistry(str(aside))

    write_whole(path, write)


@cell_app.command("import")
def cell_import(
    files: Annotated[
        list[Path], typer.Argument(help="CSV files: open-circuit branches, or a log of pulses.", show_default=False)
    ],
    out: Annotated[
        Path, typer.Option("--out", metavar="FILE", help="Chemistry file to write (.toml); a figure stands beside it.")
    ],
    base: Annotated[str, typer.Option(help="Chemistry for what was not measured: a name, or the path of a file.")] = "lfp",
    capacity: Annotated[str | None, typer.Option(help='Of the cell, such as "100 Ah".')] = None,
    start_soc: Annotated[
        float | None, number_option(help="State of charge at which the pulse log begins, 0 to 1.", min=0.0, max=1.0)
    ] = None,
    cells_in_series: Annotated[int, typer.Option(help="Cells in series behind the voltages.", min=1)] = 1,
    celsius: Annotated[float, number_option(help="Temperature of the measurements [°C].", min=-60.0, max=120.0)] = 25.0,
    json_: Json = False,
):
    """Make a chemistry file of measured open-circuit branches and pulse tests, with a figure and what is left over.

    Tables are told apart by their headings, which hold the units: "SOC [%], charge_v, discharge_v" is an open-circuit curve, "time_s,
    current_a, voltage_v" a log of pulses and rests. What was not measured is kept from --base and said to be assumed.
    """
    from simbank.cells.cell_import import import_cell
    from simbank.plotting.cell_plots import plot_import

    _check_new_file(out)
    ah = None if capacity is None else _capacity_ah(capacity)
    cell = import_cell(
        files, out.stem, base, capacity_ah=ah, start_soc=start_soc, cells_in_series=cells_in_series, celsius=celsius
    )
    write_chemistry_file(out, cell.text())
    made = made_by(
        function="simbank cell import", measured=[{"file": str(file), "sha256": file_hash(file)} for file in files], base=base,
        capacity_ah=ah, start_soc=start_soc, cells_in_series=cells_in_series, celsius=celsius,
    )  # fmt: skip
    picture = out.with_suffix(".png")
    write_figure(picture, plot_import(cell, f"{out.stem}, as measured"), made, f"{out.stem}: measurements and fit")
    if json_:
        print_json(cell.summary | {"file": str(out), "figure": str(picture), "warnings": []})
        return
    _show_import(cell, out, picture)


def _capacity_ah(text):
    from simbank.quantities import parse

    try:
        ah = parse(text, "ampere_hour")
    except InputError as error:
        raise InputError(error.problem, key="--capacity", value=text) from None
    if not ah > 0:
        raise InputError("must be above zero", key="--capacity", value=text)
    return ah


def _show_import(cell, out, picture):
    import pandas as pd

    found = cell.summary
    if "ocv" in found:
        ocv = found["ocv"]
        say(f"Open circuit: {ocv['soc_from'] * 100:.3g} to {ocv['soc_to'] * 100:.3g} % of charge, left over RMS {ocv['rms_v'] * 1e3:.2f} mV, "
            f"at most {ocv['worst_v'] * 1e3:.2f} mV.")  # fmt: skip
        if ocv["half_width_mean_v"] is not None:
            say(f"Hysteresis: ±{ocv['half_width_mean_v'] * 1e3:.2g} mV on average.")
        if ocv["decay_per_soc"] is not None:
            say(f"Decay: {ocv['decay_per_soc']:.3g} ± {ocv['decay_per_soc_error']:.2g} per unit of state of charge.")
    if "pulses" in found:
        rows = [
            {"soc": row["soc"], "r0": " ± ".join(value_with_error(row["r0_ohm"] * 1e3, row["r0_error_ohm"] * 1e3)),
             "pairs": f"{row['pairs_ohm'] * 1e3:.4g}", "rms": f"{row['rms_v'] * 1e3:.2g}"}
            for row in found["pulses"]["rows"]
        ]  # fmt: skip
        columns = {"soc": "SOC [%]", "r0": "R0 ± error [mΩ]", "pairs": "both pairs [mΩ]", "rms": "left over [mV]"}
        show_table("Pulses, of one cell", pd.DataFrame(rows), columns)
        say("± of R0: one standard error of the fit, and what the pairs may have added before the first sample.", gap=True)
        pairs = ", ".join(f"{pair['ratio']:.3g} R0 at {duration(pair['time_constant_s'])}" for pair in found["pulses"]["rc"])
        say(f"At half charge R0 {found['pulses']['r0_half_ohm'] * 1e3:.4g} mΩ; pairs {pairs}.", gap=True)
    for text in cell.told:
        say(f"- {text}.", hang=2)
    say(f"Measured or given: {', '.join(cell.measured)}. Everything else in the file is kept from another chemistry and says so.")
    say(f"Written to {out}, with a figure in {picture}. Its licence is yours to state. Then:")
    say(f"simbank cell show {out}", indent=2)
    say(f"simbank new my_bank.toml --chemistry {out}", indent=2)


@cell_app.command("physics")
def cell_physics(
    parameters: Annotated[str, typer.Argument(help="Name of a PyBaMM parameter set, such as Prada2013.")],
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="Chemistry file to write (.toml).")],
    base: Annotated[str, typer.Option(help="Chemistry for what the set does not hold.")] = "lfp",
    diffusion: Annotated[
        bool, typer.Option("--diffusion", help="Make the second pair a lag of charge, as slow diffusion in the particles has it.")
    ] = False,
    json_: Json = False,
):
    """Fit a circuit to a physics-based cell by virtual pulse tests, check it on another profile, write a chemistry file."""
    from simbank.cells import load_chemistry, pybamm_cells

    load_chemistry(base)  # what is wrong with it is said before minutes of fitting
    with progress_bar(f"Fitting {parameters}", json_):
        cell = pybamm_cells.fit_cell(parameters, diffusion=diffusion)
        checks = [pybamm_cells.validate(cell, seed) for seed in range(3)]
    pybamm_cells.write_chemistry(cell, out, out.stem, base)
    record = {
        "parameters": parameters,
        "capacity_ah": cell.capacity_ah,
        "r0_ohm": cell.r0_ohm,
        "rc": [{"resistance_ohm": r, "time_constant_s": tau} | ({"lag_s": lag[0]} if lag else {}) for r, tau, *lag in cell.rc],
        "rms_fit_v": cell.rms_fit_v,
        "rms_check_v": [check["rms_v"] for check in checks],
        "worst_check_v": [check["worst_v"] for check in checks],
        "file": str(out),
        "warnings": [],
    }
    if json_:
        print_json(record)
        return
    say(f"{parameters}: {cell.capacity_ah:.3f} Ah, R0 {cell.r0_ohm * 1e3:.2f} mΩ at half charge.")
    say(f"Fit to virtual pulses: RMS {cell.rms_fit_v * 1e3:.1f} mV per cell.")
    errors = ", ".join(f"{check['rms_v'] * 1e3:.1f}" for check in checks)
    say(f"On three profiles it was not fitted to (88 to 12 % SOC, up to 0.3 C): RMS {errors} mV per cell.")
    show_written(out, json_)


@cell_app.command("fit")
def cell_fit(
    file: Annotated[
        Path, typer.Argument(help="CSV with columns time_s, current_a (positive: discharge), voltage_v.", show_default=False)
    ],
    cells_in_series: Annotated[int, typer.Option(help="Cells in series behind the voltage.", min=1)] = 1,
    out: Out = None,
    json_: Json = False,
    wide: Wide = False,
):
    """Fit R0 and two relaxation pairs to a measured pulse test that starts at rest."""
    import pandas as pd

    from simbank.cells import fit

    time_s, current_a, voltage_v = fit.read_pulse_csv(file)
    try:
        found = fit.fit_pulse(time_s, current_a, voltage_v / cells_in_series)
    except InputError as error:
        raise InputError(error.problem, file=file) from None
    out = make_folder(out)
    if out is not None:
        from simbank.plotting import plots

        figure = plots.plot_pulse_fit(time_s, voltage_v / cells_in_series, found.fitted_v)
        made = made_by(
            function="simbank cell fit", measured={"file": str(file), "sha256": file_hash(file)}, cells_in_series=cells_in_series
        )
        write_figure(out / "pulse_fit.png", figure, made, f"Pulse test of {file.name}")
    if json_:
        print_json({"values": found.values, "standard_errors": found.standard_errors, "rms_v": found.rms_v, "warnings": []})
        return
    rows = [(name, *value_with_error(value, found.standard_errors[name])) for name, value in found.values.items()]
    columns = {"what": "parameter", "value": "value", "error": "standard error"}
    show_table(f"{file.name}: one cell", pd.DataFrame(rows, columns=list(columns)), columns, wide=wide)
    say(f"Left over: RMS {found.rms_v * 1e3:.2f} mV. Errors hold if noise is independent from sample to sample.", gap=True)
    show_written(out, json_)


@cell_app.command("ohm")
def cell_ohm(
    volt: Annotated[str, typer.Option(help="Two voltages [V], before and after a change of load: 53.2,52.7")],
    amp: Annotated[str, typer.Option(help="The two currents [A], positive for discharge: 10,60")],
    volt_error: Annotated[
        float | None,
        number_option(
            help="Standard uncertainty of a voltage reading [V]; by default a resistance good for ± (3 % + 20 mV over ΔI).", min=0
        ),
    ] = None,
    amp_error: Annotated[
        float | None,
        number_option(help="Standard uncertainty of a current reading [A]; with one of the two the other is 0.", min=0),
    ] = None,
    json_: Json = False,
):
    """Resistance of a pack, cable or joint from two readings of voltmeter and clamp meter: ΔV/ΔI."""
    from simbank.cells.fit import OHM_ACCURACY, resistance_from_two_readings

    pairs = []
    for key, text in (("--volt", volt), ("--amp", amp)):
        try:
            first, second = (float(part) for part in text.split(","))
            if not (math.isfinite(first) and math.isfinite(second)):
                raise ValueError
        except ValueError:
            raise InputError("write two numbers, such as 53.2,52.7", key=key, value=text) from None
        pairs.append((first, second))
    found = resistance_from_two_readings(*pairs, volt_error, amp_error)
    milliohm, error = value_with_error(found.resistance_ohm * 1e3, found.expanded_ohm * 1e3)
    known = f"{milliohm} ± {error} milliohm" if found.expanded_ohm > 0 else f"{milliohm} milliohm"
    line = f'resistance_at_posts = "{known.replace(",", "")}"' if found.expanded_ohm < found.resistance_ohm else None
    if json_:
        print_json(
            {
                "resistance_ohm": found.resistance_ohm, "uncertainty_ohm": found.uncertainty_ohm,
                "expanded_uncertainty_ohm": found.expanded_ohm, "line": line, "warnings": [],
            }
        )  # fmt: skip
        return
    by_default = volt_error is None and amp_error is None
    good = f"; meters and method good for {OHM_ACCURACY}, common practice, no source" if by_default else ""
    say(f"{milliohm} mΩ ± {error} mΩ (twice the standard uncertainty: about 95 %, as ± means it in a file{good})")
    if line is None:
        say("It may be off by as much as itself: read again with a larger step of current, or a finer voltmeter.", gap=True)
    else:
        say("Of a pack, read at its posts, the line for its table [[packs]]:", gap=True)
        say(line, indent=2)
        say(
            "That holds at half charge and 25 degC; where it was read otherwise, add measured_at_soc and measured_at_temperature. A cable or "
            "a joint takes the same text as its resistance or joint."
        )
    say(
        "Read both within seconds of the change: later, the slower relaxation of the cells counts too. Measuring on a live bank "
        "is work for a competent person with insulated tools and fused leads."
    )
