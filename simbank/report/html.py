"""One self-contained HTML file that says what was asked, what was found, and on what it rests."""

from __future__ import annotations

import datetime
import io
import json
import math
import re
from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from simbank.caution import REPORT_CAUTION
from simbank.plotting.drawing import draw_bank
from simbank.results import Study
from simbank.scenario import Scenario
from simbank.simulation import Result
from simbank.studies.compare import Comparison
from simbank.studies.described import bank_warnings
from simbank.studies.protection import Protection
from simbank.warning import listed

__all__ = ["write_report"]

NOT_KNOWN = (
    "Cells within a pack beyond their capacity and balance; gradients of temperature and charge within a cell.",
    "How resistance and capacity will change: ageing enters only as given.",
    "Current limits, ripple and control loops of inverters and chargers; alternating-current side beyond an efficiency curve.",
    "Heating of cable and joints, and how joints change with time and torque.",
    "Hysteresis beyond one state: minor loops after many small cycles.",
)


def write_report(
    scenario: Scenario,
    path: str | Path,
    *,
    result: Result | None = None,
    comparison: Comparison | None = None,
    protection: Protection | None = None,
    studies: Sequence[Study] = (),
) -> Path:
    """Write a report of a scenario and of what was computed of it.

    Parameters
    ----------
    scenario : Scenario
        The bank as described; with nothing else the report shows that.
    path : path-like
        The HTML file to write.
    result : Result, optional
        Of :func:`simbank.simulate`: sharing, energy, peak currents in the wiring schedule.
    comparison : Comparison, optional
        Of :func:`simbank.compare`.
    protection : Protection, optional
        Of :func:`simbank.protect`.
    studies : sequence of Study
        Further sections.

    Returns
    -------
    pathlib.Path
        The file written.

    Raises
    ------
    OSError
        If it cannot be written.
    """
    from jinja2 import Environment, PackageLoader, StrictUndefined

    from simbank.files import write_text
    from simbank.provenance import package_version

    page = _Page(scenario, result, comparison, protection, studies)
    environment = Environment(
        loader=PackageLoader("simbank.report"), autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    text = environment.get_template("report.html.j2").render(
        title=scenario.name,
        source=Path(scenario.source).name if scenario.source else None,
        made_on=datetime.date.today().isoformat(),
        versions={"simbank": package_version("simbank")},
        question=page.question(),
        answer=page.answer(),
        warnings=page.warnings(),
        listed=listed,
        caution=REPORT_CAUTION,
        sections=page.sections(),
    )
    path = Path(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    write_text(path, text)
    return path


class _Page:
    def __init__(self, scenario, result, comparison, protection, studies):
        self.scenario, self.result, self.comparison, self.protection = scenario, result, comparison, protection
        self.studies = studies
        self.bank = scenario.bank
        self.figures = 0

    # ---- question and answer ----

    def question(self):
        """The header comment of the scenario file, as far as it asks; else what the report looks at."""
        lines = []
        if self.scenario.source and Path(self.scenario.source).exists():
            for line in Path(self.scenario.source).read_text(encoding="utf-8-sig").splitlines():
                if not line.startswith("#"):
                    break
                lines.append(line.lstrip("# "))
        text = " ".join(lines)
        match = re.search(r"Whose question:\s*(.*?)(?:\s(?:Answer|Try):|$)", text)
        own = ["How do these packs share their current, wired this way, at this duty?"]
        if match:
            own = [re.sub(r"^(an?|the) [\w-]+'s\.\s*", "", match[1])]
        if "invented" in text:
            own.append("The bank is a worked example; its numbers are invented.")
        return own

    def answer(self):
        out = []
        if self.result is not None:
            out += _result_words(self.result.summary)
        if self.comparison is not None:
            out += _comparison_words(self.comparison.table)
        for study in self.studies:
            out += study.answer
        if self.protection is not None:
            out.append(f"Protection: {self.protection.headline}")
        return out or ["See below: the bank as described" + ("." if self.studies else "; nothing was run.")]

    def warnings(self):
        """What must be known before any of the figures, from all that was computed; each code and place once."""
        found = [part for part in (self.result, self.comparison, self.protection, *self.studies) if part is not None]
        told = [warning for part in found for warning in part.warnings] if found else bank_warnings(self.scenario)
        return list({(warning.code, warning.where): warning for warning in reversed(told)}.values())[::-1]

    # ---- sections ----

    def sections(self):
        made = [
            ("bank", "The bank", self._bank()), ("packs", "Packs", self._packs()), ("wiring", "Wiring schedule", self._wiring()),
            ("devices", "Device schedule", self._devices()), ("sharing", "Sharing over time", self._sharing()),
            ("layouts", "Layouts side by side", self._layouts()),
            *((f"study-{k}", study.title, self._study(study)) for k, study in enumerate(self.studies)),
            ("protection", "Protection", self._protection()), ("energy", "Energy balance", self._energy()),
            ("assumptions", "What this rests on", self._assumptions()), ("not-checked", "What was not checked", self._not_checked()),
            ("again", "To run it again", self._again()),
        ]  # fmt: skip
        return [{"id": i, "title": title, "parts": parts} for i, title, parts in made if parts]

    def _bank(self):
        from simbank.simulation.operating_point import BankAtStart
        from simbank.studies.protection.full_load import full_loads

        loads = full_loads(self.scenario)
        currents, note = {}, "Conductors with their sizes."
        if "discharge" in loads:
            point = BankAtStart(self.bank).solve_operating_point(loads["discharge"])
            currents = {b.name: float(a) for b, a in zip(self.bank.graph.branches, point.branch_a, strict=True)}
            note = (
                "Currents just after full load is switched on (inverters at rated power and lowest input voltage), packs at their "
                "starting charge; conductors as wide as their current."
            )
        drawing = self._svg_text(draw_bank(self.bank, currents=currents))
        ports = ", ".join(self.bank.graph.ports)
        parts = [
            _text(
                f"{len(self.bank.packs)} packs, {self.bank.capacity_ah:.4g} Ah, ports: {ports}. Layout: {self.scenario.layout}."
            )
        ]
        return [
            *parts,
            {"kind": "figure", "svg": drawing, "caption": f"Positive side above, negative below. {note}", "drawing": True},
        ]

    def _packs(self):
        from simbank.simulation.summary import switch_of

        rows = [
            {
                "pack": pack.name, "chemistry": pack.chemistry.name, "cells": f"{pack.cells_in_series}s{pack.cells_in_parallel}p",
                "rated [Ah]": pack.rated_capacity_ah, "of one cell [Ah]": pack.cell_capacity_ah, "present [Ah]": pack.capacity_ah,
                "resistance [mΩ]": pack.half_charge_ohm * 1e3, "SOC at start [%]": pack.soc * 100,
                "own BMS": {"own": "yes", "assumed": "cell limits only"}.get(switch_of(pack), switch_of(pack)),
            }
            for pack in self.bank.packs
        ]  # fmt: skip
        parts = [_table("Inventory of packs", pd.DataFrame(rows))]
        if self.result is None:
            return parts
        did = [
            {
                "pack": p["name"], "SOC at end [%]": p["soc_end"] * 100, "peak [A]": p["current_peak_a"],
                "peak C-rate": p["c_rate_peak"], "share ratio, discharge": p["share_ratio_discharge"],
                "share ratio, charge": p["share_ratio_charge"], "throughput [Ah]": p["throughput_ah"],
                "first full [h]": p["first_full_h"], "first empty [h]": p["first_empty_h"],
            }
            for p in self.result.summary["packs"]
        ]  # fmt: skip
        return [*parts, _table("What each pack did", pd.DataFrame(did))]

    def _wiring(self):
        from simbank.bank.ampacity import conductor_ampacity

        rows = []
        for branch in self.bank.graph.branches:
            part = branch.conductor
            ampacity, words = conductor_ampacity(part, self.bank.ambient_k) if branch.kind != "device" else (None, "")
            row = {
                "conductor": branch.name, "from": branch.from_node, "to": branch.to_node,
                "size": part.gauge.label if part is not None and part.gauge is not None else "",
                "length [m]": part.length_m if part is not None and part.gauge is not None else None,
                "resistance [mΩ]": branch.resistance_ohm * 1e3,
            }  # fmt: skip
            if self.result is not None:
                peak = float(self.result.branches.loc[branch.name, "current_peak_a"])
                row |= {"peak [A]": peak, "drop at peak [mV]": peak * branch.resistance_ohm * 1e3}
            row |= {"ampacity [A]": ampacity, "ampacity from": words}
            rows.append(row)
        if not rows:
            return []
        return [
            _table("Every conductor, joint and device in line", pd.DataFrame(rows)),
            _text("Resistance includes both joints. Ampacity is corrected for ambient temperature and bundling.", fine=True),
        ]

    def _devices(self):
        rows = [
            {
                "device": d.name, "before": d.owner, "pole": d.pole, "class": d.class_name or ("own curve" if d.band else "not given"),
                "rating [A]": d.rating_a, "breaks [kA DC]": d.interrupting_a and d.interrupting_a / 1e3, "rated [V DC]": d.voltage_v,
            }
            for d in self.bank.devices
        ]  # fmt: skip
        if not rows:
            return [_text("The file names no fuse or breaker. Every parallel pack, string and port needs one.")]
        return [_table("Fuses and breakers", pd.DataFrame(rows))]

    def _sharing(self):
        if self.result is None or not len(self.result.packs):
            return []
        parts = [self._figure(picture.figure, picture.caption) for picture in self.result.pictures()]
        if len(self.result.events):
            events = self.result.events.head(60).copy()
            events.insert(0, "time [h]", events.pop("time_s") / 3600.0)
            events.columns = ["time [h]", "where", "what", "because", "code"]
            parts.append(_table("What switched" + (" (the first 60)" if len(self.result.events) > 60 else ""), events))
        return parts

    def _layouts(self):
        if self.comparison is None:
            return []
        names = {
            "spread_max_points": "largest spread [points]", "spread_end_points": "spread at end [points]",
            "share_ratio_max": "largest share ratio", "hardest_pack": "of pack", "c_rate_max": "peak C-rate", "energy_out_wh": "energy out [Wh]",
            "conductor_loss_wh": "lost in cable [Wh]",
        }  # fmt: skip
        table = self.comparison.table[list(names)].rename(columns=names).reset_index()
        return [
            _table("The same packs and duty, wired each way", table),
            self._figure(self.comparison.plot(), "Spread over time, and each pack's share of discharge ÷ its share of capacity."),
        ]

    def _study(self, study):
        parts = [_text(line) for line in study.text]
        if study.table is not None:
            parts.append(_table(study.title, study.table))
        return parts + [self._figure(figure, caption) for figure, caption in study.figures]

    def _protection(self):
        p = self.protection
        if p is None:
            return []
        faults = p.faults.reset_index()[
            ["place", "initial_a", "after_10ms_a", "after_1s_a", "rise_ms", "least_a", "least_one_pack_a"]
        ]
        faults.columns = [
            "fault at",
            "at once [A]",
            "10 ms [A]",
            "1 s [A]",
            "63 % after [ms]",
            "least [A]",
            "least, one pack alone [A]",
        ]
        clearing = p.clearing_told
        bad = p.checks[p.checks["status"] != "pass"]
        together = p.told(bad)
        together.columns = ["status", "rule", "where", "what was found", "rule from"]
        parts = [
            _text(
                f"{p.headline} {p.load_note[:1].upper()}{p.load_note[1:]}."
            ),
            {"kind": "figure", "svg": self._svg_text(p.drawing()), "caption": "Bolted fault currents at once, in the greatest case.",
             "drawing": True},
            _table("Prospective fault currents", faults),
            *(_text(line) for line in p.reliance),
        ]  # fmt: skip
        if len(together):
            parts.append(_table("Checks that did not pass", together))
        passed = p.checks[p.checks["status"] == "pass"][["rule", "where", "text"]]
        passed.columns = ["rule", "where", "what was found"]
        parts += [_table("What opens", clearing), _table("Checks that passed", passed)]
        if len(p.order):
            parts.append(
                self._figure(p.plot(), "When each device opens: its band, what the smallest conductor beside it withstands.")
            )
        if p.shorted:
            parts.append(
                self._figure(
                    p.plot_shorted(),
                    "A pack with a shorted cell and the switch of its BMS stuck, fed by its neighbours: of its cases the one of most energy.",
                )
            )
            parts.append(_table("A shorted cell: from several starts, without and with a charger", p.told_shorted))
            parts.append(_text(p.short_words))
        if len(p.outages):
            worst = p.worst_outages
            worst.columns = ["without", "full", "hardest pack", "current [A]", "C-rate", "rating ÷ current", "then"]
            parts.append(_table("One out at full load", worst))
        if len(p.overload):
            told = p.overload_told
            told.columns = ["times full load", "what opens, to the end"]
            parts.append(_table("Overload at the ports, followed to its end", told))
        if p.string_ratings:
            rows = pd.DataFrame([(r.string, r.device, r.text) for r in p.string_ratings])
            rows.columns = ["string", "device", "which rating surely opens first"]
            parts.append(_table("Devices of strings before those behind them", rows))
        return parts

    def _energy(self):
        if self.result is None:
            return []
        s = self.result.summary
        rows = [
            {"what": "out of the ports", "energy [Wh]": s["bank"]["energy_out_wh"]},
            {"what": "into the ports", "energy [Wh]": s["bank"]["energy_in_wh"]},
            *({"what": f"lost: {name.replace('_', ' ')}", "energy [Wh]": value} for name, value in s["losses_wh"].items()),
        ]
        ports = pd.DataFrame(s["ports"])
        keep = {"name": "port", "asked_wh": "asked [Wh]", "energy_out_wh": "given [Wh]", "unmet_wh": "unmet [Wh]", "offered_wh": "offered [Wh]",
                "energy_in_wh": "taken [Wh]", "curtailed_wh": "curtailed [Wh]"}  # fmt: skip
        closure = s["closure"]
        return [
            _table("Energy", pd.DataFrame(rows)),
            _table("Ports", ports[list(keep)].rename(columns=keep)),
            _text(
                f"The balance closes to {closure['charge_relative']:.0e} in charge and {closure['energy_relative']:.0e} in energy. "
                f"Integrator: {s['integrator']['name']}, tolerance {s['integrator']['tolerance']:.0e}."
            ),
        ]

    def _assumptions(self):
        lines = []
        for chemistry in {pack.chemistry.name: pack.chemistry for pack in self.bank.packs}.values():
            lines.append(
                f"Cell curves and parameters, {chemistry.title or chemistry.name}: {chemistry.source} ({chemistry.licence})."
            )
            lines += [f"{chemistry.name}, {section.replace('_', ' ')}: {note}" for section, note in chemistry.notes.items()]
        lines += [
            "Copper by IACS (IEC 60028), AWG by ASTM B258, metric cable by IEC 60228; R(T) linear.",
            "Packs: open-circuit voltage with one-state hysteresis (Plett, J. Power Sources 134 (2004) 262), R0 and two relaxation "
            "pairs, Bernardi's heat.",
            "Kirchhoff's laws for both polarities; resistances of joints as given.",
        ]
        if self.protection is not None:
            a = self.protection.assumptions
            lines += self.protection.basis
            lines.append(f"Polarities {self.bank.spacing_m * 100:.0f} cm apart; a pack's own inductance {a.pack_h * 1e6:g} µH.")
        return [{"kind": "list", "lines": lines}]

    def _not_checked(self):
        from simbank.studies.protection import NOT_CHECKED

        lines = [f"{line[:1].upper()}{line[1:]}." for line in NOT_CHECKED]
        if self.protection is None:
            lines.insert(0, "Fault currents, devices and cable: simbank protect was not run for this report.")
        return [{"kind": "list", "lines": [*lines, *NOT_KNOWN]}]

    def _again(self):
        import tomli_w

        from simbank import provenance

        made = self.result.made_by if self.result is not None else provenance.made_by(self.scenario, "simbank.write_report")
        return [
            _text(
                "The scenario as it was run, changes applied, and what made this report: versions, settings, hashes of contents."
            ),
            {"kind": "pre", "text": json.dumps(made, indent=1, default=str)},
            {"kind": "pre", "text": tomli_w.dumps(self.scenario.data)},
        ]

    # ---- figures ----

    def _figure(self, figure, caption):
        import matplotlib

        with matplotlib.rc_context({"svg.fonttype": "path", "svg.hashsalt": "simbank"}):
            out = io.StringIO()
            figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None})
        svg = out.getvalue()
        return {"kind": "figure", "svg": self._svg_text(svg[svg.index("<svg") :], caption), "caption": caption, "drawing": False}

    def _svg_text(self, svg, label=None):
        """SVG with ids of its own, so that several can stand in one page; a label for those who do not see it."""
        self.figures += 1
        mark = f"f{self.figures}-"
        if label is not None:
            label = label.replace("&", "&amp;").replace('"', "&quot;").replace("<", "&lt;")
            svg = svg.replace("<svg ", f'<svg role="img" aria-label="{label}" ', 1)
        svg = re.sub(r"<metadata>.*?</metadata>", "", svg, flags=re.DOTALL)
        svg = re.sub(r'\bid="', f'id="{mark}', svg)
        svg = re.sub(r"url\(#", f"url(#{mark}", svg)
        return re.sub(r'href="#', f'href="#{mark}', svg)


def _result_words(summary):
    packs, bank = summary["packs"], summary["bank"]
    out = []
    shares = [(p["share_ratio_discharge"], p["name"]) for p in packs if p["share_ratio_discharge"] is not None]
    if shares and max(shares)[0] > 1.005:
        high, low = max(shares), min(shares)
        out.append(
            f"Pack {high[1]} works hardest: it carries {high[0]:.2f} times its share of the discharge; {low[1]} the least, {low[0]:.2f}."
        )
    elif shares:
        out.append("All packs carry their share of the discharge.")
    peak = max(packs, key=lambda p: p["c_rate_peak"])
    out.append(
        f"States of charge lie up to {bank['spread_max_points']:.1f} points apart, {bank['spread_end_points']:.1f} at the end. "
        f"The largest current for its size is {peak['c_rate_peak']:.2f} C, in {peak['name']}."
    )
    for key, word in (("first_full_h", "full"), ("first_empty_h", "empty")):
        times = sorted((p[key], p["name"]) for p in packs if p[key] is not None)
        if times:
            out.append(f"First {word}: {times[0][1]}, after {times[0][0]:.1f} h.")
    return out


def _comparison_words(table):
    best = table["spread_max_points"].astype(float).idxmin()
    worst = table["spread_max_points"].astype(float).idxmax()
    if best == worst:
        return []
    return [
        f"Of the layouts, {best} keeps packs closest ({table.loc[best, 'spread_max_points']:.1f} points apart at most), {worst} least "
        f"({table.loc[worst, 'spread_max_points']:.1f})."
    ]


def _text(text, fine=False):
    return {"kind": "text", "text": text, "fine": fine}


def _digits(value):
    """A number to three digits that matter, without powers of ten where people do not expect them."""
    if abs(value) >= 1000:
        return f"{value:,.0f}"
    if value == 0 or abs(value) < 5e-4:
        return "0" if abs(value) < 1e-9 else f"{value:.1e}"
    places = max(0, 2 - math.floor(math.log10(abs(value))))
    return f"{value:.{min(places, 4)}f}"


def _table(caption, frame):
    """A table as the template wants it: numbers with sensible digits, and as they are for sorting."""
    number = {c: pd.api.types.is_numeric_dtype(frame[c]) or _numbers(frame[c]) for c in frame}
    rows = []
    for _, row in frame.iterrows():
        cells = []
        for column in frame:
            value = row[column]
            missing = value is None or (isinstance(value, float) and math.isnan(value))
            if missing:
                cells.append({"text": "–", "number": None})
            elif number[column]:
                cells.append({"text": _digits(float(value)), "number": float(value)})
            else:
                cells.append({"text": str(value), "number": None})
        first = str(row.iloc[0])
        rows.append({"cells": cells, "mark": "fail" if first == "fail" else ""})
    columns = [{"title": str(c), "number": number[c]} for c in frame]
    return {"kind": "table", "caption": caption, "columns": columns, "rows": rows}


def _numbers(column):
    values = [v for v in column if v is not None]
    return bool(values) and all(isinstance(v, (int, float)) and not isinstance(v, bool) for v in values)
