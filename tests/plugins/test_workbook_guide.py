"""The guide's example of a workbook is read as the guide says, and every key stands there."""

import re
from pathlib import Path

from speclake import tomlfile
from speclake.importing.sheetformat import SheetFormat, Sheets
from tests.plugins.workbooks import book, read

GUIDE = (Path(__file__).parents[2] / "docs" / "workbooks.md").read_text("utf-8")
FORMATS = re.findall(r"```toml\n(.*?)```", GUIDE, re.DOTALL)


def cells_shown() -> list[list[object]]:
    """Cells of the sheet that the guide shows."""
    rows = re.findall(r"^\| \d+ \|(.*)\|$", GUIDE, re.MULTILINE)
    return [[cell_of(text.strip()) for text in row.split("|")] for row in rows]


def cell_of(text: str) -> object:
    try:
        return float(text)
    except ValueError:
        return text or None


def test_the_worked_example_gives_what_the_guide_says():
    content = book(**{"W-17": cells_shown(), "W-18": cells_shown(), "Remarks": [["as coated"]]})
    spectra = read(content, FORMATS[0])
    assert f"This gives {len(spectra)} spectra" in GUIDE
    assert [s.place for s in spectra[:2]] == ["sheet 'W-17', column 2", "sheet 'W-17', column 3"]
    assert spectra[0].values.tolist() == [0.9191, 0.9192, 0.9193]
    assert spectra[0].fields == {
        "lot": "L0042",
        "sample": "W-17",
        "site": "1",
        "angle_deg": "8",
        "scanned": "2026-05-04T13:12:30+02:00",
    }
    assert not any(spectrum.notes for spectrum in spectra)


def test_every_key_of_sheets_is_explained_and_shown():
    assert set(re.findall(r"^\| `(\w+)` \|", GUIDE, re.MULTILINE)) == set(Sheets.model_fields)
    for key in Sheets.model_fields:
        assert re.search(rf"^{key} = ", "\n".join(FORMATS), re.MULTILINE), key
    rest = '\n[axis]\nunit = "nm"\n[values]\nunit = "T"\n'
    assert tomlfile.loads(FORMATS[1] + rest, "guide.toml", SheetFormat).sheets.first_column == 3
