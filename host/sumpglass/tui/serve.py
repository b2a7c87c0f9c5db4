"""The dashboard on a second screen, a phone in the engine bay: a small web server on a thread of its own.

A key opens it once: whoever comes first with it gets a cookie, and a new key is made. Watching only, unless marks were
allowed. The web page's screens are processes of their own that follow the first one's relay.
"""

from __future__ import annotations

import asyncio
import hmac
import secrets
import shlex
import sys
import threading
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

from sumpglass.errors import DeviceError, InputError

COOKIE = "sumpglass"
COLUMNS = 62
FONT_SIZE = 16
LOOPBACK = ("127.0.0.1", "localhost", "::1")
START_PATIENCE_S = 5.0


class SecondScreen:
    """`start` raises; `url` is what to open on the other device, with the key that holds now."""

    def __init__(self, host: str, port: int, relay_path: str, marks_allowed: bool = False) -> None:
        self.host, self.port = host, port
        words = [sys.executable, "-m", "sumpglass", "watch", "--follow", relay_path]
        self._command = shlex.join([*words, "--serve-marks"] if marks_allowed else words)
        self._key = secrets.token_urlsafe(9)
        self._cookies: set[str] = set()
        self._started = threading.Event()
        self._error: OSError | None = None
        self._loop: asyncio.AbstractEventLoop | None = None

    @property
    def url(self) -> str:
        """The address with the key of the moment."""
        host = own_address() if self.host in ("0.0.0.0", "::") else self.host
        return f"http://{f'[{host}]' if ':' in host else host}:{self.port}/?key={self._key}"

    def start(self) -> SecondScreen:
        """Listen. Raises DeviceError if the address is taken, InputError if textual-serve is not installed."""
        try:
            import textual_serve.server  # noqa: F401
        except ImportError:
            raise InputError("--serve needs textual-serve: install it with `pip install 'sumpglass[serve]'`") from None
        threading.Thread(target=self._run, name="second screen", daemon=True).start()
        if not self._started.wait(START_PATIENCE_S):
            raise DeviceError("the second screen's server does not start: watch without --serve")
        if self._error is not None:
            raise DeviceError(
                f"{self.host}:{self.port} cannot be listened on ({self._error.strerror}): choose another with --serve"
            )
        return self

    def stop(self) -> None:
        """Stop listening."""
        loop = self._loop
        if loop is not None and loop.is_running():
            loop.call_soon_threadsafe(loop.stop)

    def _run(self) -> None:
        from aiohttp import web

        loop = self._loop = asyncio.new_event_loop()
        asyncio.set_event_loop(loop)
        try:
            runner = web.AppRunner(loop.run_until_complete(self._application()), access_log=None)
            loop.run_until_complete(runner.setup())
            loop.run_until_complete(web.TCPSite(runner, self.host, self.port).start())
        except OSError as error:
            self._error = error
            self._started.set()
            return
        self._started.set()
        loop.run_forever()
        loop.run_until_complete(runner.cleanup())

    async def _application(self) -> Any:
        from aiohttp import web
        from textual_serve.server import Server

        outer = self

        class Page(Server):
            """The library's server with our page, no banner, and addresses as the visitor sees them."""

            async def on_startup(self, app: web.Application) -> None:
                """Silent: the first screen has the terminal."""

            async def handle_index(self, request: web.Request) -> web.Response:
                """Our page; the key in the address is exchanged for a cookie first."""
                return await outer.page(request)

            async def handle_download(self, request: web.Request) -> web.StreamResponse:
                """Nothing is offered."""
                raise web.HTTPNotFound

        templates = str(Path(__file__).parent / "served")
        page = Page(self._command, self.host, self.port, "sumpglass", templates_path=templates)
        app = await page._make_app()

        @web.middleware
        async def guard(request: web.Request, handler: Callable[[Any], Awaitable[Any]]) -> Any:
            return await outer._guard(request, handler)

        app.middlewares.append(guard)
        return app

    async def _guard(self, request: Any, handler: Callable[[Any], Awaitable[Any]]) -> Any:
        """Only with the cookie, only from our own page; the front door also takes the key."""
        from aiohttp import web

        origin = request.headers.get("Origin")
        if origin is not None and origin.split("//")[-1] != request.host:
            raise web.HTTPForbidden(text="this page does not belong to the screen that it asks for")
        known = request.cookies.get(COOKIE, "") in self._cookies
        if not known and request.path != "/":
            raise web.HTTPForbidden(text="open the address with the key first")
        response = await handler(request)
        if not response.prepared:
            response.headers["Cache-Control"] = "no-store"
            response.headers["Referrer-Policy"] = "no-referrer"
            response.headers["X-Frame-Options"] = "DENY"
        return response

    async def page(self, request: Any) -> Any:
        """The page for a known visitor; a cookie for one with the key; a refusal for anyone else."""
        import aiohttp_jinja2
        from aiohttp import web

        if request.cookies.get(COOKIE, "") not in self._cookies:
            if not hmac.compare_digest(request.query.get("key", "").encode(), self._key.encode()):
                raise web.HTTPForbidden(text="this key is not (or no longer) the right one: the first screen shows it")
            cookie = secrets.token_urlsafe(24)
            self._cookies.add(cookie)
            self._key = secrets.token_urlsafe(9)
            answer = web.Response(status=303, headers={"Location": "/"})
            answer.set_cookie(COOKIE, cookie, httponly=True, samesite="Strict")
            return answer
        context = {
            "font_size": FONT_SIZE,
            "columns": COLUMNS,
            "app_websocket_url": f"ws://{request.host}/ws",
            "config": {"static": {"url": "/static/"}},
            "application": {"name": "sumpglass"},
        }
        return aiohttp_jinja2.render_template("app_index.html", request, context)


def own_address() -> str:
    """This computer's address in its network, as far as it can be told without asking anyone."""
    import socket

    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            # No packet is sent: this only asks the routing table which address would be used.
            probe.connect(("192.0.2.1", 9))
            return str(probe.getsockname()[0])
        except OSError:
            return "127.0.0.1"
