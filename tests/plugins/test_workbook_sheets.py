"""Which workbooks and which of their sheets are read; nothing is left out in silence."""

import io
import tomllib
import zipfile
from dataclasses import replace

import pytest
from speclake_plugins.workbook import WorkbookImporter

from speclake.errors import MalformedFile
from speclake.importing import Confidence, Guess, Source, read_checked
from speclake.importing.interface import HEAD_BYTES
from tests.plugins.workbooks import (
    PLAIN,
    POINTS,
    TITLES,
    book,
    formats,
    read,
    read_one,
    refusal,
    with_rule,
)


class TestSheets:
    TABLE = (TITLES, *POINTS)

    def test_each_sheet_is_read_at_a_place_of_its_own(self) -> None:
        spectra = read(book(S1=self.TABLE, S2=self.TABLE, empty=[]))
        assert [spectrum.place for spectrum in spectra] == ["sheet 'S1'", "sheet 'S2'"]

    def test_only_sheets_that_the_format_names_are_read_and_the_rest_is_refused(self) -> None:
        content = book(Scan1=self.TABLE, Remarks=[["as coated"]])
        assert refusal(content, with_rule('read = ["Scan*"]')) == (
            "sheet 'Remarks'", "also this sheet", "sheets that the format reads or ignores",
        )  # fmt: skip
        rule = with_rule('read = ["Scan*"]\nignore = ["Rem*"]')
        assert read_one(content, rule).place == "sheet 'Scan1'"
        assert read_one(content, with_rule('ignore = ["Remarks"]')).place == "sheet 'Scan1'"

    def test_a_sheet_that_is_not_there_or_empty_is_missed_where_its_name_is_given(self) -> None:
        content = book(S1=self.TABLE, S2=[])
        assert refusal(content, with_rule('read = ["S1", "S3"]'))[1] == (
            "no sheet 'S3' among the sheets 'S1', 'S2'"
        )
        assert refusal(content, with_rule('read = ["S1", "S2"]'))[:2] == ("sheet 'S2'", "no cell")

    def test_a_workbook_without_a_sheet_to_read_is_refused(self) -> None:
        assert refusal(book(S1=[], S2=[]))[1] == "only the sheets 'S1', 'S2'"

    @pytest.mark.parametrize("state", ["hidden", "veryHidden"])
    def test_a_hidden_sheet_is_read_only_by_its_whole_name(self, state) -> None:
        def hide(workbook) -> None:
            workbook["S2"].sheet_state = state

        content = book(S1=self.TABLE, S2=self.TABLE, prepare=hide)
        assert read_one(content).notes == ("hidden sheet 'S2' not read",)
        assert read_one(content, with_rule('read = ["S*"]')).place == "sheet 'S1'"
        first, second = read(content, with_rule('read = ["S1", "S2"]'))
        assert (second.place, second.notes) == ("sheet 'S2'", ())
        assert first.notes == ()

    def test_a_sheet_of_a_chart_holds_no_cells_and_is_passed_over(self) -> None:
        def add_chart(workbook) -> None:
            workbook.create_chartsheet("Chart")

        assert read_one(book(S1=self.TABLE, prepare=add_chart)).place == "sheet 'S1'"

    def test_one_bad_sheet_refuses_the_file(self) -> None:
        content = book(S1=self.TABLE, S2=[TITLES, [400, "over"]])
        assert refusal(content)[0] == "sheet 'S2', cell B2"


def sniffed(content: bytes, head: int = HEAD_BYTES, name: str = "run7.xlsx", **tomls: str) -> Guess:
    forms = {key: tomllib.loads(toml) for key, toml in tomls.items()}
    return WorkbookImporter().sniff(Source(name, content[:head], forms))


class TestRecognising:
    CONTENT = book(S1=[["Invented bench"], TITLES, *POINTS])
    BY_TEXT = PLAIN.replace('file_name = "*.xlsx"', 'text = ["Invented bench"]')

    def test_a_format_that_goes_by_the_name_is_certain(self) -> None:
        guess = sniffed(self.CONTENT, plain=PLAIN)
        assert (guess.confidence, guess.format) == (Confidence.CERTAIN, "plain")
        assert sniffed(self.CONTENT, name="run7.xlsm", plain=PLAIN).confidence is Confidence.NO

    def test_a_format_that_goes_by_text_is_likely_until_the_sheets_are_read(self) -> None:
        guess = sniffed(self.CONTENT, plain=self.BY_TEXT)
        assert (guess.confidence, guess.format) == (Confidence.LIKELY, "plain")
        other = self.BY_TEXT.replace("Invented bench", "Another bench")
        guess = sniffed(self.CONTENT, plain=self.BY_TEXT, other=other)
        assert (guess.confidence, guess.format) == (Confidence.LIKELY, None)
        header = "[header]\nlines = 1\n"
        forms = {"plain": tomllib.loads(self.BY_TEXT + header), "other": tomllib.loads(other)}
        source = Source("run7.xlsx", self.CONTENT, forms)
        [spectrum] = read_checked(WorkbookImporter(), source)
        assert spectrum.notes == ("read by the format 'plain', whose texts stand in a sheet",)
        with pytest.raises(MalformedFile, match="no format that recognises it"):
            read(self.CONTENT, other)

    def test_the_texts_must_stand_in_the_first_rows_of_one_sheet(self) -> None:
        toml = self.BY_TEXT.replace('["Invented bench"]', '["Invented", "S1"]')
        toml += "[header]\nlines = 1\n"
        assert len(read(self.CONTENT, toml)) == 1
        with pytest.raises(MalformedFile, match="no format that recognises it"):
            read(self.CONTENT, toml.replace("[sheets]", "within_lines = 1\n[sheets]"))
        with pytest.raises(MalformedFile, match="no format that recognises it"):
            read(book(S1=[["Invented"]], S2=[["S1"]]), toml)

    def test_two_formats_that_recognise_a_file_are_named(self) -> None:
        guess = sniffed(self.CONTENT, one=PLAIN, two=PLAIN)
        assert guess.confidence is Confidence.POSSIBLE
        assert "'one' and 'two'" in guess.reason
        source = Source(
            "run7.xlsx", self.CONTENT, dict.fromkeys(("one", "two"), formats(PLAIN)["sheet"])
        )
        with pytest.raises(MalformedFile, match="2 formats that recognise it"):
            read_checked(WorkbookImporter(), source)

    def test_the_format_that_the_settings_name_needs_no_recognition(self) -> None:
        forms = formats(PLAIN.replace("xlsx", "abc"))
        source = Source("run7.xlsx", book(S1=[TITLES, *POINTS]), forms, "sheet")
        assert WorkbookImporter().sniff(source).confidence is Confidence.CERTAIN
        assert len(read_checked(WorkbookImporter(), source)) == 1
        for name in ("text", "nowhere"):
            other = replace(source, formats={"text": {"text": {}}}, format=name)
            assert WorkbookImporter().sniff(other).confidence is Confidence.NO
            with pytest.raises(MalformedFile):
                read_checked(WorkbookImporter(), other)

    @pytest.mark.parametrize(
        ("content", "reason"),
        [
            (b"", "does not begin like a workbook"),
            (b"nm;%T\n", "does not begin like a workbook"),
            (bytes.fromhex("d0cf11e0a1b11ae1") + bytes(600), "encrypted or of the binary kind"),
            (b"PK\x03\x04" + bytes(26) + b"run7.txt", "begins with no part of a workbook"),
        ],
    )
    def test_what_is_no_workbook_is_not_claimed(self, content, reason) -> None:
        guess = sniffed(content, plain=PLAIN)
        assert guess.confidence is Confidence.NO
        assert reason in guess.reason

    def test_a_workbook_is_known_by_its_first_bytes(self) -> None:
        assert sniffed(self.CONTENT, 2000, plain=PLAIN).confidence is Confidence.CERTAIN
        assert "describe" in sniffed(self.CONTENT).reason

    def test_a_workbook_with_macros_is_read_without_them(self) -> None:
        stream = io.BytesIO(book(S1=[TITLES, *POINTS]))
        with zipfile.ZipFile(stream, "a") as archive:
            archive.writestr("xl/vbaProject.bin", bytes(range(256)) * 100)
        assert read_one(stream.getvalue()).values.size == 3

    def test_sheets_of_another_kind_of_office_document_are_refused(self) -> None:
        stream = io.BytesIO()
        with zipfile.ZipFile(stream, "w") as archive:
            archive.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
            archive.writestr("content.xml", "<a/>")
        assert sniffed(stream.getvalue(), plain=PLAIN).confidence is Confidence.NO
        with pytest.raises(MalformedFile, match=r"found a zip file without xl/workbook\.xml"):
            read(stream.getvalue())
