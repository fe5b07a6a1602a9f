"""A server for this machine alone: one address, with a key in it that nobody can guess.

Every request, pictures and scripts and the web socket included, must carry the key as
the first part of its path, name this server as its host, and, where a browser tells
where the request comes from, come from this server's own page. Anything else gets
403 before any other code sees it.
"""

from __future__ import annotations

import hmac
import logging
import secrets
import socket
import sys
import webbrowser
from collections.abc import Sequence
from functools import partial
from typing import Any, TextIO

from bokeh.application import Application
from bokeh.application.handlers.function import FunctionHandler
from bokeh.document import Document
from bokeh.server.server import BaseServer
from bokeh.server.tornado import BokehTornado
from bokeh.settings import settings
from tornado.httpserver import HTTPServer
from tornado.httputil import HTTPServerRequest
from tornado.ioloop import IOLoop
from tornado.routing import AnyMatches, Matcher, Rule, RuleRouter
from tornado.web import Application as WebApplication
from tornado.web import RequestHandler

from xrfmap.errors import XrfmapError
from xrfmap.explore.bench import Bench
from xrfmap.explore.subject import Subject

__all__ = ["ADDRESS", "Page", "serve"]

ADDRESS = "127.0.0.1"
MESSAGE_BYTES = 4 << 20  # from the browser: an outline of ten thousand corners takes 0.4 MB


class _WithKey(Matcher):
    """Lets requests through that carry the key and come from the page itself."""

    def __init__(self, key: str, port: int) -> None:
        self._key = key.encode()
        self._hosts = {f"{ADDRESS}:{port}"}

    def match(self, request: HTTPServerRequest) -> dict[str, Any] | None:
        first = (request.path or "").lstrip("/").split("/", 1)[0]
        good = hmac.compare_digest(first.encode(errors="replace"), self._key)
        # another host name that leads here would be an outside page in disguise
        good &= request.host in self._hosts
        origin = request.headers.get("Origin")
        good &= origin is None or origin in {f"http://{host}" for host in self._hosts}
        return {} if good else None


class _Refusal(RequestHandler):
    """Says no to everything."""

    def prepare(self) -> None:
        self.set_status(403)
        self.set_header("Content-Type", "text/plain; charset=utf-8")
        self.finish("403: the whole address that `xrfmap explore` printed is needed\n")


class _Quiet(WebApplication):
    """Refusals are no news."""

    def log_request(self, handler: RequestHandler) -> None:
        """Log nothing."""


class Page:
    """The running server of one subject.

    Parameters
    ----------
    subject : Subject
        Study or scan.
    port : int
        Port; 0 for any free one.

    Attributes
    ----------
    address : str
        What a browser must open, key included.
    benches : list of Bench
        One per scan.

    Raises
    ------
    InputError
        If a scan cannot be used.
    XrfmapError
        If the port is taken.
    """

    def __init__(self, subject: Subject, port: int = 0) -> None:
        logging.getLogger("bokeh").setLevel(logging.ERROR)  # a closed page is no news
        settings.resources.set_value("server")  # never a network of others
        settings.allowed_ws_origin.unset_value()
        listening = _listen(port)
        self.port = int(listening.getsockname()[1])
        try:
            self.benches = [Bench(source) for source in subject.scans]
        except BaseException:
            listening.close()
            raise
        key = secrets.token_urlsafe(24)
        self.address = f"http://{ADDRESS}:{self.port}/{key}/"
        applications = _applications(subject, self.benches, key)
        bokeh = BokehTornado(
            applications,
            prefix=f"/{key}",
            extra_websocket_origins=[f"{ADDRESS}:{self.port}"],
            use_index=False,
            redirect_root=False,
            websocket_max_message_size_bytes=MESSAGE_BYTES,
            include_headers=[],
            include_cookies=[],
        )
        refusal = _Quiet([(r".*", _Refusal)])
        router = RuleRouter([Rule(_WithKey(key, self.port), bokeh), Rule(AnyMatches(), refusal)])
        http = HTTPServer(router, max_body_size=1 << 20)
        http.add_sockets([listening])
        self._server = BaseServer(IOLoop.current(), bokeh, http)

    def start(self) -> None:
        """Begin to answer, and to work on what is not known yet."""
        self._server.start()
        for bench in self.benches:
            bench.start()

    def run(self) -> None:
        """Answer until interrupted."""
        try:
            self._server.io_loop.start()
        finally:
            self.stop()

    def stop(self) -> None:
        """End all work."""
        for bench in self.benches:
            bench.stop()


def _listen(port: int) -> socket.socket:
    """Listen on this machine's own address and no other."""
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        if sys.platform != "win32":  # there it would let another program take the port over
            listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.setblocking(False)
        listening.bind((ADDRESS, port))
        listening.listen(128)
    except OSError as bad:
        listening.close()
        reason = bad.strerror or str(bad)
        raise XrfmapError(f"port {port}: {reason}; choose another with --port") from None
    return listening


def _applications(subject: Subject, benches: Sequence[Bench], key: str) -> dict[str, Application]:
    """One page for each scan; the first has the plain address."""
    from xrfmap.explore.page import fill_document

    links = [
        (bench.source.name, f"/{key}/" if number == 0 else f"/{key}/scan-{number + 1}")
        for number, bench in enumerate(benches)
    ]

    def fill(number: int, doc: Document) -> None:
        fill_document(doc, subject, benches[number], links)

    return {
        "/" if number == 0 else f"/scan-{number + 1}": Application(
            FunctionHandler(partial(fill, number))
        )
        for number in range(len(benches))
    }


def serve(
    subject: Subject,
    *,
    port: int = 0,
    open_browser: bool = False,
    news: TextIO | None = None,
) -> None:
    """Serve the page until interrupted, and tell its address.

    Parameters
    ----------
    subject : Subject
        Study or scan.
    port : int
        Port; 0 for any free one.
    open_browser : bool
        Open the address in the web browser.
    news : TextIO, optional
        Where the address is told; standard output by default.
    """
    out = news or sys.stdout
    page = Page(subject, port)
    page.start()
    out.write(f"{page.address}\n")
    out.flush()
    if open_browser:
        webbrowser.open(page.address)
    page.run()
