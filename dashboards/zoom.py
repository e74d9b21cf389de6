"""Drawing the visible part of a picture anew, with finer detail, after a visitor has zoomed."""

from collections.abc import Callable, Sequence
from typing import Any

from speclake_dashboards import crowd, curves
from speclake_dashboards.background import work_apart
from speclake_dashboards.density import DensityPicture

from speclake.spectrum import SpectrumSet

PAUSE_MS = 250
"""How long the view must rest before it is drawn anew."""


def follow_lines(figure: Any, sets: Sequence[SpectrumSet]) -> None:
    """Draw the lines of many spectra with the points of the stretch that is looked at."""

    def redraw() -> None:
        lines = figure.select_one({"name": "spectra"}).data_source
        xs, ys = curves.line_points(sets, *_view(figure)[:2])
        lines.data = {**lines.data, "xs": xs, "ys": ys}

    _after_zoom(figure, redraw)


def follow_density(figure: Any, kept: Sequence[SpectrumSet]) -> None:
    """Count the density anew over the part of the plane that is looked at."""

    def show(picture: DensityPicture | None) -> None:
        if picture is not None:
            image = figure.select_one({"name": "density"}).data_source
            image.data = curves.image_data(picture)

    def redraw() -> None:
        view = _view(figure)
        work_apart(figure.document, lambda: crowd.redrawn(kept, view), show)

    _after_zoom(figure, redraw)


def _view(figure: Any) -> tuple[float, float, float, float]:
    x, y = figure.x_range, figure.y_range
    start, stop = sorted((float(x.start), float(x.end)))
    low, high = sorted((float(y.start), float(y.end)))
    return start, stop, low, high


def _after_zoom(figure: Any, redraw: Callable[[], None]) -> None:
    waiting: list[Any] = []

    def ripe() -> None:
        waiting.clear()
        redraw()

    def changed(_attribute: str, _old: Any, _new: Any) -> None:
        if figure.document is not None and not waiting:
            waiting.append(figure.document.add_timeout_callback(ripe, PAUSE_MS))

    for side in (figure.x_range, figure.y_range):
        side.on_change("start", changed)
        side.on_change("end", changed)
