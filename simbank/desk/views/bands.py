"""The switch for bands that views share: off, or so many draws of such a seed, as ``--bands N --seed S`` of the commands."""

from __future__ import annotations

from collections.abc import Callable

from simbank.desk import parts
from simbank.desk.views.study import asked_number

__all__ = ["BandsSwitch"]

DRAWS, MOST_DRAWS = 200, 10_000


class BandsSwitch:
    """A switch for bands, and below it, while it is on, fields for the number of draws and their seed.

    Parameters
    ----------
    changed : callable
        Called after every change of the switch and its fields.
    least : int
        Fewest draws that the study takes.

    Attributes
    ----------
    fields : dict of str to Field
        ``draws`` and ``seed``, beside which an error about them stands.
    panel : Element
        What is seen while it is on; more may be built into it.
    """

    def __init__(self, changed: Callable[[], None], least: int = 2):
        self._changed, self._least = changed, least
        with parts.tag("section", aria_label="Bands"):
            self._tick = parts.tick("bands: how far each figure reaches with all that is not known exactly", False, self._switch)
            with parts.tag("div", hidden=True) as self.panel, parts.tag("div", classes="fields"):
                self.fields = {
                    "draws": parts.text_field("Draws", str(DRAWS), lambda _: changed(), "200 tell a band; more, its ends"),
                    "seed": parts.text_field("Seed of the draws", "0", lambda _: changed(), "the same seed, the same draws"),
                }

    @property
    def on(self) -> bool:
        """Whether bands are asked for."""
        return self._tick.value

    def asked(self) -> tuple[int | None, int]:
        """How many draws, of which seed; (None, 0) while it is off.

        Raises
        ------
        InputError
            If a field has no number that will do; its key is ``draws`` or ``seed``.
        """
        if not self.on:
            return None, 0
        draws = asked_number(self.fields, "draws", self._least, MOST_DRAWS, whole=True, needed=True)
        return draws, asked_number(self.fields, "seed", 0, float("inf"), whole=True, needed=True)

    def _switch(self, on):
        self.panel.props["hidden"] = not on
        self.panel.update()
        self._changed()
