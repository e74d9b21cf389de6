"""Findings as lines: the scans that share one, and below them what was found and what to do."""

import textwrap
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import tzinfo
from typing import Any

from speclake.cli.output import shown

SCAN = ("measurement_id", "trusted_at", "instrument", "product", "lot", "serial", "sample")
WIDTH = 100
"""Characters in a line of text."""

Row = Mapping[str, Any]


def finding_lines(rows: Iterable[Row], zone: tzinfo | None) -> Iterator[str]:
    """A block for each thing that was found, however many scans it was found on."""
    groups: dict[tuple[str, ...], list[Row]] = {}
    for row in rows:
        key = tuple(row[name] or "" for name in ("check", "severity", "text", "advice"))
        groups.setdefault(key, []).append(row)
    tables = {key: [_cells(row, zone) for row in its] for key, its in groups.items()}
    widths = [
        max(map(len, column), default=0)
        for column in zip(*(row for its in tables.values() for row in its), strict=True)
    ]
    for (check, severity, text, advice), its in tables.items():
        on = f", on {len(its)} scans" if len(its) > 1 else ""
        yield f"{check} ({severity}){on}"
        yield from (_line(row, widths) for row in its)
        for said in (text, f"What to do: {advice}" if advice else ""):
            yield from textwrap.wrap(
                said, WIDTH, initial_indent="    ", subsequent_indent="    ",
                break_long_words=False, break_on_hyphens=False,
            )  # fmt: skip
        yield ""


def _cells(row: Row, zone: tzinfo | None) -> list[str]:
    """What tells a scan; of lot, serial and sample with the word, since no header stands above."""
    named = ("lot", "serial", "sample")
    return [
        f"{name} {row[name]}" if name in named and row.get(name) else shown(row.get(name), zone)
        for name in SCAN
    ]


def _line(row: Sequence[str], widths: Sequence[int]) -> str:
    cells = [text.ljust(width) for text, width in zip(row, widths, strict=True) if width]
    return f"  {'  '.join(cells)}".rstrip()
