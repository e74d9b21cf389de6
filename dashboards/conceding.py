"""Where a person gives and takes back concessions, on the page of a lot."""

from collections.abc import Callable
from datetime import date
from typing import TYPE_CHECKING, Any

from markupsafe import Markup
from speclake_dashboards import theme
from speclake_dashboards.border import caught
from speclake_dashboards.widgets import column, panel, side_by_side, widget

from speclake.api.events import NotAllowed
from speclake.api.parts import ids_behind
from speclake.errors import SpeclakeError
from speclake.specs.verdicts import Outcome

if TYPE_CHECKING:
    from speclake.api import Archive
    from speclake.api.parts import LotReport

ALL = "all of its parts that fail"
CLOSED = Markup(
    '<p class="quiet small">Concessions are given here only where the pages are served to this '
    "machine alone; elsewhere <code>speclake concede</code> does it.</p>"
)
MEANT = Markup(
    '<p class="small">The verdicts and the part stay failed; who accepts them, why and until when '
    "stands beside them everywhere. It covers what failed by now, by the specification as it was "
    "used, and nothing that comes later.</p>"
)


class ConcedingDesk:
    """The widgets of one visit to one lot.

    Parameters
    ----------
    again : tells the page anew after something was recorded, and gives the report then.
    is_local : whether the visitor may write into the archive.
    """

    def __init__(
        self,
        archive: "Archive",
        report: "LotReport",
        again: Callable[[], "LotReport"],
        *,
        is_local: bool,
    ) -> None:
        import panel as pn

        self._archive, self._lot, self._again = archive, report.lot, again
        self.part = widget(pn.widgets.Select, label="Part")
        self.spec = widget(pn.widgets.Select, label="Specification")
        self.requirements = widget(
            pn.widgets.TextInput, label="Requirements, with commas (none means all that failed)"
        )
        self.until = widget(
            pn.widgets.TextInput, label="Last day, as 2026-12-31 (none means no end)"
        )
        self.who = widget(pn.widgets.TextInput, label="Who accepts")
        self.why = widget(pn.widgets.TextInput, label="Why")
        self.give = self._button("Accept by concession", self._concede)
        self.given = widget(pn.widgets.Select, label="Concession")
        self.revoking = widget(pn.widgets.TextInput, label="Who takes it back")
        self.reason = widget(pn.widgets.TextInput, label="Why")
        self.take_back = self._button("Take the concession back", self._revoke)
        self.said, self.revoked = column(), column()
        self._giving = panel(
            "Accept by concession",
            [theme.live_text(MEANT), side_by_side([self.part, self.spec], "14rem"),
             side_by_side([self.requirements, self.until], "14rem"),
             side_by_side([self.who, self.why], "14rem"), self.give, self.said],
        )  # fmt: skip
        self._taking = panel(
            "Take a concession back",
            [self.given, side_by_side([self.revoking, self.reason], "14rem"), self.take_back,
             self.revoked],
        )  # fmt: skip
        self.pieces: list[Any] = [self._giving, self._taking] if is_local else [CLOSED]
        self._offer(report)

    def _button(self, label: str, action: Callable[[], None]) -> Any:
        import panel as pn

        button = widget(pn.widgets.Button, label=label, max_width=280, height=44)
        button.on_click(lambda _: action())
        return button

    def _offer(self, report: "LotReport") -> None:
        """Offer what fails now, and what may be taken back."""
        failed = [
            (part.part, each.specification.name)
            for part in report.parts
            if part.is_named
            for each in part.specs
            if each.verdict.outcome is Outcome.FAIL
        ]
        _choose_among(self.part, {each: each for each in (ALL, *(name for name, _ in failed))})
        _choose_among(self.spec, {each: each for each in sorted({spec for _, spec in failed})})
        self._giving.visible = bool(failed)
        standing = [
            each
            for each in self._archive.concessions(ids_behind(report.parts)).all
            if each.revoked is None
        ]
        _choose_among(
            self.given,
            {f"{each.who}: {', '.join(each.parts)}": each.concession_id for each in standing},
        )
        self._taking.visible = bool(standing)

    def _concede(self) -> None:
        def record() -> str:
            asked: dict[str, Any] = {"lot": self._lot, "spec": self.spec.value}
            if self.part.value != ALL:
                asked["part"] = self.part.value
            asked["requirements"] = tuple(
                filter(None, (each.strip() for each in self.requirements.value.split(",")))
            )
            asked["until"] = _day(self.until.value)
            given = self._archive.concede(**asked, who=self.who.value, why=self.why.value)
            return f"Recorded: {given.who} accepts {', '.join(given.parts)}; still failed."

        self._do(record, self.said)

    def _revoke(self) -> None:
        def record() -> str:
            who, why = self.revoking.value, self.reason.value
            self._archive.revoke_concession(self.given.value, who=who, why=why)
            return "Recorded: the concession is taken back."

        self._do(record, self.revoked)

    def _do(self, record: Callable[[], str], place: Any) -> None:
        def tried() -> Markup:
            try:
                said = Markup('<p role="status">{}</p>').format(record())
            except SpeclakeError as error:
                return Markup('<p class="note said" role="alert">{}</p>').format(str(error))
            self._offer(self._again())
            return said

        place[:] = [theme.live_text(caught(tried, lambda message: message))]


def _choose_among(select: Any, options: dict[str, str]) -> None:
    """Put options into a list, with the first chosen unless another one was and is still there."""
    chosen = select.value if select.value in options.values() else None
    select.options = options
    select.value = chosen or next(iter(options.values()), None)


def _day(text: str) -> date | None:
    """Day written as in ISO 8601, None where nothing was written."""
    if not text.strip():
        return None
    try:
        return date.fromisoformat(text.strip())
    except ValueError as error:
        raise NotAllowed(f"found the last day {text!r}; expected one such as 2026-12-31") from error
