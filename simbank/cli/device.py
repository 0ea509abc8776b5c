"""Commands on classes of fuse and breaker."""

from __future__ import annotations

from typing import Annotated

import typer

from simbank.cli.options import Wide
from simbank.cli.output import say, show_table
from simbank.digits import number

__all__ = ["device_app"]


device_app = typer.Typer(
    no_args_is_help=True, rich_markup_mode=None, help="Devices: the library of generic classes of fuse and breaker."
)


@device_app.command("list")
def device_list(wide: Wide = False):
    """Name the classes of device that ship with simbank."""
    import pandas as pd

    from simbank.bank.device_classes import class_library, load_class

    rows = [{"name": n, "title": load_class(n).title, "standard": load_class(n).standard} for n in class_library()]
    show_table(
        "Classes of device", pd.DataFrame(rows), {"name": "class", "title": "what it is", "standard": "standard"}, wide=wide
    )


@device_app.command("show")
def device_show(
    name: Annotated[str, typer.Argument(help="Class of the library.")],
    rating: Annotated[str, typer.Option(help="Rating for the table of times.")] = "100 A",
    wide: Wide = False,
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
        row = {"times_rating": number(multiple), "current_a": multiple * amperes}
        for key, trip in (("soonest_s", soonest), ("latest_s", latest)):
            row[key] = trip.seconds[trip.multiples.index(multiple)] if multiple in trip.multiples else None
        rows.append(row)
    columns = {"times_rating": "times its rating", "current_a": "current [A]", "soonest_s": "soonest", "latest_s": "latest"}
    show_table(f"{kind.title}, {amperes:g} A", pd.DataFrame(rows), columns, wide=wide)
    say(f"Carries {kind.hold:g} times its rating for good. Standard: {kind.standard}.", gap=True)
    if kind.instant_band:
        low, high = (a * amperes for a in kind.instant_band)
        say(f"Magnetic release, if its setting is not given: between {low:g} and {high:g} A.")
    say(f"Ratings: {', '.join(f'{a:g}' for a in kind.ratings_a)} A ({kind.ratings_source}).")
    say(f"Usual on DC: {kind.typical_voltage_dc}; breaks {kind.typical_interrupting_dc}. A device's own sheet decides.")
    say(kind.source)
