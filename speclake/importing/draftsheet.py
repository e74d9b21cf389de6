"""A format file in the making: keys with their reasons, and keys that are left open."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

TABLES = (
    "recognise", "text", "header", "blocks", "blocks.header", "table", "axis", "values",
    "values.unit_from", "scanned", "fields",
)  # fmt: skip
"""Tables in the order in which they are written."""

Scalar = str | int | bool
Value = Scalar | Sequence[str] | Sequence[int] | Mapping[str, str]


@dataclass(frozen=True)
class Key:
    """One line of the file."""

    name: str
    value: str
    comment: str
    state: Literal["said", "asked", "offered"]


@dataclass
class Sheet:
    """A format file in the making."""

    tables: dict[str, list[Key]] = field(default_factory=lambda: {name: [] for name in TABLES})
    assumptions: list[str] = field(default_factory=list)
    unsure: list[str] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)

    def say(self, table: str, key: str, value: Value, because: str) -> None:
        """Write a key as an assumption, with its reason."""
        self.tables[table].append(Key(key, toml_value(value), f"assumed: {because}", "said"))
        self.assumptions.append(f"{table}.{key} = {toml_value(value)}: {because}")

    def ask(self, table: str, key: str, example: Value, question: str) -> None:
        """Leave a key open that the format needs, with an example of what may be filled in."""
        self.tables[table].append(Key(key, toml_value(example), f"fill in: {question}", "asked"))
        self.unsure.append(f"{table}.{key}: {question}")

    def hold(self, table: str, key: str, value: Value, because: str) -> None:
        """Write an assumption that says nothing until an open key of its table is answered."""
        self.tables[table].append(Key(key, toml_value(value), f"assumed: {because}", "asked"))

    def offer(self, table: str, key: str, example: Value, question: str) -> None:
        """Leave a key open that the format can do without."""
        self.tables[table].append(
            Key(key, toml_value(example), f"fill in if so: {question}", "offered")
        )

    def doubt(self, what: str) -> None:
        """Keep in words what has to be looked at."""
        self.unsure.append(what)

    def toml(self, *, answered: bool) -> str:
        """The file, its open questions commented out, or answered by their own examples."""
        written = {"said", "asked"} if answered else {"said"}
        parts = []
        for table, keys in self.tables.items():
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
        return f"{top}\n\n{self.toml(answered=False)}"


def _line(key: Key) -> str:
    return f"{toml_key(key.name)} = {key.value}  # {one_line(key.comment)}"


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
