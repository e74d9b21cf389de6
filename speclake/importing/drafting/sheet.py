"""A format file in the making: keys with their reasons, and keys that are left open."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

from speclake.errors import BadSettings, SettingsProblem

TABLES = (
    "recognise", "text", "header", "blocks", "blocks.header", "table", "footer", "axis", "values",
    "values.unit_from", "scanned", "fields",
)  # fmt: skip
"""Tables in the order in which they are written."""

INSTEAD = (
    ("header.lines", "header.last_line", "header.next_line"),
    ("blocks.header.lines", "blocks.header.last_line", "blocks.header.next_line"),
    ("values.unit", "values.unit_from"),
    ("values.columns", "values.ignore"),
)
"""Keys and tables of which one stands for the others: an answer to one takes the others out."""

Scalar = str | int | bool
Value = Scalar | Sequence[str] | Sequence[int] | Sequence[Sequence[int]] | Mapping[str, str]


@dataclass(frozen=True)
class Assumption:
    """A key that the draft says, and what speaks for it.

    Parameters
    ----------
    key : with its table, such as ``text.delimiter``.
    value : as `with_answers` takes it.
    evidence : what in the file speaks for the value.
    alternatives : other values that would be possible.
    """

    key: str
    value: Value
    evidence: str
    alternatives: tuple[Value, ...] = ()

    def __str__(self) -> str:
        return f"{self.key} = {toml_value(self.value)}: {self.evidence}"


@dataclass(frozen=True)
class Question:
    """A key that the file cannot tell.

    Parameters
    ----------
    question : in words.
    choices : values to choose from, the likeliest first; other values are possible too.
    is_needed : whether the draft is no format without an answer, or waits for it.
    """

    key: str
    question: str
    choices: tuple[Value, ...]
    is_needed: bool

    def __str__(self) -> str:
        return f"{self.key}: {self.question}"


@dataclass(frozen=True)
class Key:
    """One line of the file."""

    name: str
    value: Value
    reason: str
    state: Literal["said", "asked", "offered", "held", "answered"]
    others: tuple[Value, ...] = ()

    @property
    def comment(self) -> str:
        """Reason behind the word that says how the key came to its value."""
        word = {
            "asked": "fill in",
            "offered": "fill in if so",
            "answered": "answered; the draft said",
        }
        return one_line(f"{word.get(self.state, 'assumed')}: {self.reason}")


@dataclass
class Sheet:
    """A format file in the making."""

    tables: dict[str, list[Key]] = field(default_factory=lambda: {name: [] for name in TABLES})
    doubts: list[str] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)

    def say(
        self, table: str, key: str, value: Value, because: str, others: Sequence[Value] = ()
    ) -> None:
        """Write a key as an assumption, with its reason."""
        self.tables[table].append(Key(key, value, because, "said", tuple(others)))

    def ask(
        self, table: str, key: str, example: Value, question: str, others: Sequence[Value] = ()
    ) -> None:
        """Leave a key open that the format needs, with an example of what may be filled in."""
        self.tables[table].append(Key(key, example, question, "asked", tuple(others)))

    def hold(self, table: str, key: str, value: Value, because: str) -> None:
        """Write an assumption that says nothing until an open key of its table is answered."""
        self.tables[table].append(Key(key, value, because, "held"))

    def offer(
        self, table: str, key: str, example: Value, question: str, others: Sequence[Value] = ()
    ) -> None:
        """Leave a key open that the format can do without."""
        self.tables[table].append(Key(key, example, question, "offered", tuple(others)))

    def doubt(self, what: str) -> None:
        """Keep in words what has to be looked at."""
        self.doubts.append(what)

    @property
    def assumptions(self) -> tuple[Assumption, ...]:
        """Keys that are said, and why."""
        return tuple(
            Assumption(f"{table}.{key.name}", key.value, key.reason, key.others)
            for table, keys in self.tables.items()
            for key in keys
            if key.state == "said"
        )

    @property
    def questions(self) -> tuple[Question, ...]:
        """Keys that are left open, those that the format needs first."""
        found = [
            Question(
                f"{table}.{key.name}", key.reason, (key.value, *key.others), key.state == "asked"
            )
            for table, keys in self.tables.items()
            for key in keys
            if key.state in ("asked", "offered")
        ]
        return tuple(sorted(found, key=lambda question: not question.is_needed))

    @property
    def unsure(self) -> tuple[str, ...]:
        """What has to be filled in or looked at, in words."""
        return (*(str(each) for each in self.questions if each.is_needed), *self.doubts)

    def answered(self, answers: Mapping[str, Value | None]) -> "Sheet":
        """Another sheet, in which these keys have these values; a key of None is taken out.

        Raises
        ------
        speclake.errors.BadSettings
            A key is in no table of a format.
        """
        tables = {name: list(keys) for name, keys in self.tables.items()}
        for key, value in answers.items():
            table, _, name = key.rpartition(".")
            if table not in tables:
                allowed = f"a key in one of the tables {', '.join(tables)}"
                problem = SettingsProblem("an answer", None, key, "no key of a format", allowed)
                raise BadSettings((problem,))
            _take_out_others(tables, key)
            _put(tables[table], name, value)
        return Sheet(tables, self.doubts, self.remarks)

    def with_examples(self) -> "Sheet":
        """Another sheet, in which every question that needs an answer has its own example."""
        return self.answered(
            {each.key: each.choices[0] for each in self.questions if each.is_needed}
        )

    def toml(self) -> str:
        """The file, its open questions commented out."""
        parts = []
        for table, keys in self.tables.items():
            waits = any(key.state == "asked" for key in keys)
            written = ("said", "answered") if waits else ("said", "answered", "held")
            lines = [("" if key.state in written else "# ") + _line(key) for key in keys]
            is_off = all(key.state not in written for key in keys)
            if keys:
                parts.append("\n".join([f"{'# ' if is_off else ''}[{table}]", *lines]))
        return "\n\n".join(parts) + "\n"

    def with_remarks(self, title: str) -> str:
        """The file below what there is to know about it."""
        head = [title, "Check each line marked 'assumed' and answer each marked 'fill in'."]
        head += ["", "Unsure:", *(f"- {each}" for each in self.unsure)] if self.unsure else []
        head += ["", *self.remarks] if self.remarks else []
        top = "\n".join(f"# {one_line(line)}".rstrip() for line in head)
        return f"{top}\n\n{self.toml()}"


def _take_out_others(tables: dict[str, list[Key]], key: str) -> None:
    """Take out what an answer replaces."""
    group = next((group for group in INSTEAD if any(_is_of(key, each) for each in group)), ())
    for other in group:
        if _is_of(key, other):
            continue
        table, _, name = other.rpartition(".")
        tables[table] = [each for each in tables[table] if each.name != name]
        if other in tables:
            tables[other] = []


def _is_of(key: str, place: str) -> bool:
    return key == place or key.startswith(f"{place}.")


def _put(keys: list[Key], name: str, value: Value | None) -> None:
    """Give a key its value in place, or add it; take it out where there is no value."""
    at = next((number for number, key in enumerate(keys) if key.name == name), None)
    if value is None:
        if at is not None:
            del keys[at]
    elif at is None:
        keys.append(Key(name, value, "by hand", "answered"))
    else:
        keys[at] = replace(keys[at], value=value, state="answered")


def _line(key: Key) -> str:
    return f"{toml_key(key.name)} = {toml_value(key.value)}  # {key.comment}"


def one_line(text: str) -> str:
    """Text for a comment, in which control characters are shown rather than written."""
    return "".join(c if c.isprintable() else repr(c)[1:-1] for c in text)


def toml_key(name: str) -> str:
    """Key as TOML writes it."""
    is_bare = name.isascii() and name.replace("_", "a").replace("-", "a").isalnum()
    return name if is_bare else toml_value(name)


def toml_value(value: Value) -> str:
    """Value as TOML writes it; text with backslashes in single quotes where that is possible."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, str):
        if "\\" in value and "'" not in value and value.isprintable():
            return f"'{value}'"
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, Mapping):
        inside = ", ".join(f"{toml_key(k)} = {toml_value(v)}" for k, v in value.items())
        return f"{{ {inside} }}"
    return f"[{', '.join(toml_value(each) for each in value)}]"
