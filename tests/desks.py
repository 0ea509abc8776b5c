"""A desk that is open: its process, its address, and what tests do in its page."""

import contextlib
import http.client
import re
import signal
import subprocess
import sys
import time
from dataclasses import dataclass, field
from urllib.parse import parse_qs, urlsplit

PATIENCE_S = 240  # of a busy machine that compiles
IMPATIENT = (
    "import simbank.desk.server as server; server.BACK_S = {}; import runpy; runpy.run_module('simbank', run_name='__main__')"
)


@dataclass
class Desk:
    """A desk as a process, with the address that it printed."""

    process: subprocess.Popen
    address: str
    folder: object
    headers: dict = field(default_factory=dict)

    @property
    def port(self):
        return urlsplit(self.address).port

    @property
    def origin(self):
        return f"http://127.0.0.1:{self.port}"

    @property
    def token(self):
        return parse_qs(urlsplit(self.address).query)["token"][0]

    def ask(self, path, method="GET", cookie=True, **headers):
        """(status, headers, body) of a request; with the cookie that the token gives, unless told otherwise."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)
        sent = {name.replace("_", "-"): value for name, value in headers.items()}
        if cookie:
            sent["Cookie"] = f"simbank_desk_{self.port}={self.token}"
        try:
            connection.request(method, path, headers=sent)
            answer = connection.getresponse()
            return answer.status, dict(answer.getheaders()), answer.read().decode("utf-8", "replace")
        finally:
            connection.close()

    def processes(self):
        """Process ids of it and of all that it has started, and they; by the system's list."""
        return [self.process.pid, *_below(self.process.pid)]


def _below(parent):
    listed = subprocess.run(["ps", "-eo", "pid=,ppid="], capture_output=True, text=True, check=True).stdout
    pairs = [tuple(map(int, line.split())) for line in listed.splitlines()]
    found, new = [], [parent]
    while new:
        new = [pid for pid, of in pairs if of in new]
        found += new
    return found


def alive(pids):
    """Which of these processes still run."""
    listed = subprocess.run(["ps", "-o", "pid=,stat=", "-p", ",".join(map(str, pids))], capture_output=True, text=True).stdout
    return [int(line.split()[0]) for line in listed.splitlines() if not line.split()[1].startswith("Z")]


def ended(pids):
    """Whether all of these processes end, within as long as a busy machine needs."""
    until = time.monotonic() + PATIENCE_S
    while alive(pids) and time.monotonic() < until:
        time.sleep(0.1)
    return alive(pids) == []


@contextlib.contextmanager
def opened(folder, *words, back_s=None):
    """A desk in a folder, ended with Ctrl-C if it still runs.

    ``words``: of its command line; ``back_s``: how long a tab may be without its connection before its page is given up [s].
    """
    begin = ["-m", "simbank"] if back_s is None else ["-c", IMPATIENT.format(back_s)]
    process = subprocess.Popen(
        [sys.executable, *begin, "desk", *map(str, words), "--no-open"], cwd=folder, text=True, stdout=subprocess.PIPE,
        stderr=subprocess.PIPE, start_new_session=True,
    )  # fmt: skip
    try:
        line = process.stdout.readline().strip()
        assert re.fullmatch(r"http://127\.0\.0\.1:\d+/\?token=[\w-]{40,}", line), (
            line,
            process.poll() is not None and process.stderr.read(),
        )
        desk = Desk(process, line, folder)
        until = time.monotonic() + PATIENCE_S
        while True:
            try:
                desk.ask("/view.js")
                break
            except OSError:
                assert time.monotonic() < until
                time.sleep(0.05)
        yield desk
    finally:
        if process.poll() is None:
            process.send_signal(signal.SIGINT)
            try:
                process.wait(20)
            except subprocess.TimeoutExpired:
                process.kill()
        process.communicate()


# An operation that changes nothing is told to the desk, whose answers come in the order in which it was asked.
ANSWERED = """(patience_ms) => new Promise((done, fail) => {
  const sheet = getElement(document.querySelector(".sheet").id.slice(1)), end = performance.now() + patience_ms;
  const wait = () => {
    if (sheet.heard >= mine) sheet.$nextTick(done);
    else if (performance.now() > end) fail(new Error("the desk does not answer"));
    else setTimeout(wait, 10);
  };
  sheet.say({ op: "pause" });
  const mine = sheet.sent;
  wait();
})"""


def answered(page, timeout_s=PATIENCE_S):
    """Wait until the desk has answered everything that was done in the page until now, and the page shows it.

    What follows from an action at once is shown then; a run or a study that the action has begun may still be under way.
    """
    page.locator(".sheet").wait_for(timeout=timeout_s * 1000)
    page.evaluate(ANSWERED, timeout_s * 1000)


def settled(page, timeout_s=PATIENCE_S):
    """Wait until what is shown is of the forms as they are."""
    answered(page, timeout_s)
    page.wait_for_function(
        "document.getElementById('desk-state')?.textContent === 'Up to date with the forms.'", timeout=timeout_s * 1000
    )


def field_at(page, *place):
    """The field of a place of the file."""
    name = ".".join(("at", *map(str, place)))
    return page.locator(f'[id="{name}"]')


def type_in(page, text, *place):
    """Type a value into a field, as a person does, and leave it."""
    field = field_at(page, *place)
    field.fill(text)
    field.press("Tab")
