"""What two revisions of a specification say differently, in plain words.

Whatever makes another version of a specification is told: there is no difference exactly where the
versions are equal.
"""

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Any, Literal

from speclake.specs.model import Specification
from speclake.specs.requirements import Requirement

Kind = Literal["added", "removed", "changed"]

LIMITS = {"at_least": 1, "at_most": -1}
"""Keys of limits, with the direction in which a limit becomes tighter."""

AIMS = ("target", "tolerance")
"""Keys that say limits in another way, as a number with what it may be off."""

BLOCKING = "blocked_by"
"""Key of the checks that leave no verdict; left out of a requirement, the specification's hold."""

NAMES = ("id", "name", "instrument_class")
"""Keys by which an entry in a list of tables is known, whatever its place in the list."""

SOURCES = ("source", "runs")
"""Keys of a table of numbers that say where it comes from."""

Said = Mapping[str, Any]


@dataclass(frozen=True)
class Difference:
    """One thing that is said differently.

    Parameters
    ----------
    kind : whether the later revision has it in addition, no longer, or otherwise.
    requirement : its identifier; empty where it is about the specification as a whole.
    key : as it stands in the file, with dots into tables; empty for a requirement as a whole.
    words : what is different, without naming the requirement.
    """

    kind: Kind
    requirement: str
    key: str
    words: str

    @property
    def sentence(self) -> str:
        """The difference as one sentence without a full stop."""
        return f"requirement {self.requirement!r}: {self.words}" if self.requirement else self.words


def differences(before: Specification, after: Specification) -> tuple[Difference, ...]:
    """Everything that a specification says otherwise than an earlier one, in the order of the file.

    Keys of the specification come first, then requirements that are gone, changed and new.

    Examples
    --------
    >>> text = '''
    ... name = "window"
    ... [[requirement]]
    ... id = "mean"
    ... what = "mean"
    ... unit = "%T"
    ... band = [420, 680]
    ... at_least = 99.25
    ... '''
    >>> old = Specification.from_toml_text(text, "window.toml")
    >>> new = Specification.from_toml_text(text.replace("99.25", "99.50"), "window.toml")
    >>> print(differences(old, new)[0].sentence)
    requirement 'mean': at_least raised from 99.25 %T to 99.50 %T (tighter)
    """
    old, new = (each.model_dump(mode="json", exclude_defaults=True) for each in (before, after))
    old_ones, new_ones = ({r.id: r for r in each.requirements} for each in (before, after))
    other_names = renamed(before, after)
    told = list(
        _of_tables(
            _without(old, "requirement"),
            _without(new, "requirement"),
            (before.model_dump(mode="json"), after.model_dump(mode="json")),
        )
    )
    told += [
        Difference("changed", later, "id", f"called {earlier!r} before, and otherwise the same")
        for earlier, later in other_names.items()
    ]
    told += [
        Difference("removed", name, "", f"is gone; it asked for {each.description}")
        for name, each in old_ones.items()
        if name not in new_ones and name not in other_names
    ]
    for name, each in new_ones.items():
        if name in old_ones:
            told += _of_requirements(old_ones[name], each)
        elif name not in other_names.values():
            told.append(Difference("added", name, "", f"is new: {each.description}"))
    return (*told, *_order(old_ones, new_ones, other_names))


def _without(said: Said, key: str) -> dict[str, Any]:
    return {name: value for name, value in said.items() if name != key}


def _said(requirement: Requirement) -> dict[str, Any]:
    return requirement.model_dump(mode="json", exclude_defaults=True)


def renamed(before: Specification, after: Specification) -> dict[str, str]:
    """Later name of each requirement, by its earlier one, of which only the name has changed."""
    old, new = ({r.id: r for r in each.requirements} for each in (before, after))
    found: dict[str, str] = {}
    fresh = {name: _text(_without(_said(each), "id")) for name, each in new.items()}
    for name, each in old.items():
        if name in new:
            continue
        content = _text(_without(_said(each), "id"))
        alike = [
            other
            for other, its in fresh.items()
            if its == content and other not in old and other not in found.values()
        ]
        if alike:
            found[name] = alike[0]
    return found


def _order(
    before: Mapping[str, Requirement],
    after: Mapping[str, Requirement],
    other_names: Mapping[str, str],
) -> list[Difference]:
    old = [other_names.get(name, name) for name in before]
    kept = [name for name in after if name in old]
    if kept == [name for name in old if name in after]:
        return []
    return [Difference("changed", "", "requirement", "the requirements stand in another order")]


def _of_requirements(before: Requirement, after: Requirement) -> list[Difference]:
    old, new = _said(before), _said(after)
    wholes = (before.model_dump(mode="json"), after.model_dump(mode="json"))
    units = (before.unit, after.unit)
    found = list(_of_tables(_without_limits(old), _without_limits(new), wholes))
    found += _of_blocking(old.get(BLOCKING), new.get(BLOCKING))
    for key, inwards in LIMITS.items():
        found += _of_limits(key, old.get(key), new.get(key), units, inwards)
    for key in AIMS:
        found += _of_aims(key, old.get(key), new.get(key), units)
    if "tolerance" in old or "tolerance" in new:
        lower, upper = (
            (before.lower_limit, after.lower_limit),
            (before.upper_limit, after.upper_limit),
        )
        found += _of_limits("lower limit", *lower, units, LIMITS["at_least"])
        found += _of_limits("upper limit", *upper, units, LIMITS["at_most"])
    return [replace(each, requirement=after.id) for each in found]


def _without_limits(said: Said) -> dict[str, Any]:
    return {name: value for name, value in said.items() if name not in (*LIMITS, *AIMS, BLOCKING)}


def _of_blocking(before: Any, after: Any) -> Iterator[Difference]:
    """How the checks that leave no verdict by a requirement have changed, if they have."""
    if before == after:
        return
    old, new = ("those of the specification" if each is None else each for each in (before, after))
    if isinstance(old, str) or isinstance(new, str) or not old or not new:
        words = f"{BLOCKING} changed from {_checks(old)} to {_checks(new)}"
    else:
        words = f"{BLOCKING}: {_texts_in_words(old, new)}"
    yield Difference("changed", "", BLOCKING, words)


def _checks(said: Any) -> str:
    return said if isinstance(said, str) else _written(said)


def _of_limits(
    key: str, before: str | None, after: str | None, units: tuple[str, str], inwards: int
) -> Iterator[Difference]:
    """How a limit has changed, if it has; digits are those that were written."""
    old, new = (f"{limit} {unit}" for limit, unit in zip((before, after), units, strict=True))
    if before is None and after is not None:
        yield Difference("added", "", key, f"{key} {new} is new")
    elif before is not None and after is None:
        yield Difference("removed", "", key, f"{key} {old} is gone")
    elif before is not None and after is not None and before != after:
        step = Decimal(after) - Decimal(before)
        words = f"{key} {'raised' if step > 0 else 'lowered'} from {old} to {new}"
        if units[0] != units[1]:
            words = f"{key} changed from {old} to {new}"
        elif step == 0:
            words = f"{key} is written {new} instead of {old}: the same number, another last digit"
        else:
            words += " (tighter)" if step * inwards > 0 else " (looser)"
        yield Difference("changed", "", key, words)


def _of_aims(key: str, before: Any, after: Any, units: tuple[str, str]) -> Iterator[Difference]:
    """How a target or its tolerance has changed, if it has; digits are those that were written."""
    old, new = (_aim(each, unit) for each, unit in zip((before, after), units, strict=True))
    if before == after:
        return
    if before is None:
        yield Difference("added", "", key, f"{key} {new} is new")
    elif after is None:
        yield Difference("removed", "", key, f"{key} {old} is gone")
    else:
        yield Difference("changed", "", key, f"{key} changed from {old} to {new}")


def _aim(written: Any, unit: str) -> str:
    if not isinstance(written, list):
        return f"{written} {unit}"
    down, up = written
    return f"±{up} {unit}" if down == up else f"−{down} {unit}, +{up} {unit}"


def _of_tables(
    before: Said, after: Said, wholes: tuple[Said, Said] = ({}, {}), path: str = ""
) -> Iterator[Difference]:
    """How two tables differ, key by key, in the order of the later one.

    Parameters
    ----------
    wholes : both with their defaults, for what holds where a key is left out.
    path : what leads to the keys, with a dot at its end.
    """
    source = next((after[key] for key in SOURCES if key in after), None)
    for key in (*after, *(key for key in before if key not in after)):
        name = f"{path}{key}"
        if key not in before:
            yield _one_sided("added", name, after[key], wholes[0].get(key))
        elif key not in after:
            yield _one_sided("removed", name, before[key], wholes[1].get(key))
        elif _text(before[key]) != _text(after[key]):
            yield from _of_values(
                name, before[key], after[key], (wholes[0].get(key), wholes[1].get(key)), source
            )


def _text(value: object) -> str:
    """Text that is the same for the same content; unlike ``==`` it tells -0.0 from 0.0."""
    return json.dumps(value, sort_keys=True)


def _one_sided(kind: Kind, name: str, value: object, default: object) -> Difference:
    """A key that one side leaves out; what holds there by default is told if it is anything."""
    written = _written(value)
    if default in (None, "", [], {}) or isinstance(default, dict):
        words = f"{name} {written} {'is new' if kind == 'added' else 'is gone'}"
    elif kind == "added":
        words = f"{name} changed from {_written(default)} (left out) to {written}"
    else:
        words = f"{name} changed from {written} to {_written(default)} (left out)"
    return Difference(kind, "", name, words)


def _of_values(
    name: str, before: Any, after: Any, wholes: tuple[Any, Any], source: object
) -> Iterator[Difference]:
    if isinstance(before, dict) and isinstance(after, dict):
        yield from _of_tables(before, after, (wholes[0] or {}, wholes[1] or {}), f"{name}.")
    elif _are(before, dict) and _are(after, dict):
        yield from _of_entries(name, before, after)
    elif _are(before, list) and _are(after, list) and max(len(before), len(after)) > SHORT:
        whose = f" ({source})" if source else ""
        yield Difference("changed", "", name, f"{name}{whose}: {_rows_in_words(before, after)}")
    elif _are(before, str) and _are(after, str):
        yield Difference("changed", "", name, f"{name}: {_texts_in_words(before, after)}")
    else:
        words = f"{name} changed from {_written(before)} to {_written(after)}"
        yield Difference("changed", "", name, words)


def _are(values: Any, kind: type) -> bool:
    """Whether it is a list of at least one, all of a kind."""
    return isinstance(values, list) and bool(values) and all(isinstance(v, kind) for v in values)


def _of_entries(name: str, before: Sequence[Said], after: Sequence[Said]) -> Iterator[Difference]:
    """How two lists of tables differ: entry by entry, by name where all have one of their own."""
    old, new = _named(before, after)
    for key in (*new, *(key for key in old if key not in new)):
        entry = f"{name} {key}".rstrip()
        if key not in old:
            yield Difference("added", "", name, f"{entry} is new: {_written(new[key])}")
        elif key not in new:
            yield Difference("removed", "", name, f"{entry} is gone: {_written(old[key])}")
        else:
            yield from _of_tables(old[key], new[key], path=f"{entry}: ")
    if [key for key in old if key in new] != [key for key in new if key in old]:
        yield Difference("changed", "", name, f"the entries of {name} stand in another order")


def _named(
    before: Sequence[Said], after: Sequence[Said]
) -> tuple[dict[str, Said], dict[str, Said]]:
    for key in NAMES:
        names = [[each.get(key) for each in entries] for entries in (before, after)]
        if all(None not in found and len({*found}) == len(found) for found in names):
            return (
                {repr(each[key]): each for each in before},
                {repr(each[key]): each for each in after},
            )
    if len(before) == len(after) == 1:
        return {"": before[0]}, {"": after[0]}
    return (
        {str(n): each for n, each in enumerate(before, 1)},
        {str(n): each for n, each in enumerate(after, 1)},
    )


def _rows_in_words(before: Sequence[Sequence[Any]], after: Sequence[Sequence[Any]]) -> str:
    """How many rows of a table differ, by the position that each begins with."""
    old, new = ({_written(row[0]): row[1:] for row in rows} for rows in (before, after))
    changed = [at for at in new if at in old and old[at] != new[at]]
    counts = (
        (len(changed), "changed"),
        (len([at for at in new if at not in old]), "added"),
        (len([at for at in old if at not in new]), "gone"),
    )
    told = [f"{n} {word}" for n, word in counts if n]
    if len(old) < len(before) or len(new) < len(after) or not told:
        return f"{_rows(len(before))} replaced by {_rows(len(after))}"
    words = f"of {_rows(len(before))} {', '.join(told)}"
    if not changed:
        return words
    at = changed[0]
    return f"{words}; at {at} {_listed(new[at])} instead of {_listed(old[at])}" + (
        " is the first" if len(changed) > 1 else ""
    )


def _rows(count: int) -> str:
    return "1 row" if count == 1 else f"{count} rows"


def _texts_in_words(before: Sequence[str], after: Sequence[str]) -> str:
    told = [f"{_written(each)} is new" for each in after if each not in before]
    told += [f"{_written(each)} is gone" for each in before if each not in after]
    return ", ".join(told) or f"{_listed(after)} instead of {_listed(before)}"


def _listed(values: Sequence[Any]) -> str:
    return ", ".join(map(_written, values))


SHORT, LONGEST = 6, 12
"""Rows, and entries of any other list, that are written out; a longer list is counted."""


def _written(value: Any) -> str:
    """Value as a person writes it, a long table by its source and the number of its rows."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return repr(value).removesuffix(".0")
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, list):
        most = SHORT if _are(value, list) else LONGEST
        return _rows(len(value)) if len(value) > most else f"[{_listed(value)}]"
    if isinstance(value, dict):
        return ", ".join(f"{key} {_written(each)}" for key, each in value.items())
    return str(value)
