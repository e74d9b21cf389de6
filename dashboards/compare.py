"""Two instruments on the same pieces: by how much they differ, wavelength by wavelength."""

from typing import TYPE_CHECKING, Any

import numpy as np
from speclake_dashboards import agreement_picture, theme
from speclake_dashboards.address import Address, link
from speclake_dashboards.matching import Units
from speclake_dashboards.theme import View, number, render

from speclake.fitness.comparing import share_within

if TYPE_CHECKING:
    from speclake.api import Archive
    from speclake.api.comparing import Comparison

NARROWED_BY = ("product", "lot", "serial", "sample", "quantity", "kind")
LISTED = 12
"""Places of the axis in the table."""
MOST_PIECES = 50


def page(archive: "Archive", address: Address) -> View:
    """The comparison of two instruments, or the form that asks for it."""
    address.only({"first", "second", "since", "until", *NARROWED_BY})
    archive.refresh()
    zone = archive.settings.zone
    first, second = address.text("first"), address.text("second")
    names = sorted(str(each) for each in archive.facets("instrument")["value"] if each)
    form = render(
        "compare_form.html",
        instruments=names,
        entries={
            name: address.text(name) for name in ("first", "second", "since", "until", *NARROWED_BY)
        },
    )
    if first is None or second is None:
        return View("Two instruments compared", (form,), "instruments")
    found = archive.compare_instruments(
        first,
        second,
        since=address.moment("since", zone),
        until=address.moment("until", zone, end_of_day=True),
        **address.entries(NARROWED_BY),
    )
    units = Units(found.axis.unit, found.axis.medium, found.unit)
    picture = agreement_picture.picture(found.axis.values, found.agreement, units)
    return View(
        f"{first} and {second}",
        (form, _head(found), theme.live_picture(picture), _table(found)),
        "instruments",
    )


def _head(found: "Comparison") -> Any:
    rows = found.pieces.to_dicts()
    return render(
        "compare_head.html",
        sentence=found.sentence,
        how=found.how,
        first=found.first,
        second=found.second,
        count=len(rows),
        confidence=f"{found.agreement.confidence:.0%}",
        share=f"{share_within(max(int(found.agreement.pairs.max()), 2)):.0%}",
        pieces=[
            {
                "name": ", ".join(
                    str(row[name]) for name in ("product", "lot", "name", "site") if row[name]
                ),
                "address": link("search", {"text": row["name"]}),
                "scans": (row["scans_first"], row["scans_second"]),
            }
            for row in rows[:MOST_PIECES]
        ],
        looks=agreement_picture.LOOKS,
    )


def _table(found: "Comparison") -> Any:
    """Bias and limits at some places of the axis, as text."""
    at, agreed = found.axis.values, found.agreement
    known = np.flatnonzero(np.isfinite(agreed.bias_low))
    chosen = known[np.linspace(0, len(known) - 1, min(LISTED, len(known))).astype(int)]
    return render(
        "compare_table.html",
        unit=found.unit,
        axis_unit=found.axis.unit,
        rows=[
            {
                "at": number(at[i]),
                "pairs": int(agreed.pairs[i]),
                "bias": number(agreed.bias[i], 3),
                "confident": f"{number(agreed.bias_low[i], 3)} to {number(agreed.bias_high[i], 3)}",
                "limits": f"{number(agreed.lower[i], 3)} to {number(agreed.upper[i], 3)}",
                "lower": f"{number(agreed.lower_low[i], 3)} to {number(agreed.lower_high[i], 3)}",
                "upper": f"{number(agreed.upper_low[i], 3)} to {number(agreed.upper_high[i], 3)}",
                "differs": bool(agreed.differs[i]),
            }
            for i in chosen
        ],
    )
