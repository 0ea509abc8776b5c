"""Where the desk's guard sends whoever brings the token: to a plain path of the desk, whatever was asked for."""

import asyncio

import pytest

from simbank.desk.guard import Guard


def answered(path):
    sent = []

    async def send(message):
        sent.append(message)

    scope = {
        "type": "http",
        "method": "GET",
        "path": path,
        "query_string": b"token=right",
        "headers": [(b"host", b"127.0.0.1:1")],
    }
    asyncio.run(Guard(None, "right", 1)(scope, None, send))
    return sent[0]["status"], dict(sent[0]["headers"])[b"location"].decode()


@pytest.mark.parametrize(
    ("path", "place"),
    [
        ("/", "/"), ("//evil.example", "/evil.example"), ("/\r\nX:1/", "/%0D%0AX%3A1/"), ("/\\evil.example", "/%5Cevil.example"),
        ("///", "/"), ("/é", "/%C3%A9"),
    ],
)  # fmt: skip
def test_the_token_leads_to_a_plain_path_of_the_desk(path, place):
    assert answered(path) == (303, place)
