"""The view of sizes: the smallest gauge and simplest layout within the limits typed in, why smaller ones do not, what to buy."""

from __future__ import annotations

from simbank.bank.conductors import parse_gauge
from simbank.bank.layouts import LAYOUTS
from simbank.caution import CAUTION, PROTECTION_CAUTION
from simbank.desk import parts
from simbank.desk.session import Session
from simbank.desk.studying import sizes
from simbank.desk.views.bands import BandsSwitch
from simbank.desk.views.study import FollowedStudy, asked_number
from simbank.desk.views.view import View
from simbank.errors import InputError
from simbank.studies.size import Limits

__all__ = ["VIEW"]

ANY = float("inf")
LIMITS = {
    "--share": ("Largest share ratio of a pack", 1.0, "1 is proportional to capacity"),
    "--spread": ("Largest spread of SOC [points]", 0.0, ""),
    "--drop": ("Largest voltage drop from pack to port [%]", 0.0, ""),
    "--usable": ("Least usable energy [% of the packs' own]", -ANY, ""),
}
PRICE, SHARING = "--price-per-kg", "leave out ampacity and protection"


def build(session: Session):
    """Show which sizes do."""
    parts.Told([parts.caution(PROTECTION_CAUTION)])
    fields: dict[str, parts.Field] = {}

    def again(_):
        study.look()

    with parts.tag("fieldset", classes="asked"):
        parts.tag("legend", "Limits, none where a field is empty")
        with parts.tag("div", classes="fields"):
            for option, (label, _, hint) in LIMITS.items():
                fields[option] = parts.text_field(label, "", again, parts.as_option(option, hint))
            fields["gauges"] = parts.text_field(
                "Gauges to try", "awg", again, "awg, mm2, or gauges with commas from small to large"
            )
            fields[PRICE] = parts.text_field("Price of conductor per kilogram of copper", "", again, parts.as_option(PRICE))
        with parts.tag("div", classes="ticks", role="group", aria_label="Layouts to try"):
            parts.tag("span", "Layouts to try (none: all that the file gives parts for):", "note")
            ticks = {name: parts.tick(name, False, again) for name in LAYOUTS}
        sharing_only = parts.tick(f"{SHARING} (sharing only: a size found so may burn)", False, again)

    bands = BandsSwitch(lambda: study.look())
    fields |= bands.fields

    def asked():
        return *_asked(fields, ticks, sharing_only), *bands.asked()

    study = FollowedStudy(session, "sizes", sizes, asked, _blocks, fields)
    return study.look


def _asked(fields, ticks, sharing_only):
    limits = Limits(*(asked_number(fields, option, least, ANY) for option, (_, least, _) in LIMITS.items()))
    gauges = fields["gauges"].value.strip()
    series = gauges if gauges in ("awg", "mm2") else tuple(part.strip() for part in gauges.split(",") if part.strip())
    if not series:
        raise InputError("use awg or mm2, or a list of gauges", key="gauges", value=gauges)
    for gauge in series if isinstance(series, tuple) else ():
        try:
            parse_gauge(gauge)
        except InputError as error:
            raise InputError(error.problem, key="gauges", value=gauge) from None
    layouts = tuple(name for name, tick in ticks.items() if tick.value)
    price = asked_number(fields, PRICE, 0.0, ANY)
    asked = {"gauges": series, "layouts": layouts or None, "price_per_kg": price, "sharing_only": sharing_only.value}
    return limits, tuple(asked.items())


def _blocks(told, whole):
    part = told["whole" if whole else "usual"]
    return [
        parts.warnings(told["warnings"]),
        parts.words(told["found"], "headline"),
        parts.verdicts(part["verdicts"]),
        part["table"],
        parts.words(told["left"]) if told["left"] and not whole else {},
        parts.sentences(part["against"]),
        *(parts.bands(told["bands"], whole) if told["bands"] else []),
        parts.sentences(told["kept"]),
        *told["bought"],
        *told["plots"],
        *(parts.words(text) for text in told["basis"]),
        parts.words(told["looked_at"].replace("--sharing-only", f'"{SHARING}"'), "headline" if told["sharing_only"] else ""),
        parts.caution(CAUTION if told["sharing_only"] else PROTECTION_CAUTION),
    ]


VIEW = View("size", "Size", build)
