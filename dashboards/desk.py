"""Where a format is written: the text on one side, and what it reads in a file on the other.

The text of an edit that is not saved stays with the visit.
"""

from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, TypeVar

from markupsafe import Markup
from speclake_dashboards import curves, theme
from speclake_dashboards.background import work_apart
from speclake_dashboards.border import caught
from speclake_dashboards.matching import in_units, units_of
from speclake_dashboards.theme import moment, number, render
from speclake_dashboards.widgets import column, panel, side_by_side, widget

from speclake.errors import SpeclakeError
from speclake.importing.drafting.sheet import toml_value

if TYPE_CHECKING:
    from speclake.api import Archive
    from speclake.api.formatkeeping import SavedFormat
    from speclake.api.mending import Preview, Study
    from speclake.api.retrying import Retried

LISTED = 8
OPEN = "leave it open"
OUTCOME_WORDS = {
    "taken": "taken in",
    "repeated": "held already",
    "conflict": "conflict",
    "refused": "refused",
}
BY_HAND = "The text was changed by hand, and that would be lost. Press again to lose it."
LONGEST_TEXT = 200_000
EDITOR_ROWS = 26
Result = TypeVar("Result")


class Desk:
    """The widgets of one visit to one refused file.

    Parameters
    ----------
    may_save : whether the visitor may write into the archive.
    """

    def __init__(self, archive: "Archive", study: "Study", *, may_save: bool) -> None:
        import panel as pn

        self._archive, self._study = archive, study
        self._drafted = study.text
        self._is_warned = False
        self._saved_version = ""
        self._takes: tuple[str, ...] = (study.row.file_id,)
        self.text = widget(
            pn.widgets.TextAreaInput, label="The format, as TOML", value=study.text,
            rows=EDITOR_ROWS, max_length=LONGEST_TEXT,
        )  # fmt: skip
        self.choices = [
            widget(
                pn.widgets.Select,
                label=f"{each.key}{' (needed)' if each.is_needed else ''}: {each.question}",
                options=[OPEN, *map(toml_value, each.choices)],
            )
            for each in study.questions
        ]
        self.name = widget(pn.widgets.TextInput, label="Name of the format", value=study.format)
        self.who = widget(pn.widgets.TextInput, label="Who saves it")
        self.why = widget(pn.widgets.TextInput, label="Why")
        self.may_replace = widget(
            pn.widgets.Checkbox, label="Replace the format of this name, if there is one"
        )
        self.fill = self._button("Write the draft anew with these", self._fill)
        self.read = self._button("Read the file with this text", self._read)
        self.save = self._button("Save the format", self._save)
        self.retry = self._button("Try this file again", self._retry_this)
        self.retry_all = self._button("Try all that it takes", self._retry_all)
        self.lines, self.filled, self.reading, self.saved, self.retried = (
            column() for _ in "12345"
        )
        self.reading[:] = [_text(render("mend_unread.html"))]
        self._show_lines(study.lines)
        self.pieces = self._laid_out(may_save=may_save)
        self._enable()

    def _button(self, label: str, action: Callable[[], None]) -> Any:
        import panel as pn

        button = widget(pn.widgets.Button, label=label, max_width=280, height=44)
        button.on_click(lambda _: action())
        return button

    def _laid_out(self, *, may_save: bool) -> list[Any]:
        study, zone = self._study, self._archive.settings.zone
        head = render(
            "mend_head.html", study=study, arrived=moment(study.row.arrived_at, zone),
            is_draft=not study.format,
            since=OUTCOME_WORDS[study.since.outcome] if study.since else "",
        )  # fmt: skip
        doubts = [_text(render("mend_doubts.html", study=study))]
        if self.choices:
            doubts += [side_by_side(self.choices, "17rem"), self.fill, self.filled]
        keeping = [_text(render("mend_closed.html"))]
        if may_save:
            fields = side_by_side([self.name, self.who, self.why], "14rem")
            buttons = side_by_side([self.retry, self.retry_all], "13rem")
            keeping = [fields, self.may_replace, self.save, self.saved, buttons, self.retried]
        writing = panel("The text", [*doubts, self.text, self.read])
        reading = panel("What it reads", [self.reading])
        beside = column(self.lines, reading)
        pieces = [
            _text(head),
            side_by_side([writing, beside], "28rem"),
            panel("Keep it", keeping),
        ]
        if study.assumptions:
            pieces.append(_text(_assumptions(study)))
        return pieces

    # what the buttons do

    def _fill(self) -> None:
        if self.text.value != self._drafted and not self._is_warned:
            self._is_warned = True
            warning = (
                "The text was changed by hand, and that would be lost. Press again to lose it."
            )
            self.filled[:] = [_text(_note(warning))]
            return
        answers = self.answers
        key = self._study.row.file_id

        def show(found: "Study") -> None:
            self._is_warned = False
            self.text.value = self._drafted = found.text
            self.filled[:] = []
            self._read()

        self._work(
            lambda: self._archive.study(key, answers=answers), show, self.filled, "Writing …"
        )

    @property
    def answers(self) -> Mapping[str, Any]:
        """Key to value of each question that was answered."""
        found = {}
        for question, choice in zip(self._study.questions, self.choices, strict=True):
            if choice.value != OPEN:
                found[question.key] = question.choices[choice.options.index(choice.value) - 1]
        return found

    def _read(self) -> None:
        key, name, text = self._study.row.file_id, self.name.value.strip(), self.text.value

        def show(found: "Preview") -> None:
            self._takes = tuple(row.file_id for row in found.reach.refused)
            self._enable()
            self._show_lines(found.lines or self._study.lines)
            self.reading[:] = reading_of(found)

        self._work(lambda: self._archive.preview(key, name, text), show, self.reading, "Reading …")

    def _save(self) -> None:
        name, text = self.name.value.strip(), self.text.value
        asked = {"who": self.who.value, "why": self.why.value, "replace": self.may_replace.value}

        def show(found: "SavedFormat") -> None:
            self._saved_version = found.version
            self.saved[:] = [_text(render("mend_saved.html", saved=found))]
            self._read()

        self._work(
            lambda: self._archive.save_format(name, text, **asked), show, self.saved, "Saving …"
        )

    def _retry_this(self) -> None:
        self._retry([self._study.row.file_id])

    def _retry_all(self) -> None:
        self._retry(list(self._takes))

    def _retry(self, keys: Sequence[str]) -> None:
        def show(found: "list[Retried]") -> None:
            self.retried[:] = [
                _text(render("mend_retried.html", retried=found, words=OUTCOME_WORDS, most=LISTED))
            ]

        self._work(lambda: self._archive.retry_files(keys), show, self.retried, "Trying again …")

    # showing

    def _show_lines(self, lines: Sequence[Any]) -> None:
        text = render("mend_lines.html", lines=lines, shown_as=self._study.shown_as)
        self.lines[:] = [_text(text)]

    def _enable(self, *, is_busy: bool = False) -> None:
        for button in (self.fill, self.read, self.save):
            button.disabled = is_busy
        for button in (self.retry, self.retry_all):
            button.disabled = is_busy or not self._saved_version
        count = len(self._takes)
        self.retry_all.label = f"Try all {count} that it takes"
        self.retry_all.visible = count > 1

    def _work(
        self,
        work: Callable[[], Result],
        show: Callable[[Result], None],
        place: Any,
        waiting: str,
    ) -> None:
        """Do a work while the buttons rest, and show its result or what went wrong in its place."""
        import panel as pn

        self._enable(is_busy=True)
        place[:] = [_text(Markup('<p class="quiet" role="status">{}</p>').format(waiting))]

        def shown(found: "Result | Markup") -> None:
            self._enable()
            if isinstance(found, Markup):
                place[:] = [_text(found)]
            else:
                show(found)

        def tried() -> "Result | Markup":
            return caught(lambda: _or_sentence(work), _as_is)

        document = pn.state.curdoc
        if document is None:  # without a visit there is nobody to keep waiting
            shown(tried())
        else:
            work_apart(document, tried, shown)


def reading_of(preview: "Preview") -> list[Any]:
    """What a format reads, in words, as a picture and spectrum by spectrum."""
    words = render("mend_reading.html", preview=preview, most=LISTED)
    if not preview.spectra:
        return [_text(words)]
    sets = preview.sets
    matched = in_units(sets, units_of(sets))
    names = [each.place or f"spectrum {n}" for n, each in enumerate(preview.spectra, 1)]
    captions = {str(n): curves.Caption(name) for n, name in enumerate(names, 1)}
    figure = curves.curves(matched.sets, captions)
    figure.height = 340
    told = [_facts(name, each) for name, each in zip(names, preview.spectra, strict=True)]
    facts = render("mend_spectra.html", spectra=told, remarks=matched.remarks)
    return [_text(words), theme.live_picture(figure), _text(facts)]


def _facts(name: str, spectrum: Any) -> dict[str, Any]:
    axis, values = spectrum.axis, spectrum.values
    medium = f"in {axis.medium}" if axis.medium else "nobody said air or vacuum"
    first, last = ((number(axis.values[i], 10), number(values[i], 10)) for i in (0, -1))
    return {
        "name": name,
        "ordinates": f"{spectrum.quantity} in {spectrum.unit}: {first[1]} at {first[0]}, "
        f"{last[1]} at {last[0]} {axis.unit}",
        "axis": f"{len(axis):,} points from {first[0]} to {last[0]} {axis.unit}, {medium}, "
        f"listed {spectrum.scan_direction}",
        "fields": [(key.replace("_", " "), text) for key, text in spectrum.fields.items()],
        "notes": spectrum.notes,
        "header": list(spectrum.header.items()),
    }


def _assumptions(study: "Study") -> Markup:
    rows = [
        (each.key, toml_value(each.value), each.evidence,
         ", ".join(map(toml_value, each.alternatives)))
        for each in study.assumptions
    ]  # fmt: skip
    return render("mend_assumptions.html", rows=rows)


def _or_sentence(work: Callable[[], Result]) -> Result | Markup:
    """Result of a work, or what a person can do something about as a note in its place."""
    try:
        return work()
    except SpeclakeError as error:
        return _note(str(error))


def _as_is(message: Markup) -> Markup:
    return message


def _note(text: str) -> Markup:
    return Markup('<p class="note said" role="alert">{}</p>').format(text)


def _text(text: Markup) -> Any:
    return theme.live_text(text)
