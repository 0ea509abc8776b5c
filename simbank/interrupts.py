"""Ctrl-C: a command stops at any moment with one line and exit status 130; a run or a sweep may first keep what it has."""

from __future__ import annotations

import atexit
import contextlib
import os
import signal
import sys
import threading

__all__ = ["STOPPED", "at_exit", "deaf_children", "end_children", "heard_by", "leave", "listen"]

STOPPED = 130  # exit status of a command stopped by Ctrl-C: 128 + SIGINT, as shells have it
_clean = []  # what is done before a command leaves at once: half-written files go


def listen():
    """From now on Ctrl-C ends this process at once, with one line."""
    if threading.current_thread() is threading.main_thread() and signal.getsignal(signal.SIGINT) is not signal.SIG_IGN:
        signal.signal(signal.SIGINT, _stop_command)
        # Python puts back the system's own way, which kills without a word, while it shuts down; by then all is done
        atexit.register(signal.signal, signal.SIGINT, signal.SIG_IGN)
    sys.unraisablehook = _unless_interrupt


def at_exit(function):
    """Have ``function()`` called before a command is stopped."""
    _clean.append(function)


def _stop_command(number, frame):
    leave()


def leave(text="stopped"):
    """End this process as stopped by Ctrl-C: no handler further up can lose the interrupt, and nothing waits."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    for function in _clean:
        with contextlib.suppress(Exception):
            function()
    end_children()
    with contextlib.suppress(OSError):
        os.write(2, f"{text}\n".encode("ascii", "replace"))
    os._exit(STOPPED)


def end_children():
    """End the processes that this one has started for its work."""
    with contextlib.suppress(Exception):  # among them that there are none
        for child in sys.modules["multiprocessing"].active_children():
            child.kill()


@contextlib.contextmanager
def heard_by(worth_keeping=lambda: True):
    """Within, Ctrl-C raises KeyboardInterrupt, so that what was computed can be kept.

    A command stops at once if ``worth_keeping()`` says that there is nothing yet. Only where Ctrl-C does what Python or
    :func:`listen` made it do: a program that has a handler of its own keeps it.
    """
    usual = signal.getsignal(signal.SIGINT)
    if usual not in (signal.default_int_handler, _stop_command) or threading.current_thread() is not threading.main_thread():
        yield
        return

    def stop(number, frame):
        if not worth_keeping() and usual is _stop_command:
            leave()
        raise KeyboardInterrupt

    signal.signal(signal.SIGINT, stop)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, usual)


@contextlib.contextmanager
def deaf_children():
    """Processes that are started within do not hear Ctrl-C, which a terminal sends to all of them; this one hears it afterwards."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _unless_interrupt(unraisable):
    """An interrupt that Python drops, as it does in callbacks of its own, is told nobody: it is heard where it was noted."""
    if not issubclass(unraisable.exc_type, KeyboardInterrupt):
        sys.__unraisablehook__(unraisable)
