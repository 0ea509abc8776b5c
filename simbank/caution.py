"""What stands below every result: what it rests on, what was not checked, and who decides."""

__all__ = ["BEFORE_WORK", "CAUTION", "PROTECTION_CAUTION", "REPORT_CAUTION", "WORK_CAUTION"]

DEFERS = "Not a substitute for the pack maker's manual, local codes and a licensed person; DC faults on a battery bank can burn and kill."
CAUTION = (
    "Computed from the data given. Not checked here: fault currents, whether a device can break them, how hot cable becomes in a fault or "
    "as it is laid (for these: simbank protect). Of cable at most the steady current is checked, where its ampacity is known. "
    f"{DEFERS}"
)
PROTECTION_CAUTION = (
    "Computed from the data given, for the cases stated. A check that passes says that its rule holds for these numbers, no "
    f"more. {DEFERS}"
)
BEFORE_WORK = (
    "Before a joint is opened, closed, cleaned or retorqued: a pack's terminals stay live whatever is switched off. Switch off loads and "
    "chargers, open every device, use insulated tools and eye protection, keep metal and the other pole covered, and check each "
    "voltage and polarity with a meter. The pack maker's manual and local codes say how, and who may do it."
)  # common practice, no source
WORK_CAUTION = f"{BEFORE_WORK} {PROTECTION_CAUTION}"
REPORT_CAUTION = f"Computed from the data given, for the cases stated; what was not checked is listed at the end. {DEFERS}"
