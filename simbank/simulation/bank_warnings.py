"""Warnings of a bank as it is described: what a person must hear before any figure, whatever is asked of the bank."""

from __future__ import annotations

from simbank.warning import BankWarning

__all__ = ["warnings_of_bank"]


def warnings_of_bank(bank):
    """What is wrong with a bank as it is described.

    Parameters
    ----------
    bank : Bank

    Returns
    -------
    list of BankWarning
    """
    return [*_no_own_device(bank)]


def _no_own_device(bank):
    """Packs in parallel without a fuse or breaker of their own (common practice, no source: each needs one)."""
    owners = {device.owner for device in bank.devices}
    bare = [pack.name for pack in bank.packs if pack.name not in owners]
    if len(bank.packs) < 2 or not bare:
        return []
    if len(bare) == 1:
        who = f"Pack {bare[0]} has no fuse or breaker of its own"
    elif len(bare) == len(bank.packs):
        who = "None of the packs has a fuse or breaker of its own"
    else:
        who = f"Packs {_listed(bare)} have no fuse or breaker of their own"
    text = (
        f"{who}: if a pack fails inside, the others push all they have into it. Put one at each pack, close to its terminal; "
        "simbank protect says what it must be able to break."
    )
    return [BankWarning("no-own-device", _listed(bare), text)]


def _listed(names, most=6):
    """Names with commas, the middle of a long list left out."""
    if len(names) <= most:
        return ", ".join(names)
    return f"{', '.join(names[: most - 2])} and {len(names) - most + 2} more"
