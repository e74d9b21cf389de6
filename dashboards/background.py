"""Long work of a page in a thread, so that it holds up no other visitor."""

import threading
from collections.abc import Callable
from typing import Any, TypeVar

Result = TypeVar("Result")

_TURNS = threading.BoundedSemaphore(2)
"""How many such works run at once: each may hold some hundred megabytes."""


def work_apart(document: Any, work: Callable[[], Result], show: Callable[[Result], None]) -> None:
    """Start a work in a thread, and show its result in the document if that is still open.

    Parameters
    ----------
    document : Bokeh document of the visit.
    work : must touch nothing of the document and must not raise.
    show : called while nobody else changes the document.
    """

    def run() -> None:
        with _TURNS:
            if not _is_open(document):
                return
            result = work()
        if _is_open(document):
            document.add_next_tick_callback(lambda: show(result))

    threading.Thread(target=run, name="speclake picture", daemon=True).start()


def _is_open(document: Any) -> bool:
    context = document.session_context
    return context is not None and not context.destroyed
