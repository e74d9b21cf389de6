"""How commands print: tables for people, JSON for programs."""

import json
import os
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, tzinfo
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

if TYPE_CHECKING:
    from speclake.api import Archive

ARCHIVE_VARIABLE = "SPECLAKE_ARCHIVE"

ArchiveOption = Annotated[
    Path,
    typer.Option(
        "--archive", "-a", envvar=ARCHIVE_VARIABLE, help="Folder of the archive.", show_default=True
    ),
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON for a program to read.")]
WhoOption = Annotated[str, typer.Option("--who", help="Who does this, for the record.")]
WhyOption = Annotated[str, typer.Option("--why", help="Why, for the record.")]
OutcomeWord = Literal["pass", "fail", "undecided", "not measurable", "not judged"]
"""`speclake.archive.catalog.OUTCOMES`, spelled out since help must not load the archive."""

HERE = Path()


def opened(path: Path) -> "Archive":
    """Archive in a folder; the import is paid only by commands that need it."""
    from speclake.api import Archive

    return Archive.open(path)


def print_json(data: object) -> None:
    """One JSON document on standard output."""
    typer.echo(json.dumps(data, default=_plain, ensure_ascii=False, indent=2))


def _plain(value: object) -> object:
    if isinstance(value, datetime):
        return value.isoformat()
    if isinstance(value, set | frozenset | tuple):
        return list(value)
    return str(value)


def print_rows(
    rows: Iterable[Mapping[str, Any]],
    columns: Sequence[str],
    zone: tzinfo | None = None,
) -> None:
    """Table of some columns of rows, times in the lab's zone; text of the data is no markup."""
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    table = Table(box=None, pad_edge=False, header_style="bold")
    for column in columns:
        is_whole = column.endswith("_id")  # an identifier in two lines cannot be copied
        table.add_column(column.replace("_", " "), overflow="fold", no_wrap=is_whole)
    for row in rows:
        table.add_row(*(Text(shown(row.get(column), zone)) for column in columns))
    width = None if os.isatty(1) else 160
    Console(width=width, soft_wrap=False).print(table)


def counted(number: int, what: str) -> str:
    """A number of things in words, as 1 folder and 2 folders."""
    return f"{number} {what}" if number == 1 else f"{number} {what}s"


def shown(value: object, zone: tzinfo | None) -> str:
    """A value of a row as text, times in a zone."""
    if value is None:
        return ""
    if isinstance(value, datetime):
        return value.astimezone(zone).strftime("%Y-%m-%d %H:%M %Z")
    if isinstance(value, float):
        return f"{value:.6g}"
    return str(value)
