"""Tables that years of a bank are written in: their columns, with unit and meaning."""

from __future__ import annotations

from simbank.columns import Table

__all__ = ["AMONG_ALIKE", "COURSES", "LAWS", "NO_DANGER", "PACKS", "STRESS", "TERMS", "WORTH", "YEARS"]

NO_DANGER = "none"  # where nothing of a change is dangerous

PACKS = Table.of(
    "ageing.csv", "a pack at the end of the years",
    [
        ("pack", "", "its name"), ("capacity_left", "", "present over rated capacity"),
        ("capacity_left_low", "", "the least by any of the laws, and by cells that lose faster than those of the law"),
        ("capacity_left_high", "", "the most, likewise"),
        ("resistance_growth", "", "present resistance of its cells over that as new"),
        ("loss_points", "points", "capacity lost on the way, of that as new"),
        ("years_to_80", "", "years until 80 % is left; beyond the years asked for as it ages at their end; empty if later than twice those"),
        ("years_to_80_low", "", "the fewest, by any of the laws and by cells that lose faster"),
        ("years_to_80_high", "", "the most, likewise; empty if later than twice the years asked for"),
        ("main_term", "", "the term of the law that took most"), ("main_share", "", "its part of the loss, 0 to 1"),
        ("throughput_ah", "Ah", "charge in and out in all these years"), ("mean_soc", "", "mean state of charge, 0 to 1"),
        ("mean_c", "°C", "mean temperature"), ("c_rate_rms", "1/h", "root mean square of its current over its capacity as new"),
        ("cold_charge_ah", "Ah", "charge taken below 10 °C in all these years"),
        ("frozen_charge_h", "h", "how long it was charged so cold that its cells take no charge, in all these years"),
        ("frozen_charge_ah", "Ah", "charge that it took then"),
    ],
)  # fmt: skip
YEARS = Table.of(
    "ageing_years.csv", "a year",
    [
        ("year", "", "years since the start"), ("usable_wh", "Wh", "energy from full to cut-off at 0.2 C of the capacity as new"),
        ("unmet_wh", "Wh", "of what is asked in a year at this age, not given"), ("asked_wh", "Wh", "what is asked in a year as at that time"),
        ("capacity_spread", "", "largest less smallest capacity left of the packs"),
        ("resistance_spread", "", "largest less smallest growth of resistance"),
    ],
)  # fmt: skip
COURSES = Table.of(
    "ageing_packs.csv", "a pack in a year",
    [
        ("year", "", "years since the start"), ("pack", "", "its name"), ("capacity_left", "", "present over rated capacity"),
        ("capacity_left_low", "", "the least, as at the end"), ("capacity_left_high", "", "the most, as at the end"),
        ("resistance_growth", "", "present resistance of its cells over that as new"),
    ],
)  # fmt: skip
TERMS = Table.of(
    "ageing_terms.csv", "a term of the law, for a pack",
    [
        ("pack", "", "its name"), ("term", "", "name of the term"), ("what", "", "what makes it grow"),
        ("loss_points", "points", "capacity lost by it on the way"), ("share", "", "its part of the pack's loss, 0 to 1"),
    ],
)  # fmt: skip
LAWS = Table.of(
    "ageing_laws.csv", "a law, for a pack",
    [
        ("law", "", "its name"), ("pack", "", "name of the pack"), ("capacity_left", "", "by this law, for the same windows"),
        ("years_to_80", "", "by this law; empty if later than twice the years asked for"),
    ],
)  # fmt: skip
STRESS = Table.of(
    "ageing_stress.csv", "a class of stress, for a pack",
    [
        ("pack", "", "its name"), ("what", "", "soc, temperature_c or c_rate"), ("low", "", "lower end of the class"),
        ("high", "", "upper end of it"), ("share", "", "of the time, mean of the years, 0 to 1"),
    ],
)  # fmt: skip
WORTH = Table.of(
    "ageing_worth.csv", "what could be changed",
    [
        ("change", "", "what is changed; the first row is the bank as it is"),
        ("first", "", "of the packs that begin above 80 %, the one that comes to it first, or has the least left"),
        ("years_to_80", "", "when; empty if later than twice the years asked for"),
        ("years_gained", "", "by how much later than as it is; empty where one of the two is later than that"),
        ("years_gained_low", "", "the least of that by any of the laws, each against itself; empty where one of them has none"),
        ("years_gained_high", "", "the most, likewise"),
        ("by_all_laws", "", "whether by every law the least left is then more (longer), less (shorter), alike, or not settled; or dangerous"),
        ("capacity_left_min", "", "least capacity left of those packs at the end"),
        ("usable_wh", "Wh", "energy from full to cut-off at the end"), ("usable_gained_wh", "Wh", "that more than as it is"),
        ("usable_gained_low_wh", "Wh", "the least of that by any of the laws"), ("usable_gained_high_wh", "Wh", "the most, likewise"),
        ("unmet_saved_wh", "Wh", "of what is asked in all these years, by how much less is not given than as it is; negative where more is not"),
        ("asked_wh", "Wh", "what is asked in all these years"),
        ("unmet_share", "", "of what is asked in all these years, the share that is not given, 0 to 1; empty where nothing is asked"),
        ("dangers", "", "codes of warnings of danger with this change, with commas, or none; such a change is no gain, however long packs last"),
        ("frozen_charge_h", "h", "how long in a year the pack that is worst off is charged so cold that its cells take no charge"),
    ],
)  # fmt: skip
AMONG_ALIKE = Table.of(
    "ageing_among_alike.csv", "a pack that begins as good as the best, where others begin used",
    [
        ("pack", "", "its name"), ("capacity_left", "", "at the end, in the bank as it is but without changes of its packs"),
        ("capacity_left_alike", "", "among packs like itself, with as many Ah in place of the others: it then carries its share"),
        ("years_to_80", "", "in the bank; empty if later than twice the years asked for"), ("years_to_80_alike", "", "among packs like itself"),
        ("years_lost", "", "by how much sooner in the bank; empty where one of the two is later than that"),
        ("years_lost_low", "", "the least of that by any of the laws"), ("years_lost_high", "", "the most, likewise"),
    ],
)  # fmt: skip
