"""The errors that simbank raises on purpose, each of which a user can act on."""


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
        place = ": ".join(str(part) for part in (self.file, self.key) if part)
        given = "" if self.value is None else f"{self.value!r}: "
        return " ".join(f"{place + ': ' if place else ''}{given}{self.problem}".split())

    def __reduce__(self):  # keyword arguments do not survive default pickling; studies send errors between processes
        return _rebuild, (self.problem, self.file, self.key, self.value)


def _rebuild(problem, file, key, value):
    return InputError(problem, file=file, key=key, value=value)


class SimulationError(SimbankError):
    """A run could not go on; ``partial`` holds the Result computed so far (or None)."""

    def __init__(self, message, partial=None):
        super().__init__(message)
        self.partial = partial
