"""Who may ask the desk for anything: this machine's browser with the token, from the desk's own pages."""

from __future__ import annotations

import secrets
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qs, quote, urlencode

__all__ = ["Guard"]

HEADERS = {
    # the framework compiles its templates and runs what its server sends, so scripts need 'unsafe-eval'; all of them come from here
    "content-security-policy": "default-src 'none'; script-src 'self' 'unsafe-inline' 'unsafe-eval'; style-src 'self' 'unsafe-inline'; "
    "img-src 'self' data: blob:; font-src 'self' data:; connect-src 'self'; frame-src 'self' blob:; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'self'",
    "x-content-type-options": "nosniff",
    "x-frame-options": "SAMEORIGIN",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
}


class Guard:
    """An ASGI application around another one, which lets through only what has the token and comes from the desk's own pages.

    Parameters
    ----------
    app : callable
        The application.
    token : str
        Asked for in the address (``?token=``) once, then in a cookie that scripts cannot read and other sites do not send.
    port : int
        On which the desk listens; other hosts and origins than 127.0.0.1 and localhost with it are refused.
    """

    def __init__(self, app, token: str, port: int):
        self.app, self._token, self._port = app, token, port
        self._hosts = {f"{name}:{port}" for name in ("127.0.0.1", "localhost")}
        if port == 80:
            self._hosts |= {"127.0.0.1", "localhost"}
        self.cookie = f"simbank_desk_{port}"

    async def __call__(self, scope, receive, send):
        """Answer, hand on, or refuse."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        headers = [(name.decode("latin-1").lower(), value.decode("latin-1")) for name, value in scope["headers"]]
        problem = self._foreign(headers)
        if problem:
            await _refuse(scope, send, problem)
            return
        given = parse_qs(scope["query_string"].decode("latin-1"), keep_blank_values=True)
        by_address = any(self._is_token(text) for text in given.get("token", []))
        if not by_address and not any(self._is_token(text) for text in self._cookies(headers)):
            await _refuse(scope, send, "open the address that simbank desk printed, with its token")
            return
        if (
            by_address and scope["type"] == "http" and scope["method"] == "GET"
        ):  # the token leaves the address bar and the history
            rest = urlencode({key: value for key, value in given.items() if key != "token"}, doseq=True)
            place = "/" + quote(scope["path"].lstrip("/")) + (f"?{rest}" if rest else "")  # of this desk, whatever it says
            cookie = f"{self.cookie}={self._token}; Path=/; HttpOnly; SameSite=Strict"
            await _answer(send, 303, "", [("location", place), ("set-cookie", cookie), ("cache-control", "no-store")])
            return
        await self.app(scope, receive, _with_headers(send) if scope["type"] == "http" else send)

    def _foreign(self, headers):
        """What is wrong with where a request comes from, "" if nothing is."""
        hosts = [value for name, value in headers if name == "host"]
        if len(hosts) != 1 or hosts[0].lower() not in self._hosts:  # a name that was made to lead here, of another site
            return "this host is not served"
        for name, value in headers:
            if name == "origin" and value.lower() not in {f"http://{host}" for host in self._hosts}:
                return "requests of other sites are refused"
            if name == "sec-fetch-site" and value not in ("same-origin", "none"):
                return "requests of other sites are refused"
        return ""

    def _is_token(self, text):
        return secrets.compare_digest(text.encode(), self._token.encode())

    def _cookies(self, headers):
        for name, value in headers:
            if name == "cookie":
                try:
                    jar = SimpleCookie(value)
                except CookieError:
                    continue
                if self.cookie in jar:
                    yield jar[self.cookie].value


def _with_headers(send):
    async def sent(message):
        if message["type"] == "http.response.start":
            named = {name.lower() for name, _ in message["headers"]}
            more = dict(HEADERS)
            if b"cache-control" not in named:
                more["cache-control"] = "no-store"
            message = message | {
                "headers": [*message["headers"], *((name.encode(), value.encode()) for name, value in more.items())]
            }
        await send(message)

    return sent


async def _refuse(scope, send, problem):
    if scope["type"] == "websocket":
        await send({"type": "websocket.close", "code": 1008, "reason": problem})
    else:
        await _answer(send, 403, f"refused: {problem}\n", [("content-type", "text/plain; charset=utf-8")])


async def _answer(send, status, text, headers):
    named = [*headers, *HEADERS.items()]
    await send(
        {"type": "http.response.start", "status": status, "headers": [(name.encode(), value.encode()) for name, value in named]}
    )
    await send({"type": "http.response.body", "body": text.encode()})
