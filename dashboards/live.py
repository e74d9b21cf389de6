"""Parts of a page that renew themselves while it is open."""

from collections.abc import Callable
from typing import Any

from markupsafe import Markup
from speclake_dashboards.border import caught
from speclake_dashboards.theme import live_text


def renewed(text: Callable[[], Markup], period_ms: int) -> Any:
    """Panel object that shows a text and asks for it again every so often.

    Only a changed text is sent to the browser. The asking ends with the visit.
    """
    import panel as pn

    pane = live_text(caught(text, _as_is))

    def renew() -> None:
        now = caught(text, _as_is)
        if now != pane.object:
            pane.object = now

    pn.state.onload(lambda: _start(renew, period_ms))
    return pane


def _start(renew: Callable[[], None], period_ms: int) -> None:
    import panel as pn

    pn.state.add_periodic_callback(renew, period=period_ms)


def _as_is(message: Markup) -> Markup:
    return message
