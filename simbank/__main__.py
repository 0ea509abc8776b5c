"""The command ``simbank``: hears Ctrl-C before anything else is loaded."""

from simbank.interrupts import listen


def main():
    """Run the command line."""
    listen()
    from simbank.cli import main as command

    command()


if __name__ == "__main__":
    main()
