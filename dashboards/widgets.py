"""Widgets in the look of the pages, and how live parts are laid out."""

from collections.abc import Sequence
from typing import Any

from markupsafe import Markup
from speclake_dashboards import theme

WIDGETS = """
:host { --design-primary-color: #0a6a66; font-size: 1rem; }
.bk-input, .bk-btn, label { font-family: system-ui, "Segoe UI", "Noto Sans", "Liberation Sans",
  sans-serif; }
.bk-input { font-size: 1rem; color: #1b2530; background: #ffffff; border: 1px solid #aab3bc;
  border-radius: 7px; min-height: 42px; }
textarea.bk-input { font: .92rem/1.45 ui-monospace, "Noto Sans Mono", "Liberation Mono", monospace;
  white-space: pre; overflow: auto; resize: vertical; }
label { color: #56616e; font-size: .9rem; white-space: normal; overflow-wrap: anywhere; }
:host(.solid) .bk-btn.bk-btn-default { font-size: 1rem; min-height: 42px; border-radius: 7px;
  white-space: normal; background: #0a6a66; border: 1px solid #0a6a66; color: #ffffff; }
:host(.solid) .bk-btn.bk-btn-default[disabled] { background: #eceff1;
  border-color: #d9dee3; color: #56616e; opacity: 1; }
:focus-visible { outline: 3px solid #0a6a66; outline-offset: 2px; }
input[type=checkbox] { width: 20px; height: 20px; accent-color: #0a6a66; }
"""


def widget(kind: Any, **facts: Any) -> Any:
    """Widget in the look of the pages."""
    given = {"sizing_mode": "stretch_width", "margin": (4, 0)}
    return kind(**(given | facts), stylesheets=[WIDGETS])


def column(*parts: Any) -> Any:
    """Live parts below one another."""
    import panel as pn

    return pn.Column(*parts, sizing_mode="stretch_width", margin=0)


def panel(title: str, parts: Sequence[Any]) -> Any:
    """Panel with a heading, in the look of the pages, around live parts."""
    whole = column(theme.live_text(Markup("<h2>{}</h2>").format(title)), *parts)
    whole.styles = {
        "background": theme.PAPER,
        "border": f"1px solid {theme.RULE}",
        "border-radius": "13px",
        "padding": "0 20px 18px",
        "margin": "0 0 19px",
        "min-width": "0",
    }
    return whole


def side_by_side(parts: Sequence[Any], width: str) -> Any:
    """Parts beside one another where there is room, and below one another where there is not."""
    import panel as pn

    for part in parts:
        part.styles = {**part.styles, "flex": f"1 1 min({width}, 100%)", "min-width": "0"}
    row = pn.Row(*parts, sizing_mode="stretch_width", margin=0)
    row.styles = {"flex-wrap": "wrap", "gap": "0 1.2rem", "align-items": "flex-start"}
    return row
