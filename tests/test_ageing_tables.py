"""Tables worked out by hand from the papers' equations, gone through by :func:`simbank.age` on banks whose packs hold many places of a table.

Sources: M. Naumann et al., J. Energy Storage 17 (2018) 153; M. Schimpe et al., J. Electrochem. Soc. 165 (2018) A181, table IV; J. Wang et
al., J. Power Sources 196 (2011) 3942. Losses in percent.
"""

from itertools import product

import numpy as np
import pytest
from test_ageing_laws import NAUMANN, SCHIMPE, WANG

import simbank as sb
from simbank.cells.ageing_laws import load_law

YEAR_H = 8766.0
PAPERS_AH = 2.2  # of Wang's cell


def stored(celsius, socs):
    """A bank at rest whose packs stand at every temperature and charge, with next to no way for charge between them; and the names of its packs."""
    places = {f"p{k}": place for k, place in enumerate(product(celsius, socs))}
    data = {
        "name": "shelf",
        "pack_types": {"own": {"capacity": "50000 Ah", "cell_resistance": "0.6 milliohm", "internal_wiring": "0 ohm"}},
        "packs": [{"name": n, "type": "own", "soc": soc, "temperature": f"{c} degC"} for n, (c, soc) in places.items()],
        "wiring": {"layout": "busbar", "lead": {"resistance": "1000 ohm", "joint": "0 ohm"}},
        "ports": [{"name": "port"}],
        "duty": {"kind": "cycles", "steps": [{"rest": True, "hours": 6}]},
    }
    return sb.from_dict(data), places


def lost(found, law):
    """Percent lost of each pack by a law."""
    own = found.by_law[found.by_law["law"] == law].set_index("pack")["capacity_left"]
    return 100.0 * (1.0 - own)


@pytest.mark.parametrize(("place", "days"), [(0, 365.0), (1, 885.0), (2, 3652.5)])
def test_storage_table_of_naumann(place, days):
    bank, places = stored(NAUMANN, (0.0, 0.5, 1.0))
    found = lost(sb.age(bank, days / 365.25, law="naumann", others=()), "naumann")
    for name, (celsius, soc) in places.items():
        loss = NAUMANN[celsius][int(2 * soc)][place]
        assert found[name] == pytest.approx(loss, rel=5e-4, abs=0.0005 if place < 2 else 0.005), (celsius, soc)


def test_storage_table_of_schimpe_and_two_fits_of_one_cell():
    """A year; at 25 °C, half charge and full, Naumann's constants of the same cell within 8 %."""
    charges = (0.0, 0.2, 0.5, 0.8, 1.0)
    bank, places = stored(SCHIMPE, charges)
    ran = sb.age(bank, 1.0, law="schimpe", others=("naumann",))
    found, other = lost(ran, "schimpe"), lost(ran, "naumann")
    for name, (celsius, soc) in places.items():
        assert found[name] == pytest.approx(SCHIMPE[celsius][charges.index(soc)][1], abs=0.0055), (celsius, soc)
    for soc in (0.5, 1.0):
        (name,) = [n for n, place in places.items() if place == (25, soc)]
        assert found[name] == pytest.approx(other[name], rel=0.08)


def cycled(law, celsius, soc, rate, years, swing=0.1):
    """Years of one pack of little resistance, discharged and charged by a share of its capacity at a C-rate, without a pause."""
    hours = swing / rate
    data = {
        "name": "cycler",
        "ambient": f"{celsius} degC",
        "pack_types": {"own": {"capacity": "100 Ah", "cell_resistance": "0.05 milliohm", "internal_wiring": "0 ohm"}},
        "packs": [{"name": "A", "type": "own", "soc": soc}],
        "wiring": {"layout": "busbar", "lead": {"resistance": "0.01 milliohm", "joint": "0 ohm"}},
        "ports": [{"name": "port"}],
        "duty": {
            "kind": "cycles",
            "steps": [{"discharge": f"{rate} C", "hours": hours}, {"charge": f"{rate} C", "hours": hours}],
        },
    }
    return sb.age(sb.from_dict(data), years, law=law, others=())


@pytest.mark.parametrize(
    ("rate", "celsius", "ampere_hours"),
    [(0.5, 25, 5000), (0.5, 45, 5000), (0.5, 60, 5000), (2.0, 25, 10000), (6.0, 25, 10000), (10.0, 25, 10000)],
)
def test_cycling_table_of_wang(rate, celsius, ampere_hours):
    """Half of the time the cell of the paper delivers its 2.2 Ah times the C-rate in an hour."""
    years = ampere_hours / (rate * PAPERS_AH / 2.0) / YEAR_H
    found = cycled("wang", celsius, 0.6, rate, years)
    assert found.years == pytest.approx(years)
    loss = WANG[rate, celsius][{1000: 0, 5000: 1, 10000: 2}[ampere_hours]]
    assert found.table["loss_points"][0] == pytest.approx(loss, rel=2e-3)


def test_cold_charge_to_full_by_schimpe():
    """Table IV by hand: 2.03e-6 per Ah above 82 %, 233 kJ/mol, exp(7.84 h (I − I_ref)/C); 0.3 C at 10 °C from 85 to 95 %."""
    found = cycled("schimpe", 10, 0.95, 0.3, 1.0)
    charge = YEAR_H * 0.3 * 3.0 / 2.0
    loss = 100.0 * 2.03e-6 * np.exp(233000 / 8.314 * (1 / 283.15 - 1 / 298.15)) * np.exp(7.84 * (0.3 - 1.0)) * charge
    (told,) = found.terms.loc[found.terms["term"] == "cold charge to full", "loss_points"]
    assert told == pytest.approx(loss, rel=2e-3)
    assert told > 0.2


def test_two_temperatures_in_turn_from_a_file(tmp_path):
    """Half of each year at 5 °C, half at 35 °C, in turn for five years: q² = (k₁² + k₂²) t/2, the closed form of dq/dt = k²/(2q)."""
    # a thousandth of a kelvin less about the first of January, so that it is the coldest day, about which the twelve parts of the year lie
    about = [min(day - 1, 366 - day) for day in range(1, 366)]
    celsius = [
        (5.0 - 1e-3 * max(0.0, 1.0 - far / 30.0)) if day <= 107 or day >= 290 else 35.0 for day, far in enumerate(about, 1)
    ]
    rows = [f"{day},{value:.7g}" for day, value in enumerate(celsius, 1)]
    (tmp_path / "air.csv").write_text("\n".join(["day,temperature_c", *rows]) + "\n")
    bank, _ = stored((25,), (0.8,))
    data = bank.data | {"seasons": {"file": str(tmp_path / "air.csv")}}
    data["packs"] = [{"name": "A", "type": "own", "soc": 0.8}]
    case = sb.from_dict(data)
    cold, warm = (float(load_law("naumann").terms[0].coefficient(celsius + 273.15, 0.8, 0.0)) for celsius in (5.0, 35.0))
    loss = np.sqrt((cold**2 + warm**2) / 2.0 * 5 * YEAR_H * 3600.0)
    found = sb.age(case, 5.0, law="naumann", others=())
    assert 1.0 - found.table["capacity_left"][0] == pytest.approx(loss, rel=3e-3)
    mean = float(load_law("naumann").terms[0].coefficient(293.15, 0.8, 0.0)) * np.sqrt(5 * YEAR_H * 3600.0)
    assert loss > 1.02 * mean  # the mean temperature would not do
