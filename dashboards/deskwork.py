"""Where a person writes into the record what was done to an instrument, or doubts and releases."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

from markupsafe import Markup
from speclake_dashboards import theme
from speclake_dashboards.border import caught
from speclake_dashboards.cautions import LAMPS
from speclake_dashboards.widgets import column, panel, side_by_side, widget

from speclake.api.events import NotAllowed
from speclake.api.instruments import WORKS
from speclake.errors import SpeclakeError

if TYPE_CHECKING:
    from speclake.api import Archive
    from speclake.api.instruments import InstrumentView

CLOSED = Markup(
    '<p class="quiet small">{} only where the pages are served to this machine alone; elsewhere '
    "<code>speclake {}</code> does it.</p>"
)
ANY = "all"
ASIDE_MEANT = Markup(
    '<p class="small">Their verdicts are not measurable until somebody releases them, with a '
    "reason; nothing is deleted, and both acts stay on record.</p>"
)
AGAIN = Markup(
    ' What stands above is as it was before: <a href="">open the page again</a> to see it.'
)
LOG_MEANT = Markup(
    '<p class="small">What touches a configuration makes its state unknown until every check of '
    "its programme has passed again, and begins a new phase of its charts. Reading the hours of a "
    "lamp changes nothing.</p>"
)


class _Desk:
    """Widgets that record something, and the sentence that follows."""

    def __init__(self) -> None:
        self.said = column()

    def button(self, label: str, action: Callable[[], str]) -> Any:
        """Button that records something and says what."""
        import panel as pn

        made = widget(pn.widgets.Button, label=label, max_width=340, height=44)
        made.on_click(lambda _: self._do(action))
        return made

    def _do(self, record: Callable[[], str]) -> None:
        def tried() -> Markup:
            try:
                return Markup('<p role="status">{}{}</p>').format(record(), AGAIN)
            except SpeclakeError as error:
                return Markup('<p class="note said" role="alert">{}</p>').format(str(error))

        self.said[:] = [theme.live_text(caught(tried, lambda message: message))]


class LogDesk(_Desk):
    """Form for an entry into the log of an instrument.

    Parameters
    ----------
    is_local : whether the visitor may write into the archive.
    """

    def __init__(self, archive: "Archive", view: "InstrumentView", *, is_local: bool) -> None:
        import panel as pn

        super().__init__()
        self._archive, self._instrument = archive, view.instrument
        self.what = widget(pn.widgets.Select, label="What was done", options=list(WORKS))
        self.when = widget(pn.widgets.TextInput, label="When, as 2026-12-31 17:00 (none means now)")
        accessories = sorted({c.programme.accessory or ANY for c in view.configurations} - {ANY})
        self.accessory = widget(
            pn.widgets.Select, label="With which accessory", options=[ANY, *accessories]
        )
        self.low = widget(pn.widgets.TextInput, label="From nm (none means no end)")
        self.high = widget(pn.widgets.TextInput, label="To nm (none means no end)")
        self.who = widget(pn.widgets.TextInput, label="Who")
        self.why = widget(pn.widgets.TextInput, label="Why")
        self.note = widget(pn.widgets.TextInput, label="Note, such as the hours of a lamp")
        self.record = self.button("Write into the log", self._record)
        form = panel(
            "Write into the log",
            [theme.live_text(LOG_MEANT),
             theme.live_text(Markup('<p class="note small" role="note">{}</p>').format(LAMPS)),
             side_by_side([self.what, self.when, self.accessory], "12rem"),
             side_by_side([self.low, self.high, self.note], "12rem"),
             side_by_side([self.who, self.why], "14rem"), self.record, self.said],
        )  # fmt: skip
        closed = CLOSED.format("The log is written here", "log-instrument")
        self.pieces: list[Any] = [form] if is_local else [closed]

    def _record(self) -> str:
        accessory = None if self.accessory.value == ANY else self.accessory.value
        entry = self._archive.log_instrument(
            self._instrument,
            self.what.value,
            who=self.who.value,
            why=self.why.value,
            when=_moment(self.when.value, self._archive.settings.zone),
            accessory=accessory,
            range_nm=(_number(self.low.value), _number(self.high.value)),
            note=self.note.value,
        )
        when = theme.moment(entry.when, self._archive.settings.zone)
        return f"Recorded: {entry.what} of {entry.instrument}, {when}."


class ReviewDesk(_Desk):
    """Form that puts measurements aside in one action, or releases those put aside for one reason.

    Why they are released has to be written: why they were put aside is no reason for that.

    Parameters
    ----------
    ids : measurements that may be put aside.
    in_review : those that may be released.
    changing : those of `ids` of which a verdict could change; they can be put aside alone.
    why : reason for putting them aside that the form suggests.
    failure : the failed check that they are put aside for, as `LookBack.failure` names it.
    """

    def __init__(
        self,
        archive: "Archive",
        ids: Sequence[str],
        in_review: Sequence[str],
        *,
        changing: Sequence[str] = (),
        why: str = "",
        failure: str = "",
        is_local: bool,
    ) -> None:
        import panel as pn

        super().__init__()
        self._archive, self._ids, self._in_review = archive, list(ids), list(in_review)
        self._changing = list(changing)
        self._failure = failure
        self.who = widget(pn.widgets.TextInput, label="Who")
        self.why = widget(pn.widgets.TextInput, label="Why it is put aside", value=why)
        self.reason = widget(pn.widgets.Select, label="Put aside because")
        self.why_free = widget(pn.widgets.TextInput, label="Why it is released")
        self.aside = self.button("Put aside", lambda: self._put_aside(self._ids))
        self.some = self.button("Put some aside", lambda: self._put_aside(self._changing))
        self.free = self.button("Release", self._release)
        self.reason.param.watch(lambda _: self._count_released(), "value")
        self._offer()
        form = panel(
            "For review",
            [theme.live_text(ASIDE_MEANT), self.who,
             self.why, side_by_side([self.some, self.aside], "18rem"),
             side_by_side([self.reason, self.why_free], "14rem"), self.free, self.said],
        )  # fmt: skip
        closed = CLOSED.format("Measurements are put aside and released here", "put-aside")
        self.pieces: list[Any] = [form] if is_local else [closed]

    def _offer(self) -> None:
        """Offer to put aside what is not under review, and to release what is."""
        self._reasons = _reasons(self._archive, self._in_review)
        chosen = self.reason.value if self.reason.value in self._reasons else None
        own = (said for said, of in self._reasons.items() if of.of == self._failure)
        self.reason.options = list(self._reasons)
        self.reason.value = chosen or next(own, next(iter(self._reasons), None))
        self._changing = [each for each in self._changing if each in self._ids]
        self.aside.label = _counted("Put {} aside", len(self._ids))
        self.some.label = f"Put aside the {len(self._changing)} that could change"
        self.some.visible = 0 < len(self._changing) < len(self._ids)
        self.aside.visible = self.why.visible = bool(self._ids)
        for each in (self.reason, self.why_free, self.free):
            each.visible = bool(self._reasons)
        self._count_released()

    @property
    def _released(self) -> "_Reviewed":
        return self._reasons.get(self.reason.value, _NOTHING)

    def _count_released(self) -> None:
        self.free.label = _counted("Release {}", len(self._released.ids))

    def _put_aside(self, chosen: list[str]) -> str:
        who, why = self.who.value, self.why.value
        count = self._archive.put_aside(chosen, who=who, why=why, failure=self._failure)
        said = _recorded(count, len(chosen), "put aside", "under review for that already")
        self._in_review = list(dict.fromkeys([*self._in_review, *chosen]))
        self._ids = [each for each in self._ids if each not in chosen]
        self._offer()
        return said

    def _release(self) -> str:
        of, chosen = self._released.of, self._released.ids
        who, why = self.who.value, self.why_free.value
        count = self._archive.release(chosen, who=who, why=why, of=of)
        said = _recorded(count, len(chosen), "released", "under review for that no longer")
        self._ids = list(dict.fromkeys([*self._ids, *chosen]))
        self.why_free.value = ""
        self._offer()
        return said


@dataclass(frozen=True)
class _Reviewed:
    """Measurements under review for one reason, or one failed check."""

    of: str
    ids: list[str]


_NOTHING = _Reviewed("", [])


def _reasons(archive: "Archive", ids: Sequence[str]) -> dict[str, _Reviewed]:
    """Measurements under review by why, and by whom, they were put aside."""
    archive.refresh()
    found: dict[str, _Reviewed] = {}
    for name, held in archive.under_review(list(ids)).items():
        for each in held:
            said = f"{each.why} ({each.who})"
            found.setdefault(said, _Reviewed(each.failure or each.why, [])).ids.append(name)
    return found


def _recorded(count: int, asked: int, done: str, otherwise: str) -> str:
    """Of how many measurements something was recorded, and why of no more."""
    said = _counted(f"Recorded: {{}} {done}.", count) if count else "Nothing was recorded."
    rest = asked - count
    verb = "is" if rest == 1 else "are"
    return f"{said} {_counted('{}', rest)} {verb} {otherwise}." if rest else said


def _counted(words: str, count: int) -> str:
    return words.format(f"{count} measurement{'' if count == 1 else 's'}")


def _moment(text: str, zone: Any) -> datetime | None:
    """Moment written as in ISO 8601, in the archive's zone where it names none."""
    if not text.strip():
        return None
    try:
        found = datetime.fromisoformat(text.strip())
    except ValueError as error:
        raise NotAllowed(
            f"found the time {text!r}; expected one such as 2026-12-31 17:00"
        ) from error
    return found if found.tzinfo else found.replace(tzinfo=zone)


def _number(text: str) -> float | None:
    if not text.strip():
        return None
    try:
        return float(text)
    except ValueError as error:
        raise NotAllowed(f"found the wavelength {text!r}; expected a number of nm") from error
