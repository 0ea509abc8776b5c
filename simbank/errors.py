"""The errors that simbank raises on purpose, each of which a user can act on."""

LONGEST_ECHO, LONGEST_PROBLEM = 200, 800  # letters of a value or key, and of a problem, that an error line repeats


class SimbankError(Exception):
    """Root of every error simbank raises on purpose."""


class InputError(SimbankError, ValueError):
    """Something the user gave cannot be used.

    Parameters
    ----------
    problem : str
        What is wrong and what would be right, in one sentence.
    file : str, optional
        File that holds the value.
    key : str, optional
        Dotted path of the value inside the file.
    value : object, optional
        The value as given.
    """

    def __init__(self, problem, *, file=None, key=None, value=None):
        self.problem, self.file, self.key, self.value = problem, file, key, value
        super().__init__(str(self))

    def __str__(self):
        place = ": ".join(_short(str(part)) for part in (self.file, self.key) if part)
        given = "" if self.value is None else f"{_short(_written(self.value))}: "
        problem = _short(str(self.problem), LONGEST_PROBLEM)
        return " ".join(f"{place + ': ' if place else ''}{given}{problem}".split())

    def __reduce__(self):  # keyword arguments do not survive default pickling; studies send errors between processes
        return _rebuild, (self.problem, self.file, self.key, self.value)


def _written(value):
    try:
        return repr(value)
    except ValueError:  # a whole number of more digits than Python writes
        return "a number of thousands of digits"


def _short(text, longest=LONGEST_ECHO):
    """At most so many letters, none of which moves a terminal's cursor."""
    if len(text) > longest:
        text = f"{text[: longest - 40]} ... ({len(text)} letters)"
    return "".join(letter if letter.isprintable() or letter.isspace() else ascii(letter)[1:-1] for letter in text)


def _rebuild(problem, file, key, value):
    return InputError(problem, file=file, key=key, value=value)


class SimulationError(SimbankError):
    """A run could not go on; ``partial`` holds the Result computed so far (or None)."""

    def __init__(self, message, partial=None):
        super().__init__(message)
        self.partial = partial

    def __reduce__(self):  # between processes the message goes, not the Result
        return type(self), self.args


class RunStopped(SimulationError):
    """A run or a sweep was stopped by Ctrl-C; what was computed is kept as for any run that stops half-way."""
