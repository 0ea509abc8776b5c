"""What stands in the columns of the tables that :meth:`Protection.write` writes."""

from __future__ import annotations

from simbank.columns import Table

__all__ = ["TABLES"]

OPENING = [
    ("device", "", "name of the device"),
    ("breaks", "", "opens, failed closed (it cannot break what may flow), or not known (a rating is not given)"),
    ("current_a", "A", "current through it"),
    ("soonest_s", "s", "when it opens by the fast end of its band, if no other opens; infinite: never; empty: no band is known"),
    ("middle_s", "s", "when it opens by the middle of its band, likewise"),
    ("latest_s", "s", "when it opens by the slow end of its band, likewise"),
]
CASCADE = [
    ("surely", "", "whether something opens by the middle of every band too, not by the soonest alone; empty: nothing opens"),
    ("opened", "", "what opens, in turn, by the middle of every band, or by the soonest where only that opens anything"),
    ("first_s", "s", "when the first of them opens; empty: none does"),
    ("left", "", "packs that carry on at the end"),
]
TABLES = (
    Table.of(
        "checks.csv", "a rule at a place",
        [
            ("rule", "", "name of the rule"),
            ("where", "", "place, device or conductor"),
            ("status", "", "pass, fail, not checkable, or note"),
            ("text", "", "what was found, in words; where not checkable, what to measure or look up"),
            ("value", "", "what was found, in the unit of its row"),
            ("limit", "", "what it is held against, in the unit of its row"),
            ("unit", "", "unit of value and limit"),
            ("part", "", "bare name of the device, conductor, pack, string, port or place"),
            ("numbers", "", "figures of the text, with units in their names, and the places and devices that it names"),
            ("wants", "", "kinds of reading without which it cannot be checked"),
            ("code", "", "stable code of the rule"),
            ("source", "", "where the rule is from"),
            ("fails_in", "", "with bands: share of the draws in which it fails, or passes by the file and does not pass; empty: not judged"),
            ("decided_by", "", "with bands: dotted key of the value that decides that most; empty: none can be told"),
        ],
    ),
    Table.of(
        "faults.csv", "a place",
        [
            ("place", "", "where positive and negative are joined by the fault"),
            ("kind", "", "pack, inside, string, bar, take-off, device (where leads of a port or string begin), lead (halfway) or port"),
            ("owner", "", "the pack, string or port that the place belongs to"),
            ("initial_a", "A", "current at once in the greatest case, without inductance: an upper bound"),
            ("peak_a", "A", "largest current in the greatest case, with inductance"),
            ("after_10ms_a", "A", "current after 10 ms"),
            ("after_100ms_a", "A", "current after 100 ms"),
            ("after_1s_a", "A", "current after 1 s"),
            ("rise_ms", "ms", "time to 63 % of the peak"),
            ("least_a", "A", "current at once in the least case, every pack connected"),
            ("least_one_pack_a", "A", "the same with one pack alone connected (inside a pack: beside that pack)"),
            ("least_one_pack", "", "that pack: the one that alone feeds least"),
        ],
    ),
    Table.of(
        "fault_bands.csv", "a figure of a place, with bands",
        [
            ("place", "", "where the fault is"),
            ("figure", "", "a column of faults.csv [A]"),
            ("low", "A", "5 % of the draws are below it"),
            ("mid", "A", "half of the draws are below it"),
            ("high", "A", "95 % of the draws are below it"),
            ("file", "A", "by the file: its values and, where it says nothing, middle ones; joints and pack wiring left out count as zero"),
        ],
    ),
    Table.of(
        "fault_draws.csv", "a drawn bank, with bands",
        [
            ("draw", "", "its number, from 0"),
            ("<key>", "", "drawn value of that key of the file, a bare number in the unit of its distribution"),
        ],
    ),
    Table.of(
        "fault_shares.csv", "a place",
        [
            ("place", "", "where the fault is"),
            ("<pack or conductor>", "A", "its current at once in the greatest case; positive out of a pack, and as a conductor runs"),
            ("fault", "A", "current in the fault itself"),
        ],
    ),
    Table.of(
        "order.csv", "a device in a fault at a place, if no other opened", [("place", "", "where the fault is"), *OPENING]
    ),
    Table.of(
        "clearing.csv", "a place",
        [
            ("place", "", "where the fault is"),
            ("stopped_by", "", "the one device whose opening alone clears it; empty if there is none"),
            ("selective", "", "whether that opens before every other that carries the fault, bands apart"),
            ("opens", "", "what opens in turn, and when, by the middle of every band"),
            ("cleared_s", "s", "when the fault is cleared, by the middle of every band"),
            ("cleared_latest_s", "s", "when it is cleared at the latest, by the bands"),
            ("still_carrying", "", "devices that stay closed and carry what goes on"),
            ("selective_code", "", "yes, no, uncertain or not checkable"),
            ("opened", "", "devices that open, in turn, by the middle of every band"),
            ("first_s", "s", "when the first of them opens; empty: none does"),
            ("failed_closed", "", "devices in its way that count as failed closed"),
            ("may_fail_closed", "", "devices in its way whose ratings are not given"),
            ("opens_if_failed", "", "what opens in turn if these fail closed; only where there are some"),
            ("cleared_if_failed_s", "s", "when the fault is then cleared"),
            ("cleared_latest_if_failed_s", "s", "when it is then cleared at the latest"),
        ],
    ),
    Table.of(
        "overload.csv", "a device at a multiple of full load",
        [
            ("times_full_load", "", "multiple of full load at the ports"),
            *OPENING,
            ("in_turn_s", "s", "when it opens after others have opened, by the middle of every band; infinite: never"),
            ("then", "", "what opens, to the end, in words"),
            *CASCADE,
        ],
    ),
    Table.of(
        "outages.csv", "a pack left at full load when a part is out",
        [
            ("dropped", "", "pack or string that is out"),
            ("load", "", "discharge or charge"),
            ("pack", "", "a pack that is left"),
            ("current_a", "A", "its current; positive: discharge"),
            ("c_rate", "1/h", "that ÷ its capacity"),
            ("device_margin", "", "rating of its device ÷ its current; empty if it has none"),
            ("then", "", "what opens then, in words"),
            *CASCADE,
        ],
    ),
    Table.of(
        "shorted_cells.csv", "a case of a pack with a shorted cell",
        [
            ("pack", "", "the pack whose cells are shorted"),
            ("case", "", "which start it is"),
            ("charger", "", "what charges meanwhile, or none"),
            ("soc_start", "", "state of charge of its good cells at the start, 0 to 1"),
            ("neighbours_soc_start", "", "mean state of charge of its neighbours at the start, 0 to 1"),
            ("peak_a", "A", "largest feed into the pack"),
            ("energy_wh", "Wh", "what neighbours and charger put into it at its terminals"),
            ("short_wh", "Wh", "the part of that burnt in the shorted cells"),
            ("hours", "h", "when the feed was over, or how long it was followed"),
            ("good_cell_volt_max", "V", "highest voltage of the cells that are not shorted"),
            ("good_cell_soc_end", "", "their state of charge at the end; above 1 is overcharge"),
            ("overcharge_ah", "Ah", "charge that went into them beyond 100 %"),
            ("overcharge_wh", "Wh", "energy that went into them beyond 100 %"),
            ("ended_by", "", "what ended the feed"),
            ("energy_if_bms_open_wh", "Wh", "the same energy if every neighbour's BMS opens as the file says; empty where not followed"),
            ("most_energy_if_bms_open_wh", "Wh", "largest such energy over the starts that were tried"),
            ("soc_start_if_bms_open", "", "state of charge of the good cells at that start, 0 to 1"),
            ("neighbours_soc_start_if_bms_open", "", "mean state of charge of the neighbours at that start, 0 to 1"),
        ],
    ),
    Table.of(
        "string_ratings.csv", "a string's device",
        [
            ("string", "", "name of the string"),
            ("device", "", "name of its device"),
            ("rating_a", "A", "its rating"),
            ("series", "", "where the standard ratings are from"),
            ("behind", "", "devices behind it"),
            ("largest_first_a", "A", "largest standard rating that surely opens before every device behind it; empty if there is none"),
            ("carries_load", "", "whether that rating carries the string's lasting load with its margin"),
            ("load_a", "A", "the string's lasting load"),
            ("smallest_after_a", "A", "smallest standard rating that surely opens after a pack's own device; empty if there is none"),
            ("text", "", "all of it in words"),
        ],
    ),
    Table.of(
        "shorted_cell_<pack>.csv", "a pack with a shorted cell at one time, in the case of most energy",
        [
            ("time_s", "s", "time since the short"),
            ("feed_a", "A", "current into the pack"),
            ("terminal_v", "V", "voltage at its terminals"),
            ("energy_wh", "Wh", "energy fed in so far"),
            ("soc", "", "state of charge of its good cells; above 1 is overcharge"),
            ("<pack>_a", "A", "current of each neighbour; positive: discharge"),
        ],
    ),
)  # fmt: skip
