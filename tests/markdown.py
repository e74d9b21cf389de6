"""What the pages of the documentation hold: blocks with their marks, tables, links."""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

ROOT = Path(__file__).parents[1]
PAGES = sorted([*ROOT.glob("*.md"), *ROOT.glob("docs/*.md")])
"""README and its neighbours, and everything in docs."""

_BLOCK = re.compile(r"^```([^\n`]*)\n(.*?)^```$", re.DOTALL | re.MULTILINE)
_LINK = re.compile(r"\[[^\]]*\]\(([^)\s]+)\)")


@dataclass(frozen=True)
class Block:
    """A fenced block: its language, the words behind the language, its text."""

    page: str
    line: int
    language: str
    marks: tuple[str, ...]
    text: str

    @property
    def id(self) -> str:
        """Where it stands, as the name of a test."""
        return f"{self.page}:{self.line}"

    @property
    def file(self) -> str | None:
        """Name of the file that the block is, where it is marked ``file=NAME``."""
        names = [mark.removeprefix("file=") for mark in self.marks if mark.startswith("file=")]
        return names[0] if names else None


@cache
def text_of(page: Path) -> str:
    """Text of a page."""
    return page.read_text("utf-8")


def blocks(*languages: str) -> list[Block]:
    """Blocks in some languages on all pages, in order."""
    return [block for page in PAGES for block in blocks_of(page) if block.language in languages]


def blocks_of(page: Path) -> Iterator[Block]:
    """Blocks of one page."""
    for match in _BLOCK.finditer(text_of(page)):
        language, *marks = match[1].split() or [""]
        line = text_of(page).count("\n", 0, match.start()) + 1
        yield Block(page.name, line, language, tuple(marks), match[2])


def links_of(page: Path) -> list[str]:
    """Targets of the links and pictures of a page, blocks apart."""
    return _LINK.findall(_BLOCK.sub("", text_of(page)))


def anchors_of(page: Path) -> set[str]:
    """Anchors that the headings of a page give."""
    headings = re.findall(r"^#+ (.*)$", _BLOCK.sub("", text_of(page)), re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", h.lower()).replace(" ", "-") for h in headings}


def section(page: Path, heading: str) -> str:
    """Text between a heading and the next one."""
    match = re.search(
        rf"^#+ {re.escape(heading)}\n(.*?)(?=^#+ |\Z)", text_of(page), re.DOTALL | re.MULTILINE
    )
    assert match is not None, f"{page.name} has no heading {heading!r}"
    return match[1]


def table(text: str) -> list[list[str]]:
    """Rows of the first table of a text, without its title rows."""
    lines = text.splitlines()
    first = next(i for i, line in enumerate(lines) if line.startswith("| ---"))
    rows = []
    for line in lines[first + 1 :]:
        if not line.startswith("|"):
            break
        rows.append([cell.strip() for cell in line.strip("|").split(" | ")])
    return rows
