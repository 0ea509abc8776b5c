"""Scenario files: what they say, read, checked and changed, and the bank and duty they describe."""

from simbank.scenario.changes import changed, joint_branches
from simbank.scenario.examples import example, examples
from simbank.scenario.scenario import Scenario, from_dict, load, with_changes
from simbank.scenario.schema import json_schema
from simbank.scenario.uncertain import UncertainValue, drawn, uncertain_values

__all__ = [
    "Scenario", "UncertainValue", "changed", "drawn", "example", "examples", "from_dict", "joint_branches", "json_schema", "load",
    "uncertain_values", "with_changes",
]  # fmt: skip
