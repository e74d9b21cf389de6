"""An encoding and a decimal sign are proven by a fact of the file, which is told, or refused."""

import io

import pytest
from speclake_plugins.columns import ColumnsImporter

from speclake.errors import MalformedFile
from speclake.importing import Confidence
from speclake.importing.formats import Format
from speclake.importing.proof import prove_encoding
from tests.plugins.exports import read, read_one, source, table, two_columns

HEADER = "Invented bench\nSample: {}\n"


def proven(**text) -> Format:
    return two_columns(text={"encoding": "proven", "decimal_sign": "proven"} | text)


def refusal(content: bytes, form: Format) -> tuple[str, str, str]:
    with pytest.raises(MalformedFile) as caught:
        read(content, form)
    return caught.value.place, caught.value.found, caught.value.expected


class TestEncoding:
    @pytest.mark.parametrize(
        ("sample", "encoding", "evidence"),
        [
            ("A 7", "ascii", "encoding proven by its bytes: all are ASCII"),
            ("Pl\xe4ttchen 7 \xb5", "utf-8",
             "encoding utf-8, proven by the bytes of 2 characters beyond ASCII"),
            ("\u8a66\u6599", "utf-8",
             "encoding utf-8, proven by the bytes of 2 characters beyond ASCII"),
            ("\xb5", "utf-8-sig", "encoding utf-8, proven by its byte-order mark"),
            ("\u8a66\u6599", "utf-16", "encoding utf-16-le, proven by its byte-order mark"),
        ],
    )  # fmt: skip
    def test_evidence_is_told(self, sample, encoding, evidence) -> None:
        text = table(["400.0\t1.5", "400.5\t2.5"], HEADER.format(sample)).decode()
        spectrum = read_one(text.encode(encoding), proven())
        assert spectrum.header["Sample"] == sample
        assert spectrum.values.tolist() == [1.5, 2.5]
        assert spectrum.notes == (evidence, "decimal point, proven by '400.0' in line 4")

    @pytest.mark.parametrize(
        ("encoding", "sample", "fits"),
        [("cp1252", "\xb5", "cp1252"), ("cp932", "\u8a66\u6599 7", "cp932")],
    )
    def test_bytes_of_other_encodings_are_refused_and_the_fitting_ones_named(
        self, encoding, sample, fits
    ) -> None:
        text = table(["400.0\t1.5", "400.5\t2.5"], HEADER.format(sample)).decode()
        place, found, expected = refusal(text.encode(encoding), proven())
        assert place == "line 2"
        assert "which is no UTF-8; the bytes fit" in found
        assert fits in found
        assert expected == "an encoding declared in the format"

    @pytest.mark.parametrize("encoding", ["utf-16-le", "utf-16-be", "utf-32-le", "iso2022_jp"])
    def test_bytes_that_only_look_like_ascii_prove_nothing(self, encoding) -> None:
        text = table(["400.0\t1.5"], HEADER.format("\u8a66\u6599")).decode()
        found = refusal(text.encode(encoding), proven())[1]
        assert found.startswith("the byte 0x")

    def test_cut_character_is_refused(self) -> None:
        place, found, expected = refusal(table(["400.0\t1.5"]) + b"\xc3", proven())
        assert (place, found) == ("line 4", "the bytes 0xc3 at the end")
        assert "half written" in expected

    def test_long_file_is_proven_to_its_end(self) -> None:
        content = b"a" * 3_000_000 + b"\n" + "\xb5".encode()
        encoding, note = prove_encoding(io.BytesIO(content), "run7.txt")
        assert (encoding, "1 character beyond" in note) == ("utf-8", True)
        with pytest.raises(MalformedFile, match="line 2: found the byte 0xb5"):
            prove_encoding(io.BytesIO(content[:-2] + b"\xb5"), "run7.txt")

    def test_file_is_recognised_before_its_encoding_is_proven(self) -> None:
        guess = ColumnsImporter().sniff(source(table(["400.0\t1.5"]), proven()))
        assert guess.confidence == Confidence.CERTAIN


class TestDecimalSign:
    @pytest.mark.parametrize(
        ("rows", "values", "evidence"),
        [
            (["400\t91,92", "401\t1,125"], [91.92, 1.125],
             "decimal comma, proven by '91,92' in line 3"),
            (["400,0\t91,920", "400,5\t92"], [91.92, 92.0],
             "decimal comma, proven by '400,0' in line 3"),
            (["400\t0.125", "401\t1.125"], [0.125, 1.125],
             "decimal point, proven by '0.125' in line 3"),
            (["400\t1.125", "401\t1000.125"], [1.125, 1000.125],
             "decimal point, proven by '1000.125' in line 4"),
            (["400\t1.125", "401\t1,"], None, "'1.125' in column 2"),
            (["400\t-,5", "401\t1e3"], [-0.5, 1000.0],
             "decimal comma, proven by '-,5' in line 3"),
            (["400\t91", "401\t92"], [91.0, 92.0],
             "decimal sign proven by the numbers: all are whole"),
        ],
    )  # fmt: skip
    def test_number_that_can_be_read_in_one_way_is_told(self, rows, values, evidence) -> None:
        if values is None:
            assert refusal(table(rows), proven())[1] == evidence
            return
        spectrum = read_one(table(rows), proven())
        assert spectrum.values.tolist() == values
        assert spectrum.notes[1] == evidence

    @pytest.mark.parametrize("sign", [".", ","])
    def test_numbers_that_can_be_read_in_two_ways_are_refused_with_both(self, sign) -> None:
        rows = [f"400{sign}125\t91{sign}920", f"400{sign}250\t-1{sign}500E+02"]
        place, found, expected = refusal(table(rows), proven())
        assert (place, found) == ("line 3", f"'400{sign}125', which is 400.125 or 400125")
        assert expected == "a decimal_sign declared in the format, or numbers that prove it"

    def test_both_signs_are_refused(self) -> None:
        assert refusal(table(["400,0\t91.5"]), proven())[:2] == ("line 3", "'91.5' in column 2")

    def test_commas_between_whole_numbers_could_be_either(self) -> None:
        form = proven(delimiter=",")
        form = form.model_copy(
            update={"header": form.header.model_copy(update={"next_line": "^nm,"})}
        )
        titles = "nm,a,b,c\n"
        found = refusal(table(["400,5,91,2"], titles=titles), form)[1]
        assert found == "'400,5,91,2', in which each comma could be a decimal sign"
        assert len(read(table(["400.5,91,2,7"], titles=titles), form)) == 3
        two = table(["400,91", "401,92"], titles="nm,%T\n")
        assert read_one(two, form).values.tolist() == [91.0, 92.0]

    def test_field_is_read_with_the_proven_sign(self) -> None:
        form = two_columns(text={"decimal_sign": "proven"}, fields={"angle_deg": "Angle"})
        content = table(["400,0\t1,5", "401,0\t2,5"], "Invented bench\nAngle: 8,5\n")
        assert read_one(content, form).fields == {"angle_deg": "8.5"}

    def test_blocks_prove_it_once_for_the_file(self) -> None:
        form = two_columns(
            text={"decimal_sign": "proven"},
            header=None,
            table={"title_lines": 0},
            blocks={"begin_line": "^site"},
            recognise=None,
        )
        content = b"site\n1\t2\n2\t3\nsite\n400\t1,5\nsite\n1,125\t2,250\n"
        first, second, third = read(content, form)
        assert first.values.tolist() == [2.0, 3.0]
        assert (second.values.tolist(), third.values.tolist()) == ([1.5], [2.25])
        assert third.notes == ("decimal comma, proven by '1,5' in block 2, line 5",)
        assert refusal(content + b"site\n400\t1.5\n", form)[0] == "block 4, line 9"
