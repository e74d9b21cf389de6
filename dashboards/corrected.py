"""Corrected spectra of a measurement: listed with their marks, drawn beside what was measured."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from speclake_dashboards import curves, theme
from speclake_dashboards.matching import Matched, in_units, units_of
from speclake_dashboards.theme import render

if TYPE_CHECKING:
    from speclake.api import Archive
    from speclake.spectrum import SpectrumSet

MOST_DRAWN = curves.MOST_CURVES - 1
MEASURED = "as measured"


def pieces(archive: "Archive", measurement_id: str) -> list[Any]:
    """List and picture of the corrected spectra of a measurement; nothing where there are none.

    A correction that had been made before is told once, though it may have been asked for again.
    """
    made = {each.derived_id: each for each in archive.corrections([measurement_id])}
    if not made:
        return []
    measured = archive.spectra([measurement_id])
    drawn = [*measured, *archive.derived(list(made)[:MOST_DRAWN])] if measured else []
    matched = in_units(drawn, units_of(measured)) if measured else Matched(())
    keys = [key for each in matched.sets for key in each.keys]
    looks = {key: curves.stroke_of(index) for index, key in enumerate(keys)}
    text = render(
        "measurement_corrected.html",
        measured=looks.get(measurement_id),
        corrections=[(looks.get(name), each.mark, name) for name, each in made.items()],
        remarks=matched.remarks,
    )
    return [text, *([theme.live_picture(_picture(matched.sets))] if matched.sets else [])]


def _picture(sets: "Sequence[SpectrumSet]") -> Any:
    """Bokeh figure of what was measured and what was made of it; no line leads anywhere."""
    shown = curves.frame(curves.span_of(sets), units_of(sets))
    rows = [(each.axis.values, values) for each in sets for values in each.values]
    for index, (positions, values) in enumerate(rows):
        colour, stroke = curves.stroke_of(index)
        name = "corrected" if index else MEASURED
        shown.line(
            positions, values, line_color=colour, line_dash=stroke, line_width=1.7, name=name
        )
    return shown
