"""The views of the desk, in the order of their tabs: one file each, which says how it is called and builds what it shows."""

from __future__ import annotations

from simbank.desk.views import age, compare, diagnose, protect, report, run, size
from simbank.desk.views.view import View

__all__ = ["VIEWS", "View"]

VIEWS: list[View] = [run.VIEW, compare.VIEW, protect.VIEW, size.VIEW, diagnose.VIEW, age.VIEW, report.VIEW]
