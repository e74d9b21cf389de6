"""The control chart page: one requirement of one product over time."""

from typing import TYPE_CHECKING, Any

import numpy as np
from speclake_dashboards import control
from speclake_dashboards.address import Address, BadAddress, link
from speclake_dashboards.digits import SpecLimits, decimals_of
from speclake_dashboards.theme import View, live_picture, moment, render
from speclake_dashboards.verdicts import with_revision

from speclake.specs.model import Specification

if TYPE_CHECKING:
    from speclake.api import Archive
    from speclake.api.charts import ControlChart

ROLL_UPS = ("mean", "minimum", "maximum", "site")
PERS = ("part", "coating_run", "lot")
NAMED = ("product", "spec", "requirement")
LISTED = 25
"""Points listed below the picture, the newest first."""


def page(archive: "Archive", address: Address) -> View:
    """The chart that the address names, or all that there could be."""
    address.only({*NAMED, "roll_up", "site", "per", "since", "until"})
    archive.refresh()
    if not all(name in address for name in NAMED):
        return View("Control chart", (_choice(archive, address),), "chart")
    zone = archive.settings.zone
    asked = {
        **{name: address.needed(name) for name in NAMED},
        "roll_up": address.choice("roll_up", ROLL_UPS, "mean"),
        "site": address.text("site"),
        "per": address.choice("per", PERS, "part"),
    }
    span = {
        "since": address.moment("since", zone),
        "until": address.moment("until", zone, end_of_day=True),
    }
    form = render(
        "chart_form.html",
        asked=asked,
        roll_ups=ROLL_UPS,
        pers=PERS,
        since=address.text("since"),
        until=address.text("until"),
    )
    if (asked["roll_up"] == "site") != (asked["site"] is not None):
        raise BadAddress(
            "A chart of one site needs 'one named site' and the name of the site; "
            "any other has the site left empty."
        )
    found = archive.control_chart(**asked, **span)
    spec = spec_limits(archive, found, address.needed("spec"), address.needed("requirement"))
    shown = shown_of(found, zone, spec)
    return View(
        "Control chart",
        (form, live_picture(control.picture(shown)), _text(found, shown, zone)),
        "chart",
    )


def spec_limits(
    archive: "Archive", found: "ControlChart", spec: str, requirement: str
) -> SpecLimits:
    """Limits of the newest verdict of a chart, as its specification writes them."""
    newest = max(zip(found.times, found.measurement_ids, strict=True))[1]
    verdicts = archive.verdicts([newest])
    row = verdicts.filter(spec=spec, requirement=requirement).row(-1, named=True)
    kept = archive.store.catalog.specification(row["spec_version"])
    written: dict[float, str] = {}
    if kept is not None:
        (asked,) = (
            each
            for each in Specification.from_json(kept.content).requirements
            if each.id == requirement
        )
        written = {float(text): text for text in asked.limits}
    low, high = found.limit_low, found.limit_high
    return SpecLimits(
        low=low,
        high=high,
        low_text="" if low is None else written.get(low, f"{low:.10g}"),
        high_text="" if high is None else written.get(high, f"{high:.10g}"),
        spec=with_revision(spec, kept.revision if kept else None),
    )


def shown_of(found: "ControlChart", zone: Any, spec: SpecLimits) -> control.ChartPicture:
    """What the picture shows of a chart."""
    chart = found.chart
    return control.ChartPicture(
        values=chart.points.tolist(),
        out=[
            _why_out(value, chart) if out else ""
            for value, out in zip(chart.points, chart.out, strict=True)
        ],
        names=list(found.labels),
        times=[moment(time, zone) for time in found.times],
        keys=list(found.measurement_ids),
        base=int(chart.base.sum()),
        base_end=int(np.flatnonzero(chart.base)[-1]) + 1 if chart.base.any() else 0,
        decimals=decimals_of(
            [text for text in (spec.low_text, spec.high_text) if text],
            chart.moving_ranges.tolist(),
        ),
        unit=found.unit,
        lower=chart.lower,
        centre=chart.centre,
        upper=chart.upper,
        spec=spec,
    )


def _base(found: "ControlChart", zone: Any) -> str:
    """Which points the limits come from, in words."""
    times = [time for time, is_base in zip(found.times, found.chart.base, strict=True) if is_base]
    if not times:
        return ""
    return f"{len(times)} points, {moment(times[0], zone)} to {moment(times[-1], zone)}"


def _why_out(value: float, chart: Any) -> str:
    side = "upper" if value > chart.upper else "lower"
    return f"beyond the {side} control limit"


def _text(found: "ControlChart", shown: control.ChartPicture, zone: Any) -> Any:
    """The chart in words and as a table, for those who cannot see the picture."""
    rows = [
        {"name": name, "time": time, "value": value, "why": why, "outside": outside, "key": key}
        for name, time, value, why, outside, key in zip(
            shown.names, shown.times, shown.texts, shown.out, shown.outside, shown.keys, strict=True
        )
    ]
    return render(
        "chart_text.html",
        title=found.title,
        shown=shown,
        usual=control.USUAL_BASE_POINTS,
        levels=control.levels(shown),
        out=[row for row in rows if row["why"]],
        outside=[row for row in rows if row["outside"]],
        base_out=int((found.chart.out & found.chart.base).sum()),
        newest=rows[::-1][:LISTED],
        base=_base(found, zone),
        no_limits=found.chart.no_limits,
        warnings=found.chart.warnings,
    )


def _choice(archive: "Archive", address: Address) -> Any:
    """All charts that there could be, those of a product where the address names one."""
    product = address.text("product")
    groups: dict[str, list[dict[str, str]]] = {}
    for each in archive.requirements():
        if product in (None, each.product):
            groups.setdefault(each.product, []).append(
                {
                    "description": each.description,
                    "spec": each.spec,
                    "address": link("chart", {name: getattr(each, name) for name in NAMED}),
                }
            )
    return render("chart_choice.html", groups=groups, product=product)
