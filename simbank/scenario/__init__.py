"""Scenario files: what they say, read, checked and changed, and the bank and duty they describe."""

from simbank.scenario.changes import changed, joint_branches
from simbank.scenario.examples import example, examples
from simbank.scenario.scenario import Scenario, from_dict, load, with_changes
from simbank.scenario.schema import json_schema

__all__ = ["Scenario", "changed", "example", "examples", "from_dict", "joint_branches", "json_schema", "load", "with_changes"]
