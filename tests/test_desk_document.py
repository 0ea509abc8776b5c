"""The file that a tab of the desk works on: what changes leave as it was, undo, names, forms made from the schema, where errors belong."""

import tomllib
from itertools import pairwise
from pathlib import Path

import pytest

from simbank.desk.document import Document, read_value
from simbank.desk.folder import Folder
from simbank.desk.forms import STARTS, describe, field_id, field_of_error, place_of_key
from simbank.desk.running import faults, live
from simbank.desk.session import NOTHING, Session, Shared, _ids
from simbank.errors import InputError
from simbank.scenario import from_dict
from simbank.scenario.starter import starter_scenario

pytest.importorskip("nicegui")
SCENARIOS = sorted((Path(__file__).parents[1] / "scenarios").glob("*.toml"))


def steps(document):
    names = []
    while document.undo_name:
        names.append(document.undo())
    return names


def test_a_change_leaves_comments_and_units_as_they_were():
    text = 'name = "Bank" # of the hut\n[wiring]\nlayout = "chain"   # one end\nlink = { gauge = "35 mm2", length = "40 cm" } # copper\n'
    document = Document(text)
    document.put(("wiring", "link", "length"), "50 cm", "length of link")
    assert document.text == text.replace("40 cm", "50 cm")


@pytest.mark.parametrize("path", SCENARIOS, ids=lambda path: path.stem)
def test_every_shipped_file_is_kept_but_for_what_is_changed(path):
    text = path.read_text(encoding="utf-8")
    document = Document(text)
    document.put(("name",), "Another", "name")
    document.move(("packs", 0), 1, "move")
    document.move(("packs", 1), -1, "move back")
    document.put(("name",), tomllib.loads(text)["name"], "name")
    assert tomllib.loads(document.text) == tomllib.loads(text)
    before, after = ([line.strip() for line in t.splitlines() if "#" in line] for t in (text, document.text))
    assert before == after


def test_what_is_saved_is_what_is_run_after_any_change():
    document = Document(starter_scenario())
    document.put(("packs", 1, "device", "rating"), "100 A", "rating")
    document.put(("packs", 1, "device", "resistance"), "0.2 milliohm", "resistance")
    document.insert(
        ("packs",), {"name": "D", "type": "pack_280ah", "bms": {"over_voltage": {"limit": "3.6 V", "release": "3.4 V"}}}, "add", 1
    )
    document.insert(("duty", "steps"), {"rest": True, "hours": 2}, "add")
    document.move(("duty", "steps", 4), -3, "move")
    document.put(("rack", "coupling"), "2 W/K", "rack")
    document.drop(("packs", 0, "soc"), "soc")
    assert tomllib.loads(document.text) == document.data
    assert [pack["name"] for pack in document.data["packs"]] == ["A", "D", "B", "C"]
    assert document.data["duty"]["steps"][1] == {"rest": True, "hours": 2}
    assert "soc" not in document.data["packs"][0]
    from_dict(document.data)


def test_a_value_whose_range_is_given_keeps_it():
    document = Document(
        '[pack_types.slab]\ncell_resistance = { value = "0.25 milliohm", range = ["0.2 milliohm", "0.4 milliohm"] }\n'
    )
    document.put(("pack_types", "slab", "cell_resistance"), "0.3 milliohm", "resistance")
    assert document.data["pack_types"]["slab"]["cell_resistance"] == {
        "value": "0.3 milliohm", "range": ["0.2 milliohm", "0.4 milliohm"]
    }  # fmt: skip


def test_undo_and_redo_go_step_by_step_and_typing_is_one_step():
    document = Document(starter_scenario())
    first = document.text
    for text in ("2", "28", "280 Ah", "281 Ah"):
        document.put(("pack_types", "pack_100ah", "capacity"), text, "capacity")
    document.put(("packs", 0, "soc"), 0.5, "soc")
    last = document.text
    assert [document.undo(), document.undo()] == ["soc", "capacity"]
    assert document.text == first
    assert document.undo() is None
    assert [document.redo(), document.redo()] == ["capacity", "soc"]
    assert document.text == last
    document.undo()
    document.put(("name",), "Other", "name")
    assert document.redo_name is None


def test_a_pause_ends_a_step():
    document = Document('name = "A"\n')
    document.put(("name",), "B", "name")
    document.pause()
    document.put(("name",), "C", "name")
    assert steps(document) == ["name", "name"]


def test_unsaved_is_what_differs_from_the_file(tmp_path):
    document = Document('name = "A"\n')
    document.put(("name",), "B", "name")
    assert document.unsaved
    document.undo()
    assert not document.unsaved
    document.redo()
    document.saved(tmp_path / "b.toml")
    assert not document.unsaved


def test_a_new_name_is_used_wherever_the_file_names_the_pack():
    document = Document(
        'packs = [{ name = "A" }, { name = "B" }]\nrack = { coupling = "1 W/K", order = ["A", "B"] }\n'
        'switching = [{ what = "device A", at = "1 hour" }]\n[wiring.leads]\nA = { length = "90 cm" }\n'
        '[[wiring.strings]]\nname = "S"\npacks = ["A", "B"]\n[[ports]]\nname = "p"\ncharger = { stop = "A full" }\n'
    )
    document.rename(("packs", 0), "near", "name")
    data = document.data
    assert [pack["name"] for pack in data["packs"]] == ["near", "B"]
    assert data["rack"]["order"] == ["near", "B"]
    assert data["switching"][0]["what"] == "device near"
    assert list(data["wiring"]["leads"]) == ["near"]
    assert data["wiring"]["strings"][0]["packs"] == ["near", "B"]
    assert data["ports"][0]["charger"]["stop"] == "near full"


def test_a_name_that_another_has_changes_nothing_else():
    document = Document('packs = [{ name = "A" }, { name = "B" }]\nrack = { coupling = "1 W/K", order = ["A", "B"] }\n')
    document.rename(("packs", 0), "B", "name")
    assert document.data["rack"]["order"] == ["A", "B"]


def test_a_make_is_renamed_with_its_packs():
    document = Document(starter_scenario())
    document.rename(("pack_types", "pack_280ah"), "slab", "name")
    assert [pack["type"] for pack in document.data["packs"]] == ["slab", "slab", "pack_100ah"]
    with pytest.raises(InputError, match="needs a name of its own"):
        document.rename(("pack_types", "slab"), "pack_100ah", "name")


def test_malformed_toml_is_told_as_the_commands_tell_it():
    with pytest.raises(InputError, match=r"not TOML: .*line 1"):
        Document("name = \n")


@pytest.mark.parametrize(
    ("text", "kind", "value"),
    [
        ("0.80", "number", 0.8), ("3", "number", 3), ("1e-3", "number", 0.001), ("0.", "number", 0.0), ("three", "number", "three"),
        ("0,8", "number", "0,8"), ("nan", "number", "nan"), ("35 mm2", "text", "35 mm2"), ("true", "switch", True), ("", "switch", False),
        ("A, B", "list", ["A", "B"]), ("[[0.1, 0.9]]", "list", [[0.1, 0.9]]), ("1, 0.9", "list", [1, 0.9]),
        ("{ value = 0.8, within = 0.1 }", "number", {"value": 0.8, "within": 0.1}),
    ],
)  # fmt: skip
def test_what_is_typed_becomes_a_value(text, kind, value):
    read = read_value(text, kind)
    assert read == value
    assert type(read) is type(value)


# ---- forms ----


@pytest.mark.parametrize("path", SCENARIOS, ids=lambda path: path.stem)
def test_every_value_of_a_file_has_a_field(path):
    data = tomllib.loads(path.read_text(encoding="utf-8"))
    ids = set(_ids(describe(data)))

    def leaves(value, place=()):
        if isinstance(value, dict) and "value" not in value:
            for key, inner in value.items():
                yield from leaves(inner, (*place, key))
        elif isinstance(value, list) and value and isinstance(value[0], dict):
            for k, inner in enumerate(value):
                yield from leaves(inner, (*place, k))
        else:
            yield place

    missing = [place for place in leaves(data) if field_id(place) not in ids]
    assert missing == []


def test_no_two_fields_have_one_id():
    for path in SCENARIOS:
        ids = sorted(_ids(describe(tomllib.loads(path.read_text(encoding="utf-8")))))
        assert [one for one, following in pairwise(ids) if one == following] == [], path.name


def test_what_tables_begin_with_is_right():
    data = tomllib.loads(starter_scenario())
    for place, model in (
        (("packs", 0, "device"), "DeviceTable"), (("pack_types", "pack_280ah", "bms"), "BMSTable"), (("wiring", "bar"), "BarTable"),
        (("ports", 0, "inverter"), "InverterTable"), (("ports", 0, "charger"), "ChargerTable"), (("rack",), "RackTable"),
        (("pack_types", "pack_280ah", "display"), "DisplayTable"),
    ):  # fmt: skip
        document = Document(starter_scenario())
        document.put(place, STARTS[model], "add")
        assert faults(document.data, None) == [], place
    for kind in ("ConstantDuty", "CyclesDuty", "DaysDuty"):
        assert faults(data | {"duty": STARTS[kind]}, None) == [], kind


def test_an_error_belongs_to_its_field_and_else_to_what_is_around_it():
    data = tomllib.loads(starter_scenario())
    shown = set(_ids(describe(data)))
    place = field_of_error(InputError("is wrong", key="packs.B.soc"), data, shown)
    assert place == "at.packs.1.soc"
    assert field_of_error(InputError("is wrong", key="packs.B.soc.value.deep"), data, shown) == "at.packs.1.soc"
    assert field_of_error(InputError("is wrong"), data, shown) == ""
    assert place_of_key(data, "ports.0.lead.gauge") == ("ports", 0, "lead", "gauge")


def test_faults_are_told_one_by_one_in_the_words_of_the_commands():
    data = tomllib.loads(starter_scenario())
    data["packs"][0]["soc"], data["wiring"]["link"]["gauge"] = 1.5, "35"
    told = {error.key: str(error) for error in faults(data, None)}
    assert set(told) == {"packs.A.soc", "wiring.link.gauge"}
    with pytest.raises(InputError) as caught:
        from_dict(data)
    assert all(text.partition(": ")[2] in str(caught.value) for text in told.values())


def test_a_run_gives_the_figures_of_the_library():
    from simbank import simulate

    data = tomllib.loads(starter_scenario())
    summary = simulate(from_dict(data), integrator="fast").summary
    found = live(data, None)
    assert found["errors"] == []
    for mine, theirs in zip(found["summary"]["packs"], summary["packs"], strict=True):
        assert mine["soc_end"] == pytest.approx(theirs["soc_end"], abs=1e-9)  # sampled at other instants, stepped alike
        assert mine["throughput_ah"] == pytest.approx(theirs["throughput_ah"], rel=1e-9)


# ---- files ----


@pytest.fixture
def folder(tmp_path):
    inside = tmp_path / "inside"
    inside.mkdir()
    (tmp_path / "secret.toml").write_text('name = "secret"\n')
    (inside / "own.toml").write_text('name = "own"\n')
    (inside / "link.toml").symlink_to(tmp_path / "secret.toml")
    (inside / "up").symlink_to(tmp_path)
    return Folder(inside)


@pytest.mark.parametrize(
    "name",
    [
        "../secret.toml",
        "/etc/passwd",
        "link.toml",
        "up/secret.toml",
        "own.toml/../../secret.toml",
        "",
        ".",
        "a\0.toml",
        "../inside",
    ],
)
def test_a_path_outside_the_folder_is_refused(folder, name):
    with pytest.raises(InputError):
        folder.load(name)
    with pytest.raises(InputError):
        folder.save(name, "name = 1\n")
    assert (folder.path.parent / "secret.toml").read_text() == 'name = "secret"\n'


def test_an_absolute_path_outside_is_refused(folder):
    with pytest.raises(InputError, match="leads out of the folder"):
        folder.load(str(folder.path.parent / "secret.toml"))


def test_the_folder_lists_and_loads_its_own(folder):
    assert folder.names() == ["own.toml"]
    assert folder.load("own.toml")[0] == 'name = "own"\n'
    with pytest.raises(InputError, match="no such file"):
        folder.load("none.toml")
    with pytest.raises(InputError, match="ends in"):
        folder.save("own.csv", "")
    folder.save("new.toml", 'name = "ü"\n')
    assert (folder.path / "new.toml").read_bytes() == 'name = "ü"\n'.encode()


def test_sessions_do_not_share_a_document(folder, monkeypatch):
    monkeypatch.setattr(Session, "changed", lambda self, **how: None)
    shared = Shared(folder)
    one, two = Session(shared), Session(shared)
    one.document, two.document = Document(starter_scenario()), Document(starter_scenario())
    one.do({"op": "put", "place": ["packs", 0, "soc"], "text": "0.3", "type": "number"})
    assert one.document.data["packs"][0]["soc"]["value"] == 0.3
    assert two.document.data["packs"][0]["soc"]["value"] == 0.8
    assert two.document.undo_name is None


def test_a_file_that_is_there_or_has_changed_is_not_overwritten_unasked(folder, monkeypatch):
    monkeypatch.setattr(Session, "changed", lambda self, **how: None)
    session = Session(Shared(folder))
    session.load("own.toml")
    session.do({"op": "put", "place": ["name"], "text": "mine"})
    session.save("own.toml")
    session.save("own.toml")
    (folder.path / "own.toml").write_text('name = "of somebody else"\n')
    with pytest.raises(InputError, match="has changed since it was opened here"):
        session.save("own.toml")
    (folder.path / "two.toml").write_text('name = "two"\n')
    with pytest.raises(InputError, match="is there already"):
        session.save("two.toml")
    assert (folder.path / "two.toml").read_text() == 'name = "two"\n'
    session.save("two.toml", overwrite=True)
    assert (folder.path / "two.toml").read_text() == 'name = "mine"\n'


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("0.7 ± 0.02", {"value": 0.7, "within": 0.02}),
        ("0.7 +/- 10 %", {"value": 0.7, "within": 0.07}),
        ("0.7 ± 0", 0.7),
        ("0.7", {"value": 0.7, "within": 0.05}),
    ],
)
def test_how_well_a_bare_number_is_known_can_be_typed(folder, monkeypatch, text, value):
    monkeypatch.setattr(Session, "changed", lambda self, **how: None)
    session = Session(Shared(folder))
    session.document = Document(starter_scenario())
    session.do({"op": "put", "place": ["packs", 0, "soc"], "text": text, "type": "number"})
    assert session.document.data["packs"][0]["soc"] == value
    assert faults(session.document.data, None) == []


def test_operations_of_the_forms(folder, monkeypatch):
    monkeypatch.setattr(Session, "changed", lambda self, **how: None)
    session = Session(Shared(folder))
    do = session.do
    do({"op": "insert", "place": ["packs"], "model": "PackTable"})
    for key, text in (("capacity", "100 Ah"), ("cell_resistance", "0.7 milliohm"), ("internal_wiring", "5 milliohm")):
        do({"op": "put", "place": ["pack_types", "make_1", key], "text": text, "type": "text"})
    do({"op": "rename", "place": ["packs", 0, "name"], "text": "near"})
    do({"op": "copy", "place": ["packs", 0]})
    do({"op": "insert", "place": ["ports"], "model": "PortTable"})
    do({"op": "kind", "place": ["duty", "kind"], "text": "cycles"})
    do({"op": "start", "place": ["wiring", "link"], "model": "ConductorTable"})
    do({"op": "put", "place": ["wiring", "link", "joint"], "text": "0.05 ± 0.02 milliohm", "type": "text"})
    assert faults(session.document.data, None) == []
    assert [pack["name"] for pack in session.document.data["packs"]] == ["near", "A"]
    assert session.document.data["wiring"]["link"]["joint"] == "0.05 ± 0.02 milliohm"
    assert session.document.undo_name == "wiring link joint"
    do({"op": "nonsense", "place": []})
    assert [str(error) for error in session.errors] == ["cannot be done here"]


def test_names_that_name_nothing_are_told_beside_all_other_faults():
    data = tomllib.loads(starter_scenario())
    data["pack_types"]["pack_280ah"]["chemistry"] = "lfp30 Ah"
    data["packs"][2]["type"] = "none"
    data["packs"][0]["soc"] = 1.5
    found = {error.key: str(error) for error in faults(data, None)}
    assert set(found) == {"packs.A.soc", "pack_types.pack_280ah.chemistry", "packs.2.type"}
    assert "unknown chemistry" in found["pack_types.pack_280ah.chemistry"]
    assert {error.key for error in live(data, None)["errors"]} == set(found)


def test_what_an_unknown_chemistry_hides_is_told_too():
    data = tomllib.loads(starter_scenario())
    for make in data["pack_types"].values():
        make["chemistry"] = "unknown"
    data["wiring"]["strings"] = [{"name": "S", "packs": ["A", "Z"]}]
    keys = [error.key for error in faults(data, None)]
    assert keys[:2] == [f"pack_types.{name}.chemistry" for name in data["pack_types"]]
    assert len(keys) == 3


def test_a_new_make_has_no_values_of_another_and_a_new_pack_is_as_well_known(folder, monkeypatch):
    monkeypatch.setattr(Session, "changed", lambda self, **how: None)
    session = Session(Shared(folder))
    session.document = Document(starter_scenario())
    session.do({"op": "start", "place": ["pack_types", "new"], "model": "PackType"})
    session.do({"op": "insert", "place": ["packs"], "model": "PackTable"})
    data = session.document.data
    assert data["pack_types"]["new"] == {}
    assert data["packs"][-1]["soc"] == {"value": 0.8, "within": data["packs"][-2]["soc"]["within"]}
    assert {error.key for error in faults(data, None)} >= {"pack_types.new.cell_resistance"}
    makes = next(part for part in session.sections()[1]["parts"] if part["kind"] == "list")
    needed = {field["place"][-1] for field in makes["entries"][-1]["fields"] if field["required"]}
    assert needed == {"capacity", "cell_resistance"}
    assert not any(field["value"] for field in makes["entries"][-1]["fields"])


ODD = ([], {}, "", "odd", float("inf"), float("nan"), 10**400, -1, True, [[]], [{}], [1, "a"], {"value": []}, {"x": {"y": [{}]}})


def places_of(value, place=()):
    yield place
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, part in inner:
        yield from places_of(part, (*place, key))


@pytest.mark.parametrize(
    "path", [path for path in SCENARIOS if path.stem in ("hilltop_clinic", "classroom_chain")], ids=lambda p: p.stem
)
def test_forms_show_any_document_whatever_stands_in_it(path):
    whole = tomllib.loads(path.read_text(encoding="utf-8"))
    seen = set()
    for place in list(places_of(whole))[1:]:
        shape = tuple(0 if isinstance(part, int) else part for part in place)
        if shape in seen:
            continue
        seen.add(shape)
        for odd in ODD:
            data = tomllib.loads(path.read_text(encoding="utf-8"))
            above = data
            for part in place[:-1]:
                above = above[part]
            above[place[-1]] = odd
            assert list(_ids(describe(data))), (place, odd)


@pytest.mark.parametrize(
    "text",
    [
        'name = "other"\nduty = { kind = [] }\n',
        "wiring = { layout = [] }\npack_types = inf\npacks = [{ name = [], type = [] }]\n",
        "packs = [[]]\n",
    ],
)
def test_a_value_of_the_wrong_kind_is_shown_with_its_error(text):
    document = Document(text)
    shown = set(_ids(describe(document.data)))
    wrong = faults(document.data, None)
    assert wrong
    assert all(isinstance(field_of_error(error, document.data, shown), str) for error in wrong)


def test_a_number_of_hundreds_of_digits_is_told():
    document = Document(starter_scenario())
    document.put(("packs", 0, "soc"), {"value": 10**400, "within": 0.1}, "soc")
    assert ["too large" in str(error) or "less than" in str(error) for error in faults(document.data, None)] == [True]


@pytest.mark.parametrize("digits", [400, 5000])
def test_a_number_of_thousands_of_digits_that_is_typed_is_told(folder, monkeypatch, digits):
    monkeypatch.setattr(Session, "changed", lambda self, **how: None)
    session = Session(Shared(folder))
    session.document = Document(starter_scenario())
    session.do({"op": "put", "place": ["packs", 0, "soc"], "text": "9" * digits, "type": "number"})
    assert [error.key for error in faults(session.document.data, None)][:1] == ["packs.A.soc.value"]


@pytest.mark.parametrize("length", [300, 5000])
def test_a_name_that_is_too_long_for_a_file_is_told(folder, monkeypatch, length):
    monkeypatch.setattr(Session, "changed", lambda self, **how: None)
    session = Session(Shared(folder))
    with pytest.raises(InputError, match="File name too long"):
        session.save("n" * length + ".toml")


def test_a_file_too_large_or_empty_leaves_the_bank_as_it_is(folder, monkeypatch):
    monkeypatch.setattr(Session, "changed", lambda self, **how: None)
    session = Session(Shared(folder))
    session.begin()
    before = session.document
    for told, problem in (
        ({"name": "big.toml", "size": 900_000}, r"big\.toml: too large \(900 kB; at most 800 kB\)"),
        ({"name": "none.toml", "size": 0, "text": ""}, "none.toml: has nothing of a bank"),
        ({"name": "none.toml", "size": 9, "text": "# nothing"}, "has nothing of a bank"),
        ({"name": "x.toml", "size": 9, "text": "other = 1"}, "has nothing of a bank"),
        ({"name": "x.toml", "size": 9, "text": None}, "not a text file"),
    ):
        with pytest.raises(InputError, match=problem):
            session.open_upload(told)
        assert session.document is before
    (folder.path / "empty.toml").write_text("")
    with pytest.raises(InputError, match="has nothing of a bank"):
        session.load("empty.toml")
    assert session.document is before


def test_undo_brings_back_what_was_there_before_another_file_was_opened(folder, monkeypatch):
    monkeypatch.setattr(Session, "changed", lambda self, **how: None)
    session = Session(Shared(folder))
    session.load("own.toml")
    assert session.document.undo_name is None  # nothing to lose
    session.do({"op": "put", "place": ["name"], "text": "mine"})
    session.open_text(starter_scenario())
    assert (session.name, session.document.unsaved, session.document.undo_name) == ("", False, "open another bank")
    assert session.document.has_to_lose
    session.do({"op": "put", "place": ["name"], "text": "other"})
    session.save("second.toml")
    session.undo()
    session.undo()
    assert (session.name, session.document.data["name"], session.document.unsaved) == ("own.toml", "mine", True)
    session.save("own.toml")
    session.redo()
    session.redo()
    assert (session.name, session.document.data["name"], session.document.unsaved) == ("second.toml", "other", False)
    session.save("second.toml")
    session.undo()
    session.undo()
    assert (session.name, session.document.unsaved) == ("own.toml", False)


def test_what_nobody_foresaw_is_told_on_the_page_and_in_one_line(folder, monkeypatch, capsys):
    session = Session(Shared(folder))
    told = []
    session.on_trouble.append(told.append)
    session.on_change.append(lambda: 1 // 0)
    session.tell()
    assert "ZeroDivisionError" in told[0]
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert said.startswith("simbank desk: internal error: ZeroDivisionError")


def test_the_bank_itself_takes_another_name(folder, monkeypatch):
    monkeypatch.setattr(Session, "changed", lambda self, **how: None)
    session = Session(Shared(folder))
    session.begin()
    session.do({"op": "rename", "place": ["name"], "text": "Hut"})
    assert (session.document.data["name"], session.errors) == ("Hut", [])


# ---- values with which an added part begins ----


@pytest.fixture
def session(folder, monkeypatch):
    monkeypatch.setattr(Session, "changed", lambda self, **how: None)
    session = Session(Shared(folder))
    session.begin()
    return session


def noted(session):
    """Ids of the fields beside which it stands that their value is assumed."""
    found = []

    def look(parts):
        for part in parts:
            if "assumed" in part.get("note", ""):
                found.append(part["id"].removeprefix("at."))
            for key in ("parts", "fields", "more", "entries", "rows", "cells"):
                look(part.get(key, ()))

    look(session.sections())
    return set(found)


def test_values_with_which_an_added_part_begins_say_that_they_are_assumed_until_they_are_typed(session):
    session.do({"op": "start", "place": ["packs", 0, "device"], "model": "DeviceTable"})
    assert noted(session) == {"packs.0.device.rating", "packs.0.device.resistance"}
    session.do({"op": "put", "place": ["packs", 0, "device", "rating"], "text": "125 A", "type": "text"})
    assert noted(session) == {"packs.0.device.resistance"}
    session.undo()
    assert noted(session) == {"packs.0.device.rating", "packs.0.device.resistance"}
    session.redo()
    session.do({"op": "move", "place": ["packs", 0], "by": 1})
    assert noted(session) == {"packs.1.device.resistance"}
    session.do({"op": "copy", "place": ["packs", 1]})
    assert noted(session) == {"packs.1.device.resistance", "packs.2.device.resistance"}
    session.do({"op": "drop", "place": ["packs", 0]})
    assert noted(session) == {"packs.0.device.resistance", "packs.1.device.resistance"}
    session.do({"op": "drop", "place": ["packs", 0, "device"]})
    assert noted(session) == {"packs.1.device.resistance"}
    for _ in range(6):
        session.undo()
    assert noted(session) == set()


def test_sun_inverter_and_cable_begin_with_assumed_values_and_what_is_asked_does_not(session):
    session.do({"op": "start", "place": ["ports", 0, "inverter"], "model": "InverterTable"})
    assert noted(session) == {"ports.0.inverter.rated_power"}
    session.do({"op": "insert", "place": ["ports"], "model": "PortTable"})
    session.do({"op": "start", "place": ["ports", 1, "lead"], "model": "ConductorTable"})
    joint = session.document.data["ports"][1]["lead"]["joint"]
    assert joint == session.document.data["wiring"]["link"]["joint"]  # as simbank new has it, with the range in which it may lie
    assert {"ports.1.lead.gauge", "ports.1.lead.length"} < noted(session)
    assert not {one for one in noted(session) if "joint" in one}  # its range stands there
    session.do({"op": "kind", "place": ["duty", "kind"], "text": "constant"})
    assert not {one for one in noted(session) if one.startswith("duty")}
    session.do({"op": "kind", "place": ["duty", "kind"], "text": "days"})
    assert {"duty.sun.0.latitude", "duty.sun.0.peak_power", "duty.load.0.energy_per_day"} < noted(session)
    assert "duty.days" not in noted(session)
    session.do({"op": "put", "place": ["wiring", "added", "link A-B"], "text": "0.5 milliohm", "type": "text", "assumed": True})
    assert "wiring.added.link_A-B" in noted(session)
    assert session.errors == []


def order_of_keys(value):
    """Keys of all tables, in order, as nested lists."""
    if isinstance(value, dict):
        return [[key, order_of_keys(inner)] for key, inner in value.items()]
    return [order_of_keys(inner) for inner in value] if isinstance(value, list) else None


ADDED = (
    {"op": "start", "place": ["pack_types", "a_new"], "model": "PackType"},
    {"op": "put", "place": ["pack_types", "a_new", "capacity"], "text": "100 Ah"},
    {"op": "put", "place": ["pack_types", "another", "capacity"], "text": "50 Ah"},
    {"op": "insert", "place": ["packs"], "model": "PackTable"},
    {"op": "start", "place": ["chemistries", "a_chemistry"], "model": "ChemistryTable"},
    {"op": "start", "place": ["wiring", "link"], "model": "ConductorTable"},
    {"op": "start", "place": ["wiring", "lead"], "model": "ConductorTable"},
    {"op": "start", "place": ["wiring", "bar"], "model": "BarTable"},
    {"op": "put", "place": ["wiring", "spacing"], "text": "30 cm"},
    {"op": "put", "place": ["wiring", "link", "length"], "text": "30 cm"},
    {"op": "put", "place": ["ambient"], "text": "20 degC"},
    {"op": "insert", "place": ["ports"], "model": "PortTable"},
    {"op": "kind", "place": ["duty", "kind"], "text": "constant"},
    {"op": "kind", "place": ["duty", "kind"], "text": "cycles"},
    {"op": "start", "place": ["rack"], "model": "RackTable"},
    {"op": "rename", "place": ["packs", 0, "name"], "text": "near"},
    {"op": "copy", "place": ["packs", 0]},
    {"op": "move", "place": ["packs", 0], "by": 1},
    {"op": "start", "place": ["pack_types", "a_new", "bms"], "model": "BMSTable"},
    {"op": "drop", "place": ["packs", 1]},
    {"op": "drop", "place": ["ports", 0]},
    {"op": "drop", "place": ["wiring", "link"]},
)


@pytest.mark.parametrize("path", [None, "empty", *SCENARIOS], ids=lambda path: getattr(path, "stem", path or "starter"))
def test_the_order_of_keys_is_that_of_the_file_after_any_change_and_what_is_added_comes_last(folder, monkeypatch, path):
    monkeypatch.setattr(Session, "changed", lambda self, **how: None)
    text = starter_scenario() if path is None else NOTHING if path == "empty" else path.read_text(encoding="utf-8")
    session = Session(Shared(folder))
    session.document = document = Document(text)
    for op in ADDED:
        makes = list(document.data.get("pack_types", {}))
        session.do(op)
        assert order_of_keys(tomllib.loads(document.text)) == order_of_keys(document.data), op
        assert list(document.data["pack_types"])[: len(makes)] == makes, op
    makes = list(document.data["pack_types"])
    assert makes[-2:] == ["a_new", "another"]
    assert "\n[pack_types.a_new]\ncapacity" in document.text
    assert list(document.data["chemistries"])[-1] == "a_chemistry"
    for name in makes:
        document.rename(("pack_types", name), f"{name}_2", "name")
        assert order_of_keys(tomllib.loads(document.text)) == order_of_keys(document.data)
    assert list(document.data["pack_types"]) == [f"{name}_2" for name in makes]
    after = document.text
    while document.undo():
        assert order_of_keys(tomllib.loads(document.text)) == order_of_keys(document.data)
    assert document.text == text
    while document.redo():
        assert order_of_keys(tomllib.loads(document.text)) == order_of_keys(document.data)
    assert document.text == after


def test_a_file_in_which_a_make_is_added_keeps_its_comments():
    document = Document(starter_scenario())
    document.put(("pack_types", "new"), {"capacity": "50 Ah", "cell_resistance": "0.9 milliohm"}, "add")
    comments = [[line for line in text.splitlines() if "#" in line] for text in (starter_scenario(), document.text)]
    assert comments[0] == comments[1]
    assert "\n\n[pack_types.new]\ncapacity = " in document.text


def test_the_report_of_a_bank_that_is_not_saved_has_its_name_and_no_path(tmp_path):
    from simbank.desk.studying import report

    data = tomllib.loads(starter_scenario()) | {"name": "Hut: north & side"}
    place = tmp_path / 'a "hut" für & wider'
    place.mkdir()
    session = Session(Shared(Folder(place)))
    made = report(data, session.source, 0)
    assert made["name"] == "hut_north_side.html"
    assert "unsaved" not in made["html"]
    assert "für &amp; wider" not in made["html"]
    assert "f\\u00fcr" not in made["html"]
    assert "&#34;scenario_file&#34;: &#34;not saved&#34;" in made["html"]
    assert "· not saved</p>" in made["html"]
    (place / "own.toml").write_text(starter_scenario(), encoding="utf-8")
    own = report(data, str(place / "own.toml"), 0)
    assert own["name"] == "own.html"
    assert "f\\u00fcr" in own["html"]  # the path of a file that there is


@pytest.mark.parametrize(("typed", "said"), [("80 %", "must be a number: 80 % is 0.8"), ("some", "must be a number")])
def test_a_percentage_is_told_with_the_number_that_is_meant(folder, monkeypatch, typed, said):
    monkeypatch.setattr(Session, "changed", lambda self, **how: None)
    session = Session(Shared(folder))
    session.document = Document(starter_scenario())
    for key in ("capacity_left", "soc"):
        session.do({"op": "put", "place": ["packs", 0, key], "text": typed, "type": "number"})
        found = [error for error in faults(session.document.data, None) if error.key.startswith(f"packs.A.{key}")]
        assert [(error.value, error.problem) for error in found] == [(typed, said)]


def test_the_forms_say_what_capacity_left_leaves_out():
    heads = next(part for part in describe(tomllib.loads(starter_scenario()))[1]["parts"] if part["kind"] == "table")["columns"]
    help_text = next(head for head in heads if "capacity left" in head["label"])["help"]
    assert "leaves the resistance as new" in help_text
    assert "state_of_health raises the resistance" in help_text
    data = tomllib.loads(starter_scenario())
    data["packs"][0]["capacity_left"], data["packs"][1]["state_of_health"] = 0.8, 0.8
    assert [pack.resistance_growth for pack in from_dict(data).bank.packs[:2]] == [1.0, 2.0]  # as it says


def test_verdicts_and_warnings_at_the_desk_name_what_is_to_be_ticked_there_and_no_option():
    from simbank.desk import parts
    from simbank.desk.views import report

    data = tomllib.loads(starter_scenario())
    del data["wiring"]["link"]["joint"]
    for make in data["pack_types"].values():
        del make["internal_wiring"]
    told = live(data, None)
    plain = [*told["summary"]["warnings"], *told["verdicts"], *told["run"]["verdicts"]]
    assert any("let --bands draw them" in record["text"] for record in plain)
    assert any("Option --wide" in record["text"] for record in plain)
    records = [*parts.warnings(told["summary"]["warnings"])["records"], *parts.verdicts(told["verdicts"])["records"]]
    texts = [record["text"] for record in [*records, *parts.told_at_desk(told["run"]["verdicts"])]]
    assert any('let "bands" draw them from what is seen in practice' in text for text in texts)
    assert any(f'Tick "{parts.EVERYTHING}" to see all.' in text for text in texts)
    assert not [text for text in texts if "--" in text or "Python" in text]
    blocks = report._blocks(
        {"said": ["Bands are left out. --bands 50 makes them all the same."], "size": "1 MB", "name": "x.html"}, False
    )
    assert blocks[0]["text"] == f'Bands are left out. 50 in "{report.LABEL}" makes them all the same.'
    assert "not checked here" not in " ".join(block["text"] for block in blocks).lower()


def test_compare_says_with_what_other_layouts_were_wired():
    from simbank.desk.studying import layouts
    from simbank.desk.views import compare

    data = tomllib.loads(starter_scenario())
    lead = data["wiring"]["lead"]
    told = layouts(data, None, ("chain", "busbar"), None, 0)
    (said,) = told["other_parts"]
    assert said.startswith(f"Leads of busbar: {lead['gauge']}, {lead['length']} each")
    assert said in [block.get("text") for block in compare._blocks(told, False)]
    assert layouts(data, None, ("chain", "chain-middle"), None, 0)["other_parts"] == []
    data["wiring"]["leads"] = {"B": {"length": "2 m"}}
    (said,) = layouts(data, None, ("chain", "busbar"), None, 0)["other_parts"]
    assert f"{lead['length']} each (of B their own), as" in said
    data["wiring"]["layout"] = "busbar"
    (said,) = layouts(data, None, ("chain", "busbar"), None, 0)["other_parts"]
    assert said.startswith(f"Links of chain: {data['wiring']['link']['gauge']}, ")
