"""What holds for every test: no thread outlives it, and nothing leaves the machine."""

import ipaddress
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

from tests.labs import failed_lot

# A busy machine must not fail a test; the time limit for each is in pyproject.toml.
settings.register_profile("speclake", deadline=None)
settings.load_profile("speclake")

_PATIENCE_S = 5.0


@pytest.fixture(scope="session")
def lot(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Archive with a lot of which two parts failed; not to be changed."""
    return failed_lot(tmp_path_factory.mktemp("lot"))


@pytest.fixture(autouse=True)
def no_thread_is_left() -> Iterator[None]:
    """Fail a test that leaves a thread running that it started."""
    before = set(threading.enumerate())
    yield
    until = time.monotonic() + _PATIENCE_S
    while left := [t for t in threading.enumerate() if t not in before and _counts(t)]:
        if time.monotonic() > until:
            pytest.fail(f"threads were left running: {', '.join(t.name for t in left)}")
        time.sleep(0.01)


def _counts(thread: threading.Thread) -> bool:
    """Whether a thread is one to ask after: not the idle helpers of a server's event loop.

    The page server lets its loop go without telling their executor; they end with the process.
    """
    return thread.is_alive() and not thread.name.startswith("asyncio_")


@pytest.fixture(autouse=True)
def no_network(monkeypatch: pytest.MonkeyPatch) -> None:
    """Refuse every connection to another machine."""
    connect = socket.socket.connect

    def guarded(self: socket.socket, address: Any) -> None:
        is_inet = self.family in (socket.AF_INET, socket.AF_INET6)
        if is_inet and not _is_local(address[0]):
            raise OSError(f"a test tried to reach {address[0]}; tests stay on this machine")
        connect(self, address)

    monkeypatch.setattr(socket.socket, "connect", guarded)


def _is_local(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False
