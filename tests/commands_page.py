"""The page docs/commands.md, written from what the commands declare of themselves.

``python -m tests.commands_page`` writes it anew; a test compares it with the page that is there.
"""

import inspect
from collections.abc import Iterator
from pathlib import Path, PurePath
from types import NoneType, UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin, get_type_hints

from typer.models import ArgumentInfo, CommandInfo, OptionInfo

from speclake.cli.app import app

PAGE = Path(__file__).parents[1] / "docs" / "commands.md"
TOP = """\
# Commands

<!-- Written by `python -m tests.commands_page` from the commands themselves; do not edit. -->

`speclake --help` lists the commands, `speclake COMMAND --help` explains one, `speclake --version`
tells the version.

| exit code | meaning |
| --- | --- |
| 0 | done |
| 1 | something was refused, failed, is damaged or changes; of `judge`: a verdict is not pass |
| 2 | wrong use: an option, a file, a name or a setting that cannot be; a sentence says which |

Most commands work on one archive: the folder given with `--archive`, else the one that the
environment variable `SPECLAKE_ARCHIVE` names, else the folder in which the command is given. With
`--json` a command prints one JSON document on standard output and nothing else there. Progress and
errors go to standard error.
"""


def page() -> str:
    """The whole page."""
    parts = [TOP]
    group = ""
    for command in app.registered_commands:
        home = inspect.getmodule(command.callback)
        if home is not None and home.__name__ != group:
            group = home.__name__
            parts.append(f"## {(home.__doc__ or '').split(':')[0]}\n")
        parts.append(_section(command))
    return "\n".join(parts)


def parameters(command: CommandInfo) -> Iterator[tuple[str, str, str]]:
    """How each parameter of a command is written, what it means, and what holds without it."""
    function = command.callback
    assert function is not None
    hints = get_type_hints(function, include_extras=True)
    for name, declared in inspect.signature(function).parameters.items():
        assert get_origin(hints[name]) is Annotated, f"{function.__name__}: {name}"
        kind, info = get_args(hints[name])
        yield _written(name, kind, info), _meaning(kind, info), _without(declared.default)


def name_of(command: CommandInfo) -> str:
    """What a person types."""
    assert command.callback is not None
    return command.name or command.callback.__name__.replace("_", "-")


def _section(command: CommandInfo) -> str:
    told = inspect.getdoc(command.callback) or ""
    text, _, example = told.partition("\n\nExample: ")
    assert example, f"{name_of(command)} shows no example"
    rows = [f"| {' | '.join(cells)} |\n" for cells in parameters(command)]
    table = "| | meaning | without it |\n| --- | --- | --- |\n" + "".join(rows)
    return f"### `speclake {name_of(command)}`\n\n{text}\n\n```console\n{example}\n```\n\n{table}"


def _written(name: str, kind: Any, info: ArgumentInfo | OptionInfo) -> str:
    if isinstance(info, ArgumentInfo):
        return f"`{name.upper()}{' ...' if _is_list(kind) else ''}`"
    # what comes first in typer.Option is a spelling where the default stands in the signature
    spelled = [each for each in (info.default, *(info.param_decls or ())) if isinstance(each, str)]
    if not spelled:
        dashed = name.replace("_", "-")
        spelled = [f"--{dashed}/--no-{dashed}" if kind is bool else f"--{dashed}"]
    return ", ".join(f"`{one}`" for text in spelled for one in text.split("/"))


def _meaning(kind: Any, info: ArgumentInfo | OptionInfo) -> str:
    assert info.help, f"{kind} {info.param_decls}: says nothing of itself"
    told = [info.help]
    words = _words(kind)
    if words:
        told.append(f"One of {', '.join(f'`{word}`' for word in words)}.")
    if info.formats:
        told.append(f"Written as {' or '.join(f'`{_in_letters(f)}`' for f in info.formats)}.")
    if info.envvar:
        told.append(f"Also from the environment variable `{info.envvar}`.")
    return " ".join(told)


def _words(kind: Any) -> tuple[str, ...]:
    return get_args(kind) if get_origin(kind) is Literal else ()


def _in_letters(pattern: str) -> str:
    for sign, letters in (("%Y", "YYYY"), ("%m", "MM"), ("%d", "DD"), ("%H", "hh"), ("%M", "mm")):
        pattern = pattern.replace(sign, letters)
    return pattern


def _is_list(kind: Any) -> bool:
    inside = get_args(kind) if get_origin(kind) in (Union, UnionType) else (kind,)
    return any(get_origin(each) is list for each in inside if each is not NoneType)


def _without(default: Any) -> str:
    if default is inspect.Parameter.empty:
        return "required"
    if default is None or default is False:
        return ""
    if default is True:
        return "on"
    if isinstance(default, PurePath):
        return "this folder" if default == Path() else f"`{default.as_posix()}`"
    return f"`{default}`"


if __name__ == "__main__":
    PAGE.write_text(page(), "utf-8")
