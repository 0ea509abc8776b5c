"""Scenario files: what they say, read, checked and changed, and the bank and duty they describe."""

from simbank.scenario.scenario import Scenario, changed, from_dict, joint_branches, json_schema, load, with_changes

__all__ = ["Scenario", "changed", "from_dict", "joint_branches", "json_schema", "load", "with_changes"]
