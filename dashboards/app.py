"""Serving the pages: the routes, the border at which an error becomes a sentence, the server."""

import socket
import threading
import webbrowser
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from markupsafe import Markup
from speclake_dashboards import (
    bench,
    chart,
    compare,
    instruments,
    intake,
    lookback,
    lot,
    measurement,
    mend,
    overlay,
    search,
    specs,
)
from speclake_dashboards.address import Address
from speclake_dashboards.border import caught
from speclake_dashboards.theme import PAGES, View, framed

from speclake.errors import SpeclakeError

if TYPE_CHECKING:
    from speclake.api import Archive

Page = Callable[["Archive", Address], View]

ROUTES: dict[str, Page] = {
    "search": search.page,
    "overlay": overlay.page,
    "lot": lot.page,
    "chart": chart.page,
    "bench": bench.page,
    "instruments": instruments.page,
    "specs": specs.page,
    "intake": intake.page,
    "mend": mend.page,
    "look-back": lookback.page,
    "compare": compare.page,
    "measurement": measurement.page,
}
BESIDE = {"look-back": "Looking back", "compare": "Two instruments compared"}
"""Pages that are reached from that of instruments, and their names."""
UNUSED_MS = 15_000
"""How long the state of a visit is kept after its connection is gone."""
START_S = 30.0


def view_of(
    archive: "Archive", route: str, arguments: dict[str, list[bytes]], *, is_local: bool = False
) -> View:
    """View of a page; what stands in its way becomes a sentence in its place.

    Parameters
    ----------
    is_local : whether the pages are served to this machine alone.
    """

    def failed(message: Markup) -> View:
        name = PAGES.get(route) or BESIDE.get(route, "Measurement")
        return View(name, (message, way_back(route)), "instruments" if route in BESIDE else route)

    def drawn() -> View:
        return ROUTES[route](archive, Address.from_request(arguments, is_local=is_local))

    return caught(drawn, failed)


def way_back(route: str) -> Markup:
    """Where a visitor may go from a page that failed."""
    if route not in BESIDE:
        return Markup("")
    again = Markup(' <a href="compare">Compare others</a>') if route == "compare" else ""
    return Markup('<p><a href="instruments">To the instruments</a>{}</p>').format(again)


class Pages:
    """The running server of the pages, in a thread of its own.

    Parameters
    ----------
    archive : what the pages show.
    address, port : where to listen; port 0 takes a free one.
    unused_ms : how long the state of a visit is kept after its connection is gone.
    """

    def __init__(
        self, archive: "Archive", address: str, port: int, *, unused_ms: int = UNUSED_MS
    ) -> None:
        self._archive, self._address, self._port = archive, address, port
        self._unused_ms = unused_ms
        self._started, self._ended = threading.Event(), threading.Event()
        self._failure: BaseException | None = None
        self._loop: Any = None
        # the thread matters: in the main thread Panel would take Ctrl+C away from the service
        self._thread = threading.Thread(target=self._run, name="speclake pages", daemon=True)

    @property
    def url(self) -> str:
        """Address of the first page, for a browser on this machine."""
        host = "127.0.0.1" if self._address in EVERYWHERE else self._address
        return f"http://[{host}]:{self._port}/" if ":" in host else f"http://{host}:{self._port}/"

    def start(self) -> "Pages":
        """These pages, being served.

        Raises
        ------
        speclake.errors.SpeclakeError
            Address and port cannot be had.
        """
        self._thread.start()
        self._started.wait(START_S)
        if self._failure is not None:
            raise SpeclakeError(
                f"The pages cannot be served on {self._address}, port {self._port}: "
                f"{self._failure}. Choose another address or port in [pages] of the settings."
            ) from self._failure
        return self

    def wait(self, timeout_s: float | None = None) -> bool:
        """Whether the pages have stopped, once they have or the time is over."""
        return self._ended.wait(timeout_s)

    def stop(self) -> None:
        """Stop serving and wait for the thread to end."""
        if self._loop is not None and not self._ended.is_set():
            self._loop.add_callback(self._loop.stop)
        self._thread.join(START_S)

    def _run(self) -> None:
        from tornado.ioloop import IOLoop

        loop = IOLoop(make_current=False)
        server = None
        try:
            server = self._server(loop)
            server.start()
            self._loop = loop
            loop.add_callback(self._started.set)
            loop.start()
        except Exception as error:  # noqa: BLE001  # start() tells it where somebody can hear it
            self._failure = error
        finally:
            try:
                _end(server, loop)
            finally:
                self._started.set()
                self._ended.set()

    def _server(self, loop: Any) -> Any:
        import holoviews as hv
        import panel as pn

        hv.extension("bokeh", logo=False)
        self._port = _free_port(self._address, self._port)
        pages: dict[str, Any] = {f"/{route}": self._page(route) for route in ROUTES}
        return pn.io.server.get_server(
            pages | {"/": self._page("search")},
            address=self._address or None,
            port=self._port,
            loop=loop,
            websocket_origin=[f"{host}:{self._port}" for host in self._hosts()],
            liveness=True,
            check_unused_sessions_milliseconds=max(self._unused_ms // 3, 100),
            unused_session_lifetime_milliseconds=self._unused_ms,
        )

    def _page(self, route: str) -> Callable[[], Any]:
        def build() -> Any:
            import panel as pn
            from panel.io.resources import LOCAL_DIST

            # said before anything is drawn: a visit whose state was made anew, after a slow
            # connection or a pause, would else ask another host for its style sheets
            document: Any = pn.state.curdoc
            document.template_variables["dist_url"] = LOCAL_DIST
            settings = self._archive.settings
            is_local = self._address in LOOPBACK
            view = view_of(self._archive, route, pn.state.session_args, is_local=is_local)
            return framed(view, settings.name, invented=settings.invented)

        return build

    def _hosts(self) -> list[str]:
        """Names under which a browser may reach the pages; another name gets no live page."""
        if self._address in EVERYWHERE:
            return [*LOCAL, socket.gethostname(), socket.getfqdn(), *_own_addresses()]
        return [*LOCAL, self._address]


EVERYWHERE = ("0.0.0.0", "::", "")
LOCAL = ("127.0.0.1", "localhost")
LOOPBACK = (*LOCAL, "::1")


def _end(server: Any, loop: Any) -> None:
    if server is not None:
        server.stop(wait=False)
    loop.run_sync(loop.asyncio_loop.shutdown_default_executor)
    loop.close(all_fds=True)


def _free_port(address: str, port: int) -> int:
    """The port asked for, or a free one for 0; an OSError tells why it cannot be had."""
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    with socket.create_server((address, port), family=family) as listening:
        return int(listening.getsockname()[1])


def _own_addresses() -> list[str]:
    try:
        return sorted(
            {str(found[4][0]) for found in socket.getaddrinfo(socket.gethostname(), None)}
        )
    except OSError:  # a machine that does not know its own name is reached by address alone
        return []


def serve(archive: "Archive", *, address: str, port: int, show: bool = False) -> Pages:
    """Pages of an archive, served in a thread until `Pages.stop`.

    Parameters
    ----------
    address, port : where to listen; port 0 takes a free one.
    show : open the first page in the browser of this machine.

    Raises
    ------
    speclake.errors.SpeclakeError
        Address and port cannot be had.
    """
    pages = Pages(archive, address, port).start()
    if show:
        webbrowser.open(pages.url)
    return pages
