"""Commands on classes of fuse and breaker."""

from __future__ import annotations

from typing import Annotated

import typer

from simbank.cli.output import console, show_table

__all__ = ["device_app"]


device_app = typer.Typer(no_args_is_help=True, help="Devices: the library of generic classes of fuse and breaker.")


@device_app.command("list")
def device_list():
    """Name the classes of device that ship with simbank."""
    import pandas as pd

    from simbank.bank.device_classes import class_library, load_class

    rows = [{"name": n, "title": load_class(n).title, "standard": load_class(n).standard} for n in class_library()]
    show_table("Classes of device", pd.DataFrame(rows), {"name": "class", "title": "what it is", "standard": "standard"})


@device_app.command("show")
def device_show(
    name: Annotated[str, typer.Argument(help="Class of the library.")],
    rating: Annotated[str, typer.Option(help="Rating for the table of times.")] = "100 A",
):
    """Print a class's ratings, when a device of a rating opens, and where that is from."""
    import pandas as pd

    from simbank.bank.device_classes import load_class
    from simbank.quantities import parse

    kind = load_class(name)
    amperes = parse(rating, "ampere")
    soonest, _, latest = kind.trips(amperes)
    rows = []
    for multiple in sorted({*soonest.multiples, *latest.multiples}):
        cells = {"multiple": f"{multiple:g}", "current": f"{multiple * amperes:g}"}
        for key, trip in (("soonest", soonest), ("latest", latest)):
            cells[key] = f"{trip.seconds[trip.multiples.index(multiple)]:.3g}" if multiple in trip.multiples else ""
        rows.append(cells)
    columns = {"multiple": "times its\nrating", "current": "current\n[A]", "soonest": "soonest\n[s]", "latest": "latest\n[s]"}
    show_table(f"{kind.title}, {amperes:g} A", pd.DataFrame(rows), columns)
    say = console().print
    say(f"Carries {kind.hold:g} times its rating for good. Standard: {kind.standard}.")
    if kind.instant_band:
        low, high = (a * amperes for a in kind.instant_band)
        say(f"Magnetic release, if its setting is not given: between {low:g} and {high:g} A.")
    say(f"Ratings: {', '.join(f'{a:g}' for a in kind.ratings_a)} A ({kind.ratings_source}).")
    say(f"Usual on DC: {kind.typical_voltage_dc}; breaks {kind.typical_interrupting_dc}. A device's own sheet decides.")
    say(kind.source)
