"""Builders of invented exports and of the formats that describe them."""

from speclake_plugins.columns import ColumnsImporter

from speclake import tomlfile
from speclake.importing import Source
from speclake.importing.formats import Format
from speclake.spectrum import Spectrum

TWO_COLUMNS = """
[recognise]
text = ["Invented bench"]

[text]
encoding = "utf-8"
delimiter = "tab"
decimal_sign = "."

[header]
next_line = '^nm\\t'

[table]
title_lines = 1

[axis]
unit = "nm"

[values]
unit = "%T"
"""


def merged(base: dict, changes: dict) -> dict:
    """Tables of a format with some keys changed, and those that are None left out."""
    result = dict(base)
    for key, value in changes.items():
        if value is None:
            result.pop(key, None)
        elif isinstance(value, dict) and isinstance(result.get(key), dict):
            result[key] = merged(result[key], value)
        else:
            result[key] = value
    return result


def two_columns(**changes: dict | None) -> Format:
    """The format of two columns behind a tab, with these tables changed."""
    data = tomlfile.loads(TWO_COLUMNS, "bench.toml", Format).as_data()
    return tomlfile.check(merged(data, changes), "bench.toml", Format)


def table(rows: list[str], header: str = "Invented bench\n", titles: str = "nm\t%T\n") -> bytes:
    """Bytes of an export with a newline behind each row."""
    return (header + titles + "".join(f"{row}\n" for row in rows)).encode()


def source(content: bytes, form: Format, name: str = "run7.txt") -> Source:
    """Export that the settings bind to this one format."""
    return Source(name, content, {"bench": form.as_data()}, "bench")


def read(content: bytes, form: Format, name: str = "run7.txt") -> list[Spectrum]:
    """Spectra of an export."""
    return list(ColumnsImporter().read(source(content, form, name)))


def read_one(content: bytes, form: Format) -> Spectrum:
    """The only spectrum of an export."""
    [spectrum] = read(content, form)
    return spectrum
