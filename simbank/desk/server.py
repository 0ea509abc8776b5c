"""The server of the desk: on this machine only, behind a token; it ends when its last tab is closed, and nothing runs on."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import os
import secrets
import socket
import time
import webbrowser
from collections.abc import Callable
from importlib import resources
from pathlib import Path

from simbank.desk.folder import Folder
from simbank.errors import InputError

__all__ = ["ADDRESS", "GRACE_S", "serve"]

ADDRESS = "127.0.0.1"
GRACE_S = 20.0  # after the last tab is closed, until the desk ends
BACK_S = 30.0  # in which a tab that lost its connection may come back to its page; later it is loaded anew, with its bank
NAMED_S = 20.0  # in which a tab says its name


def serve(
    folder: Path, file: str | None = None, *, port: int = 0, open_browser: bool = True, stay: bool = False, grace_s: float = GRACE_S,
    say: Callable[[str], None] = print,
) -> None:  # fmt: skip
    """Serve the desk until it is ended.

    Parameters
    ----------
    folder : Path
        Files of it, and of no other, are loaded and saved.
    file : str, optional
        Name of the file in it with which tabs begin.
    port : int
        On which it listens; 0 for any that is free.
    open_browser : bool
        Whether the browser is asked to open its address.
    stay : bool
        Whether it goes on without a tab.
    grace_s : float
        How long after the last tab is closed it ends [s].
    say : callable
        Called with what a person must know: the address.

    Raises
    ------
    InputError
        If the port is taken, or the file cannot be read.
    """
    os.environ["OTEL_SDK_DISABLED"] = "true"  # nothing that a library measures goes anywhere
    try:
        import uvicorn
        from fastapi import FastAPI
        from nicegui import ui

        from simbank.desk.session import Shared
    except Exception as error:  # whatever a broken installation raises
        raise InputError(
            f"what it needs is installed but cannot be loaded ({type(error).__name__}: {error}): "
            "pip install --force-reinstall 'simbank[desk]'",
            key="simbank desk",
        ) from None
    from simbank.desk.guard import Guard
    from simbank.desk.workers import end_all

    place = Folder(folder)
    if file is not None:
        _check(place, file)
    listening = _listen(port)
    port = listening.getsockname()[1]
    token = secrets.token_urlsafe(32)
    shared = Shared(place, file)
    app = FastAPI(docs_url=None, redoc_url=None, openapi_url=None)
    _add_page(shared)
    ui.run_with(
        app, title="simbank desk", language="en-US", tailwind=False, show_welcome_message=False, reconnect_timeout=BACK_S, favicon=_ICON,
        binding_refresh_interval=None,
    )  # fmt: skip
    guarded = Guard(app, token, port)
    for name in ("nicegui", "uvicorn.error", "asyncio"):
        _log_in_lines(logging.getLogger(name))
    config = uvicorn.Config(
        guarded, log_level="error", log_config=None, access_log=False, server_header=False, timeout_graceful_shutdown=1,
        ws_max_size=4_000_000, lifespan="on",
    )  # fmt: skip
    server = uvicorn.Server(config)
    address = f"http://{ADDRESS}:{port}/?token={token}"

    async def run():
        tasks = [asyncio.ensure_future(shared.warm()), asyncio.ensure_future(_watch(server, stay, grace_s))]
        if open_browser:
            tasks.append(asyncio.ensure_future(_open(server, address)))
        await server.serve(sockets=[listening])
        for task in tasks:
            task.cancel()

    say(address)
    try:
        asyncio.run(run())
    finally:
        end_all()
        with contextlib.suppress(OSError):
            listening.close()


_ICON = (
    "<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 16 16'>"
    "<path d='M3 4v8M7 2v12M11 4v8M15 2v12' stroke='#22252b' stroke-width='1.6'/></svg>"
)


def _log_in_lines(logger):
    """Have a logger of errors say each in one line, without a traceback."""
    from simbank.desk.session import log_one_line

    class Lines(logging.Handler):
        def emit(self, record):
            error = record.exc_info[1] if record.exc_info else None
            log_one_line(error or RuntimeError(record.getMessage().partition("\n")[0]))

    logger.setLevel(logging.ERROR)
    logger.handlers, logger.propagate = [Lines()], False


def _check(folder, name):
    """An InputError, as the commands word it, if the file is none that a tab could begin with."""
    from simbank.desk.document import Document, refuse_empty

    text, _ = folder.load(name)
    refuse_empty(Document(text, Path(name)).data, name)


def _listen(port):
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        if os.name == "posix":
            listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind((ADDRESS, port))
        listening.listen(64)
    except (OSError, OverflowError) as error:
        listening.close()
        reason = getattr(error, "strerror", None) or str(error)
        raise InputError(
            f"cannot be listened on: {reason}; leave it out for one that is free", key="--port", value=port
        ) from None
    return listening


def _add_page(shared):
    """Make the page, one session for each tab that opens it."""
    from fastapi import Response
    from nicegui import app, ui

    from simbank.desk.kept import TAB
    from simbank.desk.page import build_page
    from simbank.desk.session import Session
    from simbank.page import view_sources

    script, style = view_sources()
    style += (resources.files("simbank.desk") / "look.css").read_text(encoding="utf-8")
    app.add_api_route("/view.js", lambda: Response(script, media_type="text/javascript"))

    @ui.page("/")
    def page():
        session = Session(shared)
        ui.add_css(style)
        ui.add_head_html('<script src="/view.js"></script>')
        build_page(session)
        client = ui.context.client
        client.on_delete(session.close)
        waits = len(shared.kept) > 0 or len(shared.sessions) > 1  # this may be a tab that comes back
        if not waits:
            _begin(session)

        async def connected():
            nonlocal waits
            try:
                tab = await client.run_javascript(f"window.deskLost = false; {TAB}", timeout=NAMED_S)
            except TimeoutError:
                tab = ""
            if not (tab and session.go_on(str(tab))) and waits:
                _begin(session)
            waits = False

        client.on_connect(connected)


def _begin(session):
    try:
        session.begin()
    except InputError as error:
        session.errors = [error]
        session.tell()


async def _watch(server, stay, grace_s):
    """End the server when its last tab has been closed for a while."""
    from nicegui import Client

    seen, alone_s, step_s = False, 0.0, min(1.0, grace_s / 4.0)
    while not stay:
        began = time.monotonic()
        await asyncio.sleep(step_s)
        if any(client.has_socket_connection for client in Client.instances.values()):
            seen, alone_s = True, 0.0
        else:  # a machine that slept meanwhile gives its tabs time to come back
            alone_s += min(time.monotonic() - began, 3.0 * step_s)
        if seen and alone_s > grace_s:
            server.should_exit = True
            return


async def _open(server, address):
    while not server.started:
        await asyncio.sleep(0.05)
    await asyncio.get_running_loop().run_in_executor(None, webbrowser.open, address)
