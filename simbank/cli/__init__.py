"""Command line: reads arguments, calls the library, prints. No physics. Whoever calls one command waits for no other's code."""

from simbank.studies import hand_on

# Name of each command → the module below this one in which it is, in the order in which --help names them.
COMMANDS = {
    "run": "run", "page": "page", "compare": "studies", "sweep": "studies", "sensitivity": "studies", "size": "studies", "drift": "studies",
    "usable": "studies", "bill": "studies", "protect": "protect", "diagnose": "diagnose", "log": "log", "join": "join", "atrest": "atrest",
    "age": "age", "values": "files", "schema": "files", "new": "files", "desk": "desk",
}  # fmt: skip
GROUPS = {"device": "device_app", "cell": "cell_app"}  # of commands, likewise: name → what it is in the module of that name

hand_on(__name__, {"app": "program", "main": "program", **COMMANDS, **{app: name for name, app in GROUPS.items()}})

__all__ = ["COMMANDS", "GROUPS", "app", "main"]
