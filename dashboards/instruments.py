"""The page of instruments: whether each is fit to measure, since when and why."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Any

from markupsafe import Markup
from speclake_dashboards import indoubt, instrument
from speclake_dashboards.address import Address, BadAddress, link
from speclake_dashboards.standing import configuration, state_badge
from speclake_dashboards.theme import View, moment, render

from speclake.api import instruments as standing_now

if TYPE_CHECKING:
    from speclake.api import Archive
    from speclake.api.instruments import InstrumentView, StandardView

ENTRIES = ("instrument", "on", "since", "until", "programme", "check", "at", "figure")

DAY = len("2026-11-25")
SOON = timedelta(days=30)
"""A certificate that ends within this time is said to end soon."""


def page(archive: "Archive", address: Address) -> View:
    """All instruments, or the one that the address names."""
    address.only(ENTRIES)
    archive.refresh()
    now, is_today = day_of(archive, address)
    views = standing_now.instruments(archive, now)
    if not is_today:
        views = [_as_it_stood(archive, each, now) for each in views]
    name = address.text("instrument")
    if name is not None:
        return instrument.page(archive, address, views, name, now, is_today=is_today)
    today = now.astimezone(archive.settings.zone).date()
    pieces = [
        as_of(archive, now, is_today=is_today, address=address),
        _overview(archive, views, now),
        standards_text(standing_now.standards(archive, today), today),
    ]
    return View("Instruments", tuple(pieces), "instruments")


def day_of(archive: "Archive", address: Address) -> tuple[datetime, bool]:
    """The moment that the page speaks of, and whether it is the present.

    Where nobody asks for a day it is the present; in an invented archive, whose calendar stands
    still, the moment after its last scan.
    """
    zone, now = archive.settings.zone, datetime.now(UTC)
    asked = address.moment("on", zone, end_of_day=True)
    if asked is not None:
        begins = address.moment("on", zone)
        if begins is not None and begins > now:
            raise BadAddress(f"on is {address.text('on')!r} in the address, which is yet to come.")
        # the last moment of a day, not the first of the next: certificates go by the day
        return min(asked - timedelta(microseconds=1), now), False
    if archive.settings.invented:
        last = archive.find(sort="trusted_at", descending=True, limit=1)
        if last.height:
            return last["trusted_at"][0].astimezone(UTC) + timedelta(minutes=1), False
    return now, True


def _as_it_stood(archive: "Archive", view: "InstrumentView", now: datetime) -> "InstrumentView":
    """A view without the work and the scans that came after a moment."""
    return replace(
        view,
        log=tuple(entry for entry in view.log if entry.when <= now),
        measurements=archive.count(instrument=view.instrument, until=now),
    )


def as_of(archive: "Archive", now: datetime, *, is_today: bool, address: Address) -> Markup:
    """Form that asks for another day, and a sentence where it is not the present."""
    asked = address.text("on")
    return render(
        "instruments_day.html",
        now=f"at the end of {asked}"
        if asked and len(asked) == DAY
        else f"on {moment(now, archive.settings.zone)}",
        is_today=is_today,
        on=asked,
        kept=address.entries({"instrument", "programme", "check", "figure"}),
    )


def _overview(archive: "Archive", views: "Sequence[InstrumentView]", now: datetime) -> Markup:
    zone = archive.settings.zone
    return render(
        "instruments.html",
        instruments=[
            {
                "name": view.instrument,
                "address": link("instruments", {"instrument": view.instrument}),
                "measurements": view.measurements,
                "configurations": [configuration(each, zone) for each in view.configurations],
                "last_work": _last_work(view, zone),
                "in_doubt": indoubt.open_failures(archive, view.instrument, now),
            }
            for view in views
        ],
        state_badge=state_badge,
    )


def _last_work(view: "InstrumentView", zone: Any) -> str:
    if not view.log:
        return ""
    last = view.log[-1]
    return f"{last.what}, {moment(last.when, zone)[:10]}, {last.who}"


def standards_text(views: "Sequence[StandardView]", today: date) -> Markup:
    """Table of certificates, those that end first before the others."""
    return render(
        "instruments_standards.html",
        standards=[
            {
                "name": view.certificate.name,
                "material": view.certificate.material,
                "identification": view.certificate.identification,
                "certificate": view.certificate.certificate,
                "until": view.certificate.valid_until,
                "standing": view.standing,
                "days": _days_left(view, today),
                "needed_by": [f"{check} ({programme})" for programme, check in view.needed_by],
            }
            for view in views
        ],
    )


def _days_left(view: "StandardView", today: date) -> int | None:
    """Days to the end of a valid certificate, None where it is far or not stated."""
    until = view.certificate.valid_until
    if view.standing != "valid" or until is None or until - today > SOON:
        return None
    return (until - today).days
