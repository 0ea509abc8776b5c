"""The command ``simbank``: hears Ctrl-C before anything else is loaded."""

import gc
import os

from simbank.interrupts import listen
from simbank.later import put_off

GARBAGE_AFTER = 50_000  # objects made and not gone again: a few megabytes


def main():
    """Run the command line."""
    listen()
    gc.disable()  # what is imported stays: looking through it for garbage is a twentieth of the start
    put_off()
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")  # which it would look for in all that is installed
    from simbank.cli import main as command

    gc.freeze()
    gc.set_threshold(GARBAGE_AFTER, *gc.get_threshold()[1:])  # what a command imports later stays, too
    gc.enable()
    command()


if __name__ == "__main__":
    main()
