"""One self-contained HTML file that says what was asked, what was found, and on what it rests."""

from __future__ import annotations

import datetime
import json
import re
from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from simbank.caution import REPORT_CAUTION
from simbank.digits import cells, duration
from simbank.judging import verdicts
from simbank.plotting.drawing import draw_bank
from simbank.provenance import described
from simbank.report.band_parts import beside, first_readings, headlines, reach, varied
from simbank.report.bank_drawing import full_load_drawing
from simbank.report.failures import failures, marks
from simbank.report.parts import Figures, Sources, grouped, lines, powers, shown_table, table, text
from simbank.results import Study
from simbank.scenario import Scenario
from simbank.scenario.uncertain import uncertain_values
from simbank.simulation import Result
from simbank.studies import bill, readings
from simbank.studies.ageing import Ageing
from simbank.studies.bands_result import Bands
from simbank.studies.compare import Comparison
from simbank.studies.described import bank_warnings
from simbank.studies.protection import Protection
from simbank.studies.size import size_found
from simbank.verdict import SEVERITIES
from simbank.warning import listed

__all__ = ["write_report"]

AT_HEAD, MOST_VERDICTS = 7, 1000  # as many verdicts as are read stand first, all others below the caution
OF_YEARS = "Which of these packs ages first, and what will the bank still give over the years?"
NO_AGEING = "How resistance and capacity will change: ageing enters only as given."
NOT_KNOWN = (
    "Cells within a pack beyond their capacity and balance; gradients of temperature and charge within a cell.",
    NO_AGEING,
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
    bands: Bands | None = None,
    without_bands: str = "",
    studies: Sequence[Study] = (),
    site: str = "",
    author: str = "",
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
    bands : Bands, optional
        Of :func:`simbank.bands`, of the same run: how far its figures reach, what explains that, what to measure first. Those of a
        comparison, of a study and of protection are in their results.
    without_bands : str
        Why there are none, which the page then says.
    studies : sequence of Study
        Further sections.
    site, author : str
        Where the bank stands and who answers for the report; left blank to be filled in by hand.

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

    page = _Page(scenario, result, comparison, protection, studies, bands, without_bands)
    environment = Environment(
        loader=PackageLoader("simbank.report"), autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    told, warned = page.told()
    html = environment.get_template("report.html.j2").render(
        title=scenario.name,
        source=Path(scenario.source).name if scenario.source else None,
        made_on=datetime.date.today().isoformat(),
        site=site,
        author=author,
        versions={"simbank": package_version("simbank")},
        question=page.question(),
        verdicts=told[:AT_HEAD],
        further=told[AT_HEAD:],
        severities=SEVERITIES,
        answer=page.answer(),
        answer_first=any(study.question for study in studies),
        warnings=warned,
        listed=listed,
        caution=REPORT_CAUTION,
        sections=page.sections(),
        sources=page.sources.texts,
    )
    path = Path(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    write_text(path, html)
    return path


class _Page:
    def __init__(self, scenario, result, comparison, protection, studies, bands, without_bands):
        self.scenario, self.result, self.comparison, self.protection = scenario, result, comparison, protection
        self.studies, self.without_bands = studies, without_bands
        self.bands = bands if bands is not None else _bands_within(comparison, studies)
        self.bank = scenario.bank
        self.figures, self.sources = Figures(), Sources()
        self.found = [part for part in (result, comparison, protection) if part is not None]
        self.drawn = [] if self.bands is None or (comparison is not None and bands is None) else [self.bands]

    # ---- question and answer ----

    def question(self):
        """The header comment of the scenario file, as far as it asks; else what the report looks at."""
        lines = []
        if self.scenario.source and Path(self.scenario.source).exists():
            for line in Path(self.scenario.source).read_text(encoding="utf-8-sig").splitlines():
                if not line.startswith("#"):
                    break
                line = line.lstrip("# ")
                if lines and (not line or re.match(r"(?!Answer:|Try:)[A-Z][\w ]{0,20}: ", line)):  # a paragraph of its own
                    line = f"Try: {line}"
                lines.append(line)
        text = " ".join(lines)
        match = re.search(r"Whose question:\s*(.*?)(?:\s(?:Answer|Try):|$)", text)
        own = [study.question for study in self.studies if study.question]
        years = any(isinstance(study.result, Ageing) for study in self.studies)
        own = own or [OF_YEARS if years else "How do these packs share their current, wired this way, at this duty?"]
        if match:
            asked = re.sub(r"^(an?|the) [\w-]+'s\.\s*", "", match[1])
            own = [asked[:1].upper() + asked[1:]]
        if "invented" in text:
            own.append("The bank is a worked example; its numbers are invented.")
        return own

    def told(self):
        """Verdicts of all that was computed, each with the code of the warning that says the same, and warnings that none says."""
        warned = self.warnings()
        judged = [*self.found, *self.drawn, *(study.result for study in self.studies if study.result is not None)]
        codes = {(warning.where, warning.text): warning.code for warning in warned}
        out, said = [], set()
        for verdict in verdicts(*judged, most=MOST_VERDICTS) if judged else []:
            code = codes.get((verdict.where, verdict.text))
            if code is None and any((w.code, w.where) == (verdict.code, verdict.where) for w in warned):
                code = verdict.code
            said.add((code, verdict.where))
            out.append({"verdict": verdict, "warning": code})
        return out, [warning for warning in warned if (warning.code, warning.where) not in said]

    def answer(self):
        """What studies say of themselves, below the verdicts."""
        out = [] if self.bands is None else headlines(self.bands)
        out += [line for study in self.studies for line in study.answer]
        if self.protection is not None:
            out.append(f"Protection: {self.protection.headline}")
        if not self.found and not self.studies:
            out.append("See below: the bank as described; nothing was run.")
        return out

    def warnings(self):
        """What must be known before any of the figures, from all that was computed; each code and place once."""
        found = [*self.found, *self.drawn, *self.studies]
        told = [warning for part in found for warning in part.warnings] if found else bank_warnings(self.scenario)
        return list({(warning.code, warning.where): warning for warning in reversed(told)}.values())[::-1]

    # ---- sections ----

    def sections(self):
        studies = [(f"study-{k}", study.title, self._study(study)) for k, study in enumerate(self.studies)]
        first = [made for made, study in zip(studies, self.studies, strict=True) if study.question]
        made = [
            *first,
            ("put-right", "What to put right", self._put_right()),
            ("bank", "The bank", self._bank()), ("packs", "Packs", self._packs()), ("wiring", "Wiring schedule", self._wiring()),
            ("devices", "Device schedule", self._devices()), ("bill", "What has to be bought", [] if first else self._bill()),
            ("sharing", "Sharing over time", self._sharing()),
            *(made for made in studies if made not in first),
            ("reach", "How far this reaches", self._reach()), ("layouts", "Layouts side by side", self._layouts()),
            ("protection", "Protection", self._protection()), ("energy", "Energy balance", self._energy()),
            ("readings", "Readings at commissioning", self._readings()),
            ("assumptions", "What this rests on", self._assumptions()), ("not-checked", "What was not checked", self._not_checked()),
            ("sources", "Sources", self._sources()), ("again", "To run it again", self._again()),
        ]  # fmt: skip
        return [{"id": i, "title": title, "parts": parts, "across": _across(parts)} for i, title, parts in made if parts]

    def _put_right(self):
        """Rules of protection that are not kept, the gravest first, each with its number on a drawing."""
        if self.protection is None:
            return []
        found = failures(self.protection)
        if not found:
            return []
        rows = [
            {
                "number": f.number, "rule": f.rule, "title": f.title, "failed": f.status == "fail", "places": ", ".join(f.places),
                "count": len(f.places), "worst_at": f.places[0], "worst": powers(f.worst), "source": self.sources.number(f.source),
            }
            for f in found
        ]  # fmt: skip
        drawing = draw_bank(self.bank, marks=marks(self.protection, found), places=list(self.protection.greatest.named))
        caption = "Numbers are those of the list: where each rule is not kept, or could not be checked."
        return [
            text(
                "In order of urgency: what cannot break or end a fault, then what burns, then what trips; after these, what could not "
                "be checked. Of each the place farthest from its limit is told; all others are in the section on protection."
            ),
            {"kind": "failures", "rows": rows},
            self.figures.drawing(drawing, caption),
        ]

    def _bank(self):
        ports = ", ".join(self.bank.graph.ports)
        return [
            text(
                f"{len(self.bank.packs)} packs, {self.bank.capacity_ah:.4g} Ah, ports: {ports}. Layout: {self.scenario.layout}."
            ),
            self.figures.drawing(*full_load_drawing(self.scenario)),
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
        parts = [table("Inventory of packs", grouped(pd.DataFrame(rows), "pack", "packs")[0])]
        if self.result is None:
            return parts
        did = [
            {
                "pack": p["name"], "SOC at end [%]": p["soc_end"] * 100, **_displayed(p), "peak [A]": p["current_peak_a"],
                "peak C-rate": p["c_rate_peak"], "share ratio, discharge": p["share_ratio_discharge"],
                "share ratio, charge": p["share_ratio_charge"], "throughput [Ah]": p["throughput_ah"],
                "first full [h]": p["first_full_h"], "first empty [h]": p["first_empty_h"],
            }
            for p in self.result.summary["packs"]
        ]  # fmt: skip
        return [*parts, table("What each pack did", pd.DataFrame(did))]

    def _wiring(self):
        from simbank.bank.ampacity import conductor_ampacity

        rated = {device.branch: device.rating_a for device in self.bank.devices}
        rows, peaks, unknown = [], {}, set()
        for branch in self.bank.graph.branches:
            part = branch.conductor
            ampacity, words = conductor_ampacity(part, self.bank.ambient_k) if branch.kind != "device" else (None, "")
            sized = part is not None and part.gauge is not None
            size = part.gauge.label if sized else "size not given"
            if branch.kind == "device":
                size = f"device of {rated[branch.name]:g} A" if branch.name in rated else "switch or shunt"
            rows.append(
                {
                    "name": branch.name, "size": size, "length [m]": part.length_m if sized else None,
                    "resistance [mΩ]": branch.resistance_ohm * 1e3, "ampacity [A]": ampacity, "source": words if ampacity is not None else "",
                }
            )  # fmt: skip
            if ampacity is None and words:
                unknown.add(words)
            if self.result is not None:
                peaks[branch.name] = float(self.result.branches.loc[branch.name, "current_peak_a"])
        if not rows:
            return []
        alike, groups = grouped(pd.DataFrame(rows), "name", "names")
        if peaks:
            most = [max(names, key=peaks.get) for names in groups]
            drops = [peaks[name] * ohm for name, ohm in zip(most, alike["resistance [mΩ]"], strict=True)]
            alike.insert(5, "greatest peak [A]", [peaks[name] for name in most])
            alike.insert(6, "drop then [mV]", drops)
            alike.insert(7, "in", most)
        return [
            table("Every conductor, joint and device in line", alike, sources=self.sources),
            text(
                "Length and resistance are of each; resistance includes both joints. Ampacity is corrected for ambient temperature and "
                "bundling."
                + (
                    " The greatest peak is that of the duty as it was run; the drawing of the bank shows full load."
                    if peaks
                    else ""
                )
                + (f" Where no ampacity stands: {'; '.join(sorted(unknown))}." if unknown else ""),
                fine=True,
            ),
        ]

    def _devices(self):
        resistance = {b.name: b.resistance_ohm * 1e3 for b in self.bank.graph.branches}
        rows = [
            {
                "device": d.name, "pole": d.pole, "class": d.class_name or ("own curve" if d.band else "not given"),
                "rating [A]": d.rating_a, "breaks [kA DC]": d.interrupting_a and d.interrupting_a / 1e3, "rated [V DC]": d.voltage_v,
                "resistance [mΩ]": resistance.get(d.branch),
            }
            for d in self.bank.devices
        ]  # fmt: skip
        if not rows:
            return [text("The file names no fuse or breaker. Every parallel pack, string and port needs one.")]
        return [table("Fuses and breakers", grouped(pd.DataFrame(rows), "device", "devices")[0])]

    def _bill(self):
        found = bill(self.scenario)
        headings = {
            "kind": "kind", "what": "what", "count": "count", "length_m": "length of each [m]", "total_m": "in all [m]",
            "mass_kg": "mass in all [kg]",
        }  # fmt: skip
        shown = found.table[list(headings)].rename(columns=headings)
        return [table("Copper, cable ends, devices", shown), *(text(line) for line in found.words)]

    def _readings(self):
        """What meters should show, with columns to be filled in."""
        expected = readings(self.scenario)
        rows = expected.table
        columns = {
            "at": rows["name"].where(rows["what"] != "pack", "pack " + rows["name"]), "from": rows["from"], "to": rows["to"],
            "at once [A]": rows["current_a"],
        }  # fmt: skip
        if rows["later_a"].notna().any():
            columns["10 min on [A]"] = rows["later_a"]
        columns |= {"at once [mV]": rows["drop_mv"], "mV ÷ A [mΩ]": rows["resistance_mohm"]}
        blank = ("measured [A]", "measured [mV]")
        frame = pd.DataFrame(columns | dict.fromkeys(blank, ""))
        return [
            *(text(line) for line in expected.words),
            *(text(line) for line in ([] if self.bands is None else first_readings(self.bands))),
            table("To fill in: what each conductor, device and pack should show", frame, blank=blank),
            {"kind": "fields", "fields": ["Date and time", "Meters used", "Port current held [A]", "Read by"]},
        ]

    def _sharing(self):
        if self.result is None or not len(self.result.packs):
            return []
        parts = [self.figures.figure(picture.figure, picture.caption) for picture in self.result.pictures()]
        if len(self.result.events):
            events = self.result.events.head(60).copy()
            events.insert(0, "time [h]", events.pop("time_s") / 3600.0)
            events.columns = ["time [h]", "where", "what", "because", "code"]
            parts.append(table("What switched" + (" (the first 60)" if len(self.result.events) > 60 else ""), events))
        return parts

    def _reach(self):
        if self.bands is None:
            return [text(self.without_bands)] if self.without_bands else []
        kept = [text(line) for study in self.studies for line in getattr(study.result, "kept_words", [])]
        return [*kept, *reach(self.bands, self._known(), self.figures, self.sources)]

    def _known(self):
        """What was drawn, as it is in the scenario that was drawn."""
        scenario = self.scenario
        for study in self.studies:
            if self.bands is getattr(study.result, "bands", None) and hasattr(study.result, "best"):
                scenario = size_found(scenario, study.result)
        return [value for value in uncertain_values(scenario) if value.key in self.bands.uncertain.index]

    def _layouts(self):
        if self.comparison is None:
            return []
        names = {
            "spread_max_points": "largest spread [points]", "spread_end_points": "spread at end [points]",
            "share_ratio_max": "largest share ratio", "hardest_pack": "of pack", "c_rate_max": "peak C-rate", "energy_out_wh": "energy out [Wh]",
            "conductor_loss_wh": "lost in cable [Wh]",
        }  # fmt: skip
        side_by_side = self.comparison.table[list(names)].rename(columns=names).reset_index()
        return [
            table("The same packs and duty, wired each way", side_by_side),
            self.figures.figure(
                self.comparison.plot(), "Spread over time, and each pack's share of discharge ÷ its share of capacity."
            ),
            *([text(self.comparison.not_counted)] if self.comparison.not_counted else []),
            *([] if self.comparison.bands is None else beside(self.comparison.bands, self.figures)),
        ]

    def _study(self, study):
        parts = [text(line) for line in study.text]
        if study.table is not None:
            parts.append(table(study.title, study.table, sources=self.sources))
        parts += [shown_table(one) for one in study.tables if len(one.frame)]
        parts += [self.figures.drawing(svg, caption) for svg, caption in study.drawings]
        if isinstance(study.result, Ageing) and study.result.bands is not None:
            parts.append(varied(study.result.bands.uncertain, self.sources))
        return parts + [self.figures.figure(figure, caption) for figure, caption in study.figures]

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
            "63 % after",
            "least [A]",
            "least, one pack alone [A]",
        ]
        faults["63 % after"] = cells("rise_ms", faults["63 % after"])
        clearing = p.clearing_told
        bad = p.checks[p.checks["status"] != "pass"]
        together = p.told(bad)
        together.columns = ["status", "rule", "where", "what was found", "source"]
        parts = [
            text(f"{p.headline} {p.load_note[:1].upper()}{p.load_note[1:]}."),
            self.figures.drawing(p.drawing(), "Bolted fault currents at once, in the greatest case."),
            table("Prospective fault currents", faults),
            *self._fault_bands(),
            *(text(line) for line in p.reliance),
        ]
        if len(together):
            parts.append(table("Checks that did not pass", together, sources=self.sources))
        passed = p.told(p.checks[p.checks["status"] == "pass"])[["rule", "where", "text", "source"]]
        passed.columns = ["rule", "where", "what was found", "source"]
        parts += [table("What opens", clearing), table("Checks that passed", passed, sources=self.sources)]
        if len(p.order):
            parts.append(
                self.figures.figure(
                    p.plot(), "When each device opens: its band, what the smallest conductor beside it withstands."
                )
            )
        if p.shorted:
            parts.append(
                self.figures.figure(
                    p.plot_shorted(),
                    "A pack with a shorted cell and the switch of its BMS stuck, fed by its neighbours: of its cases the one of most energy.",
                )
            )
            shorted = p.told_shorted.rename(columns={"over after [h]": "over after"})
            shorted["over after"] = [duration(hours * 3600.0) for hours in shorted["over after"]]
            parts.append(table("A shorted cell: from several starts, without and with a charger", shorted))
            parts.append(text(p.short_words))
        if len(p.outages):
            headings = {
                "dropped": "without", "load": "full", "pack": "hardest pack", "current_a": "current [A]", "c_rate": "C-rate",
                "device_margin": "rating ÷ current", "then": "then",
            }  # fmt: skip
            parts.append(table("One out at full load", p.worst_outages[list(headings)].rename(columns=headings)))
        if len(p.overload):
            headings = {"times_full_load": "times full load", "then": "what opens, to the end"}
            told = p.overload_told[list(headings)].rename(columns=headings)
            parts.append(table("Overload at the ports, followed to its end", told))
        if p.string_ratings:
            rows = pd.DataFrame([(r.string, r.device, r.text) for r in p.string_ratings])
            rows.columns = ["string", "device", "which rating surely opens first"]
            parts.append(table("Devices of strings before those behind them", rows))
        return parts

    def _fault_bands(self):
        bands = self.protection.bands
        if bands is None:
            return []
        told = [text(line) for line in bands.words]
        if not bands.uncertain:
            return told
        spans = bands.spans()[["place", "initial_a", "after_10ms_a", "after_1s_a", "least_a", "least_one_pack_a"]]
        spans.columns = ["fault at", "at once [A]", "10 ms [A]", "1 s [A]", "least [A]", "least, one pack alone [A]"]
        told.append(table(f"The same from 5 to 95 % of {bands.draws} draws", spans))
        return told if self.bands is not None else [*told, varied(bands.uncertain, self.sources)]

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
        if ports["ac_asked_wh"].any():
            keep |= {"ac_asked_wh": "AC asked [Wh]", "ac_served_wh": "AC served [Wh]", "ac_unmet_wh": "AC unmet [Wh]"}
        closure, used = s["closure"], s["integrator"]
        return [
            table("Energy", pd.DataFrame(rows)),
            table("Ports", ports[list(keep)].rename(columns=keep)),
            text(
                f"The balance closes to {closure['charge_relative']:.0e} in charge and {closure['energy_relative']:.0e} in energy. "
                f"Integrator: {used['name']}, tolerance {used['tolerance']:.0e}{': ' + used['because'] if 'because' in used else ''}."
            ),
        ]

    def _assumptions(self):
        said = []
        for chemistry in {pack.chemistry.name: pack.chemistry for pack in self.bank.packs}.values():
            said.append(
                f"Cell curves and parameters, {chemistry.title or chemistry.name}: {chemistry.source} ({chemistry.licence})."
            )
            said += [f"{chemistry.name}, {section.replace('_', ' ')}: {note}" for section, note in chemistry.notes.items()]
        said += [
            "Copper by IACS (IEC 60028), AWG by ASTM B258, metric cable by IEC 60228; R(T) linear.",
            "Packs: open-circuit voltage with one-state hysteresis (Plett, J. Power Sources 134 (2004) 262), R0 and two relaxation "
            "pairs, Bernardi's heat.",
            "Kirchhoff's laws for both polarities; resistances of joints as given.",
        ]
        for study in self.studies:
            said += study.result.basis if isinstance(study.result, Ageing) else []
        if self.protection is not None:
            a = self.protection.assumptions
            said += self.protection.basis
            said.append(f"Polarities {self.bank.spacing_m * 100:.0f} cm apart; a pack's own inductance {a.pack_h * 1e6:g} µH.")
        return [lines(said)]

    def _not_checked(self):
        from simbank.studies.protection import NOT_CHECKED

        left = NOT_CHECKED if self.protection is None else self.protection.not_checked
        said = [f"{line[:1].upper()}{line[1:]}." for line in left]
        if self.protection is None:
            said.insert(0, "Fault currents, devices and cable: simbank protect was not run for this report.")
        aged = any(isinstance(study.result, Ageing) for study in self.studies)
        return [lines([*said, *(line for line in NOT_KNOWN if line != NO_AGEING or not aged)])]

    def _sources(self):
        return [{"kind": "sources"}] if self.sources.texts else []

    def _again(self):
        import tomli_w

        from simbank import provenance

        made = self.result.made_by if self.result is not None else provenance.made_by(self.scenario, "simbank.write_report")
        return [
            text(
                "The scenario as it was run, changes applied, and what made this report: versions, settings, hashes of contents."
            ),
            {"kind": "pre", "text": json.dumps(made, indent=1, default=str)},
            {"kind": "pre", "text": tomli_w.dumps(described(self.scenario.data))},
        ]


def _bands_within(comparison, studies):
    """Bands of the layout that the file has, or of a study; None if there are none."""
    if comparison is not None and comparison.bands is not None:
        return comparison.bands.layouts.get(comparison.own)
    found = (getattr(study.result, "bands", None) for study in studies)
    return next((bands for bands in found if isinstance(bands, Bands)), None)


def _displayed(row):
    """What a pack's display shows at the end, and by how much that is wrong, where packs have displays."""
    if "displayed_soc_end" not in row:
        return {}
    shown = row["displayed_soc_end"]
    return {
        "display at end [%]": None if shown is None else shown * 100,
        "display error [points]": row["display_error_end_points"],
    }


def _across(parts):
    """Up to which part a section stands on a page across: its first drawing if that is wide and only words precede it; else 0."""
    for k, part in enumerate(parts, 1):
        if part["kind"] == "drawing":
            return k if part["wide"] else 0
        if part["kind"] != "text":
            break
    return 0
