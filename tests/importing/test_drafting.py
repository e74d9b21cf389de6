"""A draft reads its own file once its open questions are answered, and never decides in silence."""

import json
import re
import tomllib
from dataclasses import asdict, dataclass, field

import pytest
from hypothesis import given
from hypothesis import strategies as st

from speclake import tomlfile
from speclake.errors import BadSettings, MalformedFile
from speclake.importing.delimited import read_export
from speclake.importing.drafting import Draft, answer_of, draft, with_answers
from speclake.importing.formats import Format

POSITIONS = [400.0, 400.5, 401.0, 401.5, 402.0]
VALUES = [91.25, 91.5, -0.75, 90.0, 8.125]


def rows(delimiter: str, decimal: str = ".", close: str = "", columns: int = 1) -> list[str]:
    """Rows of an invented table."""
    table = [
        [f"{position:.1f}", *(f"{value + column:.3f}" for column in range(columns))]
        for position, value in zip(POSITIONS, VALUES, strict=True)
    ]
    return [delimiter.join(c.replace(".", decimal) for c in row) + close for row in table]


def answered(found: Draft, answers: dict[str, object] | None = None) -> Format:
    """Format of a draft whose open questions are answered, by these words or by the examples."""
    examples = {each.key: each.choices[0] for each in found.questions if each.is_needed}
    return tomlfile.loads(with_answers(found, examples | (answers or {})), "draft.toml", Format)


def reads_or_asks(content: bytes) -> None:
    """Nothing, if a draft asks a question, or reads its own file, or says why it cannot."""
    found = draft("a.txt", content)
    tomllib.loads(found.toml)
    if any(each.is_needed for each in found.questions):
        return
    try:
        spectra = read_export(content, "a.txt", tomlfile.loads(found.toml, "draft.toml", Format))
    except MalformedFile as refusal:
        assert any(str(refusal) in doubt for doubt in found.doubts), found.doubts
    else:
        assert spectra


@dataclass(frozen=True)
class Dialect:
    """An invented dialect and what its draft must say."""

    lines: list[str]
    says: dict[str, object]
    asks: set[str] = field(default_factory=set)
    spectra: int = 1
    fields: dict[str, str] = field(default_factory=dict)
    answers: dict[str, str] = field(default_factory=dict)
    encoding: str = "utf-8"
    end: str = "\n"
    values: list[float] = field(default_factory=lambda: VALUES)


SAMPLE_UNIT = {"axis.unit", "values.unit"}
DIALECTS = {
    "tab and titles": Dialect(
        ["Invented scan", "Sample: A 7", "Measured: 2026-05-04 10:12", "nm\t%T", *rows("\t")],
        {"text.delimiter": "tab", "text.decimal_sign": ".", "header.next_line": "^nm",
         "axis.unit": "nm", "values.unit_from.units": {"%T": "%T"},
         "recognise.text": ["Invented scan", "Sample:", "Measured:", "nm\t%T"],
         "scanned.patterns": ["%Y-%m-%d %H:%M"]},
        fields={"sample": "A 7", "scanned": "2026-05-04T10:12"},
    ),
    "semicolons and decimal commas": Dialect(
        ["Probe=x", "Lot=L7", "Wavelength/nm;%R", *rows(";", ",")],
        {"text.delimiter": ";", "text.decimal_sign": ",", "header.between": "=",
         "values.unit_from.units": {"%R": "%R"}},
        fields={"lot": "L7"}, end="\r\n",
    ),
    "semicolons behind each row": Dialect(
        ["nm;%T;", *rows(";", ",", ";")],
        {"text.delimiter_at_line_end": True, "table.title_lines": 1},
    ),
    "commas without any header": Dialect(
        rows(","), {"text.delimiter": ",", "text.decimal_sign": "."}, SAMPLE_UNIT,
    ),
    "spaces below a marker": Dialect(
        ["# sample name: A 7", "# slit (nm): 2.0", "# DATA", *rows("   ")],
        {"text.delimiter": "spaces", "header.prefix": "#", "header.last_line": "^# DATA"},
        {"values.unit", "axis.unit"}, fields={"sample": "A 7", "bandwidth_nm": "2.0"},
    ),
    "marker line": Dialect(
        ["Operator = op 4", "Points = 5", "[values]", *rows("\t")],
        {"header.last_line": "^\\[values\\]", "table.points_entry": "Points"},
        SAMPLE_UNIT, fields={"operator": "op 4"},
    ),
    "quoted cells with decimal commas": Dialect(
        ['"wavelength (nm)","T (%)"', *(f'"{r.replace(";", chr(34) + "," + chr(34))}"'
                                        for r in rows(";", ","))],
        {"text.quote": '"', "text.delimiter": ",", "text.decimal_sign": ",",
         "values.unit_from.units": {"T (%)": "%T"}},
    ),
    "several columns with units in their titles": Dialect(
        ["nm|front (%T)|back (%R)", *rows("|", columns=2)],
        {"values.unit_from.units": {"%T": "%T", "%R": "%R"}, "values.unit_from.title": True},
        spectra=2,
    ),
    "titles above units": Dialect(
        ["wavelength\tS1\tS2", "nm\t%T\t%T", *rows("\t", columns=2)],
        {"table.title_lines": 2, "values.unit_from.pattern": "%T", "axis.unit": "nm"}, spectra=2,
    ),
    "missing words and an end line": Dialect(
        ["nm\tA", *rows("\t")[:4], "402.0\t---", "** end of scan **"],
        {"text.missing": ["---"], "table.end_line": "^\\*\\* end of scan \\*\\*$",
         "values.unit_from.units": {"A": "A"}},
        values=[*VALUES[:4], float("nan")],
    ),
    "running number before the axis": Dialect(
        ["n;nm;%T", *(f"{i};{row}" for i, row in enumerate(rows(";"), 1))],
        {"axis.column": 2, "values.ignore": [1]},
    ),
    "unit of the values in the header": Dialect(
        ["X unit: nm", "Y unit: %R", "", *rows("\t")],
        {"values.unit_from.entry": "Y unit", "values.unit_from.units": {"%R": "%R"},
         "axis.unit": "nm"},
    ),
    "blocks that a named line begins": Dialect(
        ["map: wafer 3", "site: 1", "points: 5", *rows("\t"),
         "site: 2", "points: 5", *rows("\t")],
        {"blocks.begin_line": "^site: \\d+$", "blocks.header.lines": 2,
         "table.points_entry": "points", "header.next_line": "^site: \\d+$"},
        SAMPLE_UNIT, spectra=2, fields={"site": "1"},
    ),
    "blocks between blank lines": Dialect(
        ["== part A ==", *rows(","), "", "== part B ==", *rows(","), ""],
        {"blocks.begin_line": "^== part ", "table.end_line": "^\\s*$"},
        SAMPLE_UNIT, spectra=2,
    ),
    "UTF-16": Dialect(
        ["Pr\xfcfling: A", "nm\t%T", *rows("\t")],
        {"text.encoding": "utf-16-le", "recognise.text": ["Pr\xfcfling:", "nm\t%T"]},
        encoding="utf-16",
    ),
    "neither UTF-8 nor marked": Dialect(
        ["Gr\xf6\xdfe: 25 mm", "nm\t%T", *rows("\t")],
        {"text.delimiter": "tab"}, {"text.encoding"}, encoding="cp1252",
    ),
    "thousands signs": Dialect(
        ["nm;%T", *(f"1.{row}" for row in rows(";", ","))],
        {"text.thousands_sign": ".", "text.decimal_sign": ","},
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", DIALECTS)
def test_draft_of_a_dialect_reads_it(name) -> None:
    dialect = DIALECTS[name]
    text = "".join(line + dialect.end for line in dialect.lines)
    content = text.encode(dialect.encoding)
    found = draft("run7.txt", content)
    said = tomllib.loads(found.toml)
    for key, value in dialect.says.items():
        place = said
        for part in key.split("."):
            assert part in place, f"{key} is missing:\n{found.toml}"
            place = place[part]
        assert place == value, f"{key}:\n{found.toml}"
        assert any(f"{key}.".startswith(f"{each.key}.") for each in found.assumptions)
    asked = {each.partition(":")[0] for each in found.unsure if re.match(r"[\w.]+: ", each)}
    assert dialect.asks <= asked, found.toml
    assert not any("this very file is refused" in each for each in found.unsure), found.toml
    spectra = read_export(content, "run7.txt", answered(found, dialect.answers))
    assert len(spectra) == dialect.spectra
    assert spectra[0].values.tolist() == pytest.approx(dialect.values, abs=0, nan_ok=True)
    for key, value in dialect.fields.items():
        assert spectra[0].fields[key] == value


def test_every_key_of_a_draft_carries_its_reason() -> None:
    for dialect in DIALECTS.values():
        text = "".join(line + dialect.end for line in dialect.lines)
        found = draft("run7.txt", text.encode(dialect.encoding))
        for line in found.toml.splitlines():
            if re.match(r"(# )?[\w\"]+ = ", line):
                assert re.search(r"  # (assumed|fill in|fill in if so): \S", line), line


class TestDecimalSign:
    def asked(self, *table: str) -> str:
        found = draft("a.txt", "".join(f"{row}\n" for row in ["nm\t%T", *table]).encode())
        assert "decimal_sign" not in tomllib.loads(found.toml)["text"]
        [question] = [each for each in found.unsure if each.startswith("text.decimal_sign")]
        return question

    def test_whole_numbers_tell_nothing(self) -> None:
        assert "no number in the file has a decimal sign" in self.asked(
            "400\t9", "401\t8", "402\t7"
        )

    @pytest.mark.parametrize("sign", [".", ","])
    def test_three_digits_behind_every_sign_may_be_thousands(self, sign) -> None:
        table = [f"{x}{sign}000\t{y}{sign}125" for x, y in [(400, 91), (401, 92), (402, 93)]]
        assert "may part thousands" in self.asked(*table)

    def test_one_number_below_one_decides(self) -> None:
        found = draft("a.txt", b"nm\t%T\n400,000\t0,125\n401,000\t2,125\n402,000\t2,250\n")
        assert tomllib.loads(found.toml)["text"]["decimal_sign"] == ","

    def test_commas_between_whole_numbers_are_doubted(self) -> None:
        found = draft("a.txt", b"400,91\n401,92\n402,93\n")
        assert "text.delimiter" in {each.key for each in found.questions if each.is_needed}
        assert "delimiter" not in tomllib.loads(found.toml)["text"]


class TestDates:
    def scanned(self, *header: str) -> tuple[dict, Draft]:
        lines = ["Invented scan", *header, "nm\t%T", *rows("\t")]
        found = draft("a.txt", "".join(f"{line}\n" for line in lines).encode())
        return tomllib.loads(found.toml).get("scanned", {}), found

    @pytest.mark.parametrize("text", ["04/05/2026", "04.05.2026", "12-12-2026", "04/05/26"])
    def test_day_and_month_that_could_change_places_are_left_open(self, text) -> None:
        scanned, found = self.scanned(f"Date: {text}")
        assert scanned == {}
        [question] = [each for each in found.unsure if each.startswith("scanned.patterns")]
        mark = re.sub(r"\d", "", text)[0]
        year = "%Y" if len(text) == 10 else "%y"
        assert f"'%d{mark}%m{mark}{year}' or '%m{mark}%d{mark}{year}'" in question

    @pytest.mark.parametrize(
        ("text", "pattern", "why"),
        [
            ("14/05/2026", "%d/%m/%Y", "14 can be no month"),
            ("05/14/2026 9:12 PM", "%m/%d/%Y %I:%M %p", "14 can be no month"),
            ("2026-05-04T10:12:30+02:00", "%Y-%m-%dT%H:%M:%S%z", "ISO 8601"),
            ("4 May 2026", "%d %b %Y", "the month is written out"),
            ("September 4, 2026", "%B %d, %Y", "the month is written out"),
            ("20260504", "%Y%m%d", "eight digits"),
        ],
    )
    def test_proven_order_says_its_evidence(self, text, pattern, why) -> None:
        scanned, found = self.scanned(f"Date: {text}")
        assert scanned["patterns"] == [pattern]
        assert any(
            why in each.evidence for each in found.assumptions if each.key == "scanned.patterns"
        )

    def test_zone_is_never_assumed(self) -> None:
        scanned, found = self.scanned("Date: 14.05.2026", "Time: 10:12:30.25")
        assert scanned == {
            "entries": ["Date", "Time"],
            "patterns": ["%d.%m.%Y %H:%M:%S.%f"],
        }
        assert "# zone =" in found.toml

    def test_second_date_is_doubted(self) -> None:
        scanned, found = self.scanned("Lamp changed: 2026-01-01", "Scanned: 2026-05-04 10:12")
        assert scanned["entries"] == ["Scanned"]
        assert any("'Lamp changed' hold times too" in each for each in found.doubts)


class TestAnswers:
    CONTENT = b"Sample: A\nDate: 04/05/2026\nMode: fast\n400\t91.5\n401\t92.5\n402\t-0.5\n"

    def answered(self, answers) -> dict:
        return tomllib.loads(with_answers(draft("a.txt", self.CONTENT), answers))

    def test_answers_fill_what_was_open(self) -> None:
        said = self.answered(
            {"values.unit": "%T", "axis.unit": "nm", "scanned.patterns": ["%d/%m/%Y"]}
        )
        assert said["values"] == {"unit": "%T"}
        assert said["scanned"] == {"entries": ["Date"], "patterns": ["%d/%m/%Y"]}

    def test_answer_to_what_was_assumed_takes_its_place(self) -> None:
        said = self.answered({"header.lines": 3, "fields.sample": None, "text.missing": ["---"]})
        assert said["header"] == {"lines": 3, "between": ":"}
        assert said["text"]["missing"] == ["---"]
        assert "fields" not in said

    def test_question_and_assumption_say_all_that_a_page_needs(self) -> None:
        found = draft("a.txt", self.CONTENT)
        [unit] = [each for each in found.questions if each.key == "values.unit"]
        assert unit.is_needed
        assert set(unit.choices) == {"%T", "T", "%R", "R", "A", "log(1/R)"}
        [dates] = [each for each in found.questions if each.key == "scanned.patterns"]
        assert dates.choices == (["%d/%m/%Y"], ["%m/%d/%Y"])
        [mark] = [each for each in found.assumptions if each.key == "text.delimiter"]
        assert (mark.value, mark.evidence) == ("tab", "3 rows of 2 cells each")
        assert ";" in mark.alternatives
        lists = [[asdict(each) for each in part] for part in (found.questions, found.assumptions)]
        assert json.loads(json.dumps(lists))[1][0]["key"] == "recognise.file_name"

    def test_encoding_answered_names_the_entries_anew(self) -> None:
        content = (
            "Pr\xf3bka: A\nD\u0142ugo\u015b\u0107 fali [nm]\t%T\n400\t1.5\n401\t2.5\n402\t3.5\n"
        )
        found = draft("a.txt", content.encode("cp1250"))
        said = tomllib.loads(with_answers(found, {"text.encoding": "cp1250"}))
        assert said["fields"]["sample"] == "Pr\xf3bka"
        assert said["axis"]["unit"] == "nm"

    def test_key_of_no_table_is_refused(self) -> None:
        with pytest.raises(BadSettings, match="no key of a format"):
            self.answered({"colour": "red"})

    @pytest.mark.parametrize(
        ("text", "key", "value"),
        [
            ("values.unit=%T", "values.unit", "%T"),
            ("values.ignore=[2, 3]", "values.ignore", [2, 3]),
            ("fields.sample = Sample name", "fields.sample", "Sample name"),
        ],
    )
    def test_answer_on_one_line(self, text, key, value) -> None:
        assert answer_of(text) == (key, value)

    @pytest.mark.parametrize("text", ["values.unit", "=%T", "values.unit=", ""])
    def test_answer_without_key_or_value_is_refused(self, text) -> None:
        with pytest.raises(BadSettings, match="KEY=VALUE"):
            answer_of(text)


class TestRowsThatAreNone:
    """A row that is left out of the table would be lost without a word."""

    @pytest.mark.parametrize("broken", ["400\t<0.01", "403\t12,5%", "399.5\t1.2.3"])
    def test_line_among_the_rows_is_told(self, broken) -> None:
        rows = sorted([broken, "400.5\t1.5", "401\t2.5", "402\t3.5"], key=lambda r: float(r[:3]))
        found = draft("a.txt", "".join(f"{row}\n" for row in ["nm\t%T", *rows]).encode())
        assert any("stands among the rows" in each for each in found.doubts), found.toml
        assert "delimiter" not in tomllib.loads(found.toml)["text"]

    def test_first_rows_without_a_value_stay_rows_in_another_export(self) -> None:
        found = draft("a.txt", b"Sample: A\nLot: 5\n\n400\t1.5\n401\t2.5\n402\t3.5\n")
        form = answered(found, {"text.missing": ["over"]})
        other = b"Sample: B\nLot: 5\nSite: 2\n\n400\tover\n401\t2.5\n402\t3.5\n"
        [spectrum] = read_export(other, "b.txt", form)
        assert len(spectrum.axis) == 3

    @pytest.mark.parametrize(
        ("text", "doubt"),
        [
            ("No,400,405,410\n1,1.5,2.5,3.5\n2,1.5,2.5,3.5\n3,1.5,2.5,3.5\n", "in each"),
            ("nm,%T\n400,0,91,25\n401,0,91,50\n402,0,90,75\n", "decimal signs too"),
        ],
    )
    def test_tables_that_no_format_reads_are_told(self, text, doubt) -> None:
        found = draft("a.txt", text.encode())
        assert any(doubt in each for each in found.doubts), found.toml
        assert "axis" not in tomllib.loads(found.toml)


class TestUnits:
    @pytest.mark.parametrize(
        ("header", "title"),
        [("Mode: Reflectance", "Transmittance (%)"), ("Mode: fast", "Transmittance"),
         ("Mode: %", "Absorption (%)"), ("Mode: fast", "T")],
    )  # fmt: skip
    def test_unit_that_is_not_told_is_asked_for(self, header, title) -> None:
        content = f"{header}\nnm\t{title}\n400\t1.5\n401\t2.5\n402\t1.5\n"
        found = draft("a.txt", content.encode())
        assert "values.unit" in {each.key for each in found.questions if each.is_needed}
        assert "values" not in tomllib.loads(found.toml)


FRAGMENTS = st.lists(
    st.sampled_from(
        ["400.5\t1", "401\t2", "402\t3", "403,5;1;2", "404;1;2", "405;;x", "a: b", "nm\t%T", "",
         "site 1", "site 2", "points = 3", "'\"\\", "Date: 04/05/26", "1 2", "2 3", "3 4", "\r"]
    ), max_size=30,
).map(lambda lines: "\n".join(lines).encode())  # fmt: skip


class TestDoubts:
    def test_two_entries_for_one_field_are_left_open(self) -> None:
        found = draft("a.txt", b"Sample: A\nSample ID: 7\nnm\t%T\n400.5\t1\n401\t2\n402\t3\n")
        assert "fields.sample: one of 'Sample', 'Sample ID'" in found.unsure
        assert "fields" not in tomllib.loads(found.toml)

    def test_missing_newline_and_missing_end_are_told(self) -> None:
        found = draft("a.txt", b"nm\t%T\n400.5\t1.5\n401.5\t2.5\n402.5\t3.5")
        assert any(each.startswith("text.last_line_may_lack_newline") for each in found.unsure)
        assert any("cut short between two rows" in each for each in found.unsure)

    def test_lines_below_the_numbers_are_told(self) -> None:
        found = draft("a.txt", b"nm\t%T\n400.5\t1\n401\t2\n402\t3\nLamp: on\nOperator: x\n")
        said = tomllib.loads(found.toml)
        assert said["table"]["end_line"] == r"^Lamp\s*:"
        assert said["footer"] == {"between": ":"}
        assert "footer: nothing tells a whole footer from one cut short" in found.doubts
        assert said["fields"] == {"operator": "Operator"}

    @pytest.mark.parametrize(
        "content", [b"", b"\x00\x01\x02\xff" * 50, b"just words\nand more\n", b"\n" * 9, b"1\n2\n"]
    )
    def test_no_table_gives_a_draft_of_questions(self, content) -> None:
        found = draft("a.bin", content)
        assert found.doubts[0].startswith("no table of numbers")
        form = answered(found)
        assert form.text.delimiter == "tab"

    def test_hostile_text_in_a_header_stays_inside_its_comment(self) -> None:
        content = b"Sample\"]\x0b: '''\\\nDate: \x7f\nnm\t%T\n400.5\t1\n401\t2\n402\t3\n"
        found = draft('a".txt\n[text]', content)
        assert tomllib.loads(found.toml)["text"]["delimiter"] == "tab"

    @given(st.one_of(st.binary(max_size=200), FRAGMENTS))
    def test_any_bytes_give_a_draft_that_is_toml(self, content) -> None:
        reads_or_asks(content)

    @pytest.mark.parametrize("name", DIALECTS)
    def test_half_a_file_gives_a_draft_too(self, name) -> None:
        dialect = DIALECTS[name]
        content = "".join(line + dialect.end for line in dialect.lines).encode(dialect.encoding)
        for cut in range(0, len(content), 3):
            reads_or_asks(content[:cut])


def test_a_short_axis_with_a_position_twice_is_still_the_axis() -> None:
    """At a change of detectors the values may rise too; they must not become the axis."""
    rows = ["858 0.1", "859 0.2", "860 0.3", "860 0.35", "861 0.4", "862 0.5"]
    drafted = draft("dup.txt", "\n".join(["nm %R", *rows, ""]).encode())
    assert any(each.key == "axis.duplicates" for each in drafted.questions)
    assert ("axis.column", "1") in {(each.key, str(each.value)) for each in drafted.assumptions}


def test_an_axis_for_each_spectrum_is_told_by_the_titles() -> None:
    text = (
        "Panel A s1,,Panel A s2,\nWavelength (nm),%T,Wavelength (nm),%T\n"
        "800,90.1,700,90.4\n799,90.2,699,90.5\n798,90.3,,\n"
    )
    drafted = draft("pairs.csv", text.encode())
    assert "pairs = true" in drafted.toml
    assert not any(each.key == "values.ignore" for each in drafted.questions)
