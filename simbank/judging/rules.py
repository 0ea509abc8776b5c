"""Every rule that makes a verdict: its code, how grave it is, when it speaks, from where on, and where that is from."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Any

from simbank.studies.ageing.seasons import LEAST_WINDOW_DAYS
from simbank.studies.pack_limits import USUAL_LIMIT_C
from simbank.studies.rule_figures import LASTING_S
from simbank.verdict import ACT, DANGER, NOTE, UNKNOWN, Verdict

__all__ = ["APART", "RULES", "Rule", "in_page", "rules_markdown", "verdict"]

PRACTICE = "common practice, no source"
MOST_LETTERS = 300  # of a verdict, with names of usual length

# Thresholds, each with its reason beside it; RULES hands them on.
UNMET_WH, UNMET_SHARE = 0.5, 1e-3  # of what was asked. Chosen here: below it is the tail of one step, not a night
NIGHT_H = (18.0, 9.0)  # local time. Chosen here: between these hours there is little sun at any place and season
EMPTY_SOC = 0.15  # mean of the bank. Chosen here: below it the voltage of LFP falls, so that a cut-off there means empty
LEFT_SHARE = 0.05  # of the bank's capacity. Chosen here: less is within what meters of charge are good for
FULL_SOC = 0.985  # of the fullest pack. Chosen here: a charge held at 3.55 V a cell ends within a point or so of full
LOW_AT_END_SOC = 0.85  # mean of the bank. Chosen here: LFP chargers go over to float beyond it if voltage and tail fit the bank
CURTAILED_SHARE = 0.1  # of what was offered. Chosen here: less is the end of every absorption
SHARE_TOLD = 1.05  # share ratio. Chosen here: clamp meters are good for 2 or 3 % each, so that less cannot be measured
NEAR_LIMIT = 0.8  # of a limit. NFPA 70 215.3 (a load that lasts counts 125 %), from memory; taken over for packs: chosen here
SPREAD_TOLD_POINTS = 2.0  # chosen here: less cannot be read from a meter of charge
RESTED_S = 1800.0  # chosen here: the quick relaxation is over, so that what flows then levels
RESTED_C = 2e-3  # chosen here: a few hours at it move less than SPREAD_TOLD_POINTS
STILL_C = 1e-4  # chosen here: round-off; what levels flows with more
DISPLAY_WRONG_POINTS = 10.0  # chosen here: five times SPREAD_TOLD_POINTS; a night of the bank, for who plans by it
COUNTER_DRIFT_POINTS = 1.0  # a day. Chosen here: ten points in ten days, from one full charge to the next
APART_V, APART_S = 0.1, 60.0  # two ports. Common practice, no source: inverters are set in steps of 0.1 V and act within a minute
CABLE_LOSS_SHARE = 0.03  # of the energy moved. Common practice, no source: a drop of 3 % is the usual limit
WARM_C = 45.0  # the library's charge rates begin to fall there; common practice, no source
TOO_COLD_H = 0.01  # below freezing, as the warning
TOO_FAST_H = 0.25  # above it. Chosen here: less is the end of a charge, when the others are full
LOAD_MARGIN = 1.25  # as size: NFPA 70 215.3, from memory
ALIKE_ENERGY, ALIKE_SHARE, ALIKE_POINTS = 0.01, 0.05, 2.0  # between layouts. Chosen here: as SHARE_TOLD and SPREAD_TOLD_POINTS;
# one percent of the energy is a tenth of what one day's sun differs from the next
USABLE_SHARE = 0.95  # chosen here: two tests of the same bank differ by some percent
HANGS_ACT, HANGS_DANGER = 0.05, 0.5  # of the draws. Chosen here: outside the band of 5 to 95 %; no better than a coin
HOT_JOINT_W = 10.0  # common practice, no source: so much in a lug makes it tens of kelvin warmer than its cable
GAIN_SHARE = 0.1  # by which more copper must lower the largest share ratio to be told of. Chosen here: twice SHARE_TOLD - 1


COLD_CHARGE_SHARE = 0.1  # of a pack's loss. Chosen here: less is within what laws are good for
STORAGE_SHARE, HIGH_CHARGE_SOC = (
    0.5,
    0.75,
)  # of a pack's loss; mean charge. Chosen here: beyond it the curves of storage rise above their middle
UNMET_GROWS_SHARE = 0.01  # of what is asked in a year. Chosen here: four days
WORTH_YEARS, WORTH_ENERGY = 0.2, 0.01  # years to 80 %; of usable energy. Chosen here: more than the steps between windows err by
LAWS_SIZE_SHARE = 0.5  # of the years gained, by which laws may differ in them before their size is called unsure; chosen here
COLD_TAKEN_SHARE = 0.01  # of the charge taken, below 10 °C, from which on no cooler place is advised; chosen here
UNMET_SAVED_SHARE = 0.1  # of what is not given, that a change must save to be praised for it; chosen here
FLOAT_MISSES_WH = 1.0  # in all the years: above round-off; chosen here
LAWS_APART_POINTS = 5.0  # chosen here: a quarter of the way to the end of first life


APART = ("mixed-chemistry", "unequal-cell-count")  # packs that do not belong together, however they are wired


@dataclass(frozen=True)
class Rule:
    """One rule.

    Attributes
    ----------
    code : str
    severity : str
        That of its verdicts, or the gravest of several.
    meaning : str
        When it speaks.
    threshold : str
        From where on.
    source : str
        Where the threshold is from: published, ``common practice, no source``, or ``chosen here`` with the reason.
    """

    code: str
    severity: str
    meaning: str
    threshold: str
    source: str


PROTECT, WARNING = "as the check of `protect`", "as the warning"
HANGS = f"`protect --bands`: danger from {HANGS_DANGER * 100:g} % of the draws on, act from {HANGS_ACT * 100:g} %, else unknown"
LEFT = "; without it: unknown, where it does not hold with joints and pack wiring that the file leaves out"
HANGS_SOURCE = "Shares: chosen here, outside the band of 5 to 95 %; no better than a coin"
SIZE_SOURCE = "NFPA 70 310.16, 240.4, 215.3; IEC 60364-5-52; from memory"

# In order: of the same severity, what stands first is told first.
_ROWS = (
    # what burns, bursts or kills
    ("mixed-chemistry", DANGER, "packs of several chemistries in parallel", WARNING, PRACTICE),
    ("unequal-cell-count", DANGER, "packs with unequal numbers of cells in series in parallel", WARNING, PRACTICE),
    (
        "device-cannot-break",
        DANGER,
        "a fuse or breaker cannot break the current or the voltage that it may have to",
        PROTECT,
        "NFPA 70 110.9, IEC 60364-4-43 434.5.1; from memory",
    ),
    ("no-own-device", DANGER, "a pack or string in parallel has no fuse or breaker of its own", "any", PRACTICE),
    (
        "device-may-not-break",
        DANGER,
        "a device breaks what may flow by the file, and not in every draw of what is not known exactly",
        HANGS,
        f"NFPA 70 110.9, IEC 60364-4-43 434.5.1; from memory. {HANGS_SOURCE}",
    ),
    ("port-without-device", DANGER, "a port has no fuse or breaker at its take-off", "any", PRACTICE),
    (
        "unequal-charge",
        DANGER,
        "packs that are joined at unequal charge: danger if a limit is overrun then, else act",
        WARNING,
        PRACTICE,
    ),
    (
        "joining-over-limit",
        DANGER,
        "added packs drive more through a pack, device or cable at the moment of joining than it may carry",
        "BMS limit, what cells take, 1 C where no limit is given; rating; ampacity",
        PRACTICE,
    ),
    (
        "joining-fails-check",
        DANGER,
        "a check of protection fails with the added packs that did not without them, or at a place that they bring; act if nothing burns by it",
        PROTECT,
        "as that check",
    ),
    ("charge-below-freezing", DANGER, "cells are charged below the temperature at which they take charge", WARNING, PRACTICE),
    (
        "switch-stuck",
        DANGER,
        "the switch of a BMS is stuck closed, by the file; in a run, that it ordered a block and current went on",
        "any",
        PRACTICE,
    ),
    (
        "charge-above-limit",
        DANGER,
        "charge voltage, or a BMS's over-voltage limit, above the highest that cells stand",
        "above the chemistry's highest cell voltage (× cells in series)",
        PRACTICE,
    ),
    (
        "beyond-cell-model",
        DANGER,
        "a pack was charged beyond full or discharged beyond empty; lead-acid beyond full, which gases: act",
        WARNING,
        PRACTICE,
    ),
    (
        "cable-burns-first",
        DANGER,
        "a fault heats a conductor beyond its withstand before anything opens: which, where, after how long",
        PROTECT,
        "IEC 60364-4-43 434.5.2, IEC 60949; secondary source",
    ),
    (
        "fault-not-cleared",
        DANGER,
        "no device, or none in time, ends the least fault current at a place",
        PROTECT,
        "IEC 60364-4-41 411.3.2 (5 s); from memory",
    ),
    (
        "cable-may-burn",
        DANGER,
        "a conductor withstands every fault by the file, and not in every draw",
        HANGS + LEFT,
        f"IEC 60364-4-43 434.5.2, IEC 60949; secondary source. {HANGS_SOURCE}",
    ),
    (
        "fault-may-not-clear",
        DANGER,
        "the least fault current clears in time by the file, and not in every draw",
        HANGS + LEFT,
        f"IEC 60364-4-41 411.3.2 (5 s); from memory. {HANGS_SOURCE}",
    ),
    (
        "fed-past-every-fuse",
        DANGER,
        "neighbours and charger feed a pack with a shorted cell, and no device that can be relied on ends it",
        PROTECT,
        PRACTICE,
    ),
    (
        "no-device-limits",
        DANGER,
        "no device in the file limits the current in a conductor of the size found",
        "as `size`",
        SIZE_SOURCE,
    ),
    ("conductor-unprotected", DANGER, "devices let more pass for good than a conductor may carry", PROTECT, SIZE_SOURCE),
    (
        "conductor-overloaded",
        DANGER,
        "a conductor carries more than it may: in a run over 15 min, in `size`, `compare` and `protect` with the margin of a load that lasts",
        f"run: root mean square over {LASTING_S / 60:.0f} min above ampacity; size, compare, protect: {LOAD_MARGIN:g} × the load above it",
        SIZE_SOURCE,
    ),
    ("sharing-only", DANGER, "sizes were tried without ampacity and protection: one in the list may burn", "as `size`", PRACTICE),
    (
        "pack-hot",
        DANGER,
        "a pack is warmer than its cells take charge at all: danger; warm enough that they take less: act",
        f"{WARM_C:g} °C",
        PRACTICE,
    ),
    (
        "joint-suspected",
        DANGER,
        "readings point to a joint with too much resistance: danger if it makes much heat at the current read, else act",
        f"sound bank below 10 %; {HOT_JOINT_W:g} W",
        PRACTICE,
    ),
    (
        "may-happen",
        DANGER,
        "what does not happen by the file, but does in some of the draws of what is not known: as grave as the rule that speaks there, "
        "one less where it does in fewer than half",
        f"from {HANGS_ACT * 100:g} % of the draws on; as the rule from {HANGS_DANGER * 100:g} % on",
        HANGS_SOURCE.removeprefix("Shares: "),
    ),
    # what is wrong and costs energy, a pack or a night
    (
        "joining-current",
        ACT,
        "added packs drive more than is asked for through a pack at the moment of joining, but within its limits",
        "0.1 C, or as asked for",
        "chosen here: half of what LFP packs are charged with for good",
    ),
    (
        "level-bank-first",
        ACT,
        "the bank's own packs level by more than a limit, to whatever voltage the added ones are brought",
        "as joining-current and joining-over-limit",
        PRACTICE,
    ),
    (
        "shares-worse",
        ACT,
        "with the added packs the bank shares worse than without",
        f"{ALIKE_SHARE:g} of share ratio, {ALIKE_POINTS:g} points of spread",
        "chosen here: less cannot be measured",
    ),
    (
        "picture-fits-no-bank",
        ACT,
        "no bank of this kind, whatever its joints and hysteresis, leaves what displays show at rest",
        "a picture that fits as badly once in 100 cases",
        "chi-square; 1 %: chosen here",
    ),
    (
        "joint-by-picture",
        ACT,
        "what displays show at rest speaks of joints that are not sound",
        "5 % point above twice the 95 % of a sound joint",
        "bank/assumed.toml: common practice, no source",
    ),
    ("unequal-age", ACT, "added packs are much younger or older than those of the bank", WARNING, PRACTICE),
    ("run-not-complete", ACT, "a run stopped before the end of its duty", "any", PRACTICE),
    (
        "balance-missed",
        ACT,
        "charge or energy does not close: the figures cannot be relied on",
        WARNING,
        "chosen here: as the warning",
    ),
    ("runs-failed", ACT, "runs of a sweep failed", "any", PRACTICE),
    ("tripped-at-once", ACT, "a port stopped since packs or devices opened on over-current", WARNING, PRACTICE),
    (
        "empty-before-dawn",
        ACT,
        "the load was not met: an inverter or load was cut off at night with the bank empty",
        f"unmet more than {UNMET_WH:g} Wh; mean charge up to {EMPTY_SOC * 100:.0f} %; "
        f"between {NIGHT_H[0]:.0f}:00 and {NIGHT_H[1]:.0f}:00",
        "chosen here: less is the tail of one step; below it the voltage of LFP falls; hours with little sun anywhere",
    ),
    (
        "load-unmet",
        ACT,
        "the load was not met, at another time or in a duty without a date",
        f"unmet more than {UNMET_WH:g} Wh",
        "chosen here: less is the tail of one step",
    ),
    (
        "cut-off-early",
        ACT,
        "an inverter or load was cut off with charge left in the bank",
        f"mean charge above {EMPTY_SOC * 100:.0f} %",
        "chosen here: below it the voltage of LFP falls",
    ),
    (
        "inverter-too-small",
        ACT,
        "alternating-current load beyond the inverter's rating",
        f"unmet more than {UNMET_WH:g} Wh and {UNMET_SHARE * 100:g} % of a day's without a cut-off",
        "chosen here: less is the tail of one step",
    ),
    ("no-size-fits", ACT, "no layout in any gauge of the series fits", "as `size`", SIZE_SOURCE),
    (
        "pack-near-limit",
        ACT,
        "a pack's current comes near a limit of its own: BMS, device, cells' charge rate, or what is usual",
        f"{NEAR_LIMIT:g} of the limit; {USUAL_LIMIT_C:g} C where none is given",
        "NFPA 70 215.3, taken over for packs: chosen here; 1 C: common practice, no source",
    ),
    ("opened-on-over-current", ACT, "a BMS or a device opened on over-current, and the ports went on", "any", PRACTICE),
    (
        "rating-below-load",
        ACT,
        "a device's rating is below the load that lasts, with its margin: it trips without a fault",
        PROTECT,
        "NFPA 70 215.3, UL 489; secondary source",
    ),
    (
        "one-out-cascade",
        ACT,
        "with one pack or string out at full load others open too: who is next, what is left",
        PROTECT,
        PRACTICE,
    ),
    (
        "not-selective",
        ACT,
        "another device opens before the one that should clear a fault: more goes dark than must",
        "as `opens first` of `protect`",
        PRACTICE,
    ),
    (
        "empties-first",
        ACT,
        "charge was left in packs when the bank was cut off, since one emptied first",
        f"{LEFT_SHARE * 100:.0f} % of the bank's capacity",
        "chosen here: less is within what meters of charge are good for",
    ),
    (
        "fills-first",
        ACT,
        "packs were not filled, since one was full first; note if the charge ended before its voltage",
        f"{LEFT_SHARE * 100:.0f} % of the bank's capacity, fullest pack at {FULL_SOC * 100:g} % or more",
        "chosen here: less is within what meters of charge are good for",
    ),
    (
        "charge-ended-low",
        ACT,
        "a charge ended by itself with the bank far from full",
        f"mean charge below {LOW_AT_END_SOC * 100:.0f} %",
        "chosen here: beyond it a charge whose voltage and tail fit the bank ends",
    ),
    ("blocked-by-temperature", ACT, "a BMS blocked charge or discharge for temperature", "any", PRACTICE),
    (
        "charge-too-fast",
        ACT,
        "a pack was charged faster than its cells take at their temperature, above freezing",
        f"{TOO_FAST_H * 60:.0f} min",
        "chosen here: less is the end of a charge, when the others are full",
    ),
    (
        "ports-apart",
        ACT,
        "two ports see unequal voltages: what is set alike acts apart",
        f"{APART_V:g} V while both carry current or are set, or cut-offs or ends of charge {APART_S:.0f} s apart",
        PRACTICE,
    ),
    (
        "cable-loss",
        ACT,
        "cables, joints and devices lose much of what is moved",
        f"{CABLE_LOSS_SHARE * 100:.0f} % of the energy in and out",
        PRACTICE,
    ),
    ("voltage-drop", ACT, "drop from pack to port at full load above the limit", PROTECT, PRACTICE),
    (
        "usable-cut-short",
        ACT,
        "of `age`: a device or BMS opens before the packs are empty in the discharge that tells usable energy",
        WARNING,
        "chosen here: with up to 5 % of its charge left a pack whose BMS opens counts as empty",
    ),
    (
        "usable-lost",
        ACT,
        "the bank delivers less than its packs would each on its own",
        f"below {USABLE_SHARE * 100:.0f} %",
        "chosen here: two tests of the same bank differ by some percent",
    ),
    (
        "shorted-cell-goes-on",
        ACT,
        "neighbours feed a pack with a shorted cell at too little current for its device to open",
        PROTECT,
        PRACTICE,
    ),
    (
        "share-drifts",
        ACT,
        "a log: the share of a pack has changed, and what would explain it",
        "half a per cent of its share, three standard deviations of it, and a misfit (chi-square) lower by 30",
        "chosen here: as a mean over days tells, and five standard deviations for the best of many places and days",
    ),
    (
        "log-against-file",
        ACT,
        "a log: a value lies far from what the file believed",
        "three standard deviations of what was believed",
        PRACTICE,
    ),
    (
        "display-wrong",
        ACT,
        "what a display shows and the true state of charge lie far apart at some instant",
        f"{DISPLAY_WRONG_POINTS:g} points",
        "chosen here: five times what a meter of charge can tell",
    ),
    (
        "pack-off-suspected",
        ACT,
        "readings point to a pack or string that carries no current",
        "sound bank below 10 %; or nothing is read where ten times the meter's error is due",
        PRACTICE,
    ),
    (
        "pack-suspected",
        ACT,
        "readings point to a pack of too much resistance, or of another state of charge than the file's",
        "sound bank below 10 %",
        PRACTICE,
    ),
    (
        "packs-grow-apart",
        ACT,
        "over years the capacities left of the packs go apart",
        "0.2 points more",
        "chosen here: above the error of the steps between windows",
    ),
    (
        "cold-charge-ages",
        ACT,
        "over years a pack loses much by charge taken fast or in the cold",
        f"{COLD_CHARGE_SHARE * 100:.0f} % of its loss",
        "Schimpe 2018; share: chosen here",
    ),
    (
        "ages-by-high-charge",
        ACT,
        "over years the pack that loses most does so by time near full, not by work",
        f"{STORAGE_SHARE * 100:.0f} % of its loss, mean charge {HIGH_CHARGE_SOC * 100:.0f} %",
        "Naumann 2018, Schimpe 2018; shares: chosen here",
    ),
    (
        "unmet-from-start",
        ACT,
        "over years load is not served from the start",
        f"{UNMET_GROWS_SHARE * 100:.0f} % of a year's load",
        "chosen here: four days of a year",
    ),
    (
        "unmet-grows",
        ACT,
        "over years less of the load is served",
        f"{UNMET_GROWS_SHARE * 100:.0f} % of a year's load more",
        "chosen here: four days of a year",
    ),
    (
        "ages-first",
        ACT,
        "the pack that first comes to 80 % of its capacity as new; note if not within the years asked for",
        "80 % of the capacity as new",
        PRACTICE,
    ),
    ("unequal-parallel-cells", ACT, "capacity or resistance of parallel cells seems to be meant otherwise", WARNING, PRACTICE),
    ("reference-instead", ACT, "relaxation resistances look wrong; the reference integrator ran instead", WARNING, "measured"),
    ("key-changes-nothing", ACT, "a key that was varied changes nothing", WARNING, PRACTICE),
    ("warned", ACT, "a warning without a rule of its own", "any", PRACTICE),
    # what could not be checked
    (
        "beyond-ageing-law",
        UNKNOWN,
        "an ageing law is used beyond the temperatures, rates or time that it was fitted for",
        WARNING,
        "the law's own file, `simbank/cells/library/ageing`",
    ),
    ("other-cells-than-law", UNKNOWN, "packs age by a law of another chemistry's cells", WARNING, "the law's own file"),
    ("ageing-left-out", UNKNOWN, "an ageing law leaves out storage, or cycling", WARNING, "the law's own file"),
    (
        "laws-disagree",
        UNKNOWN,
        "ageing laws differ in what is left at the end",
        f"{LAWS_APART_POINTS:g} points",
        "chosen here: a quarter of the way to the end of first life",
    ),
    (
        "ageing-steps-coarse",
        UNKNOWN,
        "steps between windows of years err by much",
        "0.5 points of capacity",
        "halving of the steps",
    ),
    (
        "usable-unknown",
        UNKNOWN,
        "what the bank gives from full to cut-off could not be computed for a year of `age`",
        WARNING,
        PRACTICE,
    ),
    (
        "ageing-windows-short",
        UNKNOWN,
        "stretches of real days are too short for the weather of their season",
        f"{LEAST_WINDOW_DAYS} days",
        "chosen here",
    ),
    (
        "ageing-unknown",
        UNKNOWN,
        "what no ageing law here knows: a knee, a cell that fails, cells that go apart",
        WARNING,
        PRACTICE,
    ),
    (
        "begins-used",
        UNKNOWN,
        "a pack begins used: what it lost is taken to be lost by the duty that is asked about",
        WARNING,
        PRACTICE,
    ),
    ("ageing-ended", UNKNOWN, "years ended before those asked for", WARNING, PRACTICE),
    (
        "hangs-on-unknown",
        UNKNOWN,
        "a verdict that does not hold in all the draws of what is not known: which value decides it, which reading would settle it",
        f"it fails in more than {HANGS_ACT * 100:g} % of the draws",
        HANGS_SOURCE.removeprefix("Shares: "),
    ),
    (
        "size-hangs-on-unknown",
        UNKNOWN,
        "the size found keeps a limit that was asked for in part of the draws only; below half of them it is to be acted on",
        f"a limit is broken in more than {HANGS_ACT * 100:g} % of the draws",
        HANGS_SOURCE.removeprefix("Shares: "),
    ),
    (
        "device-ratings-unknown",
        UNKNOWN,
        "a device's DC interrupting or voltage rating is not given",
        PROTECT,
        "NFPA 70 110.9; from memory",
    ),
    (
        "device-curve-unknown",
        UNKNOWN,
        "a device's curve is not given, or ends before the current that may flow",
        PROTECT,
        PRACTICE,
    ),
    (
        "ampacity-unknown",
        UNKNOWN,
        "a conductor's insulation or ampacity is not given; in a run, of one that carries current",
        f"{PROTECT}; run: any current without gauge or ampacity",
        SIZE_SOURCE,
    ),
    ("not-checkable", UNKNOWN, "other checks could not be made for want of data", PROTECT, PRACTICE),
    ("layout-left-out", UNKNOWN, "a layout could not be built with the parts of the file", WARNING, PRACTICE),
    (
        "power-at-start-voltage",
        UNKNOWN,
        "constant power without inverter or charger: what it takes when the bank is low",
        WARNING,
        PRACTICE,
    ),
    ("zero-by-default", UNKNOWN, "joints or wiring inside packs are not given and count as zero", WARNING, PRACTICE),
    ("assumed-bms", UNKNOWN, "a pack opened by a BMS whose limits the file does not give", WARNING, PRACTICE),
    (
        "keys-not-told-apart",
        UNKNOWN,
        "the sample does not settle which key moves the figure most",
        WARNING,
        "95 % intervals by resampling",
    ),
    (
        "readings-fit-nothing",
        UNKNOWN,
        "readings fit none of the causes looked at",
        "a chance of 1 % for so large a misfit of the best",
        "chi-square of the best",
    ),
    (
        "log-not-explained",
        UNKNOWN,
        "a log: what was measured differs from the fitted bank by more than noise",
        "twice the scatter from block to block, and 2 % of the current",
        "chosen here: a clamp meter is good for that",
    ),
    (
        "log-leaves-unknown",
        UNKNOWN,
        "a log: values that it cannot tell",
        "an interval not narrower than 80 % of that before",
        "chosen here",
    ),
    (
        "readings-undecided",
        UNKNOWN,
        "readings leave open whether a bank is sound: the first suspect",
        "sound bank at 10 to 80 %",
        "chosen here: of sound banks fewer than one in twenty is then called suspect",
    ),
    (
        "readings-cannot-show",
        UNKNOWN,
        "readings that would not have shown a fault: packs not read, or a bad joint within what is not known of the bank",
        "a joint of 1 mΩ too much below two standard deviations",
        "chosen here: at 100 A it makes 10 W",
    ),
    (
        "readings-contradict",
        UNKNOWN,
        "readings that cannot all be right: a sign turned, packs that do not add up to the port",
        "twenty times as likely with the sign turned; twice the meter's error",
        "Kirchhoff's current law; chosen here",
    ),
    (
        "readings-after-work",
        UNKNOWN,
        "readings that look like those of packs that still differ by what the bank did before: a pack or joint is then accused in vain",
        "more likely than not",
        "equations: `simulation/pack_model.py`; how likely such work is: chosen here",
    ),
    (
        "instant-ill-chosen",
        UNKNOWN,
        "currents were read while they drifted by more than the meter's error, or are too small for it",
        "drift within 5 min above the meter's error; error above 5 %",
        "chosen here: so long does reading a bank take",
    ),
    (
        "protection-not-looked-at",
        UNKNOWN,
        "fault currents, devices and cables: not in this result",
        "always without `protect`",
        PRACTICE,
    ),
    ("never-checked", UNKNOWN, "what no command checks", "always with `protect`", PRACTICE),
    # what decides
    (
        "packs-grow-together",
        NOTE,
        "over years the capacities left of the packs come together",
        "0.2 points less",
        "chosen here: above the error of the steps between windows",
    ),
    (
        "worth-most",
        NOTE,
        "which of the changes that `age --worth` tried gains most, in years and in energy",
        f"{WORTH_YEARS:g} years to 80 %, {100 * WORTH_ENERGY:g} % of the usable energy",
        "chosen here: above the error of the steps between windows",
    ),
    (
        "frost-charge-brief",
        NOTE,
        "over years a pack is charged below freezing for so short a time as the BMS of the file takes to block it",
        "up to 2 h and 0.1 % of its capacity a year; more is `charge-below-freezing`",
        "chosen here",
    ),
    (
        "temperature-at-start",
        NOTE,
        "a pack's temperature in the file is that at the start, which years forget",
        WARNING,
        PRACTICE,
    ),
    ("change-beyond-years", NOTE, "a change of the packs is not reached within the years asked for", WARNING, PRACTICE),
    ("nothing-found", NOTE, "no rule of danger or act spoke: what was looked at and what decides", "none spoke", PRACTICE),
    (
        "readings-fit-sound",
        NOTE,
        "readings fit a sound bank, as far as they can show",
        "sound bank at 80 % or more; a joint of 1 mΩ too much would have stood out",
        PRACTICE,
    ),
    (
        "measure-next",
        NOTE,
        "the reading that would tell most next",
        "0.02 bits; the most for each minute that it takes",
        "chosen here: less changes nothing that one does",
    ),
    (
        "best-layout",
        NOTE,
        "which layout is best, by how much, and for how much copper, of those in which no pack exceeds a limit and no conductor its "
        "ampacity; act if the file has another and it matters, or if all are out",
        f"{ALIKE_ENERGY * 100:g} % of energy, {ALIKE_SHARE:g} of share ratio, {ALIKE_POINTS:g} points of spread, or a load met",
        "chosen here: less cannot be measured",
    ),
    (
        "voltage-hides-charge",
        NOTE,
        "how unequal the charge of added packs may be at a voltage that fits, and that it stays so",
        f"{SPREAD_TOLD_POINTS:g} points",
        "chosen here: less cannot be read from a meter of charge; equations: `simulation/pack_model.py`",
    ),
    (
        "picture-fits",
        NOTE,
        "banks of this kind leave what displays show at rest, and how much hysteresis can hold",
        "otherwise",
        "equations: `simulation/pack_model.py`",
    ),
    ("best-place", NOTE, "the place in the row where added packs do least harm", "where several are tried", PRACTICE),
    ("joining-keeps-checks", NOTE, "no check of protection fails that does not without the added packs", PROTECT, PRACTICE),
    (
        "no-difference-that-matters",
        NOTE,
        "all layouts are alike",
        "below those of best-layout",
        "chosen here: less cannot be measured",
    ),
    ("size-found", NOTE, "the size that fits, what it is nearest to, and whether devices protect it", "as `size`", SIZE_SOURCE),
    (
        "more-copper-shares-better",
        NOTE,
        "what more copper would buy in sharing",
        f"largest share ratio lower by {GAIN_SHARE:g}",
        "chosen here: twice what can be measured",
    ),
    (
        "shares-alike",
        NOTE,
        "every pack carries its share, and none is near a limit",
        f"largest share ratio below {SHARE_TOLD:g}, no pack at {NEAR_LIMIT:g} of a limit",
        "chosen here: clamp meters are good for 2 or 3 % each",
    ),
    (
        "hardest-pack",
        NOTE,
        "the pack that works hardest, and which pack comes nearest to a limit of its own at this duty",
        f"share ratio {SHARE_TOLD:g}",
        "chosen here: clamp meters are good for 2 or 3 % each",
    ),
    (
        "spread-stands",
        NOTE,
        "a spread at rest: whether hysteresis holds it or it levels out, and whether it does harm",
        f"{SPREAD_TOLD_POINTS:g} points, {RESTED_S / 60:.0f} min of rest",
        "chosen here: less cannot be read from a meter of charge; equations: `simulation/pack_model.py`",
    ),
    (
        "spread",
        NOTE,
        "how far states of charge lie apart under load",
        f"{SPREAD_TOLD_POINTS:g} points",
        "chosen here: less cannot be read from a meter of charge",
    ),
    (
        "displays-apart",
        NOTE,
        "displays that disagree at rest: how far apart cells can stand there by hysteresis, and what is the counters'",
        f"{SPREAD_TOLD_POINTS:g} points, {RESTED_S / 60:.0f} min of rest",
        "bound: half-widths of both branches over the slope of the curve; equations: `simulation/pack_model.py`",
    ),
    (
        "counters-drift",
        NOTE,
        "by how much displays drift in a day, left to count",
        f"{COUNTER_DRIFT_POINTS:g} point a day",
        "chosen here: ten points in ten days; equation: `simulation/displays.py`",
    ),
    (
        "curtailed",
        NOTE,
        "sun or charge that was offered and not taken",
        f"{CURTAILED_SHARE * 100:.0f} % of what was offered",
        "chosen here: less is the end of every absorption",
    ),
    (
        "drift-by-chemistry",
        NOTE,
        "what hysteresis and slope do to the spread of each chemistry",
        "always of `drift`",
        "equations: `simulation/pack_model.py`",
    ),
    ("moves-most", NOTE, "the key that moves the figure most", "always of `sensitivity`", "95 % intervals by resampling"),
    ("over-the-runs", NOTE, "the worst and the best run of a sweep", "always of `sweep`", PRACTICE),
    ("usable", NOTE, "what the bank delivers of what its packs would each on its own", "always of `usable`", PRACTICE),
    (
        "fault-current-band",
        NOTE,
        "how far the greatest fault current reaches, and which value moves it most",
        "always of `protect --bands`",
        PRACTICE,
    ),
    (
        "opens-first",
        NOTE,
        "what opens first in the greatest fault, and when it is cleared",
        "always of `protect` with devices",
        PRACTICE,
    ),
    (
        "more-verdicts",
        NOTE,
        "more was found than is told: how much, how grave",
        "more than asked for",
        "chosen here: seven sentences are read, more are not",
    ),
)
RULES: dict[str, Rule] = {row[0]: Rule(*row) for row in _ROWS}


def verdict(code: str, where: str, text: str, severity: str | None = None, /, **numbers: Any) -> Verdict:
    """A verdict of a rule of :data:`RULES`, of its severity unless another is given."""
    plain = {key: _plain(value) for key, value in numbers.items()}
    named = {name.split()[0] for name in re.split(r", ", where) if name} | set(where.split(", "))
    if text[0].islower() and re.split(r"[ ,:]", text)[0] not in named:  # a name stays as the file has it
        text = text[0].upper() + text[1:]
    return Verdict(code, severity or RULES[code].severity, where, text, plain)


def _plain(value):
    """A number as JSON can have it: None where it is not finite."""
    if isinstance(value, bool | str | None):
        return value
    number = float(value)
    return None if not math.isfinite(number) else int(number) if isinstance(value, int) else number


def rules_markdown() -> str:
    """The rules as a table of a page, gravest first."""
    rows = ["| code | severity | says | threshold | source |", "| --- | --- | --- | --- | --- |"]
    rows += [f"| `{r.code}` | {r.severity} | {r.meaning} | {r.threshold} | {r.source} |" for r in RULES.values()]
    return "\n".join(rows)


def in_page(text: str) -> str:
    """A page with its table of rules made anew."""
    first, *_, last = re.finditer(r"^\| `[\w-]+` \| (?:danger|act|unknown|note) \|.*$", text, re.MULTILINE)
    rows = rules_markdown().split("\n")[2:]
    return text[: first.start()] + "\n".join(rows) + text[last.end() :]
