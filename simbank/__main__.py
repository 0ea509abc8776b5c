"""The command ``simbank``: hears Ctrl-C before anything else is loaded."""

import gc

from simbank.interrupts import listen


def main():
    """Run the command line."""
    listen()
    gc.disable()  # what is imported stays: looking through it for garbage is a twentieth of the start
    from simbank.cli import main as command

    gc.freeze()
    gc.enable()
    command()


if __name__ == "__main__":
    main()
