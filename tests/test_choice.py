"""Which integrator makes a run where none is named."""

import json

import numpy as np
import pytest
from typer.testing import CliRunner

import simbank
from simbank import cli
from simbank.errors import InputError
from simbank.simulation.choice import WORTH_WAITING_S, choose_integrator, reference_seconds


def month(**changes):
    return simbank.example("classroom_chain", {"duty.repeat": 30, "packs.P.count": 2} | changes)


def test_a_short_run_is_the_reference_s_to_the_last_digit():
    chain = simbank.example("classroom_chain")
    chosen, named = simbank.simulate(chain), simbank.simulate(chain, integrator="reference")
    assert chosen.summary["integrator"].pop("because") == "by estimate it takes 0.1 s"
    assert chosen.summary == named.summary
    np.testing.assert_array_equal(chosen.packs, named.packs)


def test_a_long_run_is_the_fast_one_s_to_the_last_digit():
    chosen, named = simbank.simulate(month()), simbank.simulate(month(), integrator="fast")
    assert chosen.summary["integrator"].pop("because") == "by estimate the reference would take 2.0 s"
    assert chosen.summary == named.summary
    assert chosen.made_by["integrator"] == "fast"
    np.testing.assert_array_equal(chosen.packs, named.packs)


def test_a_longer_duty_more_packs_or_more_rows_ask_for_the_fast_one():
    def chosen(*cases):
        return choose_integrator([(case.bank, case.duty) for case in cases]).name

    day, days = simbank.example("classroom_chain"), simbank.example("hilltop_clinic_days", {"duty.days": 3})
    assert chosen(day) == "reference"
    assert chosen(month()) == "fast"
    assert chosen(simbank.example("classroom_chain", {"packs.P.count": 64})) == "fast"
    assert chosen(days) == "fast"
    assert chosen(*[day] * 20) == "fast"  # what is waited for together counts together
    assert reference_seconds(day.bank, day.duty) * 20 > WORTH_WAITING_S > reference_seconds(day.bank, day.duty)


def test_what_only_the_reference_has_asks_for_it():
    runs = [(month().bank, month().duty)]
    assert choose_integrator(runs, tolerance=1e-6).name == choose_integrator(runs, method="BDF").name == "reference"
    assert choose_integrator(runs, "fast", "BDF", 1e-6) == ("fast", "")
    with pytest.raises(InputError, match="auto, reference, fast"):
        choose_integrator(runs, "quick")


def test_packs_that_the_fast_one_cannot_follow_are_the_reference_s():
    """By file and warning as where the fast one is named; the reason is the warning's."""
    changes = {
        "pack_types.equal.cell_resistance": "0.001 milliohm",
        "pack_types.equal.internal_wiring": "0 milliohm",
        "duty.repeat": 20,
    }
    case = simbank.with_changes(
        simbank.example("classroom_chain", {"packs.P.count": 2} | changes),
        {"chemistries.slow": {"base": "lfp", "relaxation": {"scale": 100.0}}, "pack_types.equal.chemistry": "slow"},
    )
    result = simbank.simulate(case, output_step_s=3600.0)
    assert result.summary["integrator"] == {"name": "reference", "tolerance": 3e-10, "handed_over": 0}
    assert "reference-instead" in [warning.code for warning in result.warnings]


def test_all_layouts_of_a_comparison_are_made_by_one():
    """The one-ended chain alone would be the reference's; four layouts together take longer than a second."""
    case = simbank.example("classroom_chain", {"packs.P.count": 2, "duty.repeat": 8})
    assert choose_integrator([(case.bank, case.duty)]).name == "reference"
    found = simbank.compare(case)
    assert {result.summary["integrator"]["name"] for result in found.results.values()} == {"fast"}
    assert found.made_by["integrator"] == "fast"
    named = simbank.compare(case, integrator="reference")
    assert {result.summary["integrator"]["name"] for result in named.results.values()} == {"reference"}


def test_run_and_compare_say_which_and_why(root):
    def told(*words):
        done = CliRunner().invoke(cli.app, [words[0], str(root / "scenarios" / "classroom_chain.toml"), *words[1:]])
        assert done.exit_code == 0, done.output
        return " ".join(done.stdout.split())

    two, long = ("--set", "packs.P.count=2"), ("--set", "duty.repeat=30")
    assert "Integrator: reference, tolerance 3e-10: by estimate it takes 0.1 s." in told("run", *two)
    assert "Integrator: fast, tolerance 1e-08: by estimate the reference would take 2.0 s." in told("run", *two, *long)
    assert "Integrator: fast, tolerance 1e-08." in told("run", *two, "--integrator", "fast")
    assert "Integrator: fast, tolerance 1e-08: by estimate the reference would take" in told("compare", *two, *long)
    assert json.loads(told("run", *two, *long, "--json"))["integrator"]["because"].startswith("by estimate")


@pytest.mark.parametrize("study", ["sweep", "size", "bands"])
def test_studies_of_many_runs_want_one_named(study):
    chain = simbank.example("classroom_chain")
    work = {
        "sweep": lambda: simbank.sweep(chain, {"duty.c_rate": [0.1]}, integrator="auto"),
        "size": lambda: simbank.size(chain, integrator="auto"),
        "bands": lambda: simbank.bands(chain, draws=2, integrator="auto"),
    }
    with pytest.raises(InputError, match="use reference or fast"):
        work[study]()
