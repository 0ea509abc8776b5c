"""Real days: pvlib is the reference for the sun; energies asked, served, offered, curtailed add up."""

import numpy as np
import pandas as pd
import pytest

import simbank
from simbank import days
from simbank.errors import InputError
from simbank.simulation.event_codes import Event

PLACE = days.Array(47.0, 8.0, 35.0, 180.0, 5000.0, 0.14, 500.0)
DAYS = "hilltop_clinic_days.toml"


def times(*span):
    """All times of some days, from their windows."""
    first, *rest = (index for _, index in days.windows(*span))
    return first.append(rest)


def test_a_clear_day_is_pvlibs_own_sum():
    """Energy of a clear day, from the duty that runs, against pvlib called here."""
    import pvlib

    index = times("2025-06-21", 1, 60.0, "Europe/Zurich")
    site = pvlib.location.Location(47.0, 8.0, "Europe/Zurich", 500.0)
    sun = site.get_solarposition(index)
    sky = site.get_clearsky(index, model="ineichen")
    plane = pvlib.irradiance.get_total_irradiance(
        35.0, 180.0, sun["apparent_zenith"], sun["azimuth"], sky["dni"], sky["ghi"], sky["dhi"]
    )
    theirs = (plane["poa_global"].fillna(0).clip(lower=0) / 1000 * 5000 * 0.86).sum() / 60
    ours = days.clear_sky_power(PLACE, index)
    assert ours.sum() / 60 == pytest.approx(theirs, rel=1e-7)
    assert ours == pytest.approx((plane["poa_global"].fillna(0).clip(lower=0) * 5 * 0.86).to_numpy(), abs=0.05)  # W, of 5 kW
    assert 20_000 < theirs < 40_000  # 4 to 8 kWh per kWp on a clear midsummer day: common practice, no source


def test_the_suns_path_between_its_nodes_is_pvlibs():
    import pvlib

    for latitude in (-1.5, 47.0, 69.0):
        site = pvlib.location.Location(latitude, 8.0, "UTC", 500.0)
        index = times("2025-06-20", 2, 60.0, "UTC")
        zenith, azimuth = days.sun_path(site, index)
        theirs = site.get_solarposition(index)
        assert zenith == pytest.approx(theirs["apparent_zenith"].to_numpy(), abs=1e-4)
        apart = (azimuth - theirs["azimuth"].to_numpy() + 180.0) % 360.0 - 180.0
        assert np.abs(apart * np.sin(np.radians(zenith))).max() < 1e-4


@pytest.mark.parametrize("start", ["1970-01-01", "2025-03-01", "2199-11-20"])
def test_the_suns_place_at_nodes_is_pvlibs(start):
    """Two hundred days, so that what is worked out at one time ends within them, on both hemispheres and near a pole; in degrees."""
    import pvlib

    index = pd.date_range(start, periods=200 * 24, freq="1h", tz="UTC")
    for latitude in (-1.5, 47.0, -89.9):
        site = pvlib.location.Location(latitude, 29.5, "UTC", 1500.0)
        zenith, azimuth = days._sun_at(site, index.as_unit("s").asi8.astype(float))
        theirs = pvlib.solarposition.spa_python(index, latitude, 29.5, altitude=1500.0)
        assert np.abs(zenith - theirs["zenith"].to_numpy()).max() < 1e-9
        apart = (azimuth - theirs["azimuth"].to_numpy() + 180.0) % 360.0 - 180.0
        assert np.abs(apart * np.sin(np.radians(zenith))).max() < 1e-9


def test_offered_equals_the_sun_and_served_plus_unmet_equals_asked(root):
    changes = {"duty.days": 2, "duty.step": "5 min"}
    scenario = simbank.load(root / "scenarios" / DAYS, changes)
    result = simbank.simulate(scenario, tolerance=1e-8)
    inverter, charger = result.summary["ports"]
    index = times("2025-03-01", 2, 300.0, "Etc/GMT-2")
    load = days.DailyLoad(22_000.0, seed=5, days=2)(index)
    assert inverter["ac_asked_wh"] == pytest.approx(load.sum() / 12, rel=1e-9)
    assert inverter["ac_served_wh"] + inverter["ac_unmet_wh"] == pytest.approx(inverter["ac_asked_wh"], rel=1e-6)
    sun = days.clear_sky_power(days.Array(-1.5, 29.5, 10.0, 0.0, 7000.0, 0.14, 1500.0), index)
    sun *= days.Weather(11, 0.6, 2, 300.0)(index)
    assert charger["offered_wh"] == pytest.approx(sun.sum() / 12, rel=1e-6)
    assert charger["energy_in_wh"] + charger["curtailed_wh"] == pytest.approx(charger["offered_wh"], rel=1e-6)
    assert charger["curtailed_wh"] >= -1e-6
    assert result.summary["closure"]["energy_relative"] < 1e-5


def test_a_bank_too_small_leaves_load_unmet(root):
    changes = {"duty.days": 2, "duty.step": "10 min", "duty.sun.peak_power": "1 kW"}
    result = simbank.simulate(simbank.load(root / "scenarios" / DAYS, changes), tolerance=1e-7)
    inverter = result.summary["ports"][0]
    assert inverter["unmet_wh"] > 1000
    assert Event.CUT_OFF in set(result.events["code"])


def test_days_have_the_hours_that_clocks_give_them():
    """Europe's clocks change on 2025-03-30 and 2025-10-26: days of 23 and 25 hours."""
    assert len(times("2025-03-30", 1, 3600.0, "Europe/Zurich")) == 23
    assert len(times("2025-10-26", 1, 3600.0, "Europe/Zurich")) == 25


def test_weather_is_seeded_and_bounded():
    index = times("2025-01-01", 30, 600.0, "UTC")
    one, two = (days.Weather(3, 0.65, 30, 600.0)(index) for _ in range(2))
    assert np.array_equal(one, two)
    assert not np.array_equal(one, days.Weather(4, 0.65, 30, 600.0)(index))
    assert one.min() >= 0.05
    assert one.max() <= 1.0


def test_windows_are_the_whole():
    """What four weeks at a time give is what all at once would: clocks, weather, load, sun; and the steps of the duty."""
    span = ("2025-03-01", 60, 3600.0, "Europe/Zurich")
    begin, end, length = days.time_span(*span)
    whole = times(*span)
    assert list(whole) == list(pd.date_range(begin, end, freq="1h", inclusive="left"))
    assert length == len(whole) == 60 * 24 - 1
    parts = list(days.windows(*span))
    assert len(parts) == 3
    for make in (lambda: days.Weather(3, 0.65, 60, 3600.0), lambda: days.DailyLoad(8000.0, seed=2, days=60)):
        ours = make()
        assert np.concatenate([ours(index, first) for first, index in parts]) == pytest.approx(make()(whole), rel=1e-12)


def test_a_long_duty_comes_in_windows(root):
    """Steps of a duty of 60 days come from three windows; it can be cut anywhere."""
    scenario = simbank.load(root / "scenarios" / DAYS, {"duty.days": 60, "duty.step": "30 min"})
    short = simbank.load(root / "scenarios" / DAYS, {"duty.days": 28, "duty.step": "30 min"})
    steps, first = list(scenario.duty), list(short.duty)
    assert sum(step.duration_s for step in steps) == scenario.duty.duration_s == 60 * 86400.0
    cut = list(scenario.duty.until(40 * 48))
    assert sum(step.duration_s for step in cut) == 40 * 86400.0
    assert [s.commands["sun charger"].value for s in cut[:500]] == [s.commands["sun charger"].value for s in steps[:500]]
    assert [s.commands["inverter"].ac_asked_w for s in first[:20]] == [s.commands["inverter"].ac_asked_w for s in steps[:20]]


def test_load_keeps_its_day():
    index = times("2025-01-01", 1, 60.0, "UTC")
    assert days.DailyLoad(8000.0)(index).sum() / 60 == pytest.approx(8000.0)


def test_tables_with_time_stamps(tmp_path):
    path = tmp_path / "load.csv"
    index = times("2025-01-01", 1, 3600.0, "Europe/Zurich")
    path.write_text("time,power_w\n2024-12-31T22:00:00Z,100\n2025-01-01T05:00:00+00:00,300\n2025-01-02T06:00:00Z,0\n")
    span = days.time_span("2025-01-01", 1, 3600.0, "Europe/Zurich")[:2]
    power = days.TimedTable(path, *span, 3600.0, "Europe/Zurich")(index)
    assert power[0] == 100  # local midnight is 23 h UTC
    assert power[5] == 100
    assert power[6] == 300  # 05 h UTC
    path.write_text("time,power_w\n2025-01-01 00:00,100\n2025-01-01 12:00,200\n2025-01-02 00:00,0\n")
    assert list(days.TimedTable(path, *span, 3600.0, "Europe/Zurich")(index)[[0, 11, 12]]) == [100, 100, 200]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("time,power_w\n2025-01-01,1\n", "covers"),
        ("time,power_w\n2025-01-01,x\n2025-01-03,1\n", "row 2, power_w"),
        ("time,power_w\n2025-01-01,-5\n2025-01-03,1\n", "not below zero"),
        ("time,power_w\n2025-01-03,1\n2025-01-01,1\n", "must rise"),
        ("time,power_w\nyesterday-ish,1\n2025-01-01,1\n", "not a time stamp"),
        ("when,watts\n1,1\n", "needs columns"),
    ],
)
def test_faults_in_time_stamped_tables(tmp_path, text, says):
    path = tmp_path / "x.csv"
    path.write_text(text)
    with pytest.raises(InputError, match=says):
        days.TimedTable(path, *days.time_span("2025-01-01", 1, 3600.0, "UTC")[:2], 3600.0, "UTC")


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"duty.step": "7 s"}, "must divide an hour"),
        ({"duty.start": "soon"}, "not a date"),
        ({"duty.timezone": "Mars/Olympus"}, "duty.timezone: .*no such time zone"),
        ({"duty.sun.latitude": 95}, "at most 90"),
        ({"duty.sun.port": "sun chargr"}, 'did you mean "sun charger"'),
        ({"duty.load.shape": [1.0] * 23}, "duty.load.shape"),
        ({"duty.load.file": "x.csv"}, "energy_per_day"),
    ],
)
def test_faults_in_days(root, changes, says):
    with pytest.raises(InputError, match=says):
        simbank.load(root / "scenarios" / DAYS, changes)


def test_power_from_a_csv_runs(tmp_path, root):
    import tomllib

    data = tomllib.loads((root / "scenarios" / DAYS).read_text())
    times = pd.date_range("2025-03-01", "2025-03-02 01:00", freq="15min", tz="Etc/GMT-2")
    pd.DataFrame({"time": times.astype(str), "power_w": np.full(len(times), 800.0)}).to_csv(tmp_path / "load.csv", index=False)
    data["duty"] = {
        "kind": "days",
        "days": 1,
        "start": "2025-03-01",
        "timezone": "Etc/GMT-2",
        "step": "15 min",
        "load": {"port": "inverter", "file": "load.csv"},
    }
    result = simbank.simulate(simbank.from_dict(data, source=str(tmp_path / "bank.toml")), tolerance=1e-7)
    assert result.summary["ports"][0]["ac_served_wh"] == pytest.approx(800.0 * 24, rel=1e-9)


@pytest.mark.slow
def test_a_year_at_one_minute_steps(root):
    """The shipped clinic for a year: finishes, closes, and keeps asked = served + unmet. Took 9 min 23 s on two cores."""
    seen = []
    scenario = simbank.load(root / "scenarios" / DAYS, {"duty.days": 365})
    result = simbank.simulate(scenario, tolerance=1e-7, progress=seen.append)
    assert result.complete
    assert len(seen) > 100_000
    assert result.summary["bank"]["duration_h"] == pytest.approx(8760)
    assert result.summary["closure"]["energy_relative"] < 1e-5
    inverter = result.summary["ports"][0]
    assert inverter["energy_out_wh"] + inverter["unmet_wh"] == pytest.approx(inverter["asked_wh"], rel=1e-6)


def test_days_may_begin_later_than_at_midnight():
    """The first hour is then that hour's share of a day, and two days are still two days' energy."""
    index = times("2025-06-21 06:00", 2, 900.0, "Europe/Zurich")
    assert index[0] == pd.Timestamp("2025-06-21 06:00", tz="Europe/Zurich")
    assert index[-1] == pd.Timestamp("2025-06-23 05:45", tz="Europe/Zurich")
    assert days.local_days("2025-06-21 06:00", 2) == 3
    assert days.local_days("2025-06-21", 2) == 2
    load = days.DailyLoad(5000.0, days=3)(index)
    shape = np.array(days.HOUSEHOLD_SHAPE) / sum(days.HOUSEHOLD_SHAPE)
    assert load[0] == pytest.approx(5000.0 * shape[6])
    assert load.sum() / 4 == pytest.approx(10_000.0)
    clouds = days.Weather(1, 0.6, 3, 900.0)(index)
    assert np.isfinite(clouds).all()


def test_an_offset_is_a_time_zone():
    """+05:30 is Asia/Kolkata, which has kept it since 1945 (IANA time zone database)."""
    for offset in ("+05:30", "+0530", "UTC+5:30"):
        by_offset, by_name = times("2025-06-21", 1, 900.0, offset), times("2025-06-21", 1, 900.0, "Asia/Kolkata")
        assert (by_offset == by_name).all()
        assert days.clear_sky_power(PLACE, by_offset) == pytest.approx(days.clear_sky_power(PLACE, by_name), abs=1e-9)


@pytest.mark.parametrize(
    ("start", "count", "step_s", "zone", "key"),
    [
        ("", 1, 900.0, "UTC", "duty.start"),
        ("NaT", 1, 900.0, "UTC", "duty.start"),
        ("now", 1, 900.0, "UTC", "duty.start"),
        ("2025-02-30", 1, 900.0, "UTC", "duty.start"),
        ("2025-06-21T06:00+02:00", 1, 900.0, "UTC", "duty.start"),
        ("2025-06-21 06:00:30", 1, 900.0, "UTC", "duty.start"),
        ("9999-12-31", 1, 900.0, "UTC", "duty.start"),
        ("1600-01-01", 1, 900.0, "UTC", "duty.start"),
        ("2190-01-01", 36600, 900.0, "UTC", "duty.start"),
        ("2025-06-21", 1, 900.0, "", "duty.timezone"),
        ("2025-06-21", 1, 900.0, "Mars/Olympus", "duty.timezone"),
        ("2025-06-21", 1, 900.0, "../UTC", "duty.timezone"),
        ("2025-06-21", 1, 900.0, "+99:00", "duty.timezone"),
        ("2025-06-21", 1, 1e-3, "UTC", "duty.step"),
        ("2025-04-05", 2, 3600.0, "Australia/Lord_Howe", "duty.step"),  # clocks change by half an hour
    ],
)
def test_start_zone_and_step_that_cannot_be(start, count, step_s, zone, key):
    with pytest.raises(InputError) as caught:
        days.time_span(start, count, step_s, zone)
    assert caught.value.key == key


def test_a_day_whose_midnight_clocks_skip_begins_at_one():
    """Santiago: clocks went from 24:00 to 01:00 at the end of 7 September 2024 (IANA time zone database)."""
    begin, end, count = days.time_span("2024-09-08", 1, 3600.0, "America/Santiago")
    assert (begin.hour, end.hour, count) == (1, 0, 23)
