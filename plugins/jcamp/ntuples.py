"""NTUPLES: several spectra on pages of one block (JCAMP-DX 5.0 and later).

The variables stand in columns: ``##SYMBOL= X, Y, T`` names them, and ``##UNITS=``, ``##FACTOR=``,
``##VAR_DIM=`` and so on say one thing of each, in the same order. ``##PAGE= T=20`` begins a page.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass

from speclake_plugins.jcamp.curve import Table
from speclake_plugins.jcamp.decimals import Written, written
from speclake_plugins.jcamp.forms import form_of
from speclake_plugins.jcamp.header import Header
from speclake_plugins.jcamp.records import Document, Record

_WHOLE = re.compile(r"[0-9]{1,15}")


@dataclass(frozen=True, eq=False)
class Page:
    """One page: its header, table and units."""

    header: Header
    table: Table
    x_units: str
    y_units: str


def pages_of(document: Document, header: Header, *, is_closed: bool) -> Iterator[Page]:
    """Pages of a block with ``##NTUPLES=``.

    Raises
    ------
    speclake.errors.MalformedFile
        The columns do not describe the pages, or a page or the end is missing.
    """
    shared, pages, ended = _parts(header)
    whole = Header(document, shared)
    if not is_closed or not ended:
        raise document.refusal(
            None, "no ##END NTUPLES= or no ##END=", "both; this file may be cut short"
        )
    if not pages:
        raise document.refusal(whole.line("NTUPLES"), "##NTUPLES= without a page", "##PAGE=")
    _check_count_of_pages(document, whole, pages)
    for page in pages:
        header = Header(document, [*shared, *page])
        yield _page(document, whole, header, page, is_first=page is pages[0])


def _parts(header: Header) -> tuple[list[Record], list[list[Record]], bool]:
    shared: list[Record] = []
    pages: list[list[Record]] = []
    ended = False
    for record in header.records:
        if record.key == "ENDNTUPLES":
            ended = True
        elif record.key == "PAGE" and not ended:
            pages.append([record])
        elif pages and not ended:
            pages[-1].append(record)
        else:
            shared.append(record)
    return shared, pages, ended


def _check_count_of_pages(document: Document, whole: Header, pages: list[list[Record]]) -> None:
    variable = document.value(pages[0][0]).partition("=")[0].strip()
    stated = _column(whole, "VARDIM", _symbols(whole).get(variable))
    if _WHOLE.fullmatch(stated) and int(stated) != len(pages):
        raise document.refusal(
            whole.line("VARDIM"), f"{len(pages)} pages", f"{stated} pages (##VAR_DIM=)"
        )


def _page(
    document: Document, whole: Header, header: Header, page: list[Record], *, is_first: bool
) -> Page:
    own = Header(document, page)
    tables = [record for record in page if record.key == "DATATABLE"]
    if len(tables) != 1:
        raise document.refusal(page[0].line, f"{len(tables)} data tables on a page", "one")
    form = form_of(document, tables[0])
    symbols = _symbols(whole)
    for symbol in (form.x, form.y):
        if symbol not in symbols:
            raise document.refusal(
                tables[0].line, f"the variable {symbol!r}", f"one of {', '.join(symbols)}"
            )
    x, y = symbols[form.x], symbols[form.y]

    def stated(key: str, column: int, *, of_page: bool = False) -> Written | None:
        # what is said once for all pages of the ordinates is a check of the first page at most
        text = _column(own, key, column) or ("" if of_page else _column(whole, key, column))
        if text in ("", "?"):
            return None
        try:
            number = written(text)
        except ValueError as error:
            raise document.refusal(header.line(key), f"##{key}= {error}", "numbers") from error
        if key == "FACTOR" and not number.mantissa:
            raise document.refusal(header.line(key), f"##{key}= {text}", "factors other than 0")
        return number

    count = own.count("NPOINTS") or _dimension(document, own, whole, (y, x))
    table = Table(
        tables[0],
        form.in_pairs,
        count,
        first_x=stated("FIRST", x),
        last_x=stated("LAST", x),
        first_y=stated("FIRST", y, of_page=not is_first),
        max_y=stated("MAX", y, of_page=True),
        min_y=stated("MIN", y, of_page=True),
        x_factor=stated("FACTOR", x),
        y_factor=stated("FACTOR", y),
        lines={"count": header.line("VARDIM"), "first_y": header.line("FIRST")},
    )
    return Page(header, table, _column(whole, "UNITS", x), _column(whole, "UNITS", y))


def _symbols(header: Header) -> dict[str, int]:
    return {
        symbol.strip(): column for column, symbol in enumerate(header.value("SYMBOL").split(","))
    }


def _column(header: Header, key: str, column: int | None) -> str:
    columns = header.value(key).split(",")
    return columns[column].strip() if column is not None and column < len(columns) else ""


def _dimension(
    document: Document, own: Header, whole: Header, columns: tuple[int, int]
) -> int | None:
    for header in (own, whole):
        for column in columns:
            text = _column(header, "VARDIM", column)
            if text:
                if not _WHOLE.fullmatch(text):
                    raise document.refusal(
                        header.line("VARDIM"), f"##VAR_DIM= {text}", "counts of points"
                    )
                return int(text)
    return None
