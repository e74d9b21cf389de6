"""TOML read into a typed model; what is wrong is said with file, line, key, found and allowed."""

import re
import tomllib
from collections.abc import Callable, Mapping
from decimal import Decimal
from itertools import zip_longest
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from speclake.errors import BadSettings, SettingsProblem

Model = TypeVar("Model", bound=BaseModel)

_HEADER = re.compile(r"^\s*(\[\[?)\s*([^\[\]]+?)\s*\]\]?\s*(?:#.*)?$")
_KEY = re.compile(r"^\s*((?:[\w-]+|\"[^\"]*\"|'[^']*')(?:\s*\.\s*(?:[\w-]+|\"[^\"]*\"))*)\s*=")


def load(path: Path, model: type[Model], parse_float: Callable[[str], object] = float) -> Model:
    """Model of a TOML file.

    Parameters
    ----------
    parse_float : what becomes of a number with a point; `decimal.Decimal` keeps its digits.

    Raises
    ------
    speclake.errors.BadSettings
        The file is not TOML, or says something that the model does not allow.
    """
    try:
        text = path.read_text("utf-8")
    except UnicodeDecodeError as error:
        found = f"the byte 0x{error.object[error.start]:02x}"
        line = error.object[: error.start].count(b"\n") + 1
        problem = SettingsProblem(path.name, line, "the file", found, "text in UTF-8")
        raise BadSettings((problem,)) from error
    return loads(text, path.name, model, parse_float)


def loads(
    text: str, name: str, model: type[Model], parse_float: Callable[[str], object] = float
) -> Model:
    """Model of TOML text; `name` is the file's name in messages.

    Raises
    ------
    speclake.errors.BadSettings
        As for `load`.
    """
    try:
        data = tomllib.loads(text, parse_float=parse_float)
    except tomllib.TOMLDecodeError as error:
        line = re.search(r"line (\d+)", str(error))
        problem = SettingsProblem(
            name, int(line[1]) if line else None, "the file", str(error), "TOML 1.0"
        )
        raise BadSettings((problem,)) from error
    return check(data, name, model, text)


def check(data: Mapping[str, Any], name: str, model: type[Model], text: str = "") -> Model:
    """Model of data already parsed; `text` is where the lines are looked up.

    Raises
    ------
    speclake.errors.BadSettings
        The data says something that the model does not allow.
    """
    try:
        return model.model_validate(data)
    except ValidationError as error:
        lines = _lines_of_keys(text)
        problems = []
        for detail in error.errors():
            place = _place(detail, data)
            problems.append(
                SettingsProblem(
                    file=name,
                    line=_line(lines, place),
                    key=".".join(str(part) for part in place) or "the file",
                    found=_found(detail),
                    allowed=_allowed(detail, model),
                )
            )
        raise BadSettings(tuple(problems)) from error


_NO_SUCH_KIND, _NO_KIND = "union_tag_invalid", "union_tag_not_found"
"""Errors of a table whose kind is told by one of its keys."""


def _place(detail: Any, data: object) -> tuple[Any, ...]:
    """Keys that lead to what is wrong, without the kinds of tables that pydantic puts between."""
    place: list[Any] = []
    for part, then in zip_longest(detail["loc"], detail["loc"][1:]):
        if _is_kind_of(part, then, data):
            continue
        place.append(part)
        if isinstance(data, Mapping):
            data = data.get(part)
        elif isinstance(data, list | tuple) and isinstance(part, int):
            data = data[part]
    if detail["type"] in (_NO_SUCH_KIND, _NO_KIND):
        place.append(detail["ctx"]["discriminator"].strip("'"))
    return tuple(place)


def _is_kind_of(part: object, then: object, data: object) -> bool:
    """Whether a part of a location names no key: a kind of table, or the one entry of a list.

    Parameters
    ----------
    then : the part that follows.
    data : what was written there.
    """
    if isinstance(data, Mapping):
        # a table alone may stand for a list of one
        return part not in data and (0 in (part, then) or part in data.values())
    return data is not None and isinstance(part, str)


def _found(detail: Any) -> str:
    if detail["type"] in ("missing", _NO_KIND):
        return "nothing"
    if detail["type"] == _NO_SUCH_KIND:
        return repr(detail["ctx"]["tag"])
    if detail["type"] == "extra_forbidden":
        return f"the key {detail['loc'][-1]!r}"
    found = detail["input"]
    shown = str(found) if isinstance(found, Decimal) else repr(found)
    return shown if len(shown) <= 80 else shown[:77] + "..."


def _allowed(detail: Any, model: type[BaseModel]) -> str:
    kind = detail["type"]
    if kind in ("missing", _NO_KIND):
        return "this key, which is required"
    if kind == "extra_forbidden":
        known = _keys_at(model, detail["loc"][:-1])
        return f"one of {', '.join(sorted(known))}" if known else "no such key"
    if kind in ("literal_error", "enum"):
        return str(detail["ctx"]["expected"])
    if kind == _NO_SUCH_KIND:
        return f"one of {detail['ctx']['expected_tags']}"
    message = str(detail["msg"])
    return message.removeprefix("Value error, ").removeprefix("Input should be ")


def _keys_at(model: Any, loc: tuple[Any, ...]) -> set[str]:
    """Keys that the table at `loc` may have, as far as the annotations show them."""
    models = [model]
    for part in loc:
        if isinstance(part, int):
            continue
        found: list[Any] = []
        for each in models:
            info = each.model_fields.get(part) if hasattr(each, "model_fields") else None
            if info is not None:
                found += _models_in(info.annotation)
        models = found or [each for each in models if _is_kind(each, part)] or models
    return {key for each in models for key in each.model_fields}


def _is_kind(model: type[BaseModel], kind: Any) -> bool:
    """Whether a model is the one for a kind of table, which one of its keys tells."""
    return any(
        kind in getattr(each.annotation, "__args__", ()) for each in model.model_fields.values()
    )


def _models_in(annotation: Any) -> list[Any]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [m for part in getattr(annotation, "__args__", ()) for m in _models_in(part)]


def _lines_of_keys(text: str) -> dict[tuple[Any, ...], int]:
    """Line on which each table header and each key of a table stands."""
    lines: dict[tuple[Any, ...], int] = {}
    counts: dict[tuple[Any, ...], int] = {}
    table: tuple[Any, ...] = ()
    for number, line in enumerate(text.splitlines(), 1):
        if header := _HEADER.match(line):
            path = _indexed(_parts(header[2]), counts)
            if header[1] == "[[":
                counts[path] = counts.get(path, -1) + 1
                path = (*path, counts[path])
            table = path
            lines.setdefault(table, number)
        elif key := _KEY.match(line):
            lines.setdefault((*table, *_parts(key[1])), number)
    return lines


def _parts(dotted: str) -> tuple[str, ...]:
    return tuple(part.strip().strip("\"'") for part in dotted.split("."))


def _indexed(parts: tuple[str, ...], counts: dict[tuple[Any, ...], int]) -> tuple[Any, ...]:
    """Path of a header with the running index of each array of tables that it lies in."""
    path: tuple[Any, ...] = ()
    for i, part in enumerate(parts):
        path = (*path, part)
        if i < len(parts) - 1 and path in counts:
            path = (*path, counts[path])
    return path


def _line(lines: dict[tuple[Any, ...], int], loc: tuple[Any, ...]) -> int | None:
    """Line of the key, or of the nearest table around it."""
    for length in range(len(loc), 0, -1):
        if (line := lines.get(loc[:length])) is not None:
            return line
    return None
