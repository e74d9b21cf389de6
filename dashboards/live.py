"""Parts of a page that renew themselves while it is open."""

import threading
from collections.abc import Callable, Hashable
from typing import TYPE_CHECKING, Any, TypeVar
from weakref import WeakKeyDictionary

from markupsafe import Markup
from speclake_dashboards.border import caught
from speclake_dashboards.theme import live_text

if TYPE_CHECKING:
    from speclake.api import Archive

Result = TypeVar("Result")


def renewed(text: Callable[[], Markup], period_ms: int) -> Any:
    """Panel object that shows a text and asks for it again every so often.

    Only a changed text is sent to the browser. The asking ends with the visit.
    """
    import panel as pn

    pane = live_text(caught(text, _as_is))

    def renew() -> None:
        now = str(caught(text, _as_is))
        if now != pane.object:
            pane.object = now

    def start() -> None:
        pn.state.add_periodic_callback(renew, period=period_ms)

    if pn.state.curdoc is not None:  # without a visit there is nobody to renew it for
        pn.state.onload(start)
    return pane


def _as_is(message: Markup) -> Markup:
    return message


class _Kept:
    """Answers as of a commit, for all who look at the same archive."""

    def __init__(self) -> None:
        self.lock = threading.RLock()  # an answer may ask for another
        self.answers: dict[Hashable, tuple[int, Any]] = {}


_KEPT: "WeakKeyDictionary[Archive, _Kept]" = WeakKeyDictionary()
MOST_ANSWERS = 64


def as_of_now(archive: "Archive", question: Hashable, answer: Callable[[], Result]) -> Result:
    """Answer to a question, asked once for each commit however many visitors look every second.

    Parameters
    ----------
    question : what tells the question from others on the same archive.
    answer : its answer must depend on nothing but what is committed.
    """
    archive.refresh()
    number = archive.store.catalog.number
    kept = _KEPT.setdefault(archive, _Kept())
    with kept.lock:
        held = kept.answers.get(question)
        if held is None or held[0] != number:
            if len(kept.answers) >= MOST_ANSWERS:
                kept.answers.clear()
            held = (number, answer())
            kept.answers[question] = held
    found: Result = held[1]
    return found
