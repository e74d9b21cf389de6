"""The page on a refused file: its lines, a format in the making, and what that reads there."""

from typing import TYPE_CHECKING, Any

from markupsafe import Markup
from speclake_dashboards import theme
from speclake_dashboards.address import Address, BadAddress
from speclake_dashboards.background import work_apart
from speclake_dashboards.border import caught
from speclake_dashboards.desk import Desk
from speclake_dashboards.theme import View, render

from speclake.archive.rows import FileOutcome

if TYPE_CHECKING:
    from speclake.api import Archive
    from speclake.api.mending import Study

LISTED = 25


def page(archive: "Archive", address: Address) -> View:
    """The refused file that the address names; without one, the newest refused files."""
    address.only({"file", "format"})
    keys = address.ids("file")
    if len(keys) > 1:
        raise BadAddress("The address names more than one file.")
    archive.refresh()
    if not keys:
        return View("Refused files", (_choice(archive),), "intake")
    name = address.text("format")
    archive.store.catalog.file_line(keys[0])  # a wrong one is told before anything is started
    place = _column(theme.live_text(render("mend_waiting.html")))

    def show(found: "Markup | Study") -> None:
        if isinstance(found, Markup):
            place[:] = [theme.live_text(found)]
        else:
            place[:] = Desk(archive, found, may_save=address.is_local).pieces

    _once_open(lambda: caught(lambda: archive.study(keys[0], format=name), _as_is), show)
    return View("A refused file", (place,), "intake")


def _as_is(message: Markup) -> Markup:
    return message


def _column(*parts: Any) -> Any:
    import panel as pn

    return pn.Column(*parts, sizing_mode="stretch_width", margin=0)


def _once_open(work: Any, show: Any) -> None:
    import panel as pn

    document = pn.state.curdoc
    if document is None:  # without a visit there is nobody to keep waiting
        show(work())
    else:
        pn.state.onload(lambda: work_apart(document, work, show))


def _choice(archive: "Archive") -> Markup:
    count = archive.totals()["refused"]
    rows = archive.files(outcome=FileOutcome.REFUSED, limit=LISTED).to_dicts()
    return render("mend_choose.html", rows=rows, more=count if count > LISTED else 0)
