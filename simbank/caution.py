"""What stands below every result: what it rests on, what was not checked, and who decides."""

__all__ = ["CAUTION", "PROTECTION_CAUTION", "REPORT_CAUTION"]

DEFERS = "Not a substitute for the pack maker's manual, local codes and a licensed person; DC faults on a battery bank can burn and kill."
CAUTION = (
    "Computed from the data given. Not checked here: fault currents, whether a device can break them, cable heating (for these: "
    f"simbank protect). {DEFERS}"
)
PROTECTION_CAUTION = (
    "Computed from the data given, for the cases stated. A check that passes says that its rule holds for these numbers, no "
    f"more. {DEFERS}"
)
REPORT_CAUTION = f"Computed from the data given, for the cases stated; what was not checked is listed at the end. {DEFERS}"
