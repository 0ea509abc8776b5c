"""From a key pressed in the desk to what it changed drawn anew, in a browser: ten packs over three days. Prints, never asserts a time.

Run with: pytest -m bench -s tests/bench/test_bench_desk.py
"""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1]))
from browser import visit
from desks import field_at, opened, settled

from simbank.scenario.starter import starter_scenario

pytestmark = pytest.mark.bench
CAPACITIES_AH = [280, 280, 100, 200, 280, 280, 100, 100, 50, 280]


def test_a_key_pressed_until_it_is_drawn(speed, browser, tmp_path):
    """What is drawn is of the values typed: another state of charge ends elsewhere."""
    (tmp_path / "ten.toml").write_text(starter_scenario(capacities_ah=CAPACITIES_AH, layout="busbar"), encoding="utf-8")
    with (
        opened(tmp_path, "ten.toml") as desk,
        visit(browser, desk.address, 1400, 900, allowed=(desk.origin, "ws://127.0.0.1")) as seen,
    ):
        page, took = seen.page, []
        settled(page)
        field = field_at(page, "packs", 2, "soc")
        field.fill("0.")
        settled(page)
        for k in range(12):
            page.evaluate("window.deskDrawn = 0")
            field.press(str((3 * k) % 9 + 1))
            page.wait_for_function(
                "window.deskDrawn > 0 && document.getElementById('desk-state').textContent.startsWith('Up to date')"
            )
            took.append(page.evaluate("window.deskDrawn"))
            field.press("Backspace")
            settled(page)
            page.wait_for_timeout(300)
        took.sort()
        speed(
            "a key in the desk until it is drawn, ten packs, three days",
            f"{took[0]:.0f} ms",
            f"middle of {len(took)}: {took[len(took) // 2]:.0f} ms",
        )
