"""A process of the desk that computes: calls come in by its standard input, what came of them goes out by its standard output.

It ends when whoever started it closes the pipe or is gone, with all that it has started itself.
"""

from __future__ import annotations

import os
import pickle
import queue
import signal
import struct
import sys
import threading
from typing import Any

from simbank.errors import InputError, SimbankError

__all__ = ["HEAD", "main"]

HEAD = struct.Struct(">Q")  # length of what follows


def main():
    """Do what comes in, one call after the other, until the pipe is closed."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # whoever started it says when it ends
    out = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # what a library prints is no answer
    calls: queue.Queue[tuple] = queue.Queue()
    threading.Thread(target=_listen, args=(os.fdopen(os.dup(0), "rb"), calls), daemon=True).start()

    def answer(*said: Any):
        body = pickle.dumps(said)
        out.write(HEAD.pack(len(body)) + body)
        out.flush()

    from simbank.jit import told_of_compiling

    with told_of_compiling(lambda busy: answer("compiling", busy)):
        while True:
            number, function, arguments, progress = calls.get()
            told = {"progress": lambda done: answer("progress", done)} if progress else {}
            try:
                answer("done", number, function(*arguments, **told))
            except InputError as error:
                answer("failed", number, error)
            except SimbankError as error:
                answer("failed", number, SimbankError(str(error)))
            except Exception as error:
                answer("failed", number, SimbankError(f"internal error: {type(error).__name__}: {error}"))


def _listen(pipe, calls):
    """Take calls from the pipe; end the process and its own when it is closed."""
    while True:
        head = pipe.read(HEAD.size)
        body = pipe.read(HEAD.unpack(head)[0]) if len(head) == HEAD.size else b""
        if not body:
            if hasattr(os, "killpg") and os.getpgrp() == os.getpid():
                os.killpg(0, signal.SIGKILL)
            os._exit(0)
        calls.put(pickle.loads(body))


if __name__ == "__main__":
    sys.exit(main())
