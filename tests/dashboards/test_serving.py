"""The server of the pages: it starts, ends, says why it cannot, and forgets its visitors."""

import gc
import socket
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager

import panel as pn
import pytest
from bokeh.util.token import generate_jwt_token
from speclake_dashboards.app import Pages, serve

from speclake.errors import SpeclakeError

PATIENCE_S = 20.0


def fetched(url: str) -> str:
    with urllib.request.urlopen(url, timeout=10) as answer:
        return answer.read().decode()


def test_pages_are_served_until_they_are_stopped_and_leave_no_thread(archive):
    before = set(threading.enumerate())
    pages = serve(archive, address="127.0.0.1", port=0)
    assert "measurements found" in fetched(pages.url)
    assert "measurements found" in fetched(f"{pages.url}search")
    assert "true" in fetched(f"{pages.url}liveness")
    assert not pages.wait(0.01)
    pages.stop()
    assert pages.wait(0.01)
    with pytest.raises(urllib.error.URLError):
        fetched(pages.url)
    assert set(threading.enumerate()) == before


def test_stopping_twice_is_no_error(archive):
    pages = serve(archive, address="127.0.0.1", port=0)
    pages.stop()
    pages.stop()


def test_a_taken_port_is_told_in_a_sentence(archive):
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(SpeclakeError, match=f"cannot be served on 127.0.0.1, port {port}: "):
            serve(archive, address="127.0.0.1", port=port)


def test_ctrl_c_stays_with_the_service(archive):
    import signal

    before = signal.getsignal(signal.SIGINT)
    pages = serve(archive, address="127.0.0.1", port=0)
    assert signal.getsignal(signal.SIGINT) is before
    pages.stop()


@pytest.mark.parametrize(
    ("origin", "answer"),
    [("http://elsewhere.example", b"403 Forbidden"), ("http://127.0.0.1:{port}", b"ACK")],
)
def test_only_the_own_pages_may_open_a_live_connection(pages, origin, answer):
    port = int(pages.url.rsplit(":", 1)[1].strip("/"))
    token = generate_jwt_token("visit")
    lines = (
        "GET /bench/ws HTTP/1.1", f"Host: 127.0.0.1:{port}", f"Origin: {origin.format(port=port)}",
        "Upgrade: websocket", "Connection: Upgrade", "Sec-WebSocket-Version: 13",
        "Sec-WebSocket-Key: c3BlY2xha2VzcGVjbGFrZQ==", f"Sec-WebSocket-Protocol: bokeh, {token}",
    )  # fmt: skip
    with socket.create_connection(("127.0.0.1", port), timeout=10) as connection:
        connection.sendall(("\r\n".join(lines) + "\r\n\r\n").encode())
        heard = b""
        while answer not in heard:
            part = connection.recv(4096)
            assert part, f"the connection ended after {heard!r}"
            heard += part


def test_visits_leave_nothing_behind_when_they_end(archive):
    key = archive.find(product="camera window", limit=1)["measurement_id"][0]
    many = "overlay?product=camera+window"
    chart = "chart?product=camera+window&spec=camera+window&requirement=mean&per=coating_run"
    pages = Pages(archive, "127.0.0.1", 0, unused_ms=300).start()
    try:
        before = live_objects()
        addresses = [many, chart, "bench", "intake", f"measurement?id={key}"] * 3
        with visits([pages.url + address for address in addresses]):
            assert live_objects() > before + len(addresses)
        deadline = time.monotonic() + PATIENCE_S
        while live_objects() > before and time.monotonic() < deadline:
            time.sleep(0.3)
        assert live_objects() <= before
    finally:
        pages.stop()


VISITOR = """
import sys
from urllib.parse import parse_qsl
import panel.models.layout, panel.models.markup
from bokeh.client import pull_session
visits = []
for url in sys.argv[1:]:
    route, _, query = url.partition("?")
    visits.append(pull_session(url=route, arguments=dict(parse_qsl(query))))
    assert visits[-1].document.roots
print("open", flush=True)
sys.stdin.readline()
for visit in visits:
    visit.close()
"""


@contextmanager
def visits(urls: list[str]) -> Iterator[None]:
    """Visits with live connections, as browsers have them, from a process of their own."""
    command = [sys.executable, "-W", "ignore", "-c", VISITOR, *urls]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as visitor:
        assert visitor.stdout is not None
        assert visitor.stdout.readline() == b"open\n"
        yield
        visitor.communicate(b"\n")
    assert visitor.returncode == 0


def live_objects() -> int:
    """How many Panel objects and Bokeh documents of visits there are on the server's side."""
    from bokeh.document import Document

    gc.collect()
    kinds = (pn.pane.HTML, pn.pane.Bokeh, pn.pane.HoloViews, pn.Template)
    return sum(
        isinstance(each, kinds) or (isinstance(each, Document) and each.session_context is not None)
        for each in gc.get_objects()
    )
