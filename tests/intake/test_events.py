"""An observer of events that cannot start costs little, and is told to a person."""

from pathlib import Path

import pytest
from watchdog.observers import Observer

from speclake.intake.events import REST_S, Hints


def test_observer_that_cannot_start_is_left_alone_for_a_while(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    starts: list[float] = []
    now = [0.0]

    def refuse(_: object) -> None:
        starts.append(now[0])
        raise OSError(28, "no watches are left")

    monkeypatch.setattr(Observer, "start", refuse)
    hints = Hints(tmp_path, lambda _: None, clock=lambda: now[0])
    for tenth in range(int(10 * REST_S) + 2):
        now[0] = tenth / 10
        hints.keep_alive()
    assert starts == [0.0, REST_S]
    assert "no watches are left; rescans find the files" in hints.trouble
    monkeypatch.undo()
    now[0] = 3 * REST_S
    try:
        hints.keep_alive()
        assert hints.trouble == ""
    finally:
        hints.stop()
